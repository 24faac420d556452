//! Small readers of the kernel's text: numbers, fields, key-value tables. Pure; they take bytes, since the kernel promises
//! no encoding, and they never panic, whatever the bytes.

/// The bytes without white space (and NUL, which some drivers append) at both ends.
pub fn trim(mut b: &[u8]) -> &[u8] {
    let blank = |c: &u8| c.is_ascii_whitespace() || *c == 0;
    while let [first, rest @ ..] = b {
        if !blank(first) {
            break;
        }
        b = rest;
    }
    while let [rest @ .., last] = b {
        if !blank(last) {
            break;
        }
        b = rest;
    }
    b
}

/// A whole unsigned decimal number, white space around it allowed. Nothing else may stand beside it.
pub fn unsigned(b: &[u8]) -> Option<u64> {
    let b = trim(b);
    if b.is_empty() || b.len() > 20 {
        return None;
    }
    let mut n = 0_u64;
    for c in b {
        let d = c.wrapping_sub(b'0');
        if d > 9 {
            return None;
        }
        n = n.checked_mul(10)?.checked_add(u64::from(d))?;
    }
    Some(n)
}

/// A whole decimal number with an optional sign.
pub fn signed(b: &[u8]) -> Option<i64> {
    match trim(b) {
        [b'-', rest @ ..] if rest.first().is_some_and(u8::is_ascii_digit) => {
            unsigned(rest).and_then(|n| 0_i64.checked_sub_unsigned(n))
        }
        [b'+', rest @ ..] if rest.first().is_some_and(u8::is_ascii_digit) => {
            unsigned(rest).and_then(|n| i64::try_from(n).ok())
        }
        b => unsigned(b).and_then(|n| i64::try_from(n).ok()),
    }
}

/// A finite decimal number (`0.52`, `-3`, `1e3`); words such as `nan` or `inf` are no numbers.
pub fn number(b: &[u8]) -> Option<f64> {
    let b = trim(b);
    if b.len() > 64 || !b.iter().all(|c| c.is_ascii_digit() || matches!(c, b'.' | b'-' | b'+' | b'e' | b'E')) {
        return None;
    }
    std::str::from_utf8(b).ok()?.parse().ok().filter(|v: &f64| v.is_finite())
}

/// The lines, without their line ends.
pub fn lines(b: &[u8]) -> impl Iterator<Item = &[u8]> {
    b.split(|c| *c == b'\n').map(|l| l.strip_suffix(b"\r").unwrap_or(l)).filter(|l| !l.is_empty())
}

/// The fields of a line, parted by blanks or tabs.
pub fn fields(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(|c| matches!(c, b' ' | b'\t')).filter(|f| !f.is_empty())
}

/// The rest of the first line that begins with `key`, such as `value("MemTotal:")` of `/proc/meminfo`.
pub fn after<'a>(text: &'a [u8], key: &[u8]) -> Option<&'a [u8]> {
    lines(text).find_map(|l| l.strip_prefix(key))
}

/// The number in the first field behind `key` in a table of one key a line: `MemFree:  123 kB`, `oom_kill 4`.
/// `key` must be followed by a blank, a tab, `:` or `=`.
pub fn keyed(text: &[u8], key: &[u8]) -> Option<u64> {
    lines(text).find_map(|l| {
        let rest = l.strip_prefix(key)?;
        let rest = match rest.first()? {
            b' ' | b'\t' => rest,
            b':' | b'=' => &rest[1..],
            _ => return None,
        };
        fields(rest).next().and_then(unsigned)
    })
}

/// The value of `key=` among the fields of a line: `some avg10=0.12 avg60=…`.
pub fn pair<'a>(line: &'a [u8], key: &[u8]) -> Option<&'a [u8]> {
    fields(line).find_map(|f| f.strip_prefix(key)?.strip_prefix(b"="))
}

/// Text for people from bytes of unknown encoding, white space trimmed.
pub fn text(b: &[u8]) -> String {
    String::from_utf8_lossy(trim(b)).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_are_whole_or_nothing() {
        assert_eq!(unsigned(b" 42\n"), Some(42));
        assert_eq!(unsigned(b"18446744073709551615"), Some(u64::MAX));
        for bad in [&b""[..], b"18446744073709551616", b"4 2", b"-1", b"0x10", b"\xff"] {
            assert_eq!(unsigned(bad), None, "{bad:?}");
        }
        assert_eq!(signed(b"-9223372036854775808"), Some(i64::MIN));
        assert_eq!(signed(b"--1"), None);
        assert_eq!(number(b" -3.25\0\n"), Some(-3.25));
        for bad in [&b"nan"[..], b"inf", b"1e999", b"", b"1,5"] {
            assert_eq!(number(bad), None, "{bad:?}");
        }
    }

    #[test]
    fn tables_are_read_by_whole_keys() {
        let t = b"MemTotal:       16000 kB\nMemFree: 12 kB\noom_kill 4\noom_kill_x 9\n";
        assert_eq!(keyed(t, b"MemFree"), Some(12));
        assert_eq!(keyed(t, b"oom_kill"), Some(4));
        assert_eq!(keyed(t, b"Mem"), None);
        assert_eq!(pair(b"some avg10=0.52 avg60=1", b"avg10"), Some(&b"0.52"[..]));
        assert_eq!(after(t, b"MemTotal:").map(trim), Some(&b"16000 kB"[..]));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..200), k in proptest::collection::vec(any::<u8>(), 0..5)) {
            let _ = (unsigned(&b), signed(&b), keyed(&b, &k), pair(&b, &k), after(&b, &k), text(&b));
            prop_assert!(number(&b).is_none_or(f64::is_finite));
            let _ = lines(&b).map(|l| fields(l).count()).sum::<usize>();
        }

        #[test]
        fn written_numbers_come_back(n in any::<i64>(), u in any::<u64>()) {
            prop_assert_eq!(signed(n.to_string().as_bytes()), Some(n));
            prop_assert_eq!(unsigned(u.to_string().as_bytes()), Some(u));
        }
    }
}
