//! Arriving frames: a folder tree is watched by the kernel's file events, with a slow scan behind it for network shares, and the
//! header of each new FITS file is read. Nothing is ever written or locked in that folder.
//!
//! Files that were there when the agent started are not new; what arrived while nobody watched belongs to the gap.

pub mod fits;
pub mod look;
pub mod tree;

use super::{Gauge, Lane, Probe, Setup, Take};
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Span, Stamp, Unit, UnixMs, Why, WhyCode};
use fits::{Header, Kind, Problem};
use std::path::{Path, PathBuf};
use tree::{Tree, Watched};

/// A file whose size has not changed for this long, though it is not whole, is damaged and no longer being written.
const GIVEN_UP: Span = Span::secs(60);
/// How often the whole tree is walked, behind the kernel's events.
const SCAN_EVERY: Span = Span::secs(60);

/// A file that has been seen and is not yet judged.
#[derive(Debug)]
struct Waiting {
    path: PathBuf,
    size: u64,
    /// When it was first seen, and in how many looks it has been growing.
    first: Stamp,
    grown: u32,
    /// Since when it has had this size.
    since: Stamp,
    problem: Option<Problem>,
}

struct FramesProbe {
    name: Name,
    thing: Name,
    period: Span,
    folder: PathBuf,
    tree: Tree,
    watched: Watched,
    scanned: Option<Stamp>,
    started: Option<Stamp>,
    waiting: Vec<Waiting>,
    since_light: Gauge,
    count: Gauge,
    sensor_off: Gauge,
    write_rate: Gauge,
    light: u64,
    last_light: Option<Stamp>,
}

/// The probe, if a frames folder is configured.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let Some(f) = &s.config.frames else { return vec![] };
    let g = |q: &str, unit, step, what: &str| {
        Gauge::new(&s.signals, SignalDef::new(f.name.quantity(q), unit, step, what).within(-1e9, 1e9))
    };
    let folder = s.roots.path(&f.folder);
    vec![Box::new(FramesProbe {
        name: Name::from_parts("probe", &format!("frames-{}", f.name.own())),
        thing: f.name.clone(),
        period: s.cycle(),
        since_light: g("since-light", Unit::Seconds, 1.0, "time since the last light frame"),
        count: g("count", Unit::Count, 1.0, "light frames since the agent started"),
        sensor_off: g("sensor-off", Unit::Kelvin, 0.1, "camera sensor minus its set point"),
        write_rate: Gauge::new(
            &s.signals,
            SignalDef::new(
                f.name.quantity("write-rate"),
                Unit::BytesPerSecond,
                1024.0,
                "speed at which the last frame was written",
            )
            .within(0.0, 1e12),
        ),
        tree: Tree::new(folder.clone(), f.endings.clone()),
        watched: Watched::new(folder.clone()),
        folder,
        scanned: None,
        started: None,
        waiting: vec![],
        light: 0,
        last_light: None,
    })]
}

impl FramesProbe {
    /// New paths, by event or by scan.
    fn new_files(&mut self, at: Stamp) -> Result<(), Why> {
        let mut paths = self.watched.drain();
        let due = self.scanned.is_none_or(|t| at.boot - t.boot >= SCAN_EVERY) || self.watched.overrun();
        if due {
            let first = self.started.is_none();
            let found = self.tree.scan()?;
            self.scanned = Some(at);
            if first {
                self.started = Some(at);
                self.tree.all_known(&found);
            } else {
                paths.extend(found);
            }
            self.watched.keep(at);
        }
        for path in paths {
            if self.tree.is_new(&path) && !self.waiting.iter().any(|w| w.path == path) {
                self.waiting.push(Waiting { path, size: 0, first: at, grown: 0, since: at, problem: None });
            }
        }
        Ok(())
    }

