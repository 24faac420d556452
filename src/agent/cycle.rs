//! The loop: collect, judge, store, publish.

use super::acting::Acting;
use super::changes::Changes;
use super::chores::Chores;
use super::darkness::Darkness;
use super::derived::Derived;
use super::leadup::LeadUps;
use super::notify::ServiceManager;
use super::pending::{Call, Pending};
use super::present::Present;
use super::sampler::{self, Sampler};
use super::told::{Told, Word};
use crate::clock::SharedClock;
use crate::config::{self, Config};
use crate::engine::{Engine, Plan};
use crate::http::Ask;
use crate::model::command::{CommandAnswer, CommandError};
use crate::model::{Batch, Command, Event, EventKind, Live, Name, Outcome, Signals, Span, Stamp};
use crate::out::notice::Posts;
use crate::probe::beat;
use crate::probe::{Observation, Outlet, Roots};
use crate::report::settings::{KEPT_AS, Settings};
use crate::store::{Way, Write, Writer};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

/// An alarm waits this long for its commit before it is announced as unsaved.
const COMMIT_PATIENCE: Duration = Duration::from_secs(1);
/// The first pass of the probes comes within milliseconds; a page without readings says nothing, so it is waited for this long.
const FIRST_PASS: Duration = Duration::from_millis(250);
/// Sampling that stood still for this many cycles, and at least five seconds, was not watching.
const STALL_CYCLES: i64 = 5;

/// Everything that runs, wired together.
pub struct Agent {
    pub(super) config: Arc<Config>,
    pub(super) config_file: Option<PathBuf>,
    pub(super) store: PathBuf,
    pub(super) clock: SharedClock,
    pub(super) signals: Signals,
    pub(super) engine: Engine,
    pub(super) darkness: Darkness,
    pub(super) writer: Writer,
    pub(super) present: Present,
    pub(super) pending: Pending,
    pub(super) derived: Derived,
    pub(super) acting: Acting,
    pub(super) posts: Posts,
    pub(super) sampler: Sampler,
    pub(super) tx: mpsc::Sender<Observation>,
    pub(super) rx: mpsc::Receiver<Observation>,
    pub(super) asks: mpsc::Receiver<Ask>,
    pub(super) live: watch::Sender<Arc<Live>>,
    pub(super) configs: watch::Sender<Arc<Config>>,
    pub(super) page: Option<super::start::Page>,
    pub(super) manager: ServiceManager,
    pub(super) said: u64,
    pub(super) last: Stamp,
    pub(super) chores: Chores,
    pub(super) told: Told,
    /// What the gap before this start meant, handed over as soon as the loop runs.
    pub(super) first: Option<(Batch, Outcome)>,
    pub(super) leadups: LeadUps,
    pub(super) changes: Changes,
}

impl Agent {
    /// Runs until it is told to stop, or for `lasting`.
    pub async fn run(mut self, lasting: Option<Span>) -> ExitCode {
        let end = lasting.map(|l| Instant::now() + l.to_std());
        if let Some((batch, outcome)) = self.first.take() {
            self.hand_over(batch, outcome).await;
        }
        self.acting.all_off(self.clock.now(), "the agent starts");
        let begun = Instant::now();
        let mut beaten = None::<Instant>;
        let why = loop {
            let every = self.config.agent.every.to_std();
            let late = beaten.map_or(begun + FIRST_PASS, |b| b + every + every / 2);
            tokio::select! {
                biased;
                word = self.told.recv() => match word {
                    Word::Stop(why) => break why,
                    Word::Reload => self.reload().await,
                },
                () = until(end) => break "its time (`--for`) is over",
                Some(o) = self.rx.recv() => {
                    let call = self.collect(Some(o));
                    if call.pass && beaten.is_none_or(|b| b.elapsed() >= every / 4 * 3) {
                        self.beat().await;
                        beaten = Some(Instant::now());
                    } else if call.urgent {
                        self.judge().await;
                    }
                }
                Some(ask) = self.asks.recv() => self.answer(ask).await,
                // The probes keep time; where their pass does not come, a timer does.
                () = tokio::time::sleep_until(late) => {
                    self.beat().await;
                    beaten = Some(Instant::now());
                }
            }
        };
        self.stop(why).await
    }

    /// Takes what has arrived together, so that it is judged together.
    fn collect(&mut self, first: Option<Observation>) -> Call {
        let mut call = first.map_or_else(Call::default, |o| self.pending.take(o));
        while let Ok(o) = self.rx.try_recv() {
            call |= self.pending.take(o);
        }
        call
    }

