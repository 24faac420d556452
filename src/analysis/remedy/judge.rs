//! One remedy against the hard nights before it.

use super::hard::{self, Rule};
use super::result::{HardSource, Origin, RemedyJudgement, RemedyVerdict, Stretch};
use super::{Options, words};
use crate::analysis::anytime::{self, AnyTime, Before, Change};
use crate::analysis::causes::{Causes, RateRatio};
use crate::analysis::draw::Draw;
use crate::analysis::fisher;
use crate::analysis::gamma_poisson::{JEFFREYS, posterior};
use crate::analysis::poisson;
use crate::analysis::season::{Season, in_use};
use crate::analysis::thermal::ThermalFit;
use crate::model::Name;
use crate::model::rows::RemedyRow;

/// Level of all tests.
const LEVEL: f64 = 0.05;
/// Nights left out before the remedy: it is bought after a bad run.
pub(super) const BAD_RUN: usize = 3;
/// So many hard hours make a hard night, however many others have.
const HOURS_ENOUGH: f64 = 2.0;
/// Fewest hard nights after which "no sign" may be said.
const FEWEST_AFTER: usize = 5;

/// One hard night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct HardNight {
    pub night: usize,
    pub hours: f64,
    pub faults: usize,
    /// Mean in its hard hours of the signal that tells hard hours; not a number without one.
    pub level: f64,
}

/// The nights among some nights that had hard hours at risk, or a fault in one.
fn exposed(season: &Season, nights: &[usize], rule: &Rule) -> Vec<HardNight> {
    nights
        .iter()
        .filter_map(|&n| {
            let night = &season.nights[n];
            let (mut hours, mut sum) = (0.0, 0.0);
            let mut is_hard = vec![false; night.slices.len()];
            for (i, s) in night.slices.iter().enumerate() {
                let v = rule.when.as_ref().map(|w| (w, hard::value(season, night, i, s, &w.signal)));
                is_hard[i] = v.as_ref().is_none_or(|(w, v)| hard::is_hard(w, *v));
                if is_hard[i] {
                    hours += s.hours;
                    sum += v.map_or(0.0, |(_, v)| v * s.hours);
                }
            }
            let faults = night.faults.iter().filter(|f| f.slice.map_or(rule.when.is_none(), |s| is_hard[s])).count();
            let level = if rule.when.is_some() && hours > 0.0 { sum / hours } else { f64::NAN };
            (hours > 0.0 || faults > 0).then_some(HardNight { night: n, hours, faults, level })
        })
        .collect()
}

/// Hard hours that make a hard night: half of what the middle one before had, at most two. A night that touched the rule for minutes
/// says little by staying quiet, and would be counted like one that was hard till dawn; a record of short nights has no others.
fn hours_asked(exposed: &[HardNight]) -> f64 {
    let mut hours: Vec<f64> = exposed.iter().map(|n| n.hours).filter(|h| *h > 0.0).collect();
    hours.sort_by(f64::total_cmp);
    hours.get(hours.len() / 2).map_or(0.0, |middle| (0.5 * middle).min(HOURS_ENOUGH))
}

fn stretch(nights: &[HardNight]) -> Stretch {
    Stretch {
        hard_nights: nights.len(),
        trouble_nights: nights.iter().filter(|n| n.faults > 0).count(),
        hours: nights.iter().map(|n| n.hours).sum(),
        faults: nights.iter().map(|n| n.faults).sum(),
    }
}

/// Usable nights without the remedy (to compare with) and with it. For a remedy that went on for good, only nights before it; for
/// one by lot, all nights without it.
pub(super) fn sides(season: &Season, remedy: &RemedyRow) -> (Vec<usize>, Vec<usize>) {
    let usable = season.usable();
    let with: Vec<usize> = usable.iter().copied().filter(|&n| in_use(remedy, &season.nights[n])).collect();
    let by_lot = !remedy.only_nights.is_empty();
    let before = usable
        .iter()
        .copied()
        .filter(|&n| !in_use(remedy, &season.nights[n]) && (by_lot || season.nights[n].from < remedy.since))
        .collect();
    (before, with)
}

/// What is needed beside the season.
pub(super) struct Case<'a> {
    pub season: &'a Season,
    pub causes: &'a Causes,
    pub thermal: Option<&'a ThermalFit>,
    pub options: &'a Options,
}

