//! The clock: wall, monotonic and since-boot time behind one trait. The only place that reads a clock.
