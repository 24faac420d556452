//! An invented season as the tables that the analysis starts from, without engine and store.
//!
//! For the calibration, which needs thousands of seasons. The readings carry the noise and rounding of real sensors.

use super::garden::{DrawnFault, Garden, GardenNight};
use crate::analysis::draw::Draw;
use crate::analysis::season::{Rank, Season, SeasonSignal};
use crate::analysis::slicing::{HOLD, NightPlan, STEP, cut, lay_in};
use crate::model::rows::{Bucket, RemedyRow};
use crate::model::{FaultKind, Name, Span, Unit, UnixMs};
use jiff::ToSpan;
use jiff::civil::{Date, date};

/// First evening of every invented season.
const FIRST: Date = date(2031, 10, 3);

/// The evening's date of a day of the invented season.
pub fn evening(day: i32) -> Date {
    FIRST.checked_add(day.days()).unwrap_or(FIRST)
}

/// 18:00 UTC of that evening.
pub fn six_o_clock(day: i32) -> UnixMs {
    // Days since 1970-01-01 times the length of a day: UTC has no other days.
    let days = i64::from(FIRST.since(date(1970, 1, 1)).map_or(0, |s| s.get_days())) + i64::from(day);
    UnixMs(days * 86_400_000 + 18 * 3_600_000)
}

fn ms(hours: f64) -> Span {
    Span((hours * 3_600_000.0).round() as i64)
}

/// At-risk stretches of an invented night, in hours since its session began.
pub fn at_risk(hours: f64, faults: &[DrawnFault]) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    let mut from = 0.0;
    for f in faults {
        if f.at > from {
            out.push((from, f.at));
        }
        from = f.at + f.outage;
    }
    if from < hours {
        out.push((from, hours));
    }
    out
}

/// Real signals of the table: name, unit, what, whether beyond reach.
const REAL: [(&str, Unit, &str, bool); 6] = [
    ("temperature.outside", Unit::Celsius, "outside air", true),
    ("temperature.box", Unit::Celsius, "box air", false),
    ("dew.margin", Unit::Kelvin, "box air above its dew point", false),
    ("pressure.cpu", Unit::Percent, "waiting for the processor", false),
    ("memory.available-share", Unit::Percent, "memory still available", false),
    ("interface.wlan0.signal", Unit::Dbm, "received radio level", false),
];

/// The tables of an invented season, with `idle` meaningless signals beside the real ones (some of which move with a real
/// one, as a processor's own sensor does).
pub fn table(garden: &Garden, idle: usize, seed: u64) -> Season {
    let mut d = Draw::stream(seed, 1 << 40);
    let name = |n: &str| Name::new(n).unwrap_or_else(|_| Name::from_parts("other", n));
    let mut signals: Vec<SeasonSignal> = REAL
        .iter()
        .map(|&(n, unit, what, beyond_reach)| SeasonSignal {
            name: name(n),
            unit,
            what: what.into(),
            rank: Rank::Short,
            beyond_reach,
        })
        .collect();
    // One in three of the idle signals follows a real one, the others follow nothing.
    let follows: Vec<Option<usize>> = (0..idle).map(|i| (i % 3 == 0).then_some((i / 3) % REAL.len())).collect();
    signals.extend((0..idle).map(|i| SeasonSignal {
        name: name(&format!("other.idle-{i}")),
        unit: Unit::None,
        what: format!("idle signal {i}"),
        rank: Rank::Rest,
        beyond_reach: false,
    }));
    let nights: Vec<_> = garden.nights.iter().map(|g| one_night(g, garden.step, &follows, &mut d)).collect();
    let remedies = garden
        .onset
        .map(|n| {
            let since = UnixMs(six_o_clock(garden.nights[n].day).0);
            let first = nights.first().map_or(since, |x: &crate::analysis::season::Night| x.from);
            RemedyRow {
                id: 1,
                name: "the remedy".into(),
                added: since,
                since,
                until: None,
                only_nights: Vec::new(),
                hard_when: None,
                record_before: since - first,
                hindsight: false,
            }
        })
        .into_iter()
        .collect();
    Season { nights, signals, remedies, changes: Vec::new() }
}

