//! What the report says in sentences. Pure.

use super::gather::Gathered;
use super::model::SeasonReport;
use crate::analysis::causes::{Cause, Evidence, Verdict};
use crate::analysis::remedy::{Origin, RemedyJudgement, RemedyVerdict};
use crate::analysis::season::{NightKind, Rank};
use crate::model::{Unit, zone_said};
use crate::report::morning::opening::{date_words, lower_start};
use crate::report::say::{count, list, number, sentence_start};

/// On what the report rests, where that is not what one would think.
pub fn basis(g: &Gathered) -> Vec<String> {
    let mut out = vec![];
    let usable = g.season.usable().len();
    if g.imported_nights > 0 {
        let which = if g.imported_nights == usable { "all nights".into() } else { count(g.imported_nights, "night") };
        out.push(format!(
            "On {which} no session was recorded: the hours with readings stand for it (a reading stands for at most {}).",
            g.holds
        ));
    }
    if !g.site && usable > 0 {
        let zone = g.zone.as_ref().map_or_else(|| "UTC".into(), zone_said);
        out.push(format!(
            "No site is set: dark hours are not known, all hours of a session count, and nights are parted at noon of {zone}."
        ));
    }
    if g.outside_faults > 0 {
        out.push(format!(
            "{} outside of all hours with readings: counted for the night, but nothing is known of the time before.",
            sentence_start(&count(g.outside_faults, "fault lies|faults lie"))
        ));
    }
    if let Some(why) = &g.incomplete {
        out.push(sentence_start(&format!("{why}.")));
    }
    out
}

/// The opening sentences: how many nights, what goes with the faults, whether the remedy helped.
pub fn opening(r: &SeasonReport) -> Vec<String> {
    let of = |k: NightKind| r.nights.iter().filter(|n| n.kind == k).count();
    let (trouble, quiet) = (of(NightKind::Trouble), of(NightKind::Quiet));
    let faults: usize = r.nights.iter().map(|n| n.faults.len()).sum();
    let mut in_session = r.nights.iter().filter(|n| n.kind != NightKind::NoSession);
    let ends = in_session.clone().next().zip(in_session.next_back());
    let Some((first, last)) = ends else {
        return vec!["No night with a session is on record yet.".into()];
    };
    let mut out = vec![];
    let when = if first.date == last.date {
        format!("on {}", date_words(&first.date))
    } else {
        format!("from {} to {}", date_words(&first.date), date_words(&last.date))
    };
    let nights = trouble + quiet;
    if faults == 0 {
        out.push(format!("Nothing failed on {} {when}.", count(nights, "night")));
    } else {
        let hours: f64 = r.nights.iter().map(|n| n.at_risk_hours).sum();
        out.push(format!(
            "{} on {trouble} of {} {when}, in {} hours in which something could have failed.",
            sentence_start(&count(faults, "fault")),
            count(nights, "night"),
            number(hours, 0)
        ));
    }
    let unwatched = of(NightKind::NotWatched);
    if unwatched > 0 {
        out.push(format!("{} cannot count, since nobody was looking.", sentence_start(&count(unwatched, "night"))));
    }
    out.extend(causes_in_short(r));
    for j in r.remedies.iter().filter(|j| j.origin == Origin::Remedy) {
        out.push(remedy_in_short(j));
    }
    out
}

fn causes_in_short(r: &SeasonReport) -> Vec<String> {
    if let Some(why) = &r.causes.nothing {
        return vec![sentence_start(why)];
    }
    let of = |v: Verdict| r.causes.causes.iter().filter(move |c| c.verdict == v && c.kind.is_none());
    if let Some(c) = of(Verdict::GoesWithFaults).next() {
        return vec![sentence_start(&c.sentence)];
    }
    if let Some(c) = of(Verdict::Inseparable).next() {
        return vec![sentence_start(&c.sentence)];
    }
    // A single kind may say what all together do not.
    if let Some(c) = r.causes.causes.iter().find(|c| c.verdict.blames()) {
        let kind = c.kind.map_or("all", |k| k.word());
        return vec![format!("Of the {kind} faults alone: {}", c.sentence)];
    }
    if let Some(c) = of(Verdict::Season).next() {
        return vec![sentence_start(&c.sentence)];
    }
    if let Some(c) = of(Verdict::WorthWatching).next() {
        return vec![format!("No signal can be blamed yet; {} is worth watching.", lower(&c.what))];
    }
    let few = of(Verdict::NotEnoughNights).count();
    let all = r.causes.causes.iter().filter(|c| c.kind.is_none()).count();
    match (few, all) {
        (_, 0) => vec![],
        (0, _) => vec!["No sign that the faults go with anything that was measured.".into()],
        _ => vec!["These are not enough nights yet to tell what the faults go with.".into()],
    }
}

