//! The morning report and the report on many nights: model first, then text, HTML, JSON. Also the pictures.
//!
//! Reads through `store` queries only.
