//! The Sun over a site: position, twilights, and when it stands below an altitude.
//!
//! Positions by the NREL solar position algorithm (Reda & Andreas 2004, Solar Energy 76:577–589; stated ±0.0003°) as in the
//! crate `solar-positioning`; crossings by its search, which misses none, also where the Sun only grazes the altitude. UTC
//! stands for UT1 (under 1 s), and the difference of terrestrial and universal time is that crate's estimate.
//!
//! Convention: centre of the Sun, no refraction, sea-level horizon; sunset and sunrise at −50′ = −0.8333° (34′ refraction and
//! 16′ half diameter, as the almanacs do), civil −6°, nautical −12°, astronomical −18°. Hills are not known.

use super::Interval;
use crate::model::UnixMs;
use jiff::tz::TimeZone;
use solar_positioning::time::JulianDate;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};
use thiserror::Error;

/// Altitude of the Sun's centre at sunset and sunrise, in degrees.
pub const SUNSET_ALTITUDE: f64 = -50.0 / 60.0;
/// Depression that ends civil twilight, in degrees.
pub const CIVIL: f64 = 6.0;
/// Depression that ends nautical twilight, in degrees.
pub const NAUTICAL: f64 = 12.0;
/// Depression that ends astronomical twilight, in degrees.
pub const ASTRONOMICAL: f64 = 18.0;

/// Why a site was refused.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SiteError {
    /// Latitude out of range.
    #[error("latitude `{0}`: expected degrees from -90 (south) to 90 (north)")]
    Latitude(f64),
    /// Longitude out of range.
    #[error("longitude `{0}`: expected degrees from -180 (west) to 180 (east)")]
    Longitude(f64),
    /// Height out of range.
    #[error("elevation `{0}`: expected metres above sea level, -500 to 9000")]
    Elevation(f64),
}

/// A place on Earth with its civil time. Checked when made, so that every question about it has an answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    latitude: f64,
    longitude: f64,
    elevation_m: f64,
    zone: TimeZone,
}

impl Site {
    /// Degrees north, degrees east, metres above sea level, time zone.
    ///
    /// # Errors
    /// A coordinate that is out of range or not finite.
    pub fn new(latitude: f64, longitude: f64, elevation_m: f64, zone: TimeZone) -> Result<Site, SiteError> {
        if !(-90.0..=90.0).contains(&latitude) {
            return Err(SiteError::Latitude(latitude));
        }
        if !(-180.0..=180.0).contains(&longitude) {
            return Err(SiteError::Longitude(longitude));
        }
        if !(-500.0..=9000.0).contains(&elevation_m) {
            return Err(SiteError::Elevation(elevation_m));
        }
        Ok(Site { latitude, longitude, elevation_m, zone })
    }
    /// Degrees north.
    pub fn latitude(&self) -> f64 {
        self.latitude
    }
    /// Degrees east.
    pub fn longitude(&self) -> f64 {
        self.longitude
    }
    /// Metres above sea level; matters to the Sun's position by less than 0.0001°.
    pub fn elevation_m(&self) -> f64 {
        self.elevation_m
    }
    /// Civil time of the site.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }
    fn location(&self) -> Location {
        Location { latitude: self.latitude, longitude: self.longitude }
    }
}

/// Where the Sun stands, in degrees, without refraction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunPosition {
    /// Above the horizon; negative is below.
    pub altitude: f64,
    /// From north over east.
    pub azimuth: f64,
}

/// Milliseconds of the first and last instant that the algorithm is used for: the years 0 to 2999. Beyond, the Sun is taken
/// as at the nearer end.
const FIRST: i64 = -62_167_219_200_000;
const LAST: i64 = 32_503_680_000_000 - 1;

fn julian(t: UnixMs) -> f64 {
    t.0.clamp(FIRST, LAST) as f64 / 86_400_000.0 + 2_440_587.5
}

fn from_julian(jd: f64) -> UnixMs {
    UnixMs(((jd - 2_440_587.5) * 86_400_000.0).round() as i64)
}

/// Terrestrial minus universal time, in seconds.
fn time_difference(t: UnixMs) -> f64 {
    let year = 1970.0 + t.0.clamp(FIRST, LAST) as f64 / (365.2425 * 86_400_000.0);
    // The estimate exists for every year in the range that instants are clamped to.
    delta_t::estimate(year).unwrap_or(69.0)
}

