//! Plain text on a page of fixed width: wrapping, hanging indents, columns. Shared by the reports.

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Columns of a page.
pub const WIDTH: usize = 80;

/// No line is narrower: the widest character must fit, or wrapping would never end.
const NARROWEST: usize = 3;

/// A page that is being written.
#[derive(Debug, Default)]
pub struct Paper {
    out: String,
}

impl Paper {
    /// An empty page.
    pub fn new() -> Paper {
        Paper::default()
    }

    /// An empty line, never two in a row and none at the top.
    pub fn gap(&mut self) {
        if !self.out.is_empty() && !self.out.ends_with("\n\n") {
            self.out.push('\n');
        }
    }

    /// One line, cut at the width.
    pub fn line(&mut self, text: &str) {
        self.out.push_str(cut(&clean(text), WIDTH).trim_end());
        self.out.push('\n');
    }

    /// Left and right text on one line; the left one is cut if both do not fit.
    pub fn ends(&mut self, left: &str, right: &str) {
        let (left, right) = (clean(left), clean(right));
        let right = cut(&right, WIDTH);
        let room = WIDTH.saturating_sub(right.width() + 2);
        let left = cut(&left, room);
        let fill = WIDTH.saturating_sub(left.width() + right.width());
        self.line(&format!("{left}{}{right}", " ".repeat(fill)));
    }

    /// A heading with a rule under it.
    pub fn heading(&mut self, text: &str) {
        self.gap();
        self.line(text);
        self.line(&"-".repeat(clean(text).width().min(WIDTH)));
    }

    /// A paragraph.
    pub fn para(&mut self, text: &str) {
        self.hang("", "", text);
    }

    /// A paragraph whose first line begins with `first` and whose others begin with `rest`.
    pub fn hang(&mut self, first: &str, rest: &str, text: &str) {
        let room = WIDTH.saturating_sub(first.width().max(rest.width())).max(1);
        for (i, l) in wrap(text, room).iter().enumerate() {
            let head = if i == 0 { first } else { rest };
            self.out.push_str(format!("{head}{l}").trim_end());
            self.out.push('\n');
        }
    }

    /// Rows in columns. The last column takes what is left and is wrapped; the others are as wide as their widest entry, at
    /// most `most` each.
    pub fn columns<const N: usize>(&mut self, indent: usize, most: [usize; N], rows: &[[String; N]]) {
        let mut widths = [0; N];
        for row in rows {
            for (w, (cell, m)) in widths.iter_mut().zip(row.iter().zip(most)) {
                *w = (*w).max(clean(cell).width().min(m));
            }
        }
        let lead: usize = indent + widths.iter().take(N.saturating_sub(1)).map(|w| w + 2).sum::<usize>();
        for row in rows {
            let mut head = " ".repeat(indent);
            for (cell, w) in row.iter().zip(widths).take(N.saturating_sub(1)) {
                head.push_str(&pad(&cut(&clean(cell), w), w));
                head.push_str("  ");
            }
            let last = row.last().map(String::as_str).unwrap_or_default();
            if clean(last).is_empty() {
                self.line(&head);
            } else {
                self.hang(&head, &" ".repeat(lead), last);
            }
        }
    }

    /// The page.
    pub fn finish(self) -> String {
        self.out.trim_end().to_string() + "\n"
    }
}

/// `text` in lines of at most `room` columns, broken at spaces; a longer word is broken where it must. Never empty.
pub fn wrap(text: &str, room: usize) -> Vec<String> {
    let room = room.max(NARROWEST);
    let mut lines = vec![String::new()];
    // The space before a unit does not break a number from it.
    let glued = glue(&clean(text));
    for word in glued.split(' ').filter(|w| !w.is_empty()) {
        let mut rest = word.replace('\u{a0}', " ");
        let line = lines.last().map_or(0, |l| l.width());
        if line > 0 && line + 1 + rest.width() <= room {
            if let Some(l) = lines.last_mut() {
                l.push(' ');
                l.push_str(&rest);
            }
            continue;
        }
        if line > 0 {
            lines.push(String::new());
        }
        while rest.width() > room {
            let head = cut(&rest, room);
            rest = rest[head.len()..].to_string();
            if let Some(l) = lines.last_mut() {
                *l = head;
            }
            lines.push(String::new());
        }
        if let Some(l) = lines.last_mut() {
            *l = rest;
        }
    }
    if lines.len() > 1 && lines.last().is_some_and(String::is_empty) {
        lines.pop();
    }
    lines
}

