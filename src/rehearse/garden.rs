//! The invented garden, step by step through each night: weather, box, computer, radio, and the faults that the truth draws.
//!
//! Pure: the same world and seed give the same nights. Knows nothing of engine or store; whoever runs invented nights
//! through the real engine turns these steps into readings and events.

use super::truth::{Driver, Onset, World};
use crate::analysis::draw::Draw;

/// State of the garden over one step of a night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Hours since the session began, at the start of the step.
    pub at: f64,
    /// Outside air, °C.
    pub outside: f64,
    /// Dew point of the outside air, °C.
    pub dew_point: f64,
    /// Box air, °C.
    pub inside: f64,
    /// Share of time in which something waited for the processor, %.
    pub starved: f64,
    /// Available memory, % of all.
    pub memory: f64,
    /// Received radio level, dBm.
    pub radio: f64,
    /// Whether the chain ran.
    pub up: bool,
}

/// One invented fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DrawnFault {
    /// Hours since the session began.
    pub at: f64,
    /// Hours until the chain ran again; infinite: the rest of the night was lost.
    pub outage: f64,
}

/// One invented night.
#[derive(Clone, Debug, PartialEq)]
pub struct GardenNight {
    /// Days since the first night.
    pub day: i32,
    /// Hours after 18:00 UTC at which the session began.
    pub starts: f64,
    /// Length of the session, hours (dark all through).
    pub hours: f64,
    /// The state, step by step.
    pub steps: Vec<Step>,
    /// The faults, in order.
    pub faults: Vec<DrawnFault>,
    /// Whether the remedy was in use.
    pub remedy: bool,
}

/// An invented season with what is true of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Garden {
    /// The nights.
    pub nights: Vec<GardenNight>,
    /// Level of the driver beyond which the rate is multiplied; not a number for no driver.
    pub level: f64,
    /// The same in terms of the outside air with the box in balance, for a cold box; not a number otherwise.
    pub outside_level: f64,
    /// Rate of faults per hour within the level.
    pub base_rate: f64,
    /// First night of the remedy.
    pub onset: Option<usize>,
    /// Length of a step, hours.
    pub step: f64,
}

/// Time constant of the box, hours.
const BOX_TIME: f64 = 0.75;

/// What a night brings before anything fails.
struct Frame {
    day: i32,
    starts: f64,
    hours: f64,
    outside: Vec<f64>,
    dew: Vec<f64>,
    starved: Vec<f64>,
    memory: Vec<f64>,
    radio: Vec<f64>,
    /// The night's own log rate.
    mood: f64,
}

/// Lets a season happen. `step` is in hours (10 minutes: 1/6).
pub fn happen(world: &World, seed: u64, step: f64) -> Garden {
    for attempt in 0.. {
        let mut d = Draw::stream(seed, attempt);
        let g = once(world, &mut d, step);
        let n: usize = g.nights.iter().map(|n| n.faults.len()).sum();
        if (world.faults_between.0..=world.faults_between.1).contains(&n) || attempt > 10_000 {
            return g;
        }
    }
    unreachable!("the loop above has no end of its own")
}

fn once(w: &World, d: &mut Draw, step: f64) -> Garden {
    let fixed = w.remedy.and_then(|r| match r.onset {
        Onset::Night(n) => Some(n),
        Onset::AfterWorstRun => None,
    });
    let frames = frames(w, d, step, fixed);
    // The level is set so that the stated share of hours lies beyond it while nothing fails and no remedy is in use.
    let before = fixed.unwrap_or(frames.len()).clamp(1, frames.len());
    let mut all: Vec<f64> = Vec::new();
    for f in &frames[..before] {
        let mut inside = f.outside[0] + 2.0;
        for s in 0..f.outside.len() {
            inside = heat(inside, f.outside[s], w.chain_heat, step);
            all.push(level_of(w.driver, inside, f, s, step));
        }
    }
    all.sort_by(f64::total_cmp);
    let share = if w.driver.below() { w.share_beyond } else { 1.0 - w.share_beyond };
    let level = match w.driver {
        Driver::Nothing => f64::NAN,
        _ => all[((all.len() as f64 * share) as usize).min(all.len() - 1)],
    };
    // The base rate is set so that the stated number of faults is expected with the chain always up.
    let mut weight = 0.0;
    for f in &frames {
        let mut inside = f.outside[0] + 2.0;
        for s in 0..f.outside.len() {
            inside = heat(inside, f.outside[s], w.chain_heat, step);
            weight += multiple(w, level, level_of(w.driver, inside, f, s, step))
                * (f.mood + w.wear * f64::from(f.day)).exp()
                * step;
        }
    }
    let base_rate = w.faults / weight / (1.0 + w.burst);
    let heats = |on: bool| w.remedy.filter(|_| on).map_or(0.0, |r| r.heats);
    let cut = |on: bool| w.remedy.filter(|_| on).map_or(1.0, |r| r.rate_factor);
    let mut nights: Vec<GardenNight> = frames
        .iter()
        .enumerate()
        .map(|(i, f)| {
            let on = fixed.is_some_and(|n| i >= n);
            night(w, d, f, step, level, base_rate * cut(on), heats(on), on)
        })
        .collect();
    let mut onset = fixed;
    if let (Some(r), None) = (w.remedy, fixed) {
        let n = nights.len();
        let run = |i: usize| nights[i.saturating_sub(3)..i].iter().map(|n| n.faults.len().min(2)).sum::<usize>();
        // The last of the worst runs: somebody buys when it has just happened.
        let at = (n / 4..=n - n / 4).max_by_key(|&i| (run(i), i)).unwrap_or(n / 2);
        onset = Some(at);
        for (i, f) in frames.iter().enumerate().skip(at) {
            if r.rate_factor != 1.0 || r.heats != 0.0 {
                nights[i] = night(w, d, f, step, level, base_rate * r.rate_factor, r.heats, true);
            }
            nights[i].remedy = true;
        }
    }
    Garden { nights, level, outside_level: level - w.chain_heat, base_rate, onset, step }
}