fn remedy_in_short(j: &RemedyJudgement) -> String {
    let hindsight = if j.hindsight { ", judged with hindsight" } else { "" };
    let name = format!("“{}”", j.name);
    match j.verdict {
        RemedyVerdict::Helped => {
            format!("{name} helped{hindsight}: {}", nights_in_short(j))
        }
        RemedyVerdict::MadeWorse => format!("{name} made it worse{hindsight}: {}", nights_in_short(j)),
        RemedyVerdict::NothingToCompare => {
            format!("{name}: nothing to compare, since there was no fault in hard hours before it.")
        }
        v => format!("{name}: {}{hindsight}; {}", v.words(), nights_in_short(j)),
    }
}

/// Counts of nights first.
pub fn nights_in_short(j: &RemedyJudgement) -> String {
    format!(
        "trouble on {} of {} before, on {} of {} with it.",
        j.before.trouble_nights,
        count(j.before.hard_nights, "hard night"),
        j.after.trouble_nights,
        j.after.hard_nights
    )
}

/// The small beginning of a phrase inside a sentence; a word with a capital of its own (Wi-Fi, USB) keeps it.
pub fn lower(text: &str) -> String {
    let word = text.split([' ', ',']).next().unwrap_or_default();
    if word.chars().skip(1).any(char::is_uppercase) { text.into() } else { lower_start(text) }
}

/// A group of signals that share a verdict.
pub struct Group<'a> {
    /// Its heading.
    pub heading: &'static str,
    /// Those that are told in full.
    pub told: Vec<&'a Cause>,
    /// Those that are only named.
    pub named: Vec<&'a Cause>,
}

/// The causes by verdict, what is blamed first. Only what matters is told in full; the rest is named.
pub fn groups(r: &SeasonReport) -> Vec<Group<'_>> {
    let of = |v: Verdict, rest: bool| -> Vec<&Cause> {
        let all = r.causes.causes.iter().filter(move |c| c.verdict == v && (c.rank == Rank::Rest) == rest);
        // A kind by itself is told where it says something that all together do not.
        all.filter(|c| c.kind.is_none() || v.blames()).collect()
    };
    let both = |v: Verdict| [of(v, false), of(v, true)].concat();
    let all = [
        ("Goes with the faults", both(Verdict::GoesWithFaults), vec![]),
        ("One of these, and the nights cannot tell which", both(Verdict::Inseparable), vec![]),
        ("Cannot be told apart from the season", both(Verdict::Season), vec![]),
        ("Worth watching, no more", both(Verdict::WorthWatching), vec![]),
        ("No sign: a threefold rate is excluded", vec![], both(Verdict::NoSign)),
        ("Not enough nights to say", vec![], both(Verdict::NotEnoughNights)),
    ];
    let full = all.into_iter().filter(|(_, told, named)| !told.is_empty() || !named.is_empty());
    full.map(|(heading, told, named)| Group { heading, told, named }).collect()
}

/// What stands before a cause's sentence: the kind, where it is about one alone, and that the person named the signal.
pub fn lead(c: &Cause) -> Option<String> {
    let kind = c.kind.map(|k| format!("{} faults alone", k.word()));
    let suspect = (c.rank == Rank::Suspect).then(|| "named by you beforehand".to_string());
    let both: Vec<String> = [kind, suspect].into_iter().flatten().collect();
    (!both.is_empty()).then(|| sentence_start(&both.join(", ")))
}

/// Names of many signals in one sentence.
pub fn named(all: &[&Cause]) -> String {
    const MOST: usize = 24;
    let mut names: Vec<String> = all.iter().take(MOST).map(|c| lower(&c.what)).collect();
    if all.len() > MOST {
        names.push(format!("{} more", all.len() - MOST));
    }
    format!("{}.", sentence_start(&list(&names)))
}

