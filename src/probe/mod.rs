//! Takes readings. The only room that touches the operating system, one file per kind of probe.
//!
//! A value that cannot be read is a reading *unavailable, because …*: never zero, never absent in silence.