fn frames(w: &World, d: &mut Draw, step: f64, onset: Option<usize>) -> Vec<Frame> {
    let mut weather = d.normal();
    let mut mood = d.normal();
    let mut day = 0;
    let v = w.night_variety;
    let leak = d.between(1.5, 4.0);
    let mut memory = d.between(55.0, 65.0);
    (0..w.nights)
        .map(|i| {
            if i > 0 {
                // A clear night follows at once, or the cloud lasts some days.
                let gap = if d.chance(0.55) { 1 } else { 2 + d.below(4) as i32 };
                day += gap;
                for _ in 0..gap {
                    weather = w.weather_memory * weather + (1.0 - w.weather_memory.powi(2)).sqrt() * d.normal();
                }
                mood = w.night_memory * mood + (1.0 - w.night_memory.powi(2)).sqrt() * d.normal();
            }
            let warmer = match (w.remedy, onset) {
                (Some(r), Some(n)) if i >= n => r.warmer_after,
                _ => 0.0,
            };
            let dusk = w.outside + warmer + w.weather_spread * weather - w.cooling * f64::from(day);
            let starts = 1.0 + v * d.between(0.0, 2.5);
            let hours = ((8.0 + v * d.between(-3.0, 2.5)) / step).round() * step;
            let fall = w.night_fall * (1.0 + 0.35 * v * d.between(-1.0, 1.0));
            let dew = dusk - w.night_fall - d.between(-1.0, 5.0);
            let n = (hours / step).round() as usize;
            let (busy, far) = (0.7 * d.normal(), 6.0 * d.normal());
            let (mut a, mut b, mut c) = (d.normal(), d.normal(), d.normal());
            if d.chance(0.3) || memory < 8.0 {
                memory = d.between(55.0, 65.0);
            }
            // The disturbances forget over 40 minutes or so, whatever the step.
            let keep = (-step / 0.7f64).exp();
            let push = (1.0 - keep * keep).sqrt();
            let mut f = Frame {
                day,
                starts,
                hours,
                outside: Vec::with_capacity(n),
                dew: Vec::with_capacity(n),
                starved: Vec::with_capacity(n),
                memory: Vec::with_capacity(n),
                radio: Vec::with_capacity(n),
                mood: w.night_spread * mood,
            };
            for s in 0..n {
                let t = s as f64 * step + v * (starts - 1.0);
                a = keep * a + push * d.normal();
                b = keep * b + push * d.normal();
                c = keep * c + push * d.normal();
                f.outside.push(dusk - fall * (t / 9.0).min(1.0) + 0.4 * v.max(0.2) * a);
                f.dew.push(dew + 0.5 * a);
                f.starved.push((8.0 * (busy + 0.9 * b).exp()).min(100.0));
                memory = (memory - leak * step * d.between(0.5, 1.5)).max(2.0);
                f.memory.push(memory);
                f.radio.push((-62.0 + far + 3.5 * c).clamp(-95.0, -30.0));
            }
            f
        })
        .collect()
}

/// First-order box (Newton's law of cooling): towards outside plus heat.
fn heat(inside: f64, outside: f64, by: f64, step: f64) -> f64 {
    let keep = (-step / BOX_TIME).exp();
    keep * inside + (1.0 - keep) * (outside + by)
}

