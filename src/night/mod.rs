//! Sun, dark hours and the boundaries of nights. Pure: place, zone and time are arguments.