struct Tests {
    all: AnyTime,
    short: AnyTime,
    exact: f64,
    exact_short: f64,
    worse: AnyTime,
    worse_short: AnyTime,
    exact_worse: f64,
}

impl Tests {
    fn new(before: &[HardNight], short: &[HardNight], with: &[HardNight]) -> Tests {
        let b = |v: &[HardNight]| Before { nights: v.len(), trouble: v.iter().filter(|n| n.faults > 0).count() };
        let after: Vec<bool> = with.iter().map(|n| n.faults > 0).collect();
        // One way round is enough: the other has fewer (or more) trouble nights than it would need.
        let share = |x: Before| x.trouble as f64 / x.nights.max(1) as f64;
        let fewer = share(b(with)) <= share(b(before));
        let run = |v: &[HardNight], c: Change| {
            let nights = if (c == Change::Fewer) == fewer { b(v) } else { Before { nights: 0, trouble: 0 } };
            anytime::judge(nights, &after, c, LEVEL)
        };
        let table = |v: &[HardNight]| {
            let (x, y) = (b(v), b(with));
            fisher::test(fisher::Table {
                a: y.trouble as u64,
                b: (y.nights - y.trouble) as u64,
                c: x.trouble as u64,
                d: (x.nights - x.trouble) as u64,
            })
            .map_or((1.0, 1.0), |t| (t.less, t.greater))
        };
        let (exact, exact_worse) = table(before);
        Tests {
            all: run(before, Change::Fewer),
            short: run(short, Change::Fewer),
            exact,
            exact_short: table(short).0,
            worse: run(before, Change::More),
            worse_short: run(short, Change::More),
            exact_worse,
        }
    }

    fn p_any_time(&self) -> f64 {
        self.all.p.max(self.short.p)
    }

    /// Both the whole record and the one without the bad run reached their level, and the count of today still says so.
    fn helped(&self) -> bool {
        self.all.largest >= self.all.asked
            && self.short.largest >= self.short.asked
            && self.exact.max(self.exact_short) <= LEVEL
    }

    fn worse(&self) -> bool {
        self.worse.largest >= self.worse.asked
            && self.worse_short.largest >= self.worse_short.asked
            && self.exact_worse <= LEVEL
    }

    fn needed(&self) -> Option<usize> {
        Some(self.all.needed?.max(self.short.needed?))
    }
}

pub(super) fn one(case: &Case<'_>, remedy: &RemedyRow, origin: Origin, rivals: Vec<String>) -> RemedyJudgement {
    let season = case.season;
    let (before_nights, with_nights) = sides(season, remedy);
    let rule = match &remedy.hard_when {
        Some(w) => Rule { when: Some(w.clone()), source: HardSource::Stated, translated: None },
        None => hard::choose(season, &before_nights, case.thermal),
    };
    let mut before = exposed(season, &before_nights, &rule);
    let mut with = exposed(season, &with_nights, &rule);
    let asked = hours_asked(&before);
    for side in [&mut before, &mut with] {
        side.retain(|n| n.hours >= asked || n.faults > 0);
    }
    let by_lot = !remedy.only_nights.is_empty();
    let last: Vec<usize> =
        if by_lot { Vec::new() } else { before_nights.iter().rev().take(BAD_RUN).copied().collect() };
    let short: Vec<HardNight> = before.iter().copied().filter(|n| !last.contains(&n.night)).collect();
    let tests = Tests::new(&before, &short, &with);
    let (b, a) = (stretch(&before), stretch(&with));
    let mut p_value = tests.exact;
    let mut warnings = Vec::new();
    if remedy.hindsight && remedy.hard_when.is_none() && rule.when.is_some() && b.faults > 0 {
        p_value = p_value.max(hindsight(case, &before_nights, &with_nights, &rule));
    }
    let hindsight_holds = p_value <= LEVEL;
    let ratio = poisson::compare(a.faults as u64, a.hours, b.faults as u64, b.hours, 0.95);
    let rate_ratio = ratio.as_ref().map_or(RateRatio { estimate: f64::NAN, low: 0.0, high: f64::INFINITY }, |c| {
        RateRatio { estimate: c.ratio.unwrap_or(f64::NAN), low: c.limits.low, high: c.limits.high }
    });
    let probability_fewer = posterior(JEFFREYS, a.faults as u64, a.hours)
        .and_then(|x| x.probability_below(posterior(JEFFREYS, b.faults as u64, b.hours)?, 1.0))
        .ok();
    let easier = words::easier(season, &rule, &before, &with, &before_nights, &with_nights);
    let unfair = easier.blocks || touched(case, remedy, &rule, &before_nights, &with_nights, &mut warnings);
    warnings.extend(easier.warnings);
    warnings.extend(words::other_cause(case.causes, &rule));
    let needed = tests.needed();
    let verdict = if b.faults == 0 {
        RemedyVerdict::NothingToCompare
    } else if tests.helped() && hindsight_holds && !unfair {
        RemedyVerdict::Helped
    } else if tests.worse() && !unfair {
        RemedyVerdict::MadeWorse
    } else if no_sign(b, a, rate_ratio.low, probability_fewer) {
        RemedyVerdict::NoSign
    } else {
        RemedyVerdict::TooEarly(needed.filter(|n| *n > 0))
    };
    if !rivals.is_empty() {
        warnings.push(format!(
            "At about the same time: {}. The nights cannot tell which of them did it.",
            rivals.join("; ")
        ));
    }
    let mut j = RemedyJudgement {
        name: remedy.name.clone(),
        origin,
        since: remedy.since,
        hindsight: remedy.hindsight,
        before: b,
        before_without_last: stretch(&short),
        after: a,
        hard_when: rule.words(),
        hard_rule: rule.when.clone(),
        hard_signal: rule.when.as_ref().and_then(|w| season.signal(&w.signal)).map(|i| {
            let s = &season.signals[i];
            (s.what.clone(), s.unit)
        }),
        hard_source: rule.source,
        hard_night_hours: asked,
        translated: rule.translated,
        rate_ratio,
        p_value,
        p_value_any_time: tests.p_any_time(),
        probability_fewer,
        nights_still_needed: match verdict {
            RemedyVerdict::TooEarly(n) => n,
            _ => None,
        },
        rivals,
        verdict,
        sentences: Vec::new(),
        warnings,
    };
    j.sentences = j.say(crate::config::model::TemperatureScale::Celsius);
    j
}

