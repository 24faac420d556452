//! For the benchmark alone: sizes and times of the two ways of packing a column.

use super::bytes::Bytes;
use super::column::{Effort, Grid, get_ints, put_ints};
use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress};
use std::time::{Duration, Instant};

/// What packing and unpacking some columns took.
#[derive(Clone, Copy, Debug, Default)]
pub struct Packed {
    pub values: usize,
    pub bytes: usize,
    pub pack: Duration,
    pub unpack: Duration,
}

impl Packed {
    fn add(&mut self, values: usize, bytes: usize, pack: Duration, unpack: Duration) {
        self.values += values;
        self.bytes += bytes;
        self.pack += pack;
        self.unpack += unpack;
    }
}

/// Packs a column on its grid as differences with runs, by `pco` on whole numbers, by `pco` on the doubles, and as the store does (the
/// shorter of the first two); adds to the four sums.
pub fn pack(values: &[f64], resolution: f64, sums: &mut [Packed; 4]) {
    let grid = Grid::of(resolution).expect("a resolution");
    let ints: Vec<i64> = values.iter().map(|&v| grid.steps(v).expect("a value on the grid")).collect();
    let n = values.len();
    for (i, effort) in [(0, Effort::Quick), (3, Effort::Thrifty)] {
        let t = Instant::now();
        let mut out = vec![];
        put_ints(&mut out, &ints, effort);
        let pack = t.elapsed();
        let t = Instant::now();
        assert_eq!(get_ints(&mut Bytes(&out), n).as_ref(), Some(&ints));
        sums[i].add(n, out.len(), pack, t.elapsed());
    }
    let config = ChunkConfig::default().with_compression_level(4);
    let t = Instant::now();
    let out = simple_compress(&ints, &config).expect("packs");
    let pack = t.elapsed();
    let t = Instant::now();
    assert_eq!(simple_decompress::<i64>(&out).expect("unpacks"), ints);
    sums[1].add(n, out.len(), pack, t.elapsed());
    let t = Instant::now();
    let out = simple_compress(values, &config).expect("packs");
    let pack = t.elapsed();
    let t = Instant::now();
    assert_eq!(simple_decompress::<f64>(&out).expect("unpacks"), values);
    sums[2].add(n, out.len(), pack, t.elapsed());
}
