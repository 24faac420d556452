//! Pictures as plain SVG: the night with a lane for each watched thing, and line plots over the same hours.
//!
//! Pure: everything comes in as plain data, in units and words already chosen for people. No `style` attribute, no script,
//! no reference outside the picture; how it looks is decided by the classes of [`super::look::STYLE`]. Each picture is
//! drawn twice, wide for screens and paper, tall for phones with text at reading size; the stylesheet shows one of them.

mod alt;
mod axis;
mod lines;
mod night;
mod spread;

pub use alt::describe;
pub(crate) use axis::nice;
pub use lines::{LinePlot, Point, Series, Stroke, Threshold};
pub use night::{draw_tall, draw_wide};
pub(crate) use spread::width;

use crate::model::UnixMs;
use jiff::tz::TimeZone;

/// The night from dusk to dawn (or any other stretch), ready to be drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct NightPicture {
    /// Left edge.
    pub from: UnixMs,
    /// Right edge.
    pub to: UnixMs,
    /// Zone of the clock axis.
    pub zone: TimeZone,
    /// Altitude of the Sun's centre in degrees, negative below the horizon, in order of time. Empty: no site, no curve.
    pub sun: Vec<(UnixMs, f64)>,
    /// Dark means the Sun this many degrees below the horizon.
    pub dark_below: f64,
    /// Dark stretches.
    pub dark: Vec<(UnixMs, UnixMs)>,
    /// One lane for each watched thing, in the order of the chain.
    pub lanes: Vec<Lane>,
    /// Stretches in which the agent was not looking; hatched over every lane.
    pub gaps: Vec<(UnixMs, UnixMs)>,
    /// Incidents.
    pub letters: Vec<Letter>,
    /// The present, while the night goes on; nothing is drawn to the right of it.
    pub now: Option<UnixMs>,
}

/// The lane of one watched thing: a thin line where it was well, thick where it was not.
#[derive(Clone, Debug, PartialEq)]
pub struct Lane {
    /// What the person calls it.
    pub title: String,
    /// Where it was not well, or not in use.
    pub stretches: Vec<Stretch>,
    /// Instants drawn as small ticks (arrivals of frames).
    pub ticks: Vec<UnixMs>,
    /// Said at the end of the lane: "48 min", "118 frames"; may be empty.
    pub note: String,
}

/// A part of a lane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Start.
    pub from: UnixMs,
    /// End.
    pub to: UnixMs,
    /// What it was.
    pub kind: StretchKind,
}

/// What a thing was in a stretch. Each kind has its own shape and pattern; colour only repeats it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StretchKind {
    /// Not meant to work: a dotted thread.
    NotInUse,
    /// Broken, but nothing was lost by it: a hollow bar.
    Harmless,
    /// Works, but something is out of order: a half-high bar with upright stripes.
    Impaired,
    /// Stopped with nothing broken, reason not seen: the same as impaired.
    Paused,
    /// Could not be read: a half-high bar of dots.
    Unknown,
    /// Broken: a full bar.
    Broken,
}

/// An incident on the picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// Number of the incident.
    pub incident: i64,
    /// When it began.
    pub at: UnixMs,
    /// `A`, `B`, …; small for harmless ones, see [`letter_text`].
    pub text: String,
    /// One plain sentence, for the tooltip.
    pub what: String,
}

/// The letter of the `n`th incident (from 0): A to Z, then AA, AB, …; small when it is harmless.
pub fn letter_text(n: usize, harmless: bool) -> String {
    let mut n = n;
    let mut out = Vec::new();
    loop {
        out.insert(0, char::from(b'A' + u8::try_from(n % 26).unwrap_or(0)));
        if n < 26 {
            break;
        }
        n = n / 26 - 1;
    }
    let t: String = out.into_iter().collect();
    if harmless { t.to_lowercase() } else { t }
}

impl StretchKind {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            StretchKind::NotInUse => "not in use",
            StretchKind::Harmless => "broken, nothing lost",
            StretchKind::Impaired => "impaired",
            StretchKind::Paused => "paused",
            StretchKind::Unknown => "not known",
            StretchKind::Broken => "broken",
        }
    }
}

impl Lane {
    /// A lane on which all is well.
    pub fn well(title: impl Into<String>) -> Lane {
        Lane { title: title.into(), stretches: vec![], ticks: vec![], note: String::new() }
    }
    /// The same with one more stretch.
    pub fn with(mut self, from: UnixMs, to: UnixMs, kind: StretchKind) -> Lane {
        self.stretches.push(Stretch { from, to, kind });
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_go_on_after_z() {
        let all: Vec<String> = [0, 1, 25, 26, 27, 51, 52, 701, 702].map(|n| letter_text(n, false)).into();
        assert_eq!(all, ["A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA"]);
        assert_eq!(letter_text(2, true), "c");
    }
}