/// Enough hard nights to have seen a cure, and no clear improvement: the share of trouble nights is no lower than before, or a cut of the
/// rate to a third is excluded (by the odds of trouble nights, or by the faults per hour).
pub(super) fn no_sign(b: Stretch, a: Stretch, rate_low: f64, probability_fewer: Option<f64>) -> bool {
    if a.hard_nights < FEWEST_AFTER || b.hard_nights == 0 {
        return false;
    }
    let at_least = |p: f64| probability_fewer.is_some_and(|x| x >= p);
    let no_lower = a.trouble_nights * b.hard_nights >= b.trouble_nights * a.hard_nights;
    let third = 1.0 / 3.0;
    let third_excluded = rate_low > third
        || fisher::odds_ratio(
            fisher::Table {
                a: a.trouble_nights as u64,
                b: (a.hard_nights - a.trouble_nights) as u64,
                c: b.trouble_nights as u64,
                d: (b.hard_nights - b.trouble_nights) as u64,
            },
            0.95,
        )
        .is_ok_and(|o| o.limits.low > third);
    // Halved, perhaps, is no cure and no lack of any sign either.
    (third_excluded && !at_least(0.9)) || (no_lower && !at_least(0.8))
}

/// A rule on a signal that the remedy may have changed itself: said, and nothing is claimed from it.
fn touched(
    case: &Case<'_>,
    remedy: &RemedyRow,
    rule: &Rule,
    before: &[usize],
    with: &[usize],
    warnings: &mut Vec<String>,
) -> bool {
    let Some(w) = remedy.hard_when.as_ref().and(rule.when.as_ref()) else { return false };
    match hard::check(case.season, w, before, with) {
        Ok(()) => false,
        Err(e) => {
            warnings.push(format!("The rule for hard hours is not to be trusted: {e}."));
            true
        }
    }
}

