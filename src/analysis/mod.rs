//! Statistics of nights, thermal model, dew, remedies. Pure: seeds are arguments, equal input gives equal output.

pub mod season;
pub mod slicing;