    /// One beat: what is due on the network is tried, all is judged, and what is done now and then is done.
    async fn beat(&mut self) {
        beat::strike();
        // Those who were struck and got their answer within the call itself have sent it after this.
        after_those_ready().await;
        self.collect(None);
        self.judge().await;
        if self.pending.was_fresh() {
            self.manager.ready(self.present.sentence());
            self.manager.advanced(self.last.boot);
        }
        self.acting.tick(self.last);
        self.chores.tick(self.last.wall, &self.darkness);
        for e in self.changes.tick(self.last, &self.writer).await {
            self.pending.event(e);
        }
        if let Some(learned) = self.chores.learned().await {
            self.engine.set_learned(learned);
        }
    }

    /// One judgement of all that waits.
    async fn judge(&mut self) {
        let at = self.clock.now();
        let stalled = at.boot - self.last.boot;
        let limit = Span((self.config.agent.every.0 * STALL_CYCLES).max(5000));
        if stalled > limit {
            tracing::warn!(lasting = %stalled, "nothing was judged for a while; recorded as not watched");
            let text = format!("not watched for {stalled}: the agent itself stood still");
            self.pending.event(
                Event::new(at, own("agent.this"), EventKind::Gap, text)
                    .with("from_ms", self.last.wall.0)
                    .with("to_ms", at.wall.0)
                    .with("why", "stall"),
            );
        }
        self.last = at;
        if let Some(dark) = self.darkness.refresh(at.wall) {
            self.engine.set_dark(dark);
        }
        let mut batch = self.pending.batch(at);
        self.derived.add(&mut batch);
        let outcome = self.engine.step(&batch, &self.signals);
        self.present.take(&batch);
        self.leadups.take(&batch);
        self.pending.sweeps().iter().for_each(|s| self.leadups.look(s));
        self.hand_over(batch, outcome).await;
        self.publish(at);
        self.leadups.tick(at, false, &self.signals, &self.writer);
    }

    /// Stores what a step gave, waits for the commit where something will be announced, then acts.
    pub(super) async fn hand_over(&mut self, batch: Batch, outcome: Outcome) {
        let raised: Vec<_> = outcome.transitions.iter().map(|t| t.alarm).collect();
        for t in &outcome.transitions {
            tracing::info!(alarm = t.alarm.0, rule = %t.rule, thing = %t.thing, change = t.change.code(), "{}", t.text);
        }
        for e in &outcome.events {
            tracing::debug!(thing = %e.thing, kind = %e.kind.code(), "{}", e.text);
        }
        let (wishes, notices) = (outcome.actions.clone(), outcome.notices.clone());
        let texts: Vec<_> = outcome.transitions.iter().map(|t| (t.alarm, t.text.clone())).collect();
        let ended = outcome.events.iter().any(|e| e.kind == EventKind::SessionEnded);
        let (now, incidents) = (batch.at, outcome.incidents.clone());
        if outcome.events.iter().any(|e| e.kind == EventKind::SessionStarted) {
            self.changes.session(now);
        }
        let wanted = outcome.is_urgent() || self.writer.wants_engine_state();
        let state = wanted.then(|| serde_json::to_value(self.engine.state()).unwrap_or_default());
        let commit = self.writer.write(Write { batch, outcome, engine_state: state });
        if let Some(commit) = commit {
            let saved = matches!(tokio::time::timeout(COMMIT_PATIENCE, commit).await, Ok(Ok(Ok(()))));
            if !saved && !raised.is_empty() {
                tracing::error!(alarms = ?raised, "announced without being saved: the store did not commit");
                self.present.unsaved.extend(raised);
            }
        }
        self.leadups.incidents(&incidents, now, &self.signals, &self.writer);
        for n in &notices {
            self.posts.send(&self.config.field, n);
        }
        for w in &wishes {
            let because = texts.iter().find(|(a, _)| Some(*a) == w.alarm).map_or("a rule", |(_, t)| t.as_str());
            self.acting.wish(w, because);
        }
        if ended {
            self.chores.report(self.last.wall, &self.darkness);
        }
    }

    /// Publishes the present.
    pub(super) fn publish(&mut self, at: Stamp) {
        if self.said != self.engine.version() || self.present.sentence().is_empty() {
            self.said = self.engine.version();
            let standing = self.engine.standing();
            if standing.sentence != self.present.sentence() {
                self.manager.status(&standing.sentence);
            }
            self.present.stand(standing);
        }
        let live = self.present.live(at, self.pending.probes(), self.writer.health());
        self.live.send_replace(Arc::new(live));
    }

    /// Answers a person's wish.
    async fn answer(&mut self, ask: Ask) {
        let at = self.clock.now();
        let answer: CommandAnswer = match &ask.command {
            Command::RemedyAdd(wish) => self.remedy_add(wish, at).await,
            Command::RemedyRemove { remedy } => self.remedy_remove(*remedy).await,
            Command::Import(part) => self.take_in(part.clone(), Way::In, at).await,
            Command::TakeBack(part) => self.take_in(part.clone(), Way::Out, at).await,
            other => match self.engine.command(at, other, &ask.by) {
                Err(e) => Err(e),
                Ok((outcome, text)) => {
                    self.hand_over(Batch { at, ..Batch::default() }, outcome).await;
                    self.publish(at);
                    Ok(text)
                }
            },
        };
        if let Err(CommandError::Failed(why)) = &answer {
            tracing::warn!(by = %ask.by, %why, "a wish could not be met");
        }
        // The asker may have gone away; what was done stays done.
        let _ = ask.answer.send(answer);
    }

