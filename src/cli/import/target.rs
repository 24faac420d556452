//! Where it is brought in: a store that no agent holds, or a running agent.

use super::files::{Content, File};
use crate::analysis::recorded::signals::definition;
use crate::cli::Failure;
use crate::cli::reach::ask;
use crate::house::Client;
use crate::model::command::TakenIn;
use crate::model::rows::ImportRow;
use crate::model::{Name, Span, Unit, UnixMs, Value};
use crate::store::{Foreign, Import, Reader, Taken, Way};
use serde_json::json;
use std::path::PathBuf;

/// Readings in one request: well within the size of a body that the agent takes.
const PART: usize = 2000;
/// Minutes in one request of a signal's course.
const COURSE: i64 = 4000;
/// Most requests for the course of one signal.
const REQUESTS: i64 = 60;

/// Where it goes.
pub enum Target {
    /// A store, and its file.
    Store(Box<Import>, PathBuf),
    /// A running agent.
    Agent(Box<Client>),
}

fn fail(e: impl std::fmt::Display) -> Failure {
    Failure(e.to_string())
}

impl Target {
    /// A store that no agent holds.
    ///
    /// # Errors
    /// A store that is held, damaged, or holds invented data.
    pub fn open(path: PathBuf, now: UnixMs) -> Result<Target, Failure> {
        match Import::open(&path, now) {
            Ok(i) => Ok(Target::Store(Box::new(i), path)),
            Err(e @ crate::store::StoreError::Held { .. }) => {
                Err(Failure(format!("{e}; or bring it in through the running agent with --at http://127.0.0.1:7417")))
            }
            Err(e) => Err(fail(e)),
        }
    }

    /// The notes of the files that were brought in.
    ///
    /// # Errors
    /// When the store or the agent cannot be asked.
    pub fn notes(&self) -> Result<Vec<ImportRow>, Failure> {
        match self {
            Target::Store(_, path) => Reader::open(path).and_then(|r| r.imports()).map_err(fail),
            Target::Agent(client) => {
                let mut v = ask(client.get("/api/v1/imports"))?;
                serde_json::from_value(v["imports"].take()).map_err(fail)
            }
        }
    }

    /// Brings in one file, or takes it back; `progress` is told how many entries are done.
    ///
    /// # Errors
    /// When the store or the agent does not take it. What was taken stays, and the same call goes on from there.
    pub fn put(&mut self, f: &File, way: Way, now: UnixMs, progress: &mut dyn FnMut(u64)) -> Result<TakenIn, Failure> {
        let source = f.source();
        match self {
            Target::Store(import, _) => {
                let t = match &f.content {
                    Content::Signals(all) => {
                        let foreign = all.iter().map(|s| {
                            let signal = definition(&s.signal, s.unit);
                            let readings = s.values.iter().map(|(t, v)| (*t, Value::Known(signal.round(*v)))).collect();
                            Foreign { signal, readings }
                        });
                        import.readings(foreign.collect(), way, progress)
                    }
                    Content::Faults(list) => import.faults(list, way),
                };
                let t: Taken = t.map_err(fail)?;
                match way {
                    Way::In => import.note(now, &source, &f.digest, &f.summary()),
                    Way::Out => import.forget(&f.digest),
                }
                .map_err(fail)?;
                Ok(TakenIn { new: t.new, known: t.known })
            }
            Target::Agent(client) => {
                let mut parts = vec![];
                match &f.content {
                    Content::Signals(all) => {
                        for s in all {
                            for c in s.values.chunks(PART) {
                                let values: Vec<(i64, f64)> = c.iter().map(|(t, v)| (t.0, *v)).collect();
                                let body = json!({"signal": s.signal, "unit": s.unit.code(), "values": values});
                                parts.push((c.len() as u64, json!({ "readings": body })));
                            }
                        }
                    }
                    Content::Faults(list) => {
                        for c in list.chunks(PART / 10) {
                            parts.push((c.len() as u64, json!({ "faults": c })));
                        }
                    }
                }
                parts.push((0, json!({"note": {"source": source, "digest": f.digest, "summary": f.summary()}})));
                let mut taken = TakenIn::default();
                ask(async {
                    let mut done = 0;
                    for (n, mut body) in parts {
                        if way == Way::Out {
                            body["take_back"] = true.into();
                        }
                        let came = client.post("/api/v1/imports", Some(&body)).await?;
                        done += n;
                        progress(done);
                        if n > 0 {
                            taken.new += came["new"].as_u64().unwrap_or_default();
                            taken.known += came["known"].as_u64().unwrap_or_default();
                        }
                    }
                    Ok(())
                })?;
                Ok(taken)
            }
        }
    }

    /// Signals that are there, by name and unit.
    ///
    /// # Errors
    /// When the store or the agent cannot be asked.
    pub fn signals(&self) -> Result<Vec<(Name, Unit)>, Failure> {
        match self {
            Target::Store(_, path) => {
                let all = Reader::open(path).and_then(|r| r.signals()).map_err(fail)?;
                Ok(all.into_iter().map(|(_, d)| (d.name, d.unit)).collect())
            }
            Target::Agent(client) => {
                let v = ask(client.get("/api/v1/signals"))?;
                let one = |s: &serde_json::Value| {
                    Some((Name::new(s["name"].as_str()?).ok()?, Unit::from_code(s["unit"].as_str()?)?))
                };
                Ok(v["signals"].as_array().map(|a| a.iter().filter_map(one).collect()).unwrap_or_default())
            }
        }
    }

    /// A signal's one-minute means in `from..to`, each at the middle of its minute.
    ///
    /// # Errors
    /// When the store or the agent cannot be asked.
    pub fn minutes(&self, name: &Name, from: UnixMs, to: UnixMs) -> Result<Vec<(UnixMs, f64)>, Failure> {
        let middle = |t: UnixMs| t + Span::secs(30);
        match self {
            Target::Store(_, path) => {
                let r = Reader::open(path).map_err(fail)?;
                let Some(id) = r.signal_id(name).map_err(fail)? else { return Ok(vec![]) };
                let all = r.minutes(id, from, to).map_err(fail)?;
                Ok(all.iter().filter(|b| b.count > 0).map(|b| (middle(b.from), b.mean)).collect())
            }
            Target::Agent(client) => {
                let (mut at, mut out) = (UnixMs(from.0.div_euclid(60_000) * 60_000), vec![]);
                for _ in 0..REQUESTS {
                    let end = to.min(at + Span::mins(COURSE));
                    let points = (end - at).0 / 60_000;
                    if points < 1 {
                        break;
                    }
                    let end = at + Span::mins(points);
                    let path = format!("/api/v1/signals/{name}?from={}&to={}&points={points}", at.0, end.0);
                    let v = ask(client.get(&path))?;
                    for b in v["buckets"].as_array().into_iter().flatten() {
                        if let (Some(t), Some(m)) = (b["from"].as_i64(), b["mean"].as_f64()) {
                            out.push((middle(UnixMs(t)), m));
                        }
                    }
                    at = end;
                }
                Ok(out)
            }
        }
    }
}