fn level_of(driver: Driver, inside: f64, f: &Frame, s: usize, step: f64) -> f64 {
    match driver {
        Driver::Nothing => f64::NAN,
        Driver::ColdBox => inside,
        Driver::Starved => f.starved[s],
        Driver::WeakRadio => f.radio[s],
        Driver::ShortMemory => f.memory[s],
        Driver::Late => (s as f64 + 0.5) * step,
    }
}

fn multiple(w: &World, level: f64, value: f64) -> f64 {
    let beyond = if w.driver.below() { value < level } else { value > level };
    if beyond && w.driver != Driver::Nothing { w.factor } else { 1.0 }
}

#[expect(clippy::too_many_arguments, reason = "one call site; a struct would only rename them")]
fn night(
    w: &World,
    d: &mut Draw,
    f: &Frame,
    step: f64,
    level: f64,
    rate: f64,
    heats: f64,
    remedy: bool,
) -> GardenNight {
    let mut steps = Vec::with_capacity(f.outside.len());
    let mut faults: Vec<DrawnFault> = Vec::new();
    let mut inside = f.outside[0] + 2.0;
    let mut back = 0.0;
    // Further faults that earlier ones draw after themselves.
    let mut due: Vec<f64> = Vec::new();
    let own = (f.mood + w.wear * f64::from(f.day)).exp();
    for s in 0..f.outside.len() {
        let at = s as f64 * step;
        let mut up = at >= back;
        inside = heat(inside, f.outside[s], if up { w.chain_heat + heats } else { heats }, step);
        // The remedy's warmth already stands in its rate factor: the driver is judged without it.
        let value = if w.driver == Driver::ColdBox { inside - heats } else { level_of(w.driver, inside, f, s, step) };
        steps.push(Step {
            at,
            outside: f.outside[s],
            dew_point: f.dew[s],
            inside,
            starved: f.starved[s],
            memory: f.memory[s],
            radio: f.radio[s],
            up,
        });
        let mut t = at;
        while up {
            let lambda = rate * own * multiple(w, level, value);
            let mut next = t + d.exponential() / lambda.max(1e-12);
            due.retain(|&x| x >= t);
            if let Some(k) = (0..due.len()).min_by(|&a, &b| due[a].total_cmp(&due[b]))
                && due[k] < next
            {
                next = due.swap_remove(k);
            }
            if next >= at + step || next >= f.hours {
                break;
            }
            let outage = if d.chance(w.lost) { f64::INFINITY } else { 0.1 + 0.5 * d.exponential() };
            faults.push(DrawnFault { at: next, outage });
            back = next + outage;
            if outage.is_finite() {
                for _ in 0..d.poisson(w.burst) {
                    due.push(back + 0.7 * d.exponential());
                }
            }
            t = back;
            up = back < at + step;
        }
    }
    GardenNight { day: f.day, starts: f.starts, hours: f.hours, steps, faults, remedy }
}

#[cfg(test)]
mod tests {
    use super::super::truth::Case;
    use super::*;

    #[test]
    fn the_stated_number_of_faults_and_share_of_hours_come_out() {
        let w = Case::ColdContact.world(25, 20.0);
        let (mut faults, mut beyond, mut all, mut bad) = (0.0, 0.0, 0.0, 0.0);
        for seed in 0..200 {
            let g = happen(&w, seed, 1.0 / 6.0);
            for n in &g.nights {
                faults += n.faults.len() as f64;
                all += n.steps.len() as f64;
                beyond += n.steps.iter().filter(|s| s.inside < g.level).count() as f64;
                for f in &n.faults {
                    bad += f64::from(u8::from(n.steps[(f.at / g.step) as usize].inside < g.level));
                }
            }
        }
        assert!((beyond / all - 0.3).abs() < 0.06, "{}", beyond / all);
        // Outages take some of the dangerous hours away, so fewer faults come than expected without them.
        assert!((2400.0..4000.0).contains(&faults), "{faults}");
        // Twelvefold on 30 % of the hours: 3.6 / 4.3 of the faults, less a little for outages.
        assert!((bad / faults - 0.83).abs() < 0.06, "{}", bad / faults);
    }

    #[test]
    fn the_same_seed_gives_the_same_season() {
        let w = Case::Bursts.world(10, 12.0);
        assert_eq!(happen(&w, 3, 0.1).nights, happen(&w, 3, 0.1).nights);
        assert_ne!(happen(&w, 3, 0.1).nights, happen(&w, 4, 0.1).nights);
    }
}
