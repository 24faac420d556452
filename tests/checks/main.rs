//! Checks of the main job against published values. Each module names its sources beside the checks.
#![allow(clippy::unwrap_used)]
