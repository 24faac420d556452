//! The probe: who draws in software, and how much of the processor the drawing takes. Seldom, since it changes seldom; on a thread of
//! its own, since the memory map of a stuck process may not be had.

use super::{Drawing, by_maps, drawing_threads, hardware};
use crate::model::{Name, SignalDef, SignalId, Signals, Span, Stamp, Unit, Why, WhyCode};
use crate::probe::programs::procs;
use crate::probe::programs::roll::{Id, Roll};
use crate::probe::{Gauge, Lane, Probe, Roots, Setup, Take, literal, parse, take};
use std::collections::BTreeMap;
use std::sync::Arc;

const EVERY: Span = Span::secs(10);
/// Programs that are not watched are looked through after so many runs, and memory maps read anew, which are long.
const SELDOM: u32 = 30;
/// No more of those are told of.
const MOST_OTHERS: usize = 16;

/// A line of `/proc/…/stat`.
pub fn stat(roots: &Roots, file: &str) -> Option<procs::Stat> {
    procs::stat(&roots.read(file).ok()?)
}

/// Processor time of these threads together, in clock ticks; none if one cannot be read.
pub fn busy(roots: &Roots, pid: u32, threads: &[u32]) -> Option<u64> {
    threads.iter().map(|t| Some(stat(roots, &format!("proc/{pid}/task/{t}/stat"))?.busy)).sum()
}

/// The drawing of one process, followed over time.
struct Followed {
    software: Gauge,
    cpu: Gauge,
    last: Option<(Id, Stamp, BTreeMap<u32, u64>)>,
    /// What the libraries of this process told.
    libraries: Option<(Id, Drawing)>,
}

impl Followed {
    fn new(s: &Signals, thing: &Name, title: &str) -> Followed {
        let def = SignalDef::new(
            thing.quantity("drawing-cpu"),
            Unit::Percent,
            0.1,
            format!("{title}: processor use of its drawing threads, in shares of one core"),
        );
        Followed {
            software: Gauge::truth(s, thing.quantity("software-drawing"), format!("{title} draws in software")),
            cpu: Gauge::new(s, def.within(0.0, 102_400.0)),
            last: None,
            libraries: None,
        }
    }

    /// How it draws: its threads are looked at each time, its libraries only when it is new and now and then.
    fn how(&mut self, id: Id, hard: bool, anew: bool, roots: &Roots) -> Drawing {
        match drawing_threads(roots, id.pid) {
            Err(why) => return Drawing::Unknown(why),
            Ok(threads) if !threads.is_empty() => return Drawing::Software(threads),
            Ok(_) => {}
        }
        match &self.libraries {
            Some((of, how)) if *of == id && !anew => how.clone(),
            _ => {
                let how = by_maps(roots, id.pid, hard);
                self.libraries = Some((id, how.clone()));
                how
            }
        }
    }

    fn unavailable(&mut self, why: &Why, out: &mut Take<'_>) {
        self.last = None;
        out.all_unavailable([&self.software, &self.cpu], why);
    }

    /// Gives the processor share, if it draws in software and the share is known; none if it does not draw so.
    fn look(&mut self, id: Id, how: Drawing, roots: &Roots, tick_ms: f64, out: &mut Take<'_>) -> Option<f64> {
        let threads = match how {
            Drawing::Unknown(why) => {
                self.unavailable(&why, out);
                return None;
            }
            Drawing::Not => {
                self.last = None;
                out.truth(&self.software, false);
                out.known(&self.cpu, 0.0);
                return None;
            }
            Drawing::Software(threads) => threads,
        };
        out.truth(&self.software, true);
        if threads.is_empty() {
            let text = "its drawing cannot be told apart from its other work";
            out.unavailable(&self.cpu, Why::new(WhyCode::Unsupported, text));
            return Some(0.0);
        }
        let at = out.at();
        let now: BTreeMap<u32, u64> = threads.iter().filter_map(|t| Some((*t, busy(roots, id.pid, &[*t])?))).collect();
        let before = self.last.replace((id, at, now.clone())).filter(|(was, ..)| *was == id);
        let share = before.and_then(|(_, then, was)| {
            let ms = (at.boot - then.boot).0;
            // A thread that is new has used what it shows since the last look.
            let ticks: u64 = now.iter().map(|(t, n)| n.saturating_sub(was.get(t).copied().unwrap_or(0))).sum();
            (ms > 0).then(|| 100.0 * ticks as f64 * tick_ms / ms as f64)
        });
        out.either(&self.cpu, share.ok_or_else(take::not_yet));
        Some(share.unwrap_or(0.0))
    }
}

/// The probe.
pub struct Watch {
    name: Name,
    roots: Roots,
    roll: Option<Arc<Roll>>,
    watched: Vec<Followed>,
    others: BTreeMap<Name, (Option<Id>, Followed)>,
    hardware: Gauge,
    programs: Gauge,
    cpu: Gauge,
    tick_ms: f64,
    runs: u32,
    others_found: bool,
}

