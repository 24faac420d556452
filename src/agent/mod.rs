//! Wires probes, engine and store together; owns start, shutdown and the watchdog.
