//! Rows on their way in: transitions, events, sessions, incidents, marks, gaps, lead-ups.

use super::words::word;
use crate::model::rows::GapRow;
use crate::model::{AlarmChange, BootMs, Event, Incident, Mark, Session, Stamp, Transition};
use rusqlite::{Transaction, params};
use std::collections::BTreeMap;

/// A stretch that nobody watched, with the clock that it was measured by.
#[derive(Clone, Debug, PartialEq)]
pub struct GapIn {
    pub gap: GapRow,
    pub from_boot: Option<BootMs>,
    pub to_boot: BootMs,
}

/// A part of the detailed record around an incident.
#[derive(Clone, Debug, PartialEq)]
pub struct LeadUp {
    pub incident: i64,
    pub part: String,
    pub body: Vec<u8>,
}

/// Rows that wait for the next commit.
#[derive(Clone, Debug, Default)]
pub struct Rows {
    pub transitions: Vec<Transition>,
    pub events: Vec<Event>,
    /// The latest record of each.
    pub sessions: BTreeMap<i64, Session>,
    /// The latest record of each.
    pub incidents: BTreeMap<i64, Incident>,
    pub marks: Vec<(i64, Mark)>,
    pub gaps: Vec<GapIn>,
    pub leadups: Vec<LeadUp>,
}

/// Highest numbers in a store. Added to the numbers of rows made while the store could not be read, so that they do not meet those already in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NumberShift {
    pub seq: i64,
    pub alarm: i64,
    pub session: i64,
    pub incident: i64,
}

impl Rows {
    /// Whether there is nothing.
    pub fn is_empty(&self) -> bool {
        self.transitions.is_empty()
            && self.events.is_empty()
            && self.sessions.is_empty()
            && self.incidents.is_empty()
            && self.marks.is_empty()
            && self.gaps.is_empty()
            && self.leadups.is_empty()
    }

    /// Adds later ones.
    pub fn append(&mut self, mut more: Rows) {
        self.transitions.append(&mut more.transitions);
        self.events.append(&mut more.events);
        self.sessions.append(&mut more.sessions);
        self.incidents.append(&mut more.incidents);
        self.marks.append(&mut more.marks);
        self.gaps.append(&mut more.gaps);
        self.leadups.append(&mut more.leadups);
    }

    /// Writes all of them. `date` gives the wall time that an instant is stored under.
    pub fn put(&self, tx: &Transaction, run: i64, n: NumberShift, date: &dyn Fn(Stamp) -> i64) -> rusqlite::Result<()> {
        for t in &self.transitions {
            put_transition(tx, run, n, date, t)?;
        }
        for e in &self.events {
            put_event(tx, run, date, e)?;
        }
        for s in self.sessions.values() {
            put_session(tx, run, n, date, s)?;
        }
        for i in self.incidents.values() {
            put_incident(tx, run, n, date, i)?;
        }
        for (incident, m) in &self.marks {
            tx.prepare_cached("INSERT INTO marks (incident, at, at_boot, kind, words, run) VALUES (?, ?, ?, ?, ?, ?)")?
                .execute(params![incident + n.incident, date(m.at), m.at.boot.0, m.kind.map(word), m.words, run])?;
        }
        for g in &self.gaps {
            put_gap(tx, run, date, g)?;
        }
        for l in &self.leadups {
            tx.prepare_cached("INSERT OR REPLACE INTO leadups (incident, part, body) VALUES (?, ?, ?)")?
                .execute(params![l.incident + n.incident, l.part, l.body])?;
        }
        Ok(())
    }
}

pub(super) fn put_gap(tx: &Transaction, run: i64, date: &dyn Fn(Stamp) -> i64, g: &GapIn) -> rusqlite::Result<()> {
    let to = date(Stamp::new(g.gap.to, g.to_boot));
    let from = g.from_boot.map_or(g.gap.from.0, |b| date(Stamp::new(g.gap.from, b)));
    tx.prepare_cached("INSERT INTO gaps (from_at, to_at, why, run, from_boot, to_boot) VALUES (?, ?, ?, ?, ?, ?)")?
        .execute(params![from, to, g.gap.why, run, g.from_boot.map(|b| b.0), g.to_boot.0])?;
    Ok(())
}

