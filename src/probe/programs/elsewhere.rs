//! Watched programs on systems without `/proc`, through sysinfo: found every ten seconds, measured every two. Ends are seen
//! by asking, so within two seconds; how a program ended, its threads and its open files are not offered.

use super::gauges::{Gauges, alive};
use super::roll::{Attached, Id, Process, Roll};
use crate::config::model::FindBy;
use crate::model::{Name, SignalId, Span, Stamp, UnixMs, Why, WhyCode};
use crate::probe::{Lane, Poke, Probe, Setup, Take, literal, take};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use sysinfo::{Pid, ProcessRefreshKind, ProcessesToUpdate, System, UpdateKind};
use tokio::sync::mpsc::UnboundedReceiver;

const PERIOD: Span = Span::secs(2);
const SEARCH: Span = Span::secs(10);

/// The probe.
pub struct Processes {
    name: Name,
    roll: Arc<Roll>,
    told: UnboundedReceiver<Attached>,
    gauges: Vec<Gauges>,
    system: System,
    searched: Option<Stamp>,
}

impl Processes {
    /// Watches the programs of the roll.
    pub fn new(s: &Setup<'_>, roll: Arc<Roll>, told: UnboundedReceiver<Attached>) -> Processes {
        let gauges = roll
            .entries()
            .iter()
            .map(|e| {
                let p = &e.program;
                Gauges::new(&s.signals, &p.name, &p.title, e.truth.clone(), !p.alive.is_empty())
            })
            .collect();
        Processes {
            name: literal("probe.programs"),
            roll,
            told,
            gauges,
            system: System::new().expect("the library supports this system"),
            searched: None,
        }
    }

    fn search(&mut self, now: Stamp) {
        let names = ProcessRefreshKind::nothing().with_exe(UpdateKind::OnlyIfNotSet).with_cmd(UpdateKind::OnlyIfNotSet);
        self.system.refresh_processes_specifics(ProcessesToUpdate::All, true, names.without_tasks());
        let missing: Vec<(usize, FindBy)> = {
            let all = self.roll.entries();
            let gone = all.iter().enumerate().filter(|(_, e)| e.current.is_none());
            gone.map(|(i, e)| (i, e.program.find.clone())).collect()
        };
        let me = std::process::id();
        for (i, find) in missing {
            // The oldest: a program's helpers start after it.
            let fit = self.system.processes().values().filter(|p| p.pid().as_u32() != me && fits(&find, p));
            let Some(p) = fit.min_by_key(|p| (p.start_time(), p.pid())) else { continue };
            let started = UnixMs(i64::try_from(p.start_time()).unwrap_or(0).saturating_mul(1000));
            let ago = (now.wall - started).max(Span::ZERO);
            let command: Vec<_> = p.cmd().iter().map(|a| a.to_string_lossy()).collect();
            let process = Process {
                id: Id { pid: p.pid().as_u32(), start: p.start_time() },
                started: Stamp::new(now.wall - ago, now.boot - ago),
                user: 0,
                pidfd: None,
                command: command.join(" "),
                unit: None,
                cwd: None,
            };
            self.roll.attach(i, process, now, "search");
        }
        self.roll.entries().iter_mut().for_each(|e| {
            let no_units =
                e.program.find.unit.is_some().then(|| Why::new(WhyCode::Unsupported, "this system has no units"));
            e.searched(no_units);
        });
    }
}

/// Whether a process is the one looked for, without regard to case and to the ending `.exe`.
fn fits(find: &FindBy, p: &sysinfo::Process) -> bool {
    let plain = |t: &str| t.to_lowercase().trim_end_matches(".exe").to_string();
    let path = |p: &Path| plain(&p.to_string_lossy().replace('\\', "/"));
    let executable = find.executable.as_deref().is_none_or(|want| {
        let want = plain(&want.replace('\\', "/"));
        let exe = p.exe().map(path).unwrap_or_default();
        if want.contains('/') {
            exe == want
        } else {
            plain(&p.name().to_string_lossy()) == want || exe.rsplit('/').next() == Some(want.as_str())
        }
    });
    let command = find.command.as_deref().is_none_or(|want| {
        let all: Vec<_> = p.cmd().iter().map(|a| a.to_string_lossy()).collect();
        !want.is_empty() && all.join(" ").contains(want)
    });
    let stated = find.executable.is_some() || find.command.is_some();
    stated && find.unit.is_none() && executable && command
}

impl Probe for Processes {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        PERIOD
    }
    fn deadline(&self) -> Span {
        Span::secs(10)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.gauges.iter().flat_map(Gauges::all).map(crate::probe::Gauge::id).collect()
    }
    fn poke(&self) -> Option<Poke> {
        Some(self.roll.search.clone())
    }
    fn recover(&mut self) {
        self.system = System::new().expect("the library supports this system");
    }

    fn take(&mut self, out: &mut Take<'_>) {
        let now = out.at();
        let running: Vec<Pid> =
            self.roll.entries().iter().filter_map(|e| Some(Pid::from_u32(e.current.as_ref()?.id.pid))).collect();
        let figures = ProcessRefreshKind::nothing().with_cpu().with_memory().without_tasks();
        self.system.refresh_processes_specifics(ProcessesToUpdate::Some(&running), true, figures);
        for (i, g) in self.gauges.iter().enumerate() {
            let Some(id) = self.roll.current(i) else { continue };
            let same = self.system.process(Pid::from_u32(id.pid)).filter(|p| p.start_time() == id.start);
            if same.is_none() {
                if let Some((event, _)) = self.roll.detach(i, id, now, PERIOD, None) {
                    out.event(event);
                }
                continue;
            }
            let Some(p) = same else { continue };
            out.truth(&g.truth, true);
            out.known(&g.cpu, f64::from(p.cpu_usage()));
            out.known(&g.memory, p.memory() as f64);
            out.known(&g.uptime, p.run_time() as f64);
            out.all_unavailable([&g.threads, &g.files, &g.waiting], &take::not_offered());
            let busy = i64::try_from(p.accumulated_cpu_time()).unwrap_or(i64::MAX);
            alive(&self.roll, i, g, busy, out);
        }
        let due = self.searched.is_none_or(|t| now.boot - t.boot >= SEARCH);
        if self.roll.any_missing() && (due || self.roll.everything.swap(false, Ordering::SeqCst)) {
            self.searched = Some(now);
            self.search(now);
        }
        while let Ok(a) = self.told.try_recv() {
            if let Some((event, reading)) = a.told {
                out.event(event);
                out.reading(reading);
            }
        }
        for (e, g) in self.roll.entries().iter().zip(&self.gauges) {
            out.known(&g.restarts, e.restarts as f64);
            if e.current.is_some() {
                continue;
            }
            match (&e.unseen, e.looked) {
                (Some(why), _) => out.all_unavailable(std::iter::once(&g.truth).chain(g.running()), why),
                (None, false) => {
                    let why = Why::new(WhyCode::NotYet, "not looked for yet");
                    out.all_unavailable(std::iter::once(&g.truth).chain(g.running()), &why);
                }
                (None, true) => {
                    out.truth(&g.truth, false);
                    out.all_unavailable(g.running(), &Why::new(WhyCode::Absent, "not running"));
                }
            }
        }
    }
}
