//! Permutation of nights.
//!
//! Owns which nights may change places and what moves with them. The record of a night (its faults and its at-risk hours)
//! moves as one piece onto the readings of another night of the same stratum, and there a fault falls at random in
//! proportion to at-risk hours, faults of one burst together. Both are what "the faults have nothing to do with the
//! readings" means; the night stays the unit, so faults that came together are never counted as independent.
//!
//! Inside a stratum the arrangements are weighted by a trend of the rate over the season that is fitted beforehand, so that
//! "later in the season" is not taken for "colder" even within a block (conditional permutation: Berrett, Wang, Barber and
//! Samworth 2020, J. R. Stat. Soc. B 82:175–197).

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
    /// Night and slice of each fault that counts, in order of time.
    pub faults: Vec<(usize, usize)>,
}

/// Which nights may change places, and how the rate moves over the season.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Stratum of each night; nights change places only within one.
    pub strata: Vec<usize>,
    /// Rate of faults of each night relative to the others, as far as the trend goes; all 1 for no trend.
    pub rate: Vec<f64>,
}

/// One arrangement.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrangement {
    /// `record[j]`: the night whose at-risk hours and faults night `j` carries.
    pub record: Vec<u32>,
    /// For each fault of [`Records::faults`]: the slice where it fell; `u32::MAX` where its new night has none.
    pub moved: Vec<u32>,
    /// For each fault: a slice drawn from all at-risk hours of its stratum. What is the same every night (the hours since
    /// the session began) cannot be tested by changing nights about; it is tested by dealing the faults out to the hours.
    pub dealt: Vec<u32>,
}

/// Faults nearer to the one before than this, in at-risk hours of one night, are one burst.
pub const BURST: f64 = 1.25;

impl Records {
    /// Number of nights.
    pub fn nights(&self) -> usize {
        self.hours.len()
    }

    /// The night of each slice.
    pub fn night_of_slice(&self) -> Vec<u32> {
        let mut out = vec![0; self.slice_hours.len()];
        for j in 0..self.nights() {
            out[self.first_slice[j]..self.first_slice[j + 1]].fill(j as u32);
        }
        out
    }

    /// Faults of each night.
    pub fn counts(&self) -> Vec<f64> {
        let mut k = vec![0.0; self.nights()];
        for f in &self.faults {
            k[f.0] += 1.0;
        }
        k
    }

    /// For each fault, whether it begins a burst (a lone fault is a burst of one).
    pub fn begins_burst(&self) -> Vec<bool> {
        let at = self.clock();
        (0..self.faults.len())
            .map(|i| {
                i == 0
                    || self.faults[i - 1].0 != self.faults[i].0
                    || at[self.faults[i].1] - at[self.faults[i - 1].1] >= BURST
            })
            .collect()
    }

    /// At-risk hours of its night up to the end of each slice.
    pub fn clock(&self) -> Vec<f64> {
        let mut out = self.slice_hours.clone();
        for w in self.first_slice.windows(2) {
            let mut sum = 0.0;
            for x in &mut out[w[0]..w[1]] {
                sum += *x;
                *x = sum;
            }
        }
        out
    }

    /// The arrangement that was observed.
    pub fn observed(&self) -> Arrangement {
        let slices: Vec<u32> = self.faults.iter().map(|f| f.1 as u32).collect();
        Arrangement { record: (0..self.nights() as u32).collect(), moved: slices.clone(), dealt: slices }
    }

    /// The observed arrangement followed by `count` random ones. The same seed gives the same list, whatever the number of
    /// threads.
    pub fn arrangements(&self, plan: &Plan, count: usize, seed: u64) -> Vec<Arrangement> {
        let d = Dealer::new(self, plan);
        (0..=count)
            .into_par_iter()
            .map(|n| if n == 0 { self.observed() } else { d.deal(&mut Draw::stream(seed, n as u64)) })
            .collect()
    }
}