fn put_transition(
    tx: &Transaction,
    run: i64,
    n: NumberShift,
    date: &dyn Fn(Stamp) -> i64,
    t: &Transition,
) -> rusqlite::Result<()> {
    let (by, until) = match &t.change {
        AlarmChange::Acknowledged { by } => (Some(by), None),
        AlarmChange::Shelved { until, by } => (Some(by), Some(until.0)),
        _ => (None, None),
    };
    tx.prepare_cached(
        "INSERT OR REPLACE INTO transitions (seq, alarm, at, at_boot, announced, announced_boot, rule, thing, priority, change, by, until,
         wakes, text, value, incident, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        t.seq + n.seq,
        t.alarm.0 + n.alarm,
        date(t.at),
        t.at.boot.0,
        date(t.announced),
        t.announced.boot.0,
        t.rule.as_str(),
        t.thing.as_str(),
        word(t.priority),
        t.change.code(),
        by,
        until,
        t.wakes,
        t.text,
        t.value.filter(|v| v.is_finite()),
        t.incident.map(|i| i + n.incident),
        run,
    ])?;
    Ok(())
}

fn put_event(tx: &Transaction, run: i64, date: &dyn Fn(Stamp) -> i64, e: &Event) -> rusqlite::Result<()> {
    let detail = serde_json::to_string(&e.detail).unwrap_or_else(|_| "{}".into());
    tx.prepare_cached(
        "INSERT INTO events (at, at_boot, within, thing, kind, text, detail, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        date(e.at),
        e.at.boot.0,
        e.within.0,
        e.thing.as_str(),
        e.kind.code(),
        e.text,
        detail,
        run
    ])?;
    Ok(())
}

fn put_session(
    tx: &Transaction,
    run: i64,
    n: NumberShift,
    date: &dyn Fn(Stamp) -> i64,
    s: &Session,
) -> rusqlite::Result<()> {
    // A session of an earlier run keeps the beginning that was stored then: `date` knows only this run's clock.
    tx.prepare_cached(
        "INSERT INTO sessions (id, started, started_boot, why, ended, ended_boot, end_why, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
         ON CONFLICT (id) DO UPDATE SET why = excluded.why, ended = excluded.ended, ended_boot = excluded.ended_boot, end_why = excluded.end_why",
    )?
    .execute(params![
        s.id + n.session,
        date(s.started),
        s.started.boot.0,
        word(s.why),
        s.ended.map(date),
        s.ended.map(|e| e.boot.0),
        s.end_why.map(word),
        run,
    ])?;
    Ok(())
}

fn put_incident(
    tx: &Transaction,
    run: i64,
    n: NumberShift,
    date: &dyn Fn(Stamp) -> i64,
    i: &Incident,
) -> rusqlite::Result<()> {
    let dated = |s: Stamp| Stamp { wall: crate::model::UnixMs(date(s)), ..s };
    let mut members = i.members.clone();
    for m in &mut members {
        m.at = dated(m.at);
        m.until = m.until.map(dated);
        m.alarm = m.alarm.map(|a| crate::model::AlarmId(a.0 + n.alarm));
    }
    let list = serde_json::to_string(&members).unwrap_or_else(|_| "[]".into());
    tx.prepare_cached(
        "INSERT OR REPLACE INTO incidents (id, session, opened, opened_boot, closed, closed_boot, first_thing, kind, harmless, pause_only,
         order_certain, members, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        i.id + n.incident,
        i.session.map(|s| s + n.session),
        date(i.opened),
        i.opened.boot.0,
        i.closed.map(date),
        i.closed.map(|c| c.boot.0),
        i.members.first().map_or("", |m| m.thing.as_str()),
        i.kind.word(),
        i.harmless,
        i.pause_only,
        i.order_certain,
        list,
        run,
    ])?;
    Ok(())
}
