//! Permutation of nights.
//!
//! Owns which nights may change places and what moves with them. The fault record of a night (its faults and its at-risk
//! hours) moves as one piece onto the readings of another night of the same stratum; inside its new night a fault falls
//! at random in proportion to at-risk hours. Both are what "the faults have nothing to do with the readings" means.

use super::draw::Draw;
use rayon::prelude::*;

/// The nights that take part, in order, and their faults.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Records {
    /// At-risk hours of each night.
    pub hours: Vec<f64>,
    /// Hours of each slice, all nights one after another.
    pub slice_hours: Vec<f64>,
    /// First slice of each night, and one past the end.
    pub first_slice: Vec<usize>,
    /// Night and slice of each fault that counts, in order of nights.
    pub faults: Vec<(usize, usize)>,
}

/// One arrangement: for each night the night whose record it carries, and for each fault where it fell.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrangement {
    /// `record[j]`: the night whose at-risk hours and faults night `j` carries.
    pub record: Vec<u32>,
    /// For each fault of [`Records::faults`]: its slice. `u32::MAX` where its new night has no slice.
    pub slice: Vec<u32>,
}

impl Records {
    /// Number of nights.
    pub fn nights(&self) -> usize {
        self.hours.len()
    }

    /// The arrangement that was observed.
    pub fn observed(&self) -> Arrangement {
        Arrangement {
            record: (0..self.nights() as u32).collect(),
            slice: self.faults.iter().map(|f| f.1 as u32).collect(),
        }
    }

    /// The observed arrangement followed by `count` random ones, in which nights change places only within their
    /// stratum. The same seed gives the same list, whatever the number of threads.
    pub fn arrangements(&self, strata: &[usize], count: usize, seed: u64) -> Vec<Arrangement> {
        let groups = groups(strata);
        let ends: Vec<Vec<f64>> = (0..self.nights())
            .map(|j| {
                let mut sum = 0.0;
                self.slice_hours[self.first_slice[j]..self.first_slice[j + 1]]
                    .iter()
                    .map(|h| {
                        sum += h;
                        sum
                    })
                    .collect()
            })
            .collect();
        let one = |n: usize| {
            if n == 0 {
                return self.observed();
            }
            let mut d = Draw::stream(seed, n as u64);
            let mut record: Vec<u32> = (0..self.nights() as u32).collect();
            for g in &groups {
                let mut order = g.clone();
                d.shuffle(&mut order);
                for (&to, &from) in g.iter().zip(&order) {
                    record[to] = from as u32;
                }
            }
            let mut place = vec![0usize; self.nights()];
            for (to, &from) in record.iter().enumerate() {
                place[from as usize] = to;
            }
            let slice = self
                .faults
                .iter()
                .map(|&(night, _)| {
                    let to = place[night];
                    let e = &ends[to];
                    match e.last() {
                        None => u32::MAX,
                        Some(&all) => {
                            let u = d.unit() * all;
                            (self.first_slice[to] + e.partition_point(|&x| x <= u).min(e.len() - 1)) as u32
                        }
                    }
                })
                .collect();
            Arrangement { record, slice }
        };
        (0..=count).into_par_iter().map(one).collect()
    }
}

/// Members of each stratum.
pub fn groups(strata: &[usize]) -> Vec<Vec<usize>> {
    let mut out: Vec<Vec<usize>> = vec![Vec::new(); strata.iter().max().map_or(0, |m| m + 1)];
    for (i, &s) in strata.iter().enumerate() {
        out[s].push(i);
    }
    out
}

/// Cuts the nights of each remedy period into season blocks: consecutive runs of about `length` nights, as equal as can
/// be. `period[i]` is the remedy period of night `i`, nights in order of date.
pub fn blocks(period: &[usize], length: usize) -> Vec<usize> {
    let mut out = vec![0; period.len()];
    let mut next = 0;
    for g in groups(period) {
        if g.is_empty() {
            continue;
        }
        let k = ((g.len() as f64 / length.max(1) as f64).round() as usize).max(1);
        for (i, &night) in g.iter().enumerate() {
            out[night] = next + i * k / g.len();
        }
        next += k;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn records() -> Records {
        Records {
            hours: vec![1.0, 2.0, 3.0, 4.0],
            slice_hours: vec![1.0, 1.0, 1.0, 1.5, 1.5, 4.0],
            first_slice: vec![0, 1, 3, 5, 6],
            faults: vec![(1, 1), (1, 2), (3, 5)],
        }
    }

    #[test]
    fn nights_stay_in_their_stratum_and_faults_of_a_night_stay_together() {
        let r = records();
        let all = r.arrangements(&[0, 0, 1, 1], 500, 9);
        assert_eq!(all[0], r.observed());
        for a in &all {
            assert!(a.record[..2].iter().all(|&x| x < 2) && a.record[2..].iter().all(|&x| x >= 2));
            let night = |s: u32| r.first_slice.partition_point(|&f| f <= s as usize) - 1;
            assert_eq!(night(a.slice[0]), night(a.slice[1]));
            assert_eq!(a.record[night(a.slice[0])], 1);
        }
        let moved = all.iter().filter(|a| a.record[0] == 1).count();
        assert!((200..300).contains(&moved), "{moved}");
    }

    #[test]
    fn the_answer_does_not_depend_on_the_number_of_threads() {
        let r = records();
        let wide = r.arrangements(&[0; 4], 200, 3);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        assert_eq!(pool.install(|| r.arrangements(&[0; 4], 200, 3)), wide);
    }

    #[test]
    fn blocks_are_runs_inside_periods() {
        assert_eq!(blocks(&[0, 0, 0, 0, 1, 1, 1, 1], 2), [0, 0, 1, 1, 2, 2, 3, 3]);
        assert_eq!(blocks(&[0; 5], 8), [0; 5]);
        // Nights with and without by lot: the periods interleave.
        assert_eq!(blocks(&[0, 1, 0, 1], 8), [0, 1, 0, 1]);
    }
}
