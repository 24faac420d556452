//! Reading back alarms, events, sessions, incidents, remedies and what was brought in.

use super::errors::StoreError;
use super::reader::Reader;
use super::words::from_word;
use crate::model::leadup::{LeadUp, Part};
use crate::model::rows::{AlarmLife, ChangeRow, ImportRow, ImportedFault, IncidentRow, RemedyRow};
use crate::model::{
    AlarmChange, AlarmId, BootMs, Event, EventKind, FaultKind, Incident, Mark, Name, Priority, Session, SessionEnd,
    SessionStart, Span, Stamp, Transition, UnixMs,
};
use rusqlite::{OptionalExtension, Row};
use std::collections::BTreeMap;

const TRANSITION: &str = "seq, alarm, at, at_boot, announced, announced_boot, rule, thing, priority, change, by, until, wakes, text, value, incident";

impl Reader {
    /// Transitions after a number, oldest first, at most `limit`.
    pub fn transitions(&self, after_seq: i64, limit: usize) -> Result<Vec<Transition>, StoreError> {
        self.ask(|c| {
            c.prepare_cached(&format!("SELECT {TRANSITION} FROM transitions WHERE seq > ? ORDER BY seq LIMIT ?"))?
                .query_map((after_seq, limit as i64), transition)?
                .collect()
        })
    }

    /// The latest transition's number; 0 if there is none.
    pub fn latest_seq(&self) -> Result<i64, StoreError> {
        self.ask(|c| c.query_row("SELECT coalesce(max(seq), 0) FROM transitions", [], |r| r.get(0)))
    }

