//! Lists of faults that a person kept: columns `start,end,name` and perhaps `kind`.

use super::times::Times;
use super::{BadFile, Layout, Refused, table};
use crate::model::FaultKind;
use crate::model::rows::ImportedFault;

/// What a list of faults held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Listed {
    /// The faults in order of time.
    pub faults: Vec<ImportedFault>,
    /// Rows that were left out.
    pub refused: Vec<Refused>,
    /// What was noticed.
    pub notes: Vec<String>,
    /// Rows read.
    pub rows: usize,
}

/// Reads a list of faults.
///
/// # Errors
/// Files that hold no such list, with the way out.
pub fn read(bytes: &[u8], layout: &Layout) -> Result<Listed, BadFile> {
    let mut notes = Vec::new();
    let text = table::decode(bytes, &mut notes)?;
    let t = table::cut(&text, layout.skip_lines, notes)?;
    let place = |name: &str| t.heading.iter().position(|h| h.eq_ignore_ascii_case(name));
    let need = |name: &str| {
        place(name).ok_or_else(|| {
            BadFile(format!(
                "there is no column `{name}`; expected the heading start,end,name and perhaps kind, found {}",
                super::signals::list(&t.heading)
            ))
        })
    };
    let (start, end, name, kind) = (need("start")?, need("end")?, need("name")?, place("kind"));
    let (mut starts, mut ends) = (Times::new(layout), Times::new(layout));
    let mut out = Listed { refused: t.refused, notes: t.notes, rows: t.rows.len(), ..Listed::default() };
    for (line, cells) in &t.rows {
        let cell = |i: usize| cells.get(i).map_or("", String::as_str).trim();
        let mut one = || -> Result<ImportedFault, String> {
            let from = starts.read(cell(start)).map_err(|e| format!("start: {e}"))?;
            let to = match cell(end) {
                "" => None,
                t => Some(ends.read(t).map_err(|e| format!("end: {e}"))?),
            };
            if to.is_some_and(|t| t < from) {
                return Err("it ends before it starts".into());
            }
            let kind = match kind.map(cell).unwrap_or("") {
                "" => None,
                k => Some(FaultKind::from_word(&k.to_lowercase()).ok_or_else(|| {
                    let all = FaultKind::ALL.map(FaultKind::word).join(", ");
                    format!(
                        "`{}` is no kind of fault; expected one of {all}, or nothing",
                        k.chars().take(40).collect::<String>()
                    )
                })?),
            };
            let name = match cell(name) {
                "" => "fault".to_string(),
                n => n.chars().take(200).collect(),
            };
            Ok(ImportedFault { from, to, name, kind })
        };
        match one() {
            Ok(f) => out.faults.push(f),
            Err(reason) => out.refused.push(Refused { line: *line, reason }),
        }
    }
    if starts.took_utc || ends.took_utc {
        out.notes.push("times carry no offset and no --zone was given: taken as UTC".into());
    }
    out.faults.sort_by(|a, b| (a.from, a.to, &a.name).cmp(&(b.from, b.to, &b.name)));
    let before = out.faults.len();
    out.faults.dedup();
    if out.faults.len() < before {
        out.notes.push(format!("{} rows that stand there twice", before - out.faults.len()));
    }
    Ok(out)
}