    /// Looks at each waiting file; whole ones and hopeless ones are told of and leave the list.
    fn look(&mut self, at: Stamp, out: &mut Take<'_>) {
        let mut still = Vec::new();
        for mut w in std::mem::take(&mut self.waiting) {
            let Ok(meta) = std::fs::metadata(&w.path) else {
                // Renamed or removed before it was whole: its new name comes as a file of its own.
                continue;
            };
            let size = meta.len();
            if size != w.size {
                (w.size, w.since) = (size, at);
                w.grown += 1;
            }
            let settled = at.boot - w.since.boot;
            let written = meta
                .modified()
                .ok()
                .and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok())
                .map_or(at.wall, |d| UnixMs(Span::from(d).0));
            match self.judge(&w.path, size) {
                Ok(header) => {
                    self.tree.known(&w.path);
                    self.arrived(&w.path, size, written, header, at, out);
                    self.rate(&w, out);
                }
                Err(Problem::Unfinished) if settled < self.period => still.push(w),
                Err(Problem::Unfinished) => {
                    // No header to tell its length: whole once it has stopped growing.
                    self.tree.known(&w.path);
                    self.arrived(&w.path, size, written, None, at, out);
                    self.rate(&w, out);
                }
                Err(problem) if settled < GIVEN_UP => {
                    w.problem = Some(problem);
                    still.push(w);
                }
                Err(problem) => {
                    self.tree.known(&w.path);
                    let name = shown(&self.folder, &w.path);
                    let e =
                        Event::new(at, self.thing.clone(), EventKind::FrameDamaged, format!("`{name}` is {problem}"))
                            .with("path", name)
                            .with("why", problem.code())
                            .with("bytes", size);
                    out.event(e);
                }
            }
        }
        self.waiting = still;
    }

    /// How fast the frame was written: known of those that were seen growing, which slow storage makes the rule.
    fn rate(&self, w: &Waiting, out: &mut Take<'_>) {
        let took = (w.since.boot - w.first.boot).as_secs_f64();
        if w.grown >= 2 && took > 0.0 {
            out.known(&self.write_rate, w.size as f64 / took);
        } else {
            let text = "the last frame was written faster than it can be followed";
            out.unavailable(&self.write_rate, Why::new(WhyCode::Absent, text));
        }
    }

    /// The header of a whole FITS file; none for a file of another kind, which must settle first.
    fn judge(&self, path: &Path, size: u64) -> Result<Option<Header>, Problem> {
        if size == 0 {
            return Err(Problem::Empty);
        }
        if !fits::is_fits(path) {
            return Err(Problem::Unfinished);
        }
        fits::read(path, size).map(Some)
    }

    fn arrived(
        &mut self,
        path: &Path,
        size: u64,
        written: UnixMs,
        header: Option<Header>,
        at: Stamp,
        out: &mut Take<'_>,
    ) {
        // The file's own time, on both clocks; a share whose clock runs ahead must not put frames into the future.
        let age = Span((at.wall - written).0.clamp(0, SCAN_EVERY.0 * 2));
        let when = Stamp::new(at.wall - age, at.boot - age);
        let kind = header.as_ref().map_or_else(|| fits::kind_by_path(path), |h| h.kind);
        let light = kind == Kind::Light;
        let name = shown(&self.folder, path);
        let mut e = Event::new(when, self.thing.clone(), EventKind::FrameArrived, "")
            .within(self.period)
            .with("path", name)
            .with("light", light)
            .with("type", kind.word())
            .with("bytes", size);
        if let Some(h) = header {
            for (k, v) in [("exposure_s", h.exposure_s), ("sensor_c", h.sensor_c), ("set_c", h.set_c)] {
                if let Some(v) = v {
                    e = e.with(k, v);
                }
            }
            for (k, v) in [("object", h.object), ("filter", h.filter), ("date_obs", h.date_obs)] {
                if let Some(v) = v {
                    e = e.with(k, v);
                }
            }
            match (h.sensor_c, h.set_c) {
                (Some(is), Some(set)) => out.known(&self.sensor_off, is - set),
                _ => out.unavailable(&self.sensor_off, no_set_point()),
            }
        }
        out.event(e);
        if light {
            self.light += 1;
            self.last_light = Some(when);
        }
    }
}

fn no_set_point() -> Why {
    Why::new(WhyCode::Absent, "the frames' headers carry no sensor temperature or no set point")
}

/// The path below the folder.
fn shown(folder: &Path, path: &Path) -> String {
    path.strip_prefix(folder).unwrap_or(path).to_string_lossy().into_owned()
}

impl Probe for FramesProbe {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        // A walk over a slow share takes its time, and only this probe waits for it.
        Span::secs(30)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.since_light.id(), self.count.id()]
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let at = out.at();
        if let Err(why) = self.new_files(at) {
            out.all_unavailable([&self.since_light, &self.count], &why);
            return;
        }
        self.look(at, out);
        out.known(&self.count, self.light as f64);
        match self.last_light {
            Some(t) => out.known(&self.since_light, (at.boot - t.boot).as_secs_f64()),
            None => out.unavailable(&self.since_light, Why::new(WhyCode::NotYet, "no light frame yet")),
        }
    }
}

#[cfg(test)]
mod tests;
