//! Holds back what comes too often: a failing disk writes thousands of lines a second. Pure.

use crate::model::{BootMs, Span};
use std::collections::BTreeMap;

/// So many of one sort are told in one stretch; the others are counted.
const MOST: u32 = 20;
/// The stretch.
const STRETCH: Span = Span::mins(1);

/// What is remembered of each sort.
#[derive(Debug)]
pub struct Sieve<K> {
    sorts: BTreeMap<K, (BootMs, u32, u64)>,
    most: u32,
}

impl<K: Ord> Default for Sieve<K> {
    fn default() -> Sieve<K> {
        Sieve { sorts: BTreeMap::new(), most: MOST }
    }
}

impl<K: Ord> Sieve<K> {
    /// One of a sort. None: it is held back and counted. Else how many were held back since the last one told.
    pub fn pass(&mut self, sort: K, at: BootMs) -> Option<u64> {
        let (from, told, held) = self.sorts.entry(sort).or_insert((at, 0, 0));
        if at - *from >= STRETCH || at < *from {
            (*from, *told) = (at, 0);
        }
        if *told >= self.most {
            *held += 1;
            return None;
        }
        *told += 1;
        Some(std::mem::take(held))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_many_are_counted_and_none_is_forgotten() {
        let mut s = Sieve::default();
        let told: Vec<_> = (0..100).filter_map(|n| s.pass("usb", BootMs(n))).collect();
        assert_eq!(told, vec![0; MOST as usize]);
        assert_eq!(s.pass("radio", BootMs(100)), Some(0), "another sort has its own count");
        assert_eq!(s.pass("usb", BootMs(60_000)), Some(80));
        assert_eq!(s.pass("usb", BootMs(60_001)), Some(0));
    }
}
