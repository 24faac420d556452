//! Alarms leaving the machine, and actions that a rule may run.