impl Records {
    /// The arrangements of `of` carried over to these records, which are of the same nights but end earlier (at the first fault):
    /// the same nights change places, and each fault falls at the same share of its new night. `first[f]` is the index in `of` of
    /// fault `f`.
    pub fn follow(&self, of: &Records, leaders: &[Arrangement], first: &[usize]) -> Vec<Arrangement> {
        let (own, whole) = (self.clock(), of.clock());
        let night = of.night_of_slice();
        let one = |lead: &Arrangement| {
            let moved: Vec<u32> = first
                .iter()
                .map(|&f| {
                    let slice = lead.moved[f] as usize;
                    let Some(&to) = night.get(slice) else { return u32::MAX };
                    let to = to as usize;
                    let (a, b) = (self.first_slice[to], self.first_slice[to + 1]);
                    let end = of.first_slice[to + 1] - 1;
                    if a == b || whole[end] <= 0.0 {
                        return if a == b { u32::MAX } else { a as u32 };
                    }
                    let share = (whole[slice] - 0.5 * of.slice_hours[slice]) / whole[end];
                    let hours = share * own[b - 1];
                    (a + own[a..b].partition_point(|&x| x <= hours).min(b - a - 1)) as u32
                })
                .collect();
            Arrangement { record: lead.record.clone(), dealt: moved.clone(), moved }
        };
        let mut out: Vec<Arrangement> = leaders.par_iter().map(one).collect();
        if let Some(o) = out.first_mut() {
            // The first of the list is what was observed.
            *o = self.observed();
        }
        out
    }
}

/// What every random arrangement needs, made once.
struct Dealer<'a> {
    records: &'a Records,
    plan: &'a Plan,
    groups: Vec<Vec<usize>>,
    counts: Vec<f64>,
    tilted: bool,
    /// At-risk hours of its night up to the end of each slice.
    clock: Vec<f64>,
    begins: Vec<bool>,
    /// For each stratum: running sum of weighted hours, and slice.
    pool: Vec<Vec<(f64, u32)>>,
}

