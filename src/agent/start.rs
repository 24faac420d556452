//! From arguments to a running agent: configuration, store, engine, page, probes, in this order.

use super::WatchArguments;
use super::acting::Acting;
use super::changes::Changes;
use super::chores::Chores;
use super::cycle::Agent;
use super::darkness::Darkness;
use super::derived::Derived;
use super::leadup::LeadUps;
use super::notify::ServiceManager;
use super::pending::Pending;
use super::present::Present;
use super::sampler;
use super::told::Told;
use crate::clock::{SharedClock, SystemClock};
use crate::config::{self, Config, paths};
use crate::engine::{Engine, EngineState, Numbers, Plan};
use crate::http::{Door, Serving};
use crate::model::{Batch, Event, EventKind, Live, Name};
use crate::out::notice::Posts;
use crate::probe::boot::boot_id;
use crate::probe::{Outlet, Roots, interfaces_in_use};
use crate::report::apart;
use crate::report::settings::{KEPT_AS, Settings};
use crate::store;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};

/// Observations that may wait between probes and agent.
const QUEUE: usize = 1024;

/// Makes everything ready; sampling begins at once.
///
/// # Errors
/// In the person's words: every error of the configuration, or why store or address cannot be had.
pub fn prepare(a: &WatchArguments) -> Result<Agent, String> {
    let told = Told::listen();
    let clock: SharedClock = Arc::new(SystemClock);
    let started = clock.now();
    let config_file = a.config.clone().or_else(paths::default_config);
    let mut config = load(config_file.as_ref())?;
    if let Some(listen) = a.listen {
        config.http.listen = listen;
    }
    let config = Arc::new(config);
    let state_dir = paths::state_dir();
    let door = Door::open(&config.http, &state_dir, &clock).map_err(|e| e.to_string())?;

    let path = a.store.clone().or_else(|| config.agent.store.clone()).unwrap_or_else(paths::default_store);
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty())
        && let Err(e) = std::fs::create_dir_all(folder)
    {
        tracing::error!("cannot make the folder `{}` for the store: {e}", folder.display());
    }
    let options = store::Options {
        commit_every: config.agent.commit_every,
        keep_fine_days: config.agent.keep_fine_days,
        field: config.field.clone(),
        ..store::Options::new(clock.clone(), boot_id())
    };
    let (writer, opened) = store::open(&path, options).map_err(|e| e.to_string())?;

    let mut darkness = Darkness::new(&config);
    let dark = darkness.refresh(started.wall).unwrap_or_default();
    let plan = Plan::from_config(&config, dark, darkness.zone().clone());
    let restored = opened.engine_state.clone().and_then(|v| match serde_json::from_value::<EngineState>(v) {
        Ok(s) => Some(s),
        Err(e) => {
            tracing::warn!(error = %e, "the engine's stored state does not fit this version; it starts afresh");
            None
        }
    });
    let mut engine = Engine::new(plan, restored);
    // A store whose engine state was lost must not see a number twice.
    engine.continue_from(Numbers {
        seq: opened.latest_seq,
        alarm: opened.latest_alarm,
        incident: opened.latest_incident,
        session: opened.latest_session,
    });
    if let Some(why) = &opened.in_memory {
        tracing::error!("going on in memory, and trying the store again: {why}");
    }
    if let Some(aside) = &opened.set_aside {
        tracing::error!("the store was damaged; it is kept as `{}` and a new one was begun", aside.display());
    }

    // A store that cannot be read now: everything is seen for the first time.
    let known = store::Reader::open(&path).and_then(|r| r.installed()).unwrap_or_default();

    let (tx, rx) = mpsc::channel(QUEUE);
    let (ask, asks) = mpsc::channel(64);
    let (live, seen) = watch::channel(Arc::new(Live { field: config.field.clone(), ..Live::default() }));
    let (configs, config_seen) = watch::channel(config.clone());
    let signals = opened.signals.clone();
    let serving = Serving {
        live: seen,
        config: config_seen,
        signals: signals.clone(),
        store: Some(path.clone()),
        commands: ask,
        program: apart::this_program(),
        state_dir,
        clock: clock.clone(),
    };
    let address = door.address();
    let page = Page::open(door, serving)?;
    tracing::info!("the page is at http://{address}/ ; readings go to {}", path.display());

    let sampler = sampler::start(&config, Roots::default(), signals.clone(), clock.clone(), tx.clone());
    let outlet = Outlet::new(tx.clone());
    let posts = Posts::new(&config.notices, clock.clone(), outlet.clone());
    let acting = Acting::new(config.actions.clone(), darkness.zone().clone(), outlet);
    let present = Present::new(config.field.clone(), started);
    let changes = Changes::new(config.clone(), known, started);
    let chores = Chores::new(config.clone(), path.clone(), started.wall);
    let derived = Derived::new(&config, &signals);
    let mut agent = Agent {
        config,
        config_file,
        store: path,
        clock,
        signals,
        engine,
        darkness,
        writer,
        present,
        pending: Pending::default(),
        derived,
        acting,
        posts,
        sampler,
        tx,
        rx,
        asks,
        live,
        configs,
        page: Some(page),
        manager: ServiceManager::new(),
        said: u64::MAX,
        last: started,
        chores,
        told,
        first: None,
        leadups: LeadUps::new(opened.latest_incident),
        changes,
    };
    agent.tell_of_start(&opened);
    Ok(agent)
}

