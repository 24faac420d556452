//! The air in and around the box over the season, as the thermal model and the dew figures take it.

use super::gather::NightSpan;
use crate::analysis::box_report::AirReading;
use crate::analysis::season::{Season, in_use};
use crate::analysis::thermal::means::{LONGEST_WAIT, Mean, Stretch, stretches};
use crate::model::rows::Bucket;
use crate::model::{Name, SignalDef, SignalId, Span, Unit, UnixMs};
use crate::night::Interval;
use crate::store::{Reader, StoreError};

/// Width of the means.
const WIDTH: Span = Span::mins(10);

/// A stretch of the box.
pub type Box = Stretch;

/// The air of the season.
#[derive(Clone, Debug, Default)]
pub struct Air {
    /// Unbroken stretches of box and outside temperature, while the chain was up.
    pub boxes: Vec<Box>,
    /// Readings of box humidity with the temperatures beside them.
    pub humid: Vec<AirReading>,
    /// Lowest and highest outside temperature in session.
    pub outside: Option<(f64, f64)>,
    /// Highest box temperature in session.
    pub hottest: Option<f64>,
    /// How the heater's state is known; none where it is not.
    pub heater: Option<String>,
    /// Which signals were used, box and outside.
    pub from: Option<(Name, Name)>,
}

impl Air {
    /// Reads ten-minute means of the usable nights.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn fill(&mut self, reader: &Reader, season: &Season, spans: &[NightSpan]) -> Result<(), StoreError> {
        let all = reader.signals()?;
        let at = |kind: &str, place: &str| -> Option<&(SignalId, SignalDef)> {
            let named = |d: &SignalDef| d.name.kind() == kind && d.name.of_thing().is_none();
            all.iter()
                .find(|(_, d)| named(d) && d.name.own() == place)
                .or_else(|| all.iter().find(|(_, d)| named(d) && d.place == place))
        };
        let (inside, outside, humid) = (at("temperature", "box"), at("temperature", "outside"), at("humidity", "box"));
        let heater = all.iter().find(|(_, d)| d.name.kind() == "heater" && d.unit == Unit::Truth);
        let (Some(first), Some(last)) = (spans.first(), spans.last()) else { return Ok(()) };
        let read = |s: Option<&(SignalId, SignalDef)>| -> Result<Vec<Bucket>, StoreError> {
            let mut out = vec![];
            if let Some((id, _)) = s {
                reader.series_minutes(&[*id], first.from, last.to, WIDTH, |_, b| out = b)?;
            }
            Ok(out)
        };
        let (inside_all, outside_all, humid_all, heater_all) =
            (read(inside)?, read(outside)?, read(humid)?, read(heater)?);
        self.from = inside.zip(outside).map(|(a, b)| (a.1.name.clone(), b.1.name.clone()));
        let pads: Vec<_> = season.remedies.iter().filter(|r| warms(&r.name)).collect();
        self.heater = match (heater, pads.as_slice()) {
            (Some((_, d)), _) => Some(format!("Whether the heater was on is known from the recorded `{}`.", d.name)),
            (None, [r, ..]) => {
                Some(format!("The heater counts as on while “{}” was in use, as you wrote it down.", r.name))
            }
            _ => None,
        };
        for (k, (n, s)) in season.nights.iter().zip(spans).enumerate().filter(|(_, (n, _))| n.usable()) {
            let here = |all: &[Bucket], within: &[Interval]| -> Vec<Mean> {
                let all = clipped(all, s);
                let known = all.iter().filter(|b| b.count > 0 && within.iter().any(|w| w.0 <= b.from && b.to <= w.1));
                known.map(|b| Mean { at: UnixMs(b.from.0 + WIDTH.0 / 2), value: b.mean }).collect()
            };
            let seen = [(s.from, s.to)];
            let (i, o) = (here(&inside_all, &s.at_risk), here(&outside_all, &seen));
            let in_session = |all: &[Bucket]| here(all, &s.sessions);
            for m in in_session(&outside_all) {
                let (a, b) = self.outside.unwrap_or((m.value, m.value));
                self.outside = Some((a.min(m.value), b.max(m.value)));
            }
            for m in in_session(&inside_all) {
                self.hottest = Some(self.hottest.map_or(m.value, |h: f64| h.max(m.value)));
            }
            let states: Option<Vec<(UnixMs, f64)>> = if heater.is_some() {
                Some(here(&heater_all, &seen).into_iter().map(|m| (m.at, m.value)).collect())
            } else {
                self.heater.is_some().then(|| {
                    let on = pads.iter().any(|r| in_use(r, n));
                    vec![(s.from, f64::from(u8::from(on)))]
                })
            };
            // Means of the store are finite; what the model refuses is left out of it, not of the report.
            if let Ok(more) = stretches(k, &o, &i, states.as_deref(), LONGEST_WAIT) {
                self.boxes.extend(more);
            }
            for h in here(&humid_all, &s.sessions) {
                if let Some(b) = i.iter().find(|m| m.at == h.at) {
                    let outside_c = o.iter().find(|m| m.at == h.at).map(|m| m.value);
                    self.humid.push(AirReading { box_c: b.value, rh: h.value, outside_c });
                }
            }
        }
        Ok(())
    }
}

fn clipped<'a>(all: &'a [Bucket], s: &NightSpan) -> &'a [Bucket] {
    let lo = all.partition_point(|b| b.from < s.from);
    &all[lo..lo + all[lo..].partition_point(|b| b.from < s.to)]
}

/// Whether a remedy, by its name, is something that warms the box.
fn warms(name: &str) -> bool {
    let n = name.to_lowercase();
    ["heat", "warm", "heiz"].iter().any(|w| n.contains(w))
}