    /// Alarms that were raised before `to` and not yet over at `from`, each with its whole life, in the order of raising.
    pub fn alarms(&self, from: UnixMs, to: UnixMs) -> Result<Vec<AlarmLife>, StoreError> {
        self.ask(|c| {
            let mut q = c.prepare_cached(&format!(
                "WITH lives AS (SELECT alarm, min(at) AS began, min(seq) AS first,
                    max(CASE WHEN change IN ('returned', 'removed') THEN at END) AS over
                    FROM transitions GROUP BY alarm)
                 SELECT {TRANSITION} FROM transitions JOIN lives USING (alarm)
                 WHERE began < ?2 AND (over IS NULL OR over >= ?1) ORDER BY first, seq"
            ))?;
            let mut lives: Vec<AlarmLife> = vec![];
            for t in q.query_map([from.0, to.0], transition)? {
                let t = t?;
                match lives.last_mut() {
                    Some(l) if l.steps.last().is_some_and(|s| s.alarm == t.alarm) => l.steps.push(t),
                    _ => lives.push(AlarmLife { steps: vec![t] }),
                }
            }
            Ok(lives)
        })
    }

    /// One alarm's life; none if there is no such alarm.
    pub fn alarm(&self, alarm: AlarmId) -> Result<Option<AlarmLife>, StoreError> {
        self.ask(|c| {
            let steps: Vec<Transition> = c
                .prepare_cached(&format!("SELECT {TRANSITION} FROM transitions WHERE alarm = ? ORDER BY seq"))?
                .query_map([alarm.0], transition)?
                .collect::<Result<_, _>>()?;
            Ok((!steps.is_empty()).then_some(AlarmLife { steps }))
        })
    }

    /// Events in `from..to` of these kinds (all, if none are named), oldest first.
    pub fn events(&self, from: UnixMs, to: UnixMs, kinds: &[EventKind]) -> Result<Vec<Event>, StoreError> {
        let wanted = serde_json::to_string(kinds).unwrap_or_default();
        self.ask(|c| {
            c.prepare_cached(
                "SELECT at, at_boot, within, thing, kind, text, detail FROM events WHERE at >= ?1 AND at < ?2
                 AND (?3 = '[]' OR kind IN (SELECT value FROM json_each(?3))) ORDER BY at, id",
            )?
            .query_map((from.0, to.0, wanted), event)?
            .filter_map(Result::transpose)
            .collect()
        })
    }

    /// Sessions that touch `from..to`, oldest first.
    pub fn sessions(&self, from: UnixMs, to: UnixMs) -> Result<Vec<Session>, StoreError> {
        self.ask(|c| {
            c.prepare_cached(
                "SELECT id, started, started_boot, why, ended, ended_boot, end_why FROM sessions
                 WHERE started < ?2 AND (ended IS NULL OR ended > ?1) ORDER BY started, id",
            )?
            .query_map([from.0, to.0], |r| {
                let (why, end_why): (String, Option<String>) = (r.get(3)?, r.get(6)?);
                Ok(Session {
                    id: r.get(0)?,
                    started: stamp(r, 1)?,
                    why: from_word(&why).unwrap_or(SessionStart::Person),
                    ended: maybe_stamp(r, 4)?,
                    end_why: end_why.and_then(|w| from_word::<SessionEnd>(&w)),
                })
            })?
            .collect()
        })
    }

    /// Incidents that touch `from..to`, with their marks, oldest first.
    pub fn incidents(&self, from: UnixMs, to: UnixMs) -> Result<Vec<IncidentRow>, StoreError> {
        self.incidents_where("opened < ?2 AND (closed IS NULL OR closed >= ?1)", [from.0, to.0])
    }

    /// One incident; none if there is no such number.
    pub fn incident(&self, id: i64) -> Result<Option<IncidentRow>, StoreError> {
        Ok(self.incidents_where("id = ?1 AND ?1 = ?2", [id, id])?.pop())
    }

    fn incidents_where(&self, what: &str, p: [i64; 2]) -> Result<Vec<IncidentRow>, StoreError> {
        self.ask(|c| {
            let mut all: Vec<IncidentRow> = c
                .prepare_cached(&format!(
                    "SELECT id, session, opened, opened_boot, closed, closed_boot, kind, harmless, pause_only, order_certain, members
                     FROM incidents WHERE {what} ORDER BY opened, id"
                ))?
                .query_map(p, |r| {
                    let (kind, members): (String, String) = (r.get(6)?, r.get(10)?);
                    Ok(IncidentRow {
                        incident: Incident {
                            id: r.get(0)?,
                            session: r.get(1)?,
                            opened: stamp(r, 2)?,
                            closed: maybe_stamp(r, 4)?,
                            members: serde_json::from_str(&members).unwrap_or_default(),
                            order_certain: r.get(9)?,
                            kind: FaultKind::from_word(&kind).unwrap_or(FaultKind::Program),
                            harmless: r.get(7)?,
                            pause_only: r.get(8)?,
                            mark: None,
                        },
                        marks: vec![],
                    })
                })?
                .collect::<Result<_, _>>()?;
            let mut marks =
                c.prepare_cached("SELECT at, at_boot, kind, words FROM marks WHERE incident = ? ORDER BY id")?;
            for row in &mut all {
                row.marks = marks
                    .query_map([row.incident.id], |r| {
                        let kind: Option<String> = r.get(2)?;
                        Ok(Mark { at: stamp(r, 0)?, kind: kind.and_then(|k| from_word(&k)), words: r.get(3)? })
                    })?
                    .collect::<Result<_, _>>()?;
                row.incident.mark = row.marks.last().cloned();
            }
            Ok(all)
        })
    }

    /// The detailed record around an incident: part `before` or `after`.
    pub fn leadup(&self, incident: i64, part: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT body FROM leadups WHERE incident = ? AND part = ?")?
                .query_row((incident, part), |r| r.get(0))
                .optional()
        })
    }

    /// The same, unpacked; none where nothing is kept.
    ///
    /// # Errors
    /// When the store cannot be read, or the record is damaged.
    pub fn leadup_record(&self, incident: i64, part: Part) -> Result<Option<LeadUp>, StoreError> {
        let Some(body) = self.leadup(incident, part.word())? else { return Ok(None) };
        let damaged = || StoreError::Internal(format!("the detailed record of incident {incident} is damaged"));
        super::leadup::unpack(&body).ok_or_else(damaged).map(Some)
    }

    /// What is known of the installation, as the agent kept it; none before the first time.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn installed(&self) -> Result<BTreeMap<String, String>, StoreError> {
        let body: Option<Vec<u8>> = self.ask(|c| {
            c.prepare_cached("SELECT value FROM state WHERE key = 'installed'")?.query_row([], |r| r.get(0)).optional()
        })?;
        Ok(body.and_then(|b| serde_json::from_slice(&b).ok()).unwrap_or_default())
    }

    /// Remedies, oldest first.
    pub fn remedies(&self) -> Result<Vec<RemedyRow>, StoreError> {
        self.ask(|c| {
            c.prepare_cached(
                "SELECT id, name, added, since, until, only_nights, hard_when, record_before, hindsight FROM remedies ORDER BY since, id",
            )?
            .query_map([], |r| {
                let (nights, hard): (String, Option<String>) = (r.get(5)?, r.get(6)?);
                Ok(RemedyRow {
                    id: r.get(0)?,
                    name: r.get(1)?,
                    added: UnixMs(r.get(2)?),
                    since: UnixMs(r.get(3)?),
                    until: r.get::<_, Option<i64>>(4)?.map(UnixMs),
                    only_nights: serde_json::from_str(&nights).unwrap_or_default(),
                    hard_when: hard.and_then(|h| serde_json::from_str(&h).ok()),
                    record_before: Span(r.get(7)?),
                    hindsight: r.get(8)?,
                })
            })?
            .collect()
        })
    }

    /// Changes of software, ports, drivers or settings in `from..to`, from the events that tell of them.
    pub fn changes(&self, from: UnixMs, to: UnixMs) -> Result<Vec<ChangeRow>, StoreError> {
        let text = |e: &Event, key: &str| match e.detail.get(key) {
            Some(serde_json::Value::String(s)) => s.clone(),
            Some(serde_json::Value::Null) | None => String::new(),
            Some(other) => other.to_string(),
        };
        Ok(self
            .events(from, to, &[EventKind::Changed])?
            .iter()
            .map(|e| ChangeRow { at: e.at.wall, what: text(e, "what"), old: text(e, "old"), new: text(e, "new") })
            .collect())
    }

    /// Notes of files that were brought in, oldest first.
    pub fn imports(&self) -> Result<Vec<ImportRow>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT at, source, digest, summary FROM imports ORDER BY id")?
                .query_map([], |r| {
                    let summary: String = r.get(3)?;
                    Ok(ImportRow {
                        at: UnixMs(r.get(0)?),
                        source: r.get(1)?,
                        digest: r.get(2)?,
                        summary: serde_json::from_str(&summary).unwrap_or_default(),
                    })
                })?
                .collect()
        })
    }

    /// Faults brought in from elsewhere that began in `from..to`.
    pub fn imported_faults(&self, from: UnixMs, to: UnixMs) -> Result<Vec<ImportedFault>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT from_at, to_at, name, kind FROM imported_faults WHERE from_at >= ? AND from_at < ? ORDER BY from_at, id")?
                .query_map([from.0, to.0], |r| {
                    let kind: Option<String> = r.get(3)?;
                    Ok(ImportedFault {
                        from: UnixMs(r.get(0)?),
                        to: r.get::<_, Option<i64>>(1)?.map(UnixMs),
                        name: r.get(2)?,
                        kind: kind.and_then(|k| FaultKind::from_word(&k)),
                    })
                })?
                .collect()
        })
    }
}