    /// Loads the configuration anew; a bad one leaves the old one in force and says so.
    async fn reload(&mut self) {
        let at = self.clock.now();
        let Some(file) = self.config_file.clone() else {
            tracing::warn!("told to load the configuration anew, but the agent was started without a file");
            return;
        };
        self.manager.reloading();
        match config::reload(&file) {
            Err(errors) => {
                let all = errors.iter().map(ToString::to_string).collect::<Vec<_>>();
                for e in &all {
                    tracing::error!("{e}");
                }
                tracing::error!(file = %file.display(), "the new configuration is refused; the old one stays in force");
                let text = format!("a new configuration was refused ({} errors); the old one stays", all.len());
                self.pending.event(
                    Event::new(at, own("agent.this"), EventKind::ConfigRefused, text)
                        .with("file", file.display().to_string())
                        .with("errors", all),
                );
            }
            Ok(new) => {
                let changes = config::diff(&self.configs.borrow(), &new);
                tracing::info!(changes = ?changes, "configuration loaded anew");
                self.take_config(new, at).await;
                self.pending.event(
                    Event::new(at, own("agent.this"), EventKind::ConfigLoaded, "the configuration was loaded anew")
                        .with("file", file.display().to_string())
                        .with("changes", changes)
                        .with(KEPT_AS, Settings::here(&self.config).to_json()),
                );
            }
        }
        self.manager.reloaded();
        self.judge().await;
    }

    async fn take_config(&mut self, new: Config, at: Stamp) {
        self.sampler.stop();
        let new = Arc::new(new);
        self.darkness = Darkness::new(&new);
        let dark = self.darkness.refresh(at.wall).unwrap_or_default();
        let plan = Plan::from_config(&new, dark, self.darkness.zone().clone());
        let outcome = self.engine.replan(plan, at);
        self.hand_over(Batch { at, ..Batch::default() }, outcome).await;
        self.acting.all_off(at, "the configuration was loaded anew");
        let outlet = Outlet::new(self.tx.clone());
        self.posts = Posts::new(&new.notices, self.clock.clone(), outlet.clone());
        self.acting = Acting::new(new.actions.clone(), self.darkness.zone().clone(), outlet);
        self.pending.forget_probes();
        self.present.forget();
        self.present.field = new.field.clone();
        self.sampler =
            sampler::start(&new, Roots::default(), self.signals.clone(), self.clock.clone(), self.tx.clone());
        self.derived = Derived::new(&new, &self.signals);
        self.configs.send_replace(new.clone());
        self.chores = Chores::new(new.clone(), self.store.clone(), at.wall);
        self.changes.reconfigured(new.clone(), at);
        self.config = new;
    }

    /// Stops in order: probes, what still waits, the last commit, the page.
    async fn stop(mut self, why: &str) -> ExitCode {
        tracing::info!("stopping: {why}");
        self.manager.stopping();
        self.sampler.stop();
        let at = self.clock.now();
        for e in self.acting.all_off_now(at, "the agent stops", Duration::from_secs(5)).await {
            self.pending.event(e);
        }
        self.pending.event(Event::new(at, own("agent.this"), EventKind::AgentStopped, format!("stopped: {why}")));
        self.judge().await;
        self.leadups.tick(at, true, &self.signals, &self.writer);
        let state = serde_json::to_value(self.engine.state()).ok();
        let last = Write { batch: Batch { at, ..Batch::default() }, outcome: Outcome::default(), engine_state: state };
        self.writer.write(last);
        if let Some(page) = self.page.take() {
            page.stop();
        }
        match self.writer.close(Span::secs(5)) {
            Ok(()) => ExitCode::SUCCESS,
            Err(e) => {
                tracing::error!("{e}");
                ExitCode::from(2)
            }
        }
    }
}

/// A name that is written in the source.
pub(super) fn own(n: &str) -> Name {
    Name::new(n).expect("a literal that is a name")
}

async fn until(end: Option<Instant>) {
    match end {
        Some(t) => tokio::time::sleep_until(t).await,
        None => std::future::pending().await,
    }
}

/// Lets every task run once that is ready now. Unlike the runtime's own way to yield it does not ask the system for news first.
async fn after_those_ready() {
    let mut waited = false;
    std::future::poll_fn(|cx| {
        if std::mem::replace(&mut waited, true) {
            return Poll::Ready(());
        }
        // To the end of the queue.
        cx.waker().wake_by_ref();
        Poll::Pending
    })
    .await;
}