/// p for a remedy entered afterwards: nights that were alike in what tells hard hours change places (in groups of about six across
/// before and after), the threshold is chosen anew each time from the nights that then stand before, and the exact test is made anew.
/// By nights: a night is hard when its most extreme hour was.
fn hindsight(case: &Case<'_>, before: &[usize], with: &[usize], rule: &Rule) -> f64 {
    let Some(w) = &rule.when else { return 1.0 };
    let worst = |n: usize| -> f64 {
        let night = &case.season.nights[n];
        let known = night
            .slices
            .iter()
            .enumerate()
            .map(|(i, s)| hard::value(case.season, night, i, s, &w.signal))
            .filter(|v| v.is_finite());
        // Turned so that small is hard.
        if w.below { known.fold(f64::NAN, f64::min) } else { -known.fold(f64::NAN, f64::max) }
    };
    let rows: Vec<(f64, bool, bool)> = before
        .iter()
        .map(|&n| (n, false))
        .chain(with.iter().map(|&n| (n, true)))
        .map(|(n, after)| (worst(n), after, case.season.nights[n].trouble()))
        .filter(|r| r.0.is_finite())
        .collect();
    let x: Vec<f64> = rows.iter().map(|r| r.0).collect();
    let after: Vec<bool> = rows.iter().map(|r| r.1).collect();
    let mut trouble: Vec<bool> = rows.iter().map(|r| r.2).collect();
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|&a, &b| x[a].total_cmp(&x[b]));
    let observed = by_nights(&x, &after, &trouble);
    let groups = (rows.len() as f64 / 6.0).round().max(1.0) as usize;
    let mut as_small = 1;
    let plain = trouble.clone();
    for n in 0..case.options.permutations {
        let mut d = Draw::stream(case.options.seed, 0x41D + n as u64);
        for g in 0..groups {
            let members = &order[g * order.len() / groups..(g + 1) * order.len() / groups];
            let mut deal: Vec<bool> = members.iter().map(|&i| plain[i]).collect();
            d.shuffle(&mut deal);
            for (&i, t) in members.iter().zip(deal) {
                trouble[i] = t;
            }
        }
        as_small += usize::from(by_nights(&x, &after, &trouble) <= observed * (1.0 + 1e-9));
    }
    as_small as f64 / (case.options.permutations + 1) as f64
}

/// Chooses the threshold from the nights before and gives the one-sided exact p of fewer trouble nights beyond it afterwards.
fn by_nights(x: &[f64], after: &[bool], trouble: &[bool]) -> f64 {
    let before: Vec<usize> = (0..x.len()).filter(|&i| !after[i]).collect();
    let xs: Vec<f64> = before.iter().map(|&i| x[i]).collect();
    let ys: Vec<bool> = before.iter().map(|&i| trouble[i]).collect();
    let at = crate::analysis::maxsel::best_cut(&xs, &ys, 2)
        .ok()
        .and_then(|b| b.cuts.iter().max_by(|p, q| p.z.total_cmp(&q.z)).map(|c| c.at))
        .unwrap_or(f64::INFINITY);
    let mut t = fisher::Table { a: 0, b: 0, c: 0, d: 0 };
    for i in 0..x.len() {
        if x[i] < at {
            match (after[i], trouble[i]) {
                (true, true) => t.a += 1,
                (true, false) => t.b += 1,
                (false, true) => t.c += 1,
                (false, false) => t.d += 1,
            }
        }
    }
    fisher::test(t).map_or(1.0, |f| f.less)
}

/// Other remedies and recorded changes that came within the nights around `since`: after the third usable night before it and
/// before the third after it.
pub(super) fn rivals(season: &Season, remedy: &RemedyRow) -> Vec<String> {
    let usable = season.usable();
    let from = usable.iter().rev().filter(|&&n| season.nights[n].from < remedy.since).nth(2);
    let to = usable.iter().filter(|&&n| season.nights[n].from >= remedy.since).nth(2);
    let start = from.map_or(remedy.since, |&n| season.nights[n].from);
    let end = to.map_or(remedy.since, |&n| season.nights[n].from);
    let near = |t| t >= start && t <= end;
    let mut out: Vec<String> = season
        .remedies
        .iter()
        .filter(|r| (r.id != remedy.id || r.name != remedy.name) && near(r.since))
        .map(|r| r.name.clone())
        .collect();
    for c in season.changes.iter().filter(|c| near(c.at)) {
        let text = if c.old.is_empty() {
            format!("{} {}", c.what, c.new)
        } else {
            format!("{} {} → {}", c.what, c.old, c.new)
        };
        if text != remedy.name && !out.contains(&text) {
            out.push(text);
        }
    }
    out
}

/// Name of the signal that tells hard hours, for the words.
pub(super) fn signal_name(rule: &Rule) -> Option<&Name> {
    rule.when.as_ref().map(|w| &w.signal)
}