/// Kinds of faults and how often each came.
pub fn kinds(r: &SeasonReport) -> Option<String> {
    if r.causes.counted.is_empty() {
        return None;
    }
    let one = |k: &crate::analysis::causes::KindCount| {
        let few = if k.tested { "" } else { " (too few to be tested alone)" };
        format!("{} {} on {}{few}", k.faults, k.kind.word(), count(k.nights, "night"))
    };
    let all: Vec<String> = r.causes.counted.iter().map(one).collect();
    Some(format!("Kinds of faults: {}.", list(&all)))
}

/// A value of a signal for the statistician: always in the stored unit.
fn level(v: f64, unit: Unit) -> String {
    let symbol = unit.symbol();
    let decimals = if v.abs() >= 1000.0 { 0 } else { 2 };
    if symbol.is_empty() { number(v, decimals) } else { format!("{} {symbol}", number(v, decimals)) }
}

fn p(v: f64) -> String {
    if !v.is_finite() {
        "not known".into()
    } else if v < 0.0005 {
        "below 0.0005".into()
    } else {
        number(v, 3)
    }
}

fn ratio(v: f64) -> String {
    if v.is_nan() {
        "not known".into()
    } else if v.is_infinite() || v >= 9999.5 {
        "∞".into()
    } else if v >= 10.0 {
        number(v, 0)
    } else {
        number(v, 2)
    }
}

/// One line of figures for a cause.
pub fn figures(c: &Cause) -> String {
    let side = match c.direction {
        crate::analysis::causes::Direction::Below => "below",
        crate::analysis::causes::Direction::Above => "above",
    };
    let mut out = match c.threshold {
        Some(t) => format!("best threshold {side} {}", level(t, c.unit)),
        None => "no threshold, since it did not vary".into(),
    };
    out += match c.evidence {
        Evidence::Whole => ", by whole nights",
        Evidence::Held => ", held from the first fault of a night on",
        Evidence::ToFirstFault => ", by nights up to their first fault",
    };
    out += &format!(
        "; p {} freely, {} within blocks, {} with the trend taken out, {} corrected for the search",
        p(c.p_value),
        p(c.p_value_blocked),
        p(c.p_value_trend),
        p(c.p_value_adjusted)
    );
    let (b, w) = (&c.rate_beyond, &c.rate_within);
    out += &format!(
        "; {} faults in {} h beyond ({} per h, 95 % {} to {}), {} in {} h within ({} per h, {} to {}); rate ratio {} (95 % {} to {})",
        b.faults,
        number(b.hours, 1),
        number(b.per_hour, 3),
        number(b.low, 3),
        number(b.high, 3),
        w.faults,
        number(w.hours, 1),
        number(w.per_hour, 3),
        number(w.low, 3),
        number(w.high, 3),
        ratio(c.rate_ratio.estimate),
        ratio(c.rate_ratio.low),
        ratio(c.rate_ratio.high)
    );
    if let Some(m) = &c.night_model {
        out +=
            &format!("; logit of a trouble night {} + {} · {}", number(m.intercept, 3), number(m.slope, 4), figure(c));
        if let (Some(a), Some(b)) = (m.intercept_unpenalised, m.slope_unpenalised) {
            out += &format!(" (Firth; unpenalised {} + {})", number(a, 3), number(b, 4));
        } else {
            out += " (Firth; without the penalty there is no finite answer)";
        }
        if m.half_point_low.is_none() && m.half_point_high.is_none() {
            out += "; at which level half the nights have trouble cannot be told";
        } else if let Some(h) = m.half_point {
            let end = |e: Option<f64>| e.map_or("open".into(), |v| level(v, c.unit));
            out += &format!(
                "; half the nights have trouble at {} (95 % {} to {})",
                level(h, c.unit),
                end(m.half_point_low),
                end(m.half_point_high)
            );
        }
    }
    out
}

fn figure(c: &Cause) -> &'static str {
    match c.figure {
        crate::analysis::causes::NightFigure::Minimum => "the night's minimum",
        crate::analysis::causes::NightFigure::Mean => "the night's mean",
        crate::analysis::causes::NightFigure::Maximum => "the night's maximum",
    }
}

