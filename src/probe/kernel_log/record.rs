//! One record of the kernel's log, from its ring (`/dev/kmsg`; kernel document "ABI testing dev-kmsg") or from the journal
//! (systemd.journal-fields(7)). Pure.

/// Longest text that is looked at and kept, in bytes.
pub const LONGEST: usize = 1024;

/// A line that the kernel itself wrote.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// 0 (emergency) to 7 (debug).
    pub level: u8,
    /// Microseconds since boot, without time asleep; none where the journal does not tell.
    pub us: Option<u64>,
    /// The message, one line, unescaped, at most [`LONGEST`] bytes.
    pub text: String,
}

/// What a record is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Record {
    /// The kernel's own.
    Kernel(Line),
    /// Written by a program into the kernel's log: no evidence of anything. The kernel marks these, whatever they pretend.
    Forged,
}

/// Reads one record of the ring: `6,339,5140900,-;message` and indented lines with `KEY=value` behind it. None if it is
/// garbled.
pub fn of_ring(b: &[u8]) -> Option<Record> {
    let split = b.iter().position(|c| *c == b';')?;
    let mut head = b[..split].split(|c| *c == b',');
    let priority = small(head.next()?)?;
    // The sequence number, then the time stamp.
    small(head.next()?)?;
    let us = small(head.next()?)?;
    if priority >> 3 != 0 {
        return Some(Record::Forged);
    }
    let message = b[split + 1..].split(|c| *c == b'\n').next().unwrap_or_default();
    Some(Record::Kernel(Line { level: (priority & 7) as u8, us: Some(us), text: unescaped(message) }))
}

fn small(b: &[u8]) -> Option<u64> {
    crate::probe::parse::unsigned(b)
}

/// `\x1b` stands for a byte; what is no such escape stays as it is.
fn unescaped(b: &[u8]) -> String {
    let mut out = Vec::with_capacity(b.len().min(LONGEST));
    let mut i = 0;
    while i < b.len() && out.len() < LONGEST {
        let hex = (b[i..].len() >= 4 && b[i] == b'\\' && b[i + 1] == b'x')
            .then(|| std::str::from_utf8(&b[i + 2..i + 4]).ok())
            .flatten()
            .and_then(|h| u8::from_str_radix(h, 16).ok());
        out.push(hex.unwrap_or(b[i]));
        i += if hex.is_some() { 4 } else { 1 };
    }
    one_line(&String::from_utf8_lossy(&out))
}

/// Without line ends and other control characters, and not too long.
fn one_line(t: &str) -> String {
    let mut out: String = t.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let mut end = out.len().min(LONGEST);
    while !out.is_char_boundary(end) {
        end -= 1;
    }
    out.truncate(end);
    out.trim().to_string()
}

/// Reads one line of `journalctl -o json`. None if it is garbled. The trusted field `_TRANSPORT` says that it came out of the
/// kernel's log, and its facility that the kernel wrote it there.
pub fn of_journal(b: &[u8]) -> Option<Record> {
    let v: serde_json::Value = serde_json::from_slice(b).ok()?;
    let text = |k: &str| v.get(k).and_then(serde_json::Value::as_str);
    let message = match v.get("MESSAGE")? {
        serde_json::Value::String(s) => one_line(s),
        // Bytes that are no UTF-8 come as a list of numbers.
        serde_json::Value::Array(a) => {
            let bytes: Vec<u8> = a.iter().filter_map(|n| n.as_u64().and_then(|n| u8::try_from(n).ok())).collect();
            one_line(&String::from_utf8_lossy(&bytes))
        }
        _ => return None,
    };
    if text("_TRANSPORT") != Some("kernel") || text("SYSLOG_FACILITY").is_some_and(|f| f != "0") {
        return Some(Record::Forged);
    }
    let level = text("PRIORITY").and_then(|p| p.parse().ok()).filter(|l| *l <= 7).unwrap_or(6);
    Some(Record::Kernel(Line {
        level,
        us: text("_SOURCE_MONOTONIC_TIMESTAMP").and_then(|t| t.parse().ok()),
        text: message,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn records_as_the_kernels_document_shows_them() {
        // The two examples of "ABI testing dev-kmsg".
        let pci = b"7,160,424069,-;pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)\n SUBSYSTEM=acpi\n DEVICE=+acpi:PNP0A03:00\n";
        assert_eq!(
            of_ring(pci),
            Some(Record::Kernel(Line {
                level: 7,
                us: Some(424_069),
                text: "pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)".into()
            }))
        );
        assert_eq!(of_ring(b"30,340,5690716,-;udevd[80]: starting version 181\n"), Some(Record::Forged));
        let Some(Record::Kernel(l)) = of_ring(b"4,1,2,-,caller=T1;a\\x0ab \\xzz\n") else { panic!() };
        assert_eq!(l.text, "a b \\xzz");
        assert_eq!(of_ring(b"no record"), None);
        assert_eq!(of_ring(b"x,1,2,-;y"), None);
    }

    #[test]
    fn records_of_the_journal() {
        let line = br#"{"_TRANSPORT":"kernel","SYSLOG_FACILITY":"0","PRIORITY":"4","_SOURCE_MONOTONIC_TIMESTAMP":"77","MESSAGE":"usb 1-1: reset"}"#;
        let want = Line { level: 4, us: Some(77), text: "usb 1-1: reset".into() };
        assert_eq!(of_journal(line), Some(Record::Kernel(want)));
        for forged in [
            r#"{"_TRANSPORT":"kernel","SYSLOG_FACILITY":"3","MESSAGE":"usb 1-1: reset"}"#,
            r#"{"_TRANSPORT":"syslog","SYSLOG_FACILITY":"0","MESSAGE":"usb 1-1: reset"}"#,
            r#"{"MESSAGE":"usb 1-1: reset"}"#,
        ] {
            assert_eq!(of_journal(forged.as_bytes()), Some(Record::Forged), "{forged}");
        }
        let bytes = br#"{"_TRANSPORT":"kernel","MESSAGE":[104,105,255]}"#;
        let Some(Record::Kernel(l)) = of_journal(bytes) else { panic!() };
        assert_eq!(l.text, "hi\u{fffd}");
    }

    proptest! {
        #[test]
        fn no_bytes_panic_and_no_text_is_long(b in proptest::collection::vec(any::<u8>(), 0..3000), head in "[0-9]{1,3},[0-9]{1,5},[0-9]{1,9},-;") {
            let mut whole = head.into_bytes();
            whole.extend(&b);
            for r in [of_ring(&b), of_ring(&whole), of_journal(&b)].into_iter().flatten() {
                if let Record::Kernel(l) = r {
                    prop_assert!(l.level <= 7 && l.text.len() <= LONGEST && !l.text.contains(char::is_control));
                }
            }
        }
    }
}
