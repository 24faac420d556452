//! From bytes to rows: text encodings, separators, quoting.

use super::BadFile;
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// Largest file that is read, in bytes. A logger's season is a few megabytes.
pub const LARGEST: usize = 1 << 30;

/// A table of text cells.
#[derive(Debug)]
pub struct Table {
    /// The heading's cells, trimmed.
    pub heading: Vec<String>,
    /// Each row with its line number.
    pub rows: Vec<(u64, Vec<String>)>,
    /// Numbers are written with a decimal comma.
    pub decimal_comma: bool,
    /// What was noticed, for the person.
    pub notes: Vec<String>,
    /// Rows that could not even be cut into cells.
    pub refused: Vec<super::Refused>,
}

/// The text of a file, whatever common encoding it is in.
///
/// # Errors
/// Archives, compressed and binary files, by what they are.
pub fn decode(bytes: &[u8], notes: &mut Vec<String>) -> Result<String, BadFile> {
    let no = |what: &str, way: &str| Err(BadFile(format!("this is {what}, not a table in text; {way}")));
    match bytes {
        [] => return Err(BadFile("the file is empty".into())),
        [b'P', b'K', 3 | 5 | 7, ..] => {
            return no("a zip archive or a spreadsheet file", "unpack it, or save it as CSV");
        }
        [0x1f, 0x8b, ..] => return no("a gzip file", "unpack it first"),
        [b'S', b'Q', b'L', b'i', b't', b'e', ..] => return no("an SQLite file", "export it as CSV"),
        [b'%', b'P', b'D', b'F', ..] => return no("a PDF", "export the readings as CSV"),
        _ if bytes.len() > LARGEST => return Err(BadFile("the file is larger than 1 GiB; cut it into seasons".into())),
        _ => {}
    }
    let (encoding, skip): (&'static Encoding, usize) = match Encoding::for_bom(bytes) {
        Some((e, n)) => (e, n),
        None if looks_like_utf16(bytes, 1) => (UTF_16LE, 0),
        None if looks_like_utf16(bytes, 0) => (UTF_16BE, 0),
        None if bytes.contains(&0) => return no("a binary file", "export the readings as CSV"),
        None if std::str::from_utf8(bytes).is_ok() => (UTF_8, 0),
        // Every byte means something in this one, and it holds Latin-1 but for control characters that no table has.
        None => (WINDOWS_1252, 0),
    };
    if encoding != UTF_8 {
        notes.push(format!("read as {}", if encoding == WINDOWS_1252 { "Latin-1" } else { encoding.name() }));
    }
    let (text, bad) = encoding.decode_without_bom_handling(&bytes[skip..]);
    if bad {
        notes.push(format!("some bytes are no {} and were replaced", encoding.name()));
    }
    // One kind of line end, so that lines are counted as an editor counts them.
    Ok(text.replace("\r\n", "\n").replace('\r', "\n"))
}

/// Every second byte of the first ones is zero: plain text in two-byte units.
fn looks_like_utf16(bytes: &[u8], zero_at: usize) -> bool {
    let head = &bytes[..bytes.len().min(200) / 2 * 2];
    let zeros = head.iter().skip(zero_at).step_by(2).filter(|b| **b == 0).count();
    head.len() >= 8 && zeros * 10 >= head.len() / 2 * 9
}

/// Cuts the text into a heading and rows.
///
/// # Errors
/// Nothing but junk lines, or no heading.
pub fn cut(text: &str, skip_lines: usize, mut notes: Vec<String>) -> Result<Table, BadFile> {
    let mut rest = text;
    for n in 0..skip_lines {
        match rest.find('\n') {
            Some(i) => rest = &rest[i + 1..],
            None => {
                return Err(BadFile(format!("the file has only {} lines, and {skip_lines} were to be skipped", n + 1)));
            }
        }
    }
    let head = rest.lines().find(|l| !l.trim().is_empty()).ok_or_else(|| BadFile("there is no heading line".into()))?;
    let separator = separator(head);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .flexible(true)
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(rest.as_bytes());
    let (mut heading, mut rows, mut refused) = (None, Vec::new(), Vec::new());
    for record in reader.records() {
        match record {
            Ok(r) => {
                let line = r.position().map_or(0, csv::Position::line) + skip_lines as u64;
                if r.iter().all(str::is_empty) {
                    continue;
                }
                let cells: Vec<String> = r.iter().map(str::to_string).collect();
                match heading {
                    None => heading = Some(cells),
                    Some(_) => rows.push((line, cells)),
                }
            }
            Err(e) => {
                let line = e.position().map_or(0, csv::Position::line) + skip_lines as u64;
                refused.push(super::Refused { line, reason: format!("no row of a table: {e}") });
            }
        }
    }
    let heading = heading.ok_or_else(|| BadFile("there is no heading line".into()))?;
    if let [only] = heading.as_slice() {
        let shown: String = only.chars().take(60).collect();
        return Err(BadFile(format!(
            "the heading `{shown}` is a single column; expected `time` and at least one more, separated by `,`, `;` or tabs \
             (lines of junk before it are left out with --skip-lines)"
        )));
    }
    let decimal_comma = separator != b',' && has_decimal_comma(&rows);
    if decimal_comma {
        notes.push("numbers are written with a decimal comma".into());
    }
    Ok(Table { heading, rows, decimal_comma, notes, refused })
}

/// The separator that cuts the heading into most pieces.
fn separator(heading: &str) -> u8 {
    let mut inside = false;
    let mut count = [(b';', 0), (b'\t', 0), (b',', 0)];
    for b in heading.bytes() {
        inside ^= b == b'"';
        count.iter_mut().filter(|c| !inside && c.0 == b).for_each(|c| c.1 += 1);
    }
    // On a tie the rarer one wins: commas stand inside other things.
    count.iter().fold((b',', 0), |best, c| if c.1 > best.1 { *c } else { best }).0
}

fn has_decimal_comma(rows: &[(u64, Vec<String>)]) -> bool {
    let comma = |c: &String| {
        c.split_once(',').is_some_and(|(a, b)| {
            let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
            digits(a.trim_start_matches(['-', '+', '−'])) && digits(b)
        })
    };
    rows.iter().take(1000).any(|(_, cells)| cells.iter().skip(1).any(comma))
}