/// Numbers tied to the short unit behind them by a no-break space, so that `48` never ends a line that `min` begins.
fn glue(text: &str) -> String {
    const UNITS: &[&str] =
        &["s", "ms", "min", "h", "d", "%", "°C", "°F", "K", "dBm", "B", "kB", "MB", "GB", "TB", "V", "W"];
    let mut out = String::new();
    for word in text.split(' ') {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
        let after_number = out.chars().next_back().is_some_and(|c| c.is_ascii_digit());
        if !out.is_empty() {
            out.push(if after_number && UNITS.contains(&bare) { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
    }
    out
}

/// The longest head of `text` that fits into `room` columns. Measured whole, and never cut before a character without a width of its
/// own: some change the width of the one before.
pub fn cut(text: &str, room: usize) -> String {
    let starts = text.char_indices().filter(|(_, c)| c.width() != Some(0)).map(|(at, _)| at);
    let ends = starts.chain([text.len()]);
    let end = ends.take_while(|&end| text[..end].width() <= room).last().unwrap_or(0);
    text[..end].to_string()
}

/// `text` with spaces behind it up to `room` columns.
pub fn pad(text: &str, room: usize) -> String {
    format!("{text}{}", " ".repeat(room.saturating_sub(text.width())))
}

/// Without control characters: what a log or a title brings along must not steer a terminal.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_keep_their_units() {
        assert_eq!(wrap("it cost 48 min of darkness", 10), ["it cost", "48 min of", "darkness"]);
        assert_eq!(wrap("", 10), [""]);
        assert_eq!(wrap("abcdefghijkl", 5), ["abcde", "fghij", "kl"]);
    }

    #[test]
    fn what_widens_the_character_before_is_cut_with_it() {
        // A digit shown as a picture takes two columns.
        let picture = "0\u{fe0f}";
        assert_eq!(picture.width(), 2);
        assert_eq!(cut(picture, 1), "");
        assert_eq!(cut(&format!("{picture}12"), 3), format!("{picture}1"));
        assert_eq!(wrap(&picture.repeat(3), 5), [picture.repeat(2), picture.into()]);
        // No character is wider than the narrowest line.
        let widest: Vec<_> = ('\0'..=char::MAX).filter(|c| c.to_string().width() > NARROWEST).collect();
        assert!(widest.is_empty(), "{widest:?}");
        assert_eq!(wrap("\u{17d8}\u{17d8}", 1), ["\u{17d8}"; 2]);
    }

    #[test]
    fn columns_line_up() {
        let mut p = Paper::new();
        p.columns(1, [8, 40], &[["a".into(), "well".into()], ["longer".into(), "broken".into()]]);
        assert_eq!(p.finish(), " a       well\n longer  broken\n");
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_the_page(text in "\\PC{0,300}", head in 0usize..30, free in ".{0,200}") {
            let mut p = Paper::new();
            p.para(&text);
            p.hang(&" ".repeat(head), &" ".repeat(head + 2), &free);
            p.ends(&text, &free);
            p.heading(&text);
            p.columns(2, [20, 20, 200], &[[text.clone(), free.clone(), text.clone()], [free.clone(), text, free]]);
            for l in p.finish().lines() {
                prop_assert!(l.width() <= WIDTH, "{} columns: {l:?}", l.width());
                prop_assert_eq!(l.find('\u{1b}'), None);
            }
        }

        #[test]
        fn wrapping_loses_no_word(text in "[a-z ]{0,200}") {
            let back: Vec<String> = wrap(&text, 20).iter().map(|l| l.replace(' ', "")).collect();
            prop_assert_eq!(back.concat(), text.replace(' ', ""));
        }
    }
}
