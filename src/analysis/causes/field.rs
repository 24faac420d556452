//! The nights that count, laid out for the scan: once with all their at-risk time, once up to the first fault only.
//! Which of the two a signal is judged on, [`super::evidence`] says.

use super::evidence::{Evidence, steady};
use crate::analysis::permute::Records;
use crate::analysis::scan::{Laying, Side};
use crate::analysis::season::{Figures, Rank, SEASON_DAY, SINCE_START, Season, in_use};
use crate::model::{FaultKind, Name, Unit};

/// Hours that stand for a night with a fault but no at-risk time before it, so that it is not lost.
const INSTANT: f64 = 1.0 / 60.0;

/// The nights.
pub(super) struct Field {
    /// Index of each in the season.
    pub nights: Vec<usize>,
    /// All at-risk time and all faults.
    pub all: Records,
    /// At-risk time up to the first fault of each night, and first faults only: for quick signals that a fault can change.
    pub inside: Records,
    /// Kind of each fault of `all`.
    pub kinds: Vec<FaultKind>,
    /// For each fault of `inside`, its index in `all`.
    pub first: Vec<usize>,
    /// Remedy period of each night: nights with the same remedies in use.
    pub period: Vec<usize>,
    /// Day in the season of each night.
    pub days: Vec<f64>,
    /// For each slice of `all` and of `inside`: its index in its night; none for an instant that stands for a night.
    all_slices: Vec<Option<usize>>,
    inside_slices: Vec<Option<usize>>,
}

/// A signal to be tested.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub name: Name,
    pub what: String,
    pub unit: Unit,
    pub rank: Rank,
    /// Which hours and faults it is judged on.
    pub evidence: Evidence,
    /// Value in each slice of its own records.
    pub values: Vec<f64>,
    /// Value in each slice of `inside`: readings before the first fault of each night.
    pub inside_values: Vec<f64>,
    /// Figures of each night.
    pub figures: Vec<Option<Figures>>,
    pub side: Side,
    pub laying: Laying,
}

impl Candidate {
    /// It is judged on the nights up to their first faults.
    pub(super) fn inside(&self) -> bool {
        self.evidence == Evidence::ToFirstFault
    }
}

impl Field {
    pub(super) fn new(season: &Season) -> Field {
        let nights = season.usable();
        let mut all = Records::default();
        let mut inside = Records::default();
        let (mut all_slices, mut inside_slices) = (Vec::new(), Vec::new());
        let (mut kinds, mut first) = (Vec::new(), Vec::new());
        for (i, &n) in nights.iter().enumerate() {
            let night = &season.nights[n];
            let base = all.slice_hours.len();
            all.first_slice.push(base);
            for (s, x) in night.slices.iter().enumerate() {
                all.slice_hours.push(x.hours);
                all_slices.push(Some(s));
            }
            if night.slices.is_empty() {
                all.slice_hours.push(INSTANT);
                all_slices.push(None);
            }
            all.hours.push(all.slice_hours[base..].iter().sum());
            let start = inside.slice_hours.len();
            inside.first_slice.push(start);
            for (s, x) in night.slices.iter().enumerate().filter(|(_, x)| !x.after_fault) {
                inside.slice_hours.push(x.hours);
                inside_slices.push(Some(s));
            }
            if inside.slice_hours.len() == start {
                inside.slice_hours.push(INSTANT);
                inside_slices.push(None);
            }
            inside.hours.push(inside.slice_hours[start..].iter().sum());
            for (k, f) in night.faults.iter().enumerate() {
                if k == 0 {
                    first.push(all.faults.len());
                    inside.faults.push((i, inside.slice_hours.len() - 1));
                }
                all.faults.push((i, base + f.slice.unwrap_or(0)));
                kinds.push(f.kind);
            }
        }
        all.first_slice.push(all.slice_hours.len());
        inside.first_slice.push(inside.slice_hours.len());
        let mut seen: Vec<Vec<bool>> = Vec::new();
        let period = nights
            .iter()
            .map(|&n| {
                let key: Vec<bool> = season.remedies.iter().map(|r| in_use(r, &season.nights[n])).collect();
                seen.iter().position(|k| *k == key).unwrap_or_else(|| {
                    seen.push(key);
                    seen.len() - 1
                })
            })
            .collect();
        let days = nights.iter().map(|&n| f64::from(season.nights[n].day)).collect();
        Field { nights, all, inside, kinds, first, period, days, all_slices, inside_slices }
    }

    /// The records that a candidate is judged on.
    pub(super) fn records(&self, c: &Candidate) -> &Records {
        if c.inside() { &self.inside } else { &self.all }
    }