impl<'a> Dealer<'a> {
    fn new(records: &'a Records, plan: &'a Plan) -> Dealer<'a> {
        let groups = groups(&plan.strata);
        let pool = groups
            .iter()
            .map(|g| {
                let mut sum = 0.0;
                let mut out = Vec::new();
                for &j in g {
                    for s in records.first_slice[j]..records.first_slice[j + 1] {
                        sum += records.slice_hours[s] * plan.rate[j];
                        out.push((sum, s as u32));
                    }
                }
                out
            })
            .collect();
        Dealer {
            records,
            plan,
            groups,
            counts: records.counts(),
            tilted: plan.rate.iter().any(|r| (r - 1.0).abs() > 1e-9),
            clock: records.clock(),
            begins: records.begins_burst(),
            pool,
        }
    }

    fn deal(&self, d: &mut Draw) -> Arrangement {
        let r = self.records;
        let mut record: Vec<u32> = (0..r.nights() as u32).collect();
        for g in &self.groups {
            let mut order = g.clone();
            d.shuffle(&mut order);
            for (&to, &from) in g.iter().zip(&order) {
                record[to] = from as u32;
            }
            if self.tilted {
                self.tilt(&mut record, g, d);
            }
        }
        let mut place = vec![0usize; r.nights()];
        for (to, &from) in record.iter().enumerate() {
            place[from as usize] = to;
        }
        let mut moved = Vec::with_capacity(r.faults.len());
        let mut dealt = Vec::with_capacity(r.faults.len());
        // Where the running burst stands: its last fault in its own night, and in its two new places.
        let (mut last, mut here, mut pooled) = (0.0, 0.0, 0u32);
        for (f, &(night, slice)) in r.faults.iter().enumerate() {
            let t = self.clock[slice];
            let to = place[night];
            let all = self.length(to);
            let pool = &self.pool[self.plan.strata[night]];
            let dealt_to = match pool.last() {
                None => u32::MAX,
                Some(_) if !self.begins[f] => self.later(pooled, t - last),
                Some(&(sum, _)) => {
                    let u = d.unit() * sum;
                    pool[pool.partition_point(|p| p.0 <= u).min(pool.len() - 1)].1
                }
            };
            here = if self.begins[f] { d.unit() * all } else { here + (t - last) };
            if all > 0.0 {
                here %= all;
            }
            (last, pooled) = (t, dealt_to);
            moved.push(self.slice_at(to, here));
            dealt.push(dealt_to);
        }
        Arrangement { record, moved, dealt }
    }

    /// At-risk hours of a night as its slices have them.
    fn length(&self, night: usize) -> f64 {
        let (a, b) = (self.records.first_slice[night], self.records.first_slice[night + 1]);
        if b > a { self.clock[b - 1] } else { 0.0 }
    }

    fn slice_at(&self, night: usize, hours: f64) -> u32 {
        let (a, b) = (self.records.first_slice[night], self.records.first_slice[night + 1]);
        if a == b {
            return u32::MAX;
        }
        (a + self.clock[a..b].partition_point(|&x| x <= hours).min(b - a - 1)) as u32
    }

    /// The slice `hours` after a slice in the same night, round and round.
    fn later(&self, slice: u32, hours: f64) -> u32 {
        if slice == u32::MAX {
            return slice;
        }
        let night = self.records.first_slice.partition_point(|&x| x <= slice as usize) - 1;
        let all = self.length(night);
        let t = self.clock[slice as usize] - 0.5 * self.records.slice_hours[slice as usize] + hours;
        self.slice_at(night, if all > 0.0 { t % all } else { 0.0 })
    }

    /// Metropolis swaps: after these, an arrangement is as likely as the trend makes it. The log likelihood of a record
    /// with k faults in h hours on a night of rate r is k ln r − h r (up to what does not depend on the arrangement, once
    /// the rate is in faults per hour of its period).
    fn tilt(&self, record: &mut [u32], group: &[usize], d: &mut Draw) {
        let (k, h): (f64, f64) = group
            .iter()
            .fold((0.0, 0.0), |a, &j| (a.0 + self.counts[j], a.1 + self.records.hours[j] * self.plan.rate[j]));
        let base = if h > 0.0 { k / h } else { 0.0 };
        let value = |rec: u32, night: usize| {
            let rate = self.plan.rate[night];
            self.counts[rec as usize] * rate.ln() - self.records.hours[rec as usize] * rate * base
        };
        for _ in 0..20 * group.len() {
            let (a, b) = (group[d.below(group.len())], group[d.below(group.len())]);
            let (ra, rb) = (record[a], record[b]);
            let gain = value(rb, a) + value(ra, b) - value(ra, a) - value(rb, b);
            if gain >= 0.0 || d.unit() < gain.exp() {
                record.swap(a, b);
            }
        }
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

/// Cuts the nights of each period into season blocks: consecutive runs of about `length` nights, as equal as can be.
/// `period[i]` is the remedy period of night `i`, nights in order of date.
pub fn blocks(period: &[usize], length: usize) -> Vec<usize> {
    let mut out = vec![0; period.len()];
    let mut next = 0;
    for g in groups(period).into_iter().filter(|g| !g.is_empty()) {
        let k = ((g.len() as f64 / length.max(1) as f64).round() as usize).max(1);
        for (i, &night) in g.iter().enumerate() {
            out[night] = next + i * k / g.len();
        }
        next += k;
    }
    out
}

/// Rate of each night by a log-linear trend over the season within remedy periods, relative to the middle day. Poisson
/// likelihood conditional on the faults of each period, with a normal prior of this variance on the slope over half the
/// season (natural logarithm), so that a handful of faults cannot give an endless trend.
pub fn trend(days: &[f64], period: &[usize], records: &Records, variance: f64) -> Vec<f64> {
    let (low, high) = days.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |a, &d| (a.0.min(d), a.1.max(d)));
    if high.partial_cmp(&low) != Some(std::cmp::Ordering::Greater) {
        return vec![1.0; days.len()];
    }
    let z: Vec<f64> = days.iter().map(|d| 2.0 * (d - low) / (high - low) - 1.0).collect();
    let k = records.counts();
    let groups = groups(period);
    let mut b = 0.0f64;
    for _ in 0..60 {
        let (mut slope, mut bend) = (-b / variance, 1.0 / variance);
        for g in &groups {
            let (mut s0, mut s1, mut s2, mut kz, mut all) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for &j in g {
                let w = records.hours[j] * (b * z[j]).exp();
                s0 += w;
                s1 += w * z[j];
                s2 += w * z[j] * z[j];
                kz += k[j] * z[j];
                all += k[j];
            }
            if s0 > 0.0 {
                slope += kz - all * s1 / s0;
                bend += all * (s2 / s0 - (s1 / s0).powi(2));
            }
        }
        let step = (slope / bend).clamp(-1.0, 1.0);
        b += step;
        if step.abs() < 1e-10 {
            break;
        }
    }
    z.iter().map(|z| (b * z).exp()).collect()
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

    fn plan(strata: &[usize]) -> Plan {
        Plan { strata: strata.to_vec(), rate: vec![1.0; strata.len()] }
    }

    #[test]
    fn nights_stay_in_their_stratum_and_faults_of_a_night_stay_together() {
        let r = records();
        let all = r.arrangements(&plan(&[0, 0, 1, 1]), 500, 9);
        assert_eq!(all[0], r.observed());
        for a in &all {
            assert!(a.record[..2].iter().all(|&x| x < 2) && a.record[2..].iter().all(|&x| x >= 2));
            let night = |s: u32| r.first_slice.partition_point(|&f| f <= s as usize) - 1;
            assert_eq!(night(a.moved[0]), night(a.moved[1]));
            assert_eq!(a.record[night(a.moved[0])], 1);
            // Dealt faults may fall on any night of their stratum.
            assert!(night(a.dealt[0]) < 2 && night(a.dealt[2]) >= 2);
        }
        let swapped = all.iter().filter(|a| a.record[0] == 1).count();
        assert!((200..300).contains(&swapped), "{swapped}");
    }

    #[test]
    fn the_answer_does_not_depend_on_the_number_of_threads() {
        let r = records();
        let p = Plan { strata: vec![0; 4], rate: vec![0.5, 0.8, 1.2, 1.5] };
        let wide = r.arrangements(&p, 200, 3);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        assert_eq!(pool.install(|| r.arrangements(&p, 200, 3)), wide);
    }

    #[test]
    fn a_trend_makes_troubled_records_late() {
        // Two nights alike but for their faults: with rates 1 and 3, the trouble lies on the later night in 3 of 4.
        let r = Records {
            hours: vec![1.0, 1.0],
            slice_hours: vec![1.0, 1.0],
            first_slice: vec![0, 1, 2],
            faults: vec![(0, 0)],
        };
        let all = r.arrangements(&Plan { strata: vec![0, 0], rate: vec![0.5, 1.5] }, 4000, 1);
        let late = all.iter().filter(|a| a.moved[0] == 1).count() as f64 / 4001.0;
        assert!((late - 0.75).abs() < 0.03, "{late}");
    }

    #[test]
    fn a_burst_moves_as_one() {
        let n = 40;
        let r = Records {
            hours: vec![4.0; 2],
            slice_hours: vec![0.2; n],
            first_slice: vec![0, 20, 40],
            // 0.4 h apart: one burst; the third 2 h later: another.
            faults: vec![(0, 2), (0, 4), (0, 14)],
        };
        assert_eq!(r.begins_burst(), [true, false, true]);
        for a in r.arrangements(&plan(&[0, 0]), 300, 5).iter().skip(1) {
            let gap = (a.moved[1] + 20 - a.moved[0]) % 20;
            assert!((1..=3).contains(&gap), "{gap}");
        }
    }

    #[test]
    fn shorter_records_follow_the_whole_ones() {
        let r = records();
        let all = r.arrangements(&plan(&[0; 4]), 50, 2);
        // Night 1 ends at its first fault.
        let short = Records {
            hours: vec![1.0, 1.0, 3.0, 4.0],
            slice_hours: vec![1.0, 1.0, 1.5, 1.5, 4.0],
            first_slice: vec![0, 1, 2, 4, 5],
            faults: vec![(1, 1), (3, 4)],
        };
        let got = short.follow(&r, &all, &[0, 2]);
        assert_eq!(got[0], short.observed());
        let night = |first: &[usize], s: u32| first.partition_point(|&f| f <= s as usize) - 1;
        for (g, a) in got.iter().zip(&all) {
            assert_eq!(g.record, a.record);
            assert_eq!(night(&short.first_slice, g.moved[0]), night(&r.first_slice, a.moved[0]));
            assert_eq!(night(&short.first_slice, g.moved[1]), night(&r.first_slice, a.moved[2]));
        }
    }

    #[test]
    fn the_trend_is_found_and_bounded() {
        let days: Vec<f64> = (0..40).map(f64::from).collect();
        let mut r = Records { hours: vec![8.0; 40], ..Records::default() };
        r.first_slice = (0..=40).collect();
        r.slice_hours = vec![8.0; 40];
        r.faults = (20..40).map(|j| (j, j)).collect();
        let t = trend(&days, &[0; 40], &r, 2.0);
        assert!(t[39] / t[0] > 4.0 && t[39] / t[0] < 60.0, "{}", t[39] / t[0]);
        let wide = trend(&days, &[0; 40], &r, 8.0);
        assert!(wide[39] / wide[0] > t[39] / t[0], "a wider prior holds it back less");
        r.faults = (0..40).step_by(2).map(|j| (j, j)).collect();
        let t = trend(&days, &[0; 40], &r, 2.0);
        assert!((t[39] / t[0]).ln().abs() < 0.2);
        assert_eq!(trend(&[3.0; 40], &[0; 40], &r, 2.0), vec![1.0; 40]);
    }

    #[test]
    fn blocks_are_runs_inside_periods() {
        assert_eq!(blocks(&[0, 0, 0, 0, 1, 1, 1, 1], 2), [0, 0, 1, 1, 2, 2, 3, 3]);
        assert_eq!(blocks(&[0; 5], 12), [0; 5]);
        // Nights with and without by lot: the periods interleave.
        assert_eq!(blocks(&[0, 1, 0, 1], 12), [0, 1, 0, 1]);
    }
}