fn one_night(g: &GardenNight, step: f64, follows: &[Option<usize>], d: &mut Draw) -> crate::analysis::season::Night {
    let from = six_o_clock(g.day) + ms(g.starts);
    let plan = NightPlan {
        date: evening(g.day).to_string(),
        day: g.day,
        from,
        session: true,
        watched: true,
        dark_hours: g.hours,
        session_hours: g.hours,
        at_risk: at_risk(g.hours, &g.faults).into_iter().map(|(a, b)| (from + ms(a), from + ms(b))).collect(),
        faults: g.faults.iter().map(|f| (from + ms(f.at), FaultKind::Device, "device.main-camera".into())).collect(),
        incidents: g.faults.len(),
    };
    let mut night = cut(plan, STEP);
    let real = |s: &super::garden::Step, d: &mut Draw| {
        let tenth = |v: f64| (v * 10.0).round() / 10.0;
        let inside = tenth(s.inside + 0.05 * d.normal());
        [
            tenth(s.outside + 0.1 * d.normal()),
            inside,
            tenth(inside - s.dew_point + 0.3 * d.normal()),
            tenth(s.starved * (1.0 + 0.05 * d.normal())),
            tenth(s.memory),
            (s.radio + d.normal()).round(),
        ]
    };
    let rows: Vec<[f64; 6]> = g.steps.iter().map(|s| real(s, d)).collect();
    let bucket = |i: usize, v: f64| Bucket {
        from: from + ms(i as f64 * step),
        to: from + ms((i + 1) as f64 * step),
        min: v,
        mean: v,
        max: v,
        count: 1,
        unavailable: 0,
    };
    for k in 0..6 {
        let b: Vec<Bucket> = rows.iter().enumerate().map(|(i, r)| bucket(i, r[k])).collect();
        lay_in(&mut night, &b, HOLD);
    }
    for (i, f) in follows.iter().enumerate() {
        // Idle signals differ in how slowly they wander and in how much one night differs from the next.
        let keep = (-step / [0.05, 0.7, 4.0][i % 3]).exp();
        let push = (1.0 - keep * keep).sqrt();
        let (mut x, own) = (d.normal(), [0.3, 1.0, 2.0][(i / 3) % 3] * d.normal());
        let b: Vec<Bucket> = rows
            .iter()
            .enumerate()
            .map(|(t, r)| {
                x = keep * x + push * d.normal();
                bucket(
                    t,
                    match f {
                        Some(k) => r[*k] + 2.0 * x + own,
                        None => x + own,
                    },
                )
            })
            .collect();
        lay_in(&mut night, &b, HOLD);
    }
    night
}

#[cfg(test)]
mod tests {
    use super::super::garden::happen;
    use super::super::truth::Case;
    use super::*;

    #[test]
    fn the_table_keeps_faults_hours_and_readings_before_faults() {
        let w = Case::ColdContact.world(12, 15.0);
        let g = happen(&w, 5, 1.0 / 30.0);
        let s = table(&g, 4, 5);
        assert_eq!(s.nights.len(), 12);
        assert_eq!(s.signals.len(), 10);
        for (n, t) in s.nights.iter().zip(&g.nights) {
            assert_eq!(n.faults.len(), t.faults.len());
            let h: f64 = at_risk(t.hours, &t.faults).iter().map(|(a, b)| b - a).sum();
            assert!((n.at_risk_hours - h).abs() < 1e-3);
            assert_eq!(n.values.len(), 10);
        }
        assert_eq!(s.nights[0].date, "2031-10-03");
        assert_eq!(six_o_clock(0), UnixMs(1_948_816_800_000));
    }
}
