//! The figures of the watched programs, from one kept-open `/proc/PID/stat` each. Sees stopped programs, and ends that no
//! event tells of.

use super::ended::Ended;
use super::gauges::{Gauges, alive};
use super::procs;
use super::roll::{Id, Roll};
use crate::model::{Event, EventKind, Name, SignalId, Span, Stamp, Why, WhyCode};
use crate::probe::kept::Kept;
use crate::probe::{Gauge, Lane, Probe, Roots, Setup, Take, literal, take};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::sync::Arc;

/// Open files are counted this often: they change slowly.
const FILES_EVERY: Span = Span::secs(10);

/// What is kept of the process that is measured.
struct Measured {
    id: Id,
    stat: Kept,
    busy: Option<(Stamp, u64)>,
    files: Option<(Stamp, Result<f64, Why>)>,
    /// First seen gone, while the event of its end is awaited.
    gone: Option<Stamp>,
}

struct One {
    gauges: Gauges,
    measured: Option<Measured>,
    /// Since when it is stopped by a signal.
    stopped: Option<Stamp>,
}

/// The probe.
pub struct Figures {
    name: Name,
    period: Span,
    roots: Roots,
    roll: Arc<Roll>,
    programs: Vec<One>,
    page: f64,
    tick_ms: f64,
}

impl Figures {
    /// Measures the programs of the roll.
    pub fn new(s: &Setup<'_>, roll: Arc<Roll>) -> Figures {
        let programs = roll
            .entries()
            .iter()
            .map(|e| {
                let p = &e.program;
                let gauges = Gauges::new(&s.signals, &p.name, &p.title, e.truth.clone(), !p.alive.is_empty());
                One { gauges, measured: None, stopped: None }
            })
            .collect();
        Figures {
            name: literal("probe.programs"),
            period: s.cycle(),
            roots: s.roots.clone(),
            roll,
            programs,
            page: rustix::param::page_size() as f64,
            tick_ms: 1000.0 / rustix::param::clock_ticks_per_second().max(1) as f64,
        }
    }
}

/// Number of open files: the size of the folder on kernels from 6.2 on, for anybody; else by counting, for the owner.
fn open_files(roots: &Roots, pid: u32) -> Result<f64, Why> {
    let path = roots.path(format!("proc/{pid}/fd"));
    let other = |e: &io::Error| match e.kind() {
        io::ErrorKind::PermissionDenied => Why::new(
            WhyCode::Refused,
            "belongs to another user: run the agent as that user, or grant it CAP_SYS_PTRACE and CAP_DAC_READ_SEARCH",
        ),
        _ => Why::from_io("open files", e),
    };
    let size = std::fs::metadata(&path).map_err(|e| other(&e))?.size();
    // A folder of a test tree has a size of another meaning.
    if size > 0 && roots.is_system() {
        return Ok(size as f64);
    }
    Ok(std::fs::read_dir(&path).map_err(|e| other(&e))?.count() as f64)
}

/// What one look at a process found.
enum Look {
    Runs(procs::Stat),
    Gone(Option<Ended>),
    Unreadable(Why),
}

fn look(m: &mut Measured, user: u32) -> Look {
    match m.stat.read() {
        Ok(text) => match procs::stat(text) {
            Some(s) if s.start != m.id.start => Look::Gone(None),
            Some(s) if s.ended() => Look::Gone(s.status.filter(|_| may_see_status(user)).map(Ended::from_status)),
            Some(s) => Look::Runs(s),
            None => Look::Unreadable(Why::new(WhyCode::Garbled, format!("/proc/{}/stat: the line is torn", m.id.pid))),
        },
        Err(e) if e.kind() == io::ErrorKind::NotFound || e.raw_os_error() == Some(3) => Look::Gone(None),
        Err(e) => Look::Unreadable(Why::from_io(&format!("/proc/{}/stat", m.id.pid), &e)),
    }
}

/// Whether the kernel shows us the exit status of this user's dead processes; to others it says zero.
pub fn may_see_status(user: u32) -> bool {
    let me = rustix::process::geteuid().as_raw();
    me == 0 || me == user
}

impl Probe for Figures {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(3)
    }
    fn lane(&self) -> Lane {
        Lane::Shared
    }
    fn signals(&self) -> Vec<SignalId> {
        self.programs.iter().flat_map(|p| p.gauges.all()).map(Gauge::id).collect()
    }
    fn recover(&mut self) {
        self.programs.iter_mut().for_each(|p| p.measured = None);
    }

    fn take(&mut self, out: &mut Take<'_>) {
        for i in 0..self.programs.len() {
            self.one(i, out);
        }
    }
}