/// Where the Sun stands at an instant.
pub fn sun_position(site: &Site, t: UnixMs) -> SunPosition {
    position_with(site, t, time_difference(t), None)
}

/// Altitude of the Sun's centre in degrees, without refraction.
pub fn sun_altitude(site: &Site, t: UnixMs) -> f64 {
    sun_position(site, t).altitude
}

/// The same with a stated difference of terrestrial and universal time (s), and with refraction for a pressure (hPa) and a
/// temperature (°C) where given: the apparent position, for comparison with published examples.
pub fn position_with(site: &Site, t: UnixMs, difference_s: f64, air: Option<(f64, f64)>) -> SunPosition {
    let air = air.and_then(|(p, c)| solar_positioning::RefractionCorrection::new(p, c).ok());
    JulianDate::new(julian(t), difference_s)
        .and_then(|jd| SolarPositions::new().at_from_julian(jd, site.location(), site.elevation_m, air))
        // A checked site and a clamped instant leave nothing to refuse; a refusal must never look like a Sun somewhere.
        .map_or(SunPosition { altitude: f64::NAN, azimuth: f64::NAN }, |p| SunPosition {
            altitude: p.elevation_angle(),
            azimuth: p.azimuth(),
        })
}

/// Apparent geocentric right ascension and declination of the Sun in degrees at an instant of terrestrial time.
pub fn geocentric(terrestrial: UnixMs) -> (f64, f64) {
    JulianDate::new(julian(terrestrial), 0.0)
        .and_then(|jd| SolarPositions::new().for_time_from_julian(jd))
        .map_or((f64::NAN, f64::NAN), |p| (p.right_ascension(), p.declination()))
}

/// How the Sun stands to an altitude through a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SunState {
    /// It crosses the altitude at least once.
    Crosses,
    /// It stays above: never that dark.
    AlwaysAbove,
    /// It stays below: dark all the time.
    AlwaysBelow,
}

/// When the Sun stands below an altitude (degrees) between two instants, and which of the ends are true crossings.
#[derive(Clone, Debug, PartialEq)]
pub struct Below {
    /// Stretches below, in order; the first may begin with the window and the last may end with it.
    pub intervals: Vec<Interval>,
    /// Whether it crosses at all.
    pub state: SunState,
    window: Interval,
}

impl Below {
    /// The longest stretch: the instants at which the Sun goes down and comes up, none where the window cuts it off.
    pub fn longest(&self) -> (Option<UnixMs>, Option<UnixMs>) {
        match self.intervals.iter().max_by_key(|(a, b)| (*b - *a, std::cmp::Reverse(*a))) {
            Some(&(a, b)) => ((a > self.window.0).then_some(a), (b < self.window.1).then_some(b)),
            None => (None, None),
        }
    }
}

/// When the Sun's centre stands below `altitude` degrees between two instants. Years before 0 and after 2999, and an altitude
/// that is not a number, give no stretch and [`SunState::AlwaysAbove`]: never dark on a guess.
pub fn below(site: &Site, from: UnixMs, to: UnixMs, altitude: f64) -> Below {
    let window = (from, to);
    let none = Below { intervals: Vec::new(), state: SunState::AlwaysAbove, window };
    let all = Below { intervals: vec![window], state: SunState::AlwaysBelow, window };
    if from >= to || from.0 < FIRST || to.0 > LAST || altitude.is_nan() || altitude <= -90.0 {
        return none;
    }
    if altitude > 90.0 {
        return all;
    }
    let (start, end) = (julian(from), julian(to));
    let mid = UnixMs(from.0 + (to.0 - from.0) / 2);
    let horizon = Horizon::Custom(altitude);
    let search =
        SolarEvents::new().for_interval_from_julian(start, end, site.location(), time_difference(mid), horizon);
    let Ok(events) = search else { return none };
    if events.rises.is_empty() && events.sets.is_empty() {
        // On the horizon at the start and no crossing: the middle decides.
        return if sun_altitude(site, mid) < altitude { all } else { none };
    }
    let mut turns: Vec<(UnixMs, bool)> = events.sets.iter().map(|&t| (from_julian(t), true)).collect();
    turns.extend(events.rises.iter().map(|&t| (from_julian(t), false)));
    turns.sort_unstable_by_key(|t| t.0);
    let mut intervals = Vec::new();
    // Below at the start exactly if the first turn is a rise.
    let mut since = (!turns[0].1).then_some(from);
    for (t, down) in turns {
        let t = t.max(from).min(to);
        match (down, since) {
            (true, None) => since = Some(t),
            (false, Some(a)) => {
                intervals.push((a, t));
                since = None;
            }
            _ => {}
        }
    }
    intervals.extend(since.map(|a| (a, to)));
    intervals.retain(|(a, b)| a < b);
    Below { intervals, state: SunState::Crosses, window }
}