impl Watch {
    /// Over the programs of the roll, and whatever else draws in software.
    pub fn new(s: &Setup<'_>, roll: Option<Arc<Roll>>) -> Watch {
        let follow = |p: &crate::config::model::Program| Followed::new(&s.signals, &p.name, &p.title);
        let g = |n: &str, unit, res, high, what: &str| {
            Gauge::new(&s.signals, SignalDef::new(literal(n), unit, res, what).within(0.0, high))
        };
        Watch {
            name: literal("probe.graphics"),
            roots: s.roots.clone(),
            watched: roll
                .iter()
                .flat_map(|r| r.entries().iter().map(|e| follow(&e.program)).collect::<Vec<_>>())
                .collect(),
            roll,
            others: BTreeMap::new(),
            hardware: Gauge::truth(&s.signals, literal("graphics.hardware"), "there is graphics hardware to draw with"),
            programs: g("graphics.software-programs", Unit::Count, 1.0, 1e6, "programs seen to draw in software"),
            cpu: g("graphics.software-cpu", Unit::Percent, 0.1, 102_400.0, "processor use of all drawing threads"),
            tick_ms: 1000.0 / rustix::param::clock_ticks_per_second().max(1) as f64,
            runs: 0,
            others_found: false,
        }
    }

    /// Programs that nobody asked to watch: a display server, a remote desktop.
    fn find_others(&mut self, known: &[u32], signals: &Signals) {
        let Ok(dir) = std::fs::read_dir(self.roots.path("proc")) else { return };
        for e in dir.flatten() {
            let Some(pid) = parse::unsigned(e.file_name().as_encoded_bytes()).and_then(|n| u32::try_from(n).ok())
            else {
                continue;
            };
            if known.contains(&pid) || self.others.len() >= MOST_OTHERS {
                continue;
            }
            // By the threads alone: they are cheap to see and prove it.
            if drawing_threads(&self.roots, pid).map_or(true, |t| t.is_empty()) {
                continue;
            }
            let Some(s) = stat(&self.roots, &format!("proc/{pid}/stat")) else { continue };
            let comm = self.roots.text(format!("proc/{pid}/comm")).unwrap_or_default();
            let name = Name::from_parts("program", &comm);
            let watched = self.roll.as_ref().is_some_and(|r| r.entries().iter().any(|e| e.program.name == name));
            if watched {
                continue;
            }
            let o = self.others.entry(name.clone()).or_insert_with(|| (None, Followed::new(signals, &name, &comm)));
            if o.0.is_none() {
                o.0 = Some(Id { pid, start: s.start });
            }
        }
    }
}

impl Probe for Watch {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        EVERY
    }
    fn deadline(&self) -> Span {
        Span::secs(10)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        let own = [&self.hardware, &self.programs, &self.cpu].map(Gauge::id);
        self.watched.iter().flat_map(|f| [f.software.id(), f.cpu.id()]).chain(own).collect()
    }
    fn recover(&mut self) {
        self.watched.iter_mut().for_each(|f| f.last = None);
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let hard = hardware(&self.roots).iter().any(|h| h.there);
        out.truth(&self.hardware, hard);
        // Which process each program is; looked for, but not found; not looked for yet.
        let current: Vec<(Option<Id>, bool)> = match &self.roll {
            Some(r) => r.entries().iter().map(|e| (e.current.as_ref().map(|p| p.id), e.looked)).collect(),
            None => vec![],
        };
        let seldom = self.runs.is_multiple_of(SELDOM);
        let (mut count, mut cpu) = (0_u32, 0.0);
        let mut add = |share: Option<f64>| {
            if let Some(s) = share {
                count += 1;
                cpu += s;
            }
        };
        for (f, now) in self.watched.iter_mut().zip(&current) {
            match now {
                (None, true) => f.unavailable(&Why::new(WhyCode::Absent, "not running"), out),
                (None, false) => f.unavailable(&Why::new(WhyCode::NotYet, "not looked for yet"), out),
                (Some(id), _) => {
                    let how = f.how(*id, hard, seldom, &self.roots);
                    add(f.look(*id, how, &self.roots, self.tick_ms, out));
                }
            }
        }
        // What is watched must be known first, or it would be told of twice.
        let all_looked = current.iter().all(|c| c.1);
        if all_looked && (seldom || !self.others_found) {
            self.others_found = true;
            let known: Vec<u32> = current.iter().filter_map(|c| c.0).map(|i| i.pid).collect();
            self.find_others(&known, out.signals);
        }
        self.runs = self.runs.wrapping_add(1);
        for (id, f) in self.others.values_mut() {
            // One that has since been found to be a watched program is told of there.
            *id = id.filter(|i| !current.iter().any(|c| c.0 == Some(*i)));
            let Some(now) = *id else { continue };
            let same = stat(&self.roots, &format!("proc/{}/stat", now.pid)).is_some_and(|s| s.start == now.start);
            let how = match same {
                true => f.how(now, hard, seldom, &self.roots),
                false => Drawing::Not,
            };
            if !same {
                // Told once as drawing no more; then silent until one of this name draws again.
                *id = None;
            }
            add(f.look(now, how, &self.roots, self.tick_ms, out));
        }
        if all_looked {
            out.known(&self.programs, f64::from(count));
            out.known(&self.cpu, cpu);
        } else {
            let why = Why::new(WhyCode::NotYet, "not all watched programs have been looked for yet");
            out.all_unavailable([&self.programs, &self.cpu], &why);
        }
    }
}
