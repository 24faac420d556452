//! Sun, dark hours and the boundaries of nights. Pure: place, zone and time are arguments.
//!
//! | question | where |
//! | --- | --- |
//! | which night an instant belongs to, nights of a stretch of time | [`night`] |
//! | altitude and azimuth of the Sun, sunset to sunrise with all twilights, curve of the altitude | [`sun`] |
//! | dark hours of a night below a depression, kept for repeated questions | [`dark`] |
//! | stretches of time: union, overlap, difference, total | [`intervals`] |
//!
//! No dark hours (high summer) and nothing but darkness (polar night) are answers, not errors.

pub mod dark;
pub mod intervals;
#[expect(clippy::module_inception, reason = "the night is the room's main word")]
pub mod night;
pub mod sun;

pub use dark::{DEFAULT_DEPRESSION, DarkTable, Place, dark_hours};
pub use intervals::Interval;
pub use night::{Night, night_of, night_on, nights_between};
pub use sun::{Site, SiteError, SunPosition, SunState, Twilight, sun_altitude, sun_position, twilight};