/// What is watched without a configuration: the built-in defaults, and the network interfaces that are in use.
pub fn without_file() -> Config {
    Config { interfaces: interfaces_in_use(&Roots::default()), ..Config::default() }
}

fn load(file: Option<&PathBuf>) -> Result<Config, String> {
    let Some(file) = file else { return Ok(without_file()) };
    config::load(file).map_err(|errors| {
        let n = errors.len();
        let all = errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
        format!("{all}\n{n} {} in `{}`", if n == 1 { "error" } else { "errors" }, file.display())
    })
}

impl Agent {
    /// The first events: how the last run ended, what was not watched since, and this start.
    fn tell_of_start(&mut self, opened: &store::Opened) {
        let at = self.clock.now();
        if let Some(gap) = &opened.gap {
            let clean = match opened.last_run {
                store::LastRun::Clean | store::LastRun::MachineRestart => Some(true),
                store::LastRun::Crash | store::LastRun::PowerCut => Some(false),
                store::LastRun::First | store::LastRun::Unknown => None,
            };
            let outcome = self.engine.after_gap(gap, opened.machine_restarted, clean, at);
            self.first = Some((Batch { at, ..Batch::default() }, outcome));
        }
        let word = opened.last_run.code();
        let text = match word {
            "first" => "first start on this store".to_string(),
            "clean" => "started; the last run ended in an orderly way".to_string(),
            other => format!("started; the last run ended by {}", other.replace('_', " ")),
        };
        let name = Name::new("agent.this").expect("a literal that is a name");
        self.pending.event(
            Event::new(at, name, EventKind::AgentStarted, text)
                .with("last_run", word)
                .with("version", env!("CARGO_PKG_VERSION")),
        );
        // The report of this night must be told with the names and limits that hold now, also from a copy elsewhere.
        let file = self.config_file.as_ref().map_or("built-in defaults".into(), |f| f.display().to_string());
        let name = Name::new("agent.this").expect("a literal that is a name");
        self.pending.event(
            Event::new(at, name, EventKind::ConfigLoaded, format!("configuration: {file}"))
                .with("file", file)
                .with(KEPT_AS, Settings::here(&self.config).to_json()),
        );
    }
}

/// The thread on which the page is served, with a runtime of its own, so that it answers while the agent is busy.
pub struct Page {
    stop: oneshot::Sender<()>,
    thread: std::thread::JoinHandle<()>,
}

impl Page {
    fn open(door: Door, serving: Serving) -> Result<Page, String> {
        let (stop, stopped) = oneshot::channel::<()>();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .max_blocking_threads(2)
            .thread_name("page-store")
            .build()
            .map_err(|e| format!("cannot start the page's runtime: {e}"))?;
        let thread = std::thread::Builder::new()
            .name("page".into())
            .spawn(move || {
                let ended = runtime.block_on(door.serve(serving, async {
                    let _ = stopped.await;
                }));
                if let Err(e) = ended {
                    tracing::error!("{e}");
                }
                runtime.shutdown_timeout(Duration::from_millis(200));
            })
            .map_err(|e| format!("cannot start a thread for the page: {e}"))?;
        Ok(Page { stop, thread })
    }

    /// Ends event streams, lets answers under way finish, and returns.
    pub fn stop(self) {
        let _ = self.stop.send(());
        if self.thread.join().is_err() {
            tracing::error!("the page's thread had panicked");
        }
    }
}
