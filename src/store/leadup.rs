//! The detailed record around an incident, packed: a head in JSON, then one column after another, then a checksum.
//!
//! Instants are whole milliseconds; values of signals are whole steps of their resolution; what could not be read stands in a
//! column of flags. The columns of all programs are joined, since most of them hold little.

use super::bytes::{Bytes, put, seal, unseal};
use super::column::{Effort, Grid, MOST, get_ints, put_ints};
use crate::model::leadup::{LeadUp, ProgramPoint, ProgramTrack, Track};
use crate::model::{Name, Unit, UnixMs};
use serde::{Deserialize, Serialize};

const FORM: u8 = 1;
/// The head is no longer than this.
const LONGEST_HEAD: usize = 1 << 22;

#[derive(Serialize, Deserialize)]
struct Head {
    opened: i64,
    from: i64,
    to: i64,
    cut: bool,
    signals: Vec<SignalHead>,
    programs: Vec<ProgramHead>,
}

#[derive(Serialize, Deserialize)]
struct SignalHead {
    name: Name,
    unit: String,
    resolution: f64,
    what: String,
    n: usize,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct ProgramHead {
    pid: u32,
    name: String,
    n: usize,
}

/// The grid of a signal whose resolution makes no sense.
const FINE: Grid = Grid::Per(1000);

/// Packs a part of the record. Tracks longer than a row can hold lose their oldest points.
pub fn pack(l: &LeadUp) -> Vec<u8> {
    let signals: Vec<&Track> = l.signals.iter().collect();
    let short = |t: &&Track| t.points[t.points.len().saturating_sub(MOST)..].to_vec();
    let tracks: Vec<Vec<(UnixMs, Option<f64>)>> = signals.iter().map(short).collect();
    let mut room = MOST;
    let mut cut = l.cut;
    let programs: Vec<&ProgramTrack> = l
        .programs
        .iter()
        .filter(|p| {
            let fits = p.points.len() <= room;
            room -= if fits { p.points.len() } else { 0 };
            cut |= !fits;
            fits
        })
        .collect();
    let head = Head {
        opened: l.opened.0,
        from: l.from.0,
        to: l.to.0,
        cut,
        signals: signals
            .iter()
            .zip(&tracks)
            .map(|(t, p)| SignalHead {
                name: t.name.clone(),
                unit: t.unit.code().into(),
                resolution: t.resolution,
                what: t.what.clone(),
                n: p.len(),
                why: t.why.clone(),
            })
            .collect(),
        programs: programs
            .iter()
            .map(|p| ProgramHead { pid: p.pid, name: p.name.clone(), n: p.points.len() })
            .collect(),
    };
    let head = serde_json::to_vec(&head).unwrap_or_default();
    let mut out = vec![FORM];
    put(&mut out, head.len() as u64);
    out.extend_from_slice(&head);
    let mut ints = |v: Vec<i64>| put_ints(&mut out, &v, Effort::Thrifty);
    for (t, points) in signals.iter().zip(&tracks) {
        let grid = Grid::of(t.resolution).unwrap_or(FINE);
        ints(points.iter().map(|p| p.0.0 - l.opened.0).collect());
        ints(points.iter().map(|p| i64::from(p.1.is_some())).collect());
        ints(points.iter().filter_map(|p| p.1).map(|v| grid.near(v) as i64).collect());
    }
    let all = || programs.iter().flat_map(|p| p.points.iter());
    ints(all().map(|p| p.at.0 - l.opened.0).collect());
    // Tenths of a percent; −1: not known.
    ints(all().map(|p| p.cpu.map_or(-1, |c| (c * 10.0).round() as i64)).collect());
    ints(all().map(|p| (p.memory / 1024.0).round() as i64).collect());
    ints(all().map(|p| i64::from(u32::from(p.state))).collect());
    ints(all().map(|p| (p.disk_wait * 10.0).round() as i64).collect());
    ints(all().map(|p| i64::from(p.disk_fetches)).collect());
    seal(out, 0)
}

/// Unpacks it; none if it is damaged.
pub fn unpack(body: &[u8]) -> Option<LeadUp> {
    let mut b = Bytes(unseal(body, 0)?);
    if b.byte()? != FORM {
        return None;
    }
    let n = b.count(LONGEST_HEAD)?;
    let head: Head = serde_json::from_slice(b.take(n)?).ok()?;
    let instant = |ms: i64| UnixMs(head.opened.saturating_add(ms));
    let mut signals = vec![];
    for s in &head.signals {
        let grid = Grid::of(s.resolution).unwrap_or(FINE);
        let at = get_ints(&mut b, s.n)?;
        let known = get_ints(&mut b, s.n)?;
        let steps = get_ints(&mut b, known.iter().filter(|k| **k == 1).count())?;
        let mut steps = steps.into_iter();
        let points = at
            .into_iter()
            .zip(known)
            .map(|(ms, k)| (instant(ms), if k == 1 { steps.next().map(|n| grid.value(n)) } else { None }))
            .collect();
        signals.push(Track {
            name: s.name.clone(),
            unit: Unit::from_code(&s.unit)?,
            resolution: s.resolution,
            what: s.what.clone(),
            points,
            why: s.why.clone(),
        });
    }
    let whole = head.programs.iter().try_fold(0usize, |n, p| n.checked_add(p.n)).filter(|n| *n <= MOST)?;
    let mut column = || get_ints(&mut b, whole).map(Vec::into_iter);
    let (mut at, mut cpu, mut memory) = (column()?, column()?, column()?);
    let (mut state, mut wait, mut fetches) = (column()?, column()?, column()?);
    let mut programs = vec![];
    for p in &head.programs {
        let mut points = Vec::with_capacity(p.n);
        for _ in 0..p.n {
            points.push(ProgramPoint {
                at: instant(at.next()?),
                cpu: cpu.next().filter(|c| *c >= 0).map(|c| c as f64 / 10.0),
                memory: memory.next()? as f64 * 1024.0,
                state: state.next().and_then(|s| u32::try_from(s).ok()).and_then(char::from_u32).unwrap_or('?'),
                disk_wait: wait.next()? as f64 / 10.0,
                disk_fetches: u32::try_from(fetches.next()?).unwrap_or(0),
            });
        }
        programs.push(ProgramTrack { pid: p.pid, name: p.name.clone(), points });
    }
    Some(LeadUp {
        opened: UnixMs(head.opened),
        from: UnixMs(head.from),
        to: UnixMs(head.to),
        cut: head.cut,
        signals,
        programs,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sample(seed: i64) -> LeadUp {
        let at = |s: i64| UnixMs(1_768_000_000_000 + s * 1000);
        let value = |k: i64, s: i64| ((k * 37 + s * seed) % 1000) as f64 / 10.0;
        LeadUp {
            opened: at(600),
            from: at(0),
            to: at(600),
            cut: false,
            signals: (0..5)
                .map(|k| Track {
                    name: Name::new(format!("load.s{k}")).unwrap(),
                    unit: Unit::Percent,
                    resolution: 0.1,
                    what: "a load".into(),
                    points: (0..600).map(|s| (at(s), (s % 7 != k).then(|| value(k, s)))).collect(),
                    why: (k == 2).then(|| "not there".into()),
                })
                .collect(),
            programs: (0..4)
                .map(|k| ProgramTrack {
                    pid: 100 + k,
                    name: format!("p{k}"),
                    points: (0..60)
                        .map(|s| ProgramPoint {
                            at: at(s * 10),
                            cpu: (s > 0).then(|| value(i64::from(k), s)),
                            memory: f64::from(k + 1) * 1024.0 * 1000.0,
                            state: if s == 5 { 'D' } else { 'S' },
                            disk_wait: 0.5,
                            disk_fetches: k,
                        })
                        .collect(),
                })
                .collect(),
        }
    }

    #[test]
    fn what_goes_in_comes_out() {
        for seed in [1, 7, 13] {
            let l = sample(seed);
            let body = pack(&l);
            assert_eq!(unpack(&body), Some(l));
            let mut damaged = body.clone();
            damaged[body.len() / 2] ^= 1;
            assert_eq!(unpack(&damaged), None);
        }
        let empty = LeadUp { signals: vec![], programs: vec![], ..sample(1) };
        assert_eq!(unpack(&pack(&empty)), Some(empty));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..400), n in 0usize..2000) {
            let _ = unpack(&b);
            // With a checksum that holds, too.
            let _ = unpack(&seal(b, 0));
            let whole = pack(&sample(3));
            let part = whole[..n.min(whole.len())].to_vec();
            let _ = unpack(&seal(part, 0));
        }
    }
}
