//! The picture in characters: a row for each night, the clock across.

use super::{Column, SeasonPicture, clock};
use crate::analysis::causes::Direction;
use crate::analysis::season::NightKind;
use crate::report::paper::pad;
use crate::report::say::number;

/// Columns for the date.
const DATE: usize = 8;
/// Columns for the signal at the end.
const VALUE: usize = 10;

impl SeasonPicture {
    /// Lines of at most `width` columns.
    pub fn lines(&self, width: usize) -> Vec<String> {
        let room = width.saturating_sub(DATE + VALUE + 2).max(12);
        let (a, b) = self.hours;
        let hour = |c: usize| a + (b - a) * c as f64 / room as f64;
        let place = |h: f64| (((h - a) / (b - a).max(1e-9) * room as f64) as usize).min(room - 1);
        let mut head = vec![' '; room + 5];
        let mut free = 0;
        for h in (a.ceil() as i64)..(b as i64) {
            let c = place(h as f64);
            if c >= free && c + 5 <= room {
                clock(h as f64).chars().enumerate().for_each(|(k, ch)| head[c + k] = ch);
                free = c + 7;
            }
        }
        let unit = self.strip.as_ref().map(|s| s.unit.clone()).unwrap_or_default();
        let head: String = head.into_iter().take(room).collect();
        let mut out = vec![format!("{}{head}  {}", " ".repeat(DATE), format!("{unit:>7}"))];
        for (k, c) in self.columns.iter().enumerate() {
            out.extend(self.marks_before(k, room));
            let cells: String = (0..room).map(|x| cell(c, hour(x), hour(x + 1))).collect();
            let mut cells: Vec<char> = cells.chars().collect();
            for (h, l, _) in &c.letters {
                cells[place(*h)] = l.chars().next().unwrap_or('?');
            }
            let value = c.value.map_or(String::new(), |v| {
                let hit = self.strip.as_ref().and_then(|s| s.threshold).is_some_and(|(t, d)| match d {
                    Direction::Below => v.0 < t,
                    Direction::Above => v.2 > t,
                });
                let shown = match self.strip.as_ref().and_then(|s| s.threshold) {
                    Some((_, Direction::Above)) => v.2,
                    _ => v.0,
                };
                format!("{:>7}{}", number(shown, 1), if hit { " <" } else { "" })
            });
            out.push(
                format!("{}{}  {value}", pad(&date(&c.date), DATE), cells.into_iter().collect::<String>())
                    .trim_end()
                    .to_string(),
            );
            if c.skipped > 0 {
                out.push(format!("{}… {} more without a session", " ".repeat(DATE), c.skipped));
            }
        }
        out.extend(self.marks_before(self.columns.len(), room));
        out
    }

    /// What the signs mean.
    pub fn key(&self) -> Vec<String> {
        let signs = "#\u{a0}trouble\u{a0}night, =\u{a0}quiet\u{a0}night, .\u{a0}in\u{a0}session but lost or not dark, ?\u{a0}not\u{a0}watched.";
        let mut out = vec![signs.to_string()];
        if let Some(s) = &self.strip {
            let (which, limit) = match s.threshold {
                Some((t, Direction::Below)) => {
                    ("lowest", format!("; < marks nights that went below {} {}", number(t, 1), s.unit))
                }
                Some((t, Direction::Above)) => {
                    ("highest", format!("; < marks nights that went above {} {}", number(t, 1), s.unit))
                }
                None => ("lowest", String::new()),
            };
            out.push(format!("At the right: {}, {which} of the night before its first fault{limit}.", s.title));
        }
        out
    }

    fn marks_before(&self, column: usize, room: usize) -> Vec<String> {
        let all = self.marks.iter().filter(|m| m.before == column);
        all.map(|m| {
            let line = if m.remedy { "=" } else { "-" };
            let text = format!("{0}{0} {1} ", line, m.words);
            let rest = (room + DATE).saturating_sub(text.chars().count());
            format!("{text}{}", line.repeat(rest))
        })
        .collect()
    }
}

/// `12 Jan`.
fn date(text: &str) -> String {
    text.parse::<jiff::civil::Date>().map_or_else(|_| text.to_string(), |d| d.strftime("%-d %b").to_string())
}

fn cell(c: &Column, from: f64, to: f64) -> char {
    let mid = (from + to) / 2.0;
    let within = |all: &[(f64, f64)]| all.iter().any(|i| i.0 <= mid && mid < i.1);
    if within(&c.unseen) {
        '?'
    } else if within(&c.at_risk) {
        match c.kind {
            NightKind::Trouble => '#',
            NightKind::Quiet => '=',
            _ => '?',
        }
    } else if within(&c.session) {
        '.'
    } else {
        ' '
    }
}