/// One crossing of an altitude in the evening and its counterpart in the morning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crossing {
    /// Whether it happens.
    pub state: SunState,
    /// The Sun goes below; none where it does not happen in the window.
    pub dusk: Option<UnixMs>,
    /// The Sun comes above again; none where it does not happen in the window.
    pub dawn: Option<UnixMs>,
    /// Milliseconds below, the whole window over.
    pub below_ms: i64,
}

/// Sunset to sunrise, all twilights, and the deepest Sun of one window of time (a night).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Twilight {
    /// At −0.8333°.
    pub sun: Crossing,
    /// At −6°.
    pub civil: Crossing,
    /// At −12°.
    pub nautical: Crossing,
    /// At −18°.
    pub astronomical: Crossing,
    /// When the Sun is lowest.
    pub lowest_at: UnixMs,
    /// Its altitude then, in degrees.
    pub lowest_altitude: f64,
}

impl Twilight {
    /// Sunset.
    pub fn sunset(&self) -> Option<UnixMs> {
        self.sun.dusk
    }
    /// Sunrise.
    pub fn sunrise(&self) -> Option<UnixMs> {
        self.sun.dawn
    }
}

/// The crossing of any altitude (degrees) in a window.
pub fn crossing(site: &Site, from: UnixMs, to: UnixMs, altitude: f64) -> Crossing {
    let b = below(site, from, to, altitude);
    let (dusk, dawn) = if b.state == SunState::Crosses { b.longest() } else { (None, None) };
    Crossing { state: b.state, dusk, dawn, below_ms: super::intervals::total(&b.intervals).0 }
}

/// All twilights between two instants, usually the ends of a [`super::Night`].
pub fn twilight(site: &Site, from: UnixMs, to: UnixMs) -> Twilight {
    let at = |altitude: f64| crossing(site, from, to, altitude);
    let (lowest_at, lowest_altitude) = lowest(site, from, to);
    Twilight {
        sun: at(SUNSET_ALTITUDE),
        civil: at(-CIVIL),
        nautical: at(-NAUTICAL),
        astronomical: at(-ASTRONOMICAL),
        lowest_at,
        lowest_altitude,
    }
}

/// When the Sun is lowest between two instants, and its altitude then.
pub fn lowest(site: &Site, from: UnixMs, to: UnixMs) -> (UnixMs, f64) {
    let difference = time_difference(from);
    let altitude = |ms: i64| position_with(site, UnixMs(ms), difference, None).altitude;
    const STEP: i64 = 1_800_000;
    let (mut best, mut depth) = (from.0, altitude(from.0));
    let steps = (to.0.saturating_sub(from.0) / STEP).clamp(0, 2000);
    for t in (1..=steps).map(|i| from.0 + i * STEP).chain([to.0.max(from.0)]) {
        let a = altitude(t);
        if a < depth {
            (best, depth) = (t, a);
        }
    }
    // The altitude has one minimum between the neighbours of the lowest sample: thirds.
    let (mut a, mut b) = ((best - STEP).max(from.0), (best + STEP).min(to.0.max(from.0)));
    while b - a > 1500 {
        let third = (b - a) / 3;
        if altitude(a + third) < altitude(b - third) { b -= third } else { a += third }
    }
    let middle = a + (b - a) / 2;
    let m = altitude(middle);
    if m < depth { (UnixMs(middle), m) } else { (UnixMs(best), depth) }
}

/// Altitude of the Sun in steps of `step_ms` (at least 1 s, at most 5000 points), both ends included: the curve of darkness.
pub fn altitude_curve(site: &Site, from: UnixMs, to: UnixMs, step_ms: i64) -> Vec<(UnixMs, f64)> {
    if from >= to {
        return Vec::new();
    }
    let step = step_ms.max(1000).max((to.0 - from.0) / 5000 + 1);
    let difference = time_difference(from);
    let mut out = Vec::new();
    let mut t = from;
    while t < to {
        out.push((t, position_with(site, t, difference, None).altitude));
        t = UnixMs(t.0.saturating_add(step));
    }
    out.push((to, position_with(site, to, difference, None).altitude));
    out
}
