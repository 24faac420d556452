//! Cuts a growing stream of bytes into lines of bounded length. Pure.

/// How a line end looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Width {
    /// One byte: ASCII, UTF-8 and all encodings that keep ASCII.
    #[default]
    One,
    /// Two bytes, the low one first: UTF-16LE.
    Little,
    /// Two bytes, the high one first: UTF-16BE.
    Big,
}

/// What is left of the stream behind its last line end.
#[derive(Clone, Debug)]
pub struct Splitter {
    most: usize,
    width: Width,
    line: Vec<u8>,
    /// The first byte of a pair whose second has not come yet.
    half: Option<u8>,
}

impl Splitter {
    /// Lines are cut at `most` bytes; what is behind that, up to the line's end, is dropped.
    pub fn new(width: Width, most: usize) -> Splitter {
        Splitter { most, width, line: Vec::new(), half: None }
    }

    /// More bytes: `each` is called with every line that is now whole, without its end.
    pub fn push(&mut self, bytes: &[u8], mut each: impl FnMut(&[u8])) {
        if self.width == Width::One {
            for (i, part) in bytes.split(|b| *b == b'\n').enumerate() {
                if i > 0 {
                    self.end(&mut each);
                }
                self.add(part);
            }
            return;
        }
        for b in bytes {
            let Some(first) = self.half.take() else {
                self.half = Some(*b);
                continue;
            };
            let end = match self.width {
                Width::Little => (first, *b) == (b'\n', 0),
                _ => (first, *b) == (0, b'\n'),
            };
            if end { self.end(&mut each) } else { self.add(&[first, *b]) }
        }
    }

    /// The stream is over: what stands behind the last line end is a line too.
    pub fn finish(&mut self, mut each: impl FnMut(&[u8])) {
        self.half = None;
        if !self.line.is_empty() {
            self.end(&mut each);
        }
    }

    /// Bytes that wait for their line end.
    pub fn waiting(&self) -> usize {
        self.line.len() + usize::from(self.half.is_some())
    }

    fn add(&mut self, part: &[u8]) {
        let room = self.most.saturating_sub(self.line.len());
        // A pair is kept whole.
        let room = if self.width == Width::One { room } else { room & !1 };
        self.line.extend_from_slice(&part[..part.len().min(room)]);
    }

    fn end(&mut self, each: &mut impl FnMut(&[u8])) {
        let whole = match self.width {
            Width::One => self.line.strip_suffix(b"\r"),
            Width::Little => self.line.strip_suffix(b"\r\0"),
            Width::Big => self.line.strip_suffix(b"\0\r"),
        };
        each(whole.unwrap_or(&self.line));
        self.line.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn cut(width: Width, most: usize, parts: &[&[u8]]) -> Vec<Vec<u8>> {
        let mut s = Splitter::new(width, most);
        let mut all = vec![];
        for p in parts {
            s.push(p, |l| all.push(l.to_vec()));
        }
        s.finish(|l| all.push(l.to_vec()));
        all
    }

    #[test]
    fn lines_come_whole_whatever_the_pieces() {
        assert_eq!(
            cut(Width::One, 9, &[b"a\r\nb", b"c\n", b"\nlong line indeed\nx"]),
            [&b"a"[..], b"bc", b"", b"long line", b"x"]
        );
        let le: Vec<u8> = "grün\r\nĊ\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let want: Vec<Vec<u8>> =
            ["grün", "Ċ"].iter().map(|t| t.encode_utf16().flat_map(u16::to_le_bytes).collect()).collect();
        // U+010A holds a byte that looks like a line end.
        for n in 0..le.len() {
            assert_eq!(cut(Width::Little, 99, &[&le[..n], &le[n..]]), want);
        }
    }

    proptest! {
        #[test]
        fn nothing_panics_and_no_line_is_longer_than_allowed(
            parts in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..40), 0..20),
            most in 0usize..30,
            width in prop_oneof![Just(Width::One), Just(Width::Little), Just(Width::Big)],
        ) {
            let parts: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
            for l in cut(width, most, &parts) {
                prop_assert!(l.len() <= most);
            }
        }

        #[test]
        fn pieces_do_not_matter(text in proptest::collection::vec(prop_oneof![Just(b'\n'), any::<u8>()], 0..60), at in 0usize..60) {
            let at = at.min(text.len());
            prop_assert_eq!(cut(Width::One, 1000, &[&text]), cut(Width::One, 1000, &[&text[..at], &text[at..]]));
        }
    }
}