/// Paragraphs for the statistician.
pub fn statistician(r: &SeasonReport) -> Vec<String> {
    let s = &r.causes.statistics;
    let mut out = vec![format!(
        "{} count, {} with trouble; {} in {} at-risk hours (dark, in session, watched, chain up). Figures of a night use readings up to its first fault; of signals that a fault can change, those that differ from night to night more than within three hours stand at their last value before it for the rest of the night, the others are judged up to it. {} permutations of nights, seed {}, within {} and {}; expected counts go with at-risk hours. Smallest p that these nights can give: {}; power to find a twelvefold rate: {} %. Fitted rate at the end of the season over that at its beginning: {}.",
        sentence_start(&count(s.nights, "night")),
        s.trouble_nights,
        count(s.faults, "fault"),
        number(s.at_risk_hours, 1),
        s.permutations,
        s.seed,
        count(s.periods, "remedy period"),
        count(s.blocks, "season block"),
        p(s.smallest_p),
        number(s.power_twelvefold * 100.0, 0),
        ratio(s.trend)
    )];
    out.push(format!(
        "Thresholds: maximally selected likelihood ratio, corrected over thresholds, signals and kinds by the step-down max-T of Westfall and Young, the short list first, with twice the standard error of a share of permutations added; what is found must stand within season blocks (p) and over the whole season with its trend taken out (p). Rates: Garwood 1936; their ratio exact, conditional on the total{}. Nights: logistic fit, Firth-penalised; limits of the half level by the profile likelihood.",
        if s.bursts { "; faults came in bursts, so intervals are widened by resampling nights" } else { "" }
    ));
    let told = |c: &&Cause| c.rank != Rank::Rest || c.verdict.blames() || c.verdict == Verdict::WorthWatching;
    for c in r.causes.causes.iter().filter(told).take(40) {
        let kind = c.kind.map_or("all", |k| k.word());
        out.push(format!("{} ({kind}): {}; {}.", c.signal, c.verdict.word(), figures(c)));
    }
    let rest: Vec<&Cause> = r.causes.causes.iter().filter(|c| !told(c)).collect();
    if let Some(least) = rest.iter().map(|c| c.p_value_adjusted).min_by(f64::total_cmp) {
        out.push(format!(
            "{} of the second rank beside these; the smallest corrected p among them is {}. All figures stand in the JSON.",
            sentence_start(&count(rest.len(), "test")),
            p(least)
        ));
    }
    if !s.left_out.is_empty() {
        let names: Vec<&str> = s.left_out.iter().map(|n| n.as_str()).collect();
        out.push(format!("Left out, since they did not vary or were unknown on most nights: {}.", list(&names)));
    }
    for j in &r.remedies {
        out.push(format!(
            "{}: {}; a hard night has {} such hours or more, or a fault in one; rate ratio {} (95 % {} to {}); exact test p {}; p that holds however often one looks {}; probability that the rate is lower now {} (gamma prior); without the last three nights before it {} of {} hard nights had trouble.",
            j.name,
            if j.hard_rule.is_some() { format!("hard when {}", j.hard_when) } else { "all hours count as hard".into() },
            number(j.hard_night_hours, 1),
            ratio(j.rate_ratio.estimate),
            ratio(j.rate_ratio.low),
            ratio(j.rate_ratio.high),
            p(j.p_value),
            p(j.p_value_any_time),
            j.probability_fewer.map_or("not known".into(), |v| format!("{} %", number(v * 100.0, 1))),
            j.before_without_last.trouble_nights,
            j.before_without_last.hard_nights,
        ));
    }
    if let (Some(l), Some(m)) = (&r.between.laplace, &r.between.reversals) {
        out.push(format!(
            "Time between faults: exact limits for a constant rate, the watching stopped by time; trend by Laplace's test p {}, by Mann's reversals of the gaps p {}.",
            p(l.two_sided),
            p(m.two_sided)
        ));
    }
    if let Some(t) = &r.the_box.thermal {
        out.push(format!(
            "Box: first-order model on ten-minute means; lift {} ± {} K, time constant {} ± {} min; residuals {} K, correlation of neighbours {}; {}.",
            number(t.lift, 2),
            number(t.lift_se, 3),
            number(t.time_constant_minutes, 1),
            number(t.time_constant_se, 1),
            number(t.residual_sd, 2),
            number(t.residual_autocorrelation, 2),
            if t.errors_by_nights { "errors by resampling nights" } else { "errors from residuals only" }
        ));
    }
    out
}

/// The way to find out more surely, and what it risks.
pub const BY_LOT: &str = "The surer way: let a drawn lot decide each evening whether it is used (a coin, before you look at the forecast), and write the nights down with --only-nights. It risks the nights that the lot leaves without it.";
