//! The sign "a file keeps growing": any change of name or length of the file, or of the newest file that fits a pattern. On a
//! thread of its own, since the file may lie on a share that hangs.

use crate::config::model::AliveKind;
use crate::model::{Name, SignalId, Span};
use crate::probe::files::newest;
use crate::probe::programs::roll::{Id, Roll};
use crate::probe::{Lane, Probe, Roots, Take, literal};
use std::path::PathBuf;
use std::sync::Arc;

struct Watched {
    program: usize,
    sign: usize,
    path: String,
    last: Option<(Id, Option<(PathBuf, u64)>)>,
}

/// The probe.
pub struct GrowingFiles {
    name: Name,
    period: Span,
    roots: Roots,
    roll: Arc<Roll>,
    files: Vec<Watched>,
}

impl GrowingFiles {
    /// Looks at the files of the roll's programs; none if there is none.
    pub fn new(roots: Roots, roll: Arc<Roll>) -> Option<GrowingFiles> {
        let mut files = vec![];
        let mut period = Span::secs(60);
        for (program, e) in roll.entries().iter().enumerate() {
            for (sign, s) in e.signs.iter().enumerate() {
                if let AliveKind::FileGrows { path } = &s.set.kind {
                    files.push(Watched { program, sign, path: path.clone(), last: None });
                    period = period.min(s.set.every.max(Span(100)));
                }
            }
        }
        (!files.is_empty()).then(|| GrowingFiles { name: literal("probe.growing-files"), period, roots, roll, files })
    }
}

impl Probe for GrowingFiles {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        self.period.max(Span::secs(5))
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    /// None of its own: the figures tell the age of the last sign.
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn take(&mut self, out: &mut Take<'_>) {
        for w in &mut self.files {
            let Some(id) = self.roll.current(w.program) else {
                w.last = None;
                continue;
            };
            // A file that is not there does not grow.
            let now = newest(&self.roots, &w.path).map(|f| (f.path, f.len));
            let at = out.touch();
            let told = {
                let mut all = self.roll.entries();
                let Some(e) = all.get_mut(w.program) else { continue };
                let s = &mut e.signs[w.sign];
                let told = match &w.last {
                    Some((was_id, was)) if *was_id == id => {
                        if *was != now && now.is_some() {
                            s.seen(at)
                        } else {
                            s.failed(at)
                        }
                    }
                    // The first look at this process: growth needs two.
                    _ => None,
                };
                told.map(|t| t.event(&e.program.name, &e.program.title))
            };
            w.last = Some((id, now));
            if let Some(e) = told {
                out.event(e);
            }
        }
    }
}