impl Figures {
    fn one(&mut self, i: usize, out: &mut Take<'_>) {
        let (process, looked, unseen, restarts) = {
            let all = self.roll.entries();
            let e = &all[i];
            if !e.settled() {
                // Whether it has ended is known in a moment.
                drop(all);
                let g = &self.programs[i].gauges;
                let why = Why::new(WhyCode::NotYet, "it is looked for another process of the program");
                out.all_unavailable(g.all(), &why);
                return;
            }
            let p = e.current.as_ref().map(|p| (p.id, p.user, p.started, p.pidfd.is_some()));
            (p, e.looked, e.unseen.clone(), e.restarts)
        };
        let One { gauges: g, measured, stopped: since } = &mut self.programs[i];
        out.known(&g.restarts, restarts as f64);
        let Some((id, user, started, evented)) = process else {
            *measured = None;
            let why = if !looked { Some(Why::new(WhyCode::NotYet, "not looked for yet")) } else { unseen };
            match why {
                Some(why) => out.all_unavailable(std::iter::once(&g.truth).chain(g.running()), &why),
                None => {
                    out.truth(&g.truth, false);
                    out.all_unavailable(g.running(), &Why::new(WhyCode::Absent, "not running"));
                }
            }
            return;
        };
        let m = match measured {
            Some(m) if m.id == id => m,
            other => other.insert(Measured {
                id,
                stat: Kept::whole(self.roots.path(format!("proc/{}/stat", id.pid))),
                busy: None,
                files: None,
                gone: None,
            }),
        };
        match look(m, user) {
            Look::Runs(s) => {
                m.gone = None;
                out.truth(&g.truth, true);
                out.known(&g.memory, s.pages as f64 * self.page);
                out.known(&g.threads, s.threads as f64);
                out.known(&g.uptime, (out.at().boot - started.boot).as_secs_f64());
                out.truth(&g.waiting, s.state == b'D');
                let before = m.busy.replace((out.at(), s.busy));
                let share = before.and_then(|(then, was)| {
                    let ms = (out.at().boot - then.boot).0;
                    let ticks = s.busy.checked_sub(was)?;
                    (ms > 0).then(|| 100.0 * ticks as f64 * self.tick_ms / ms as f64)
                });
                out.either(&g.cpu, share.ok_or_else(take::not_yet));
                let due = m.files.as_ref().is_none_or(|(then, _)| out.at().boot - then.boot >= FILES_EVERY);
                if due {
                    m.files = Some((out.at(), open_files(&self.roots, id.pid)));
                }
                if let Some((_, n)) = &m.files {
                    out.either(&g.files, n.clone());
                }
                stopped(&self.roll, i, id, since, s.state == b'T', self.period, out);
                alive(&self.roll, i, g, (s.busy as f64 * self.tick_ms) as i64, out);
            }
            Look::Gone(how) => {
                let first = *m.gone.get_or_insert(out.at());
                // The event of the end brings its time and reason; only when it does not come is the end told from here.
                let patience = if evented { self.period + Span(500) } else { Span::ZERO };
                if out.at().boot - first.boot >= patience
                    && let Some((event, _)) = self.roll.detach(i, id, first, self.period, how)
                {
                    out.event(event);
                }
                out.truth(&g.truth, false);
                out.all_unavailable(g.running(), &Why::new(WhyCode::Absent, "not running"));
            }
            Look::Unreadable(why) => {
                out.all_unavailable(std::iter::once(&g.truth).chain(g.running()), &why);
            }
        }
    }
}

/// A program in state T does nothing at all, whatever its ports say: the surest sign of a hang.
fn stopped(roll: &Roll, i: usize, id: Id, since: &mut Option<Stamp>, now: bool, period: Span, out: &mut Take<'_>) {
    if since.is_some() == now {
        return;
    }
    let Some((name, title)) = roll.entries().get(i).map(|e| (e.program.name.clone(), e.program.title.clone())) else {
        return;
    };
    let at = out.at();
    let event = |kind, text: &str| Event::new(at, name.clone(), kind, format!("{title} {text}")).within(period);
    match since.take() {
        None => {
            *since = Some(at);
            let text = "was stopped by a signal";
            out.event(event(EventKind::ProgramStopped, text).with("pid", id.pid));
            out.event(event(EventKind::SignMissing, text).with("sign", "stopped").with("limit_s", 0));
        }
        Some(then) => {
            let text = "goes on after a stop";
            out.event(event(EventKind::ProgramContinued, text).with("pid", id.pid));
            let missing = (at.boot - then.boot).0;
            out.event(event(EventKind::SignBack, text).with("sign", "stopped").with("missing_ms", missing));
        }
    }
}
