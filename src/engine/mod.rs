//! Turns batches of readings and events into alarm transitions, sessions and incidents. Pure: no clock, file, SQL, thread,
//! async, log or randomness; time comes in with the batch, so the same batches always give the same alarms.
