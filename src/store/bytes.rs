//! Whole numbers of varying length, and a checksum at the end: what packed rows are made of.

/// Appends an unsigned number, seven bits a byte, lowest first.
pub fn put(out: &mut Vec<u8>, mut v: u64) {
    while v >= 0x80 {
        out.push(v as u8 | 0x80);
        v >>= 7;
    }
    out.push(v as u8);
}

/// Folds the sign into the lowest bit, so that small negative numbers stay short.
pub fn fold(v: i64) -> u64 {
    ((v << 1) ^ (v >> 63)) as u64
}

/// Undoes [`fold`].
pub fn unfold(v: u64) -> i64 {
    (v >> 1) as i64 ^ -((v & 1) as i64)
}

/// Appends the CRC-32 of all bytes so far, together with `of` (what else it is to vouch for).
pub fn seal(mut out: Vec<u8>, of: i64) -> Vec<u8> {
    let crc = crc(&out, of);
    out.extend_from_slice(&crc.to_le_bytes());
    out
}

/// The bytes before the checksum, if it holds.
pub fn unseal(body: &[u8], of: i64) -> Option<&[u8]> {
    let (data, tail) = body.split_at_checked(body.len().checked_sub(4)?)?;
    (crc(data, of).to_le_bytes() == tail).then_some(data)
}

/// CRC-32 (IEEE) of `data` followed by the eight bytes of `of`.
pub fn crc(data: &[u8], of: i64) -> u32 {
    let mut h = crc32fast::Hasher::new();
    h.update(data);
    h.update(&of.to_le_bytes());
    h.finalize()
}

/// Takes packed rows apart. Every step is checked: damaged bytes give `None`, never a panic.
pub struct Bytes<'a>(pub &'a [u8]);

impl<'a> Bytes<'a> {
    pub fn byte(&mut self) -> Option<u8> {
        let (&b, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(b)
    }

    pub fn number(&mut self) -> Option<u64> {
        let mut v = 0u64;
        for (i, &b) in self.0.iter().enumerate().take(10) {
            v |= u64::from(b & 0x7f) << (7 * i);
            if b < 0x80 {
                self.0 = &self.0[i + 1..];
                return Some(v);
            }
        }
        None
    }

    /// A number that is used as a length or an index: refused above `limit`, so that damage cannot ask for much memory.
    pub fn count(&mut self, limit: usize) -> Option<usize> {
        usize::try_from(self.number()?).ok().filter(|&n| n <= limit)
    }

    pub fn take(&mut self, n: usize) -> Option<&'a [u8]> {
        let (a, b) = self.0.split_at_checked(n)?;
        self.0 = b;
        Some(a)
    }

    pub fn real(&mut self) -> Option<f64> {
        Some(f64::from_le_bytes(self.take(8)?.try_into().ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back() {
        for v in [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX] {
            let mut out = vec![];
            put(&mut out, v);
            assert_eq!(Bytes(&out).number(), Some(v));
        }
        for v in [0, -1, 1, i64::MIN, i64::MAX] {
            assert_eq!(unfold(fold(v)), v);
        }
        assert_eq!(Bytes(&[0x80; 11]).number(), None);
    }
}