fn stamp(r: &Row, i: usize) -> rusqlite::Result<Stamp> {
    Ok(Stamp::new(UnixMs(r.get(i)?), BootMs(r.get(i + 1)?)))
}

fn maybe_stamp(r: &Row, i: usize) -> rusqlite::Result<Option<Stamp>> {
    Ok(match (r.get::<_, Option<i64>>(i)?, r.get::<_, Option<i64>>(i + 1)?) {
        (Some(wall), boot) => Some(Stamp::new(UnixMs(wall), BootMs(boot.unwrap_or_default()))),
        _ => None,
    })
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap_or_else(|_| Name::from_parts("other", text))
}

fn transition(r: &Row) -> rusqlite::Result<Transition> {
    let text = |i: usize| r.get::<_, String>(i);
    let by = r.get::<_, Option<String>>(10)?.unwrap_or_default();
    let change = match text(9)?.as_str() {
        "acknowledged" => AlarmChange::Acknowledged { by },
        "returned" => AlarmChange::Returned,
        "shelved" => AlarmChange::Shelved { until: UnixMs(r.get::<_, Option<i64>>(11)?.unwrap_or_default()), by },
        "unshelved" => AlarmChange::Unshelved,
        "stale" => AlarmChange::Stale,
        "chattering" => AlarmChange::Chattering,
        "settled" => AlarmChange::Settled,
        "removed" => AlarmChange::Removed,
        _ => AlarmChange::Raised,
    };
    Ok(Transition {
        seq: r.get(0)?,
        alarm: AlarmId(r.get(1)?),
        at: stamp(r, 2)?,
        announced: stamp(r, 4)?,
        rule: name(&text(6)?),
        thing: name(&text(7)?),
        priority: from_word(&text(8)?).unwrap_or(Priority::High),
        change,
        wakes: r.get(12)?,
        text: text(13)?,
        value: r.get(14)?,
        incident: r.get(15)?,
        saved: true,
    })
}

/// An event; none if its kind is one that only a later version knows.
fn event(r: &Row) -> rusqlite::Result<Option<Event>> {
    let (thing, kind, detail): (String, String, String) = (r.get(3)?, r.get(4)?, r.get(6)?);
    Ok(EventKind::from_code(&kind).map(|kind| Event {
        at: Stamp::new(UnixMs(r.get_unwrap(0)), BootMs(r.get_unwrap(1))),
        within: Span(r.get_unwrap(2)),
        thing: name(&thing),
        kind,
        text: r.get_unwrap(5),
        detail: serde_json::from_str(&detail).unwrap_or_default(),
    }))
}