    /// Which faults of a candidate's records are of a kind (none: all).
    pub(super) fn set(&self, inside: bool, kind: Option<FaultKind>) -> Vec<bool> {
        let is = |f: usize| kind.is_none_or(|k| self.kinds[f] == k);
        if inside { self.first.iter().map(|&f| is(f)).collect() } else { (0..self.kinds.len()).map(is).collect() }
    }

    /// Whether each night had a fault of a kind.
    pub(super) fn trouble(&self, kind: Option<FaultKind>) -> Vec<bool> {
        let mut out = vec![false; self.nights.len()];
        for (f, k) in self.all.faults.iter().zip(&self.kinds) {
            out[f.0] |= kind.is_none_or(|x| x == *k);
        }
        out
    }

    /// All signals of a season, and hours since session start and day in the season.
    pub(super) fn candidates(&self, season: &Season) -> Vec<Candidate> {
        let figure = |i: usize, k: usize| season.nights[self.nights[i]].figures.get(k).copied().flatten();
        let spread =
            |records: &Records, slices: &[Option<usize>], of: &dyn Fn(usize, Option<usize>) -> f64| -> Vec<f64> {
                records.night_of_slice().iter().zip(slices).map(|(&i, s)| of(i as usize, *s)).collect()
            };
        let mut out: Vec<Candidate> = season
            .signals
            .iter()
            .enumerate()
            .map(|(k, s)| {
                let of = |i: usize, slice: Option<usize>| {
                    match slice {
                        Some(x) => season.nights[self.nights[i]].values.get(k).and_then(|v| v.get(x)).copied(),
                        None => figure(i, k).map(|f| f.mean),
                    }
                    .unwrap_or(f64::NAN)
                };
                let inside_values = spread(&self.inside, &self.inside_slices, &of);
                // The last value before the first fault stands for all after it.
                let held = |i: usize, slice: Option<usize>| {
                    let slices = &season.nights[self.nights[i]].slices;
                    let before = |b: &usize| !slices[*b].after_fault && of(i, Some(*b)).is_finite();
                    match slice.filter(|x| slices[*x].after_fault) {
                        Some(x) => (0..x).rev().find(before).map_or(f64::NAN, |b| of(i, Some(b))),
                        None => of(i, slice),
                    }
                };
                let (evidence, values) = if s.beyond_reach {
                    (Evidence::Whole, spread(&self.all, &self.all_slices, &of))
                } else if steady(&self.inside, &inside_values) {
                    (Evidence::Held, spread(&self.all, &self.all_slices, &held))
                } else {
                    (Evidence::ToFirstFault, inside_values.clone())
                };
                Candidate {
                    name: s.name.clone(),
                    what: s.what.clone(),
                    unit: s.unit,
                    rank: s.rank,
                    evidence,
                    values,
                    inside_values,
                    figures: (0..self.nights.len()).map(|i| figure(i, k)).collect(),
                    side: side(&s.name, s.unit),
                    laying: Laying::Moved,
                }
            })
            .collect();
        let since = |i: usize, slice: Option<usize>| {
            let n = &season.nights[self.nights[i]];
            slice.map_or_else(|| n.faults.first().map_or(0.0, |f| f.since_start), |x| n.slices[x].since_start)
        };
        let day = |i: usize, _: Option<usize>| self.days[i];
        for (name, what, unit, laying, of) in [
            (
                SINCE_START,
                "hours since the session began",
                Unit::Hours,
                Laying::Dealt,
                &since as &dyn Fn(usize, Option<usize>) -> f64,
            ),
            (SEASON_DAY, "day in the season", Unit::Days, Laying::Moved, &day),
        ] {
            let figures = (0..self.nights.len())
                .map(|i| {
                    (laying == Laying::Moved).then(|| {
                        let d = self.days[i];
                        Figures { minimum: d, mean: d, maximum: d }
                    })
                })
                .collect();
            out.push(Candidate {
                name: Name::new(name).unwrap_or_else(|_| Name::from_parts("time", name)),
                what: what.into(),
                unit,
                rank: Rank::Short,
                evidence: Evidence::Whole,
                values: spread(&self.all, &self.all_slices, of),
                inside_values: spread(&self.inside, &self.inside_slices, of),
                figures,
                side: Side::Both,
                laying,
            });
        }
        out
    }
}

/// Which side of a signal can be the bad one, where its meaning leaves no doubt: a weak radio, little memory, long waiting, a small
/// margin to dew. Asking one question instead of two finds more with the same nights. At night cold is likelier than heat.
fn side(name: &Name, unit: Unit) -> Side {
    let n = name.as_str();
    if unit == Unit::Dbm || n.starts_with("memory.available") || n.starts_with("dew.margin") {
        Side::Below
    } else if n.starts_with("pressure.") {
        Side::Above
    } else if unit == Unit::Celsius {
        Side::RatherBelow
    } else {
        Side::Both
    }
}
