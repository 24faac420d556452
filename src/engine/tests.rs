//! Tests of the whole engine: case files as text, properties, and the speed-independent part of its promises.

mod cases;
mod harness;
mod properties;
