//! The JSON API. Times are integer milliseconds since 1970 (UTC), values are in the signals' stored units.

pub mod summary;
