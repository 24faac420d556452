//! From the gathered season to the report: has it judged, and words what was found. Pure: equal seasons give equal reports.

use super::between::between;
use super::freeze::{SEED, thermal};
use super::gather::Gathered;
use super::model::{BoxPart, FaultLine, NightLine, SeasonReport};
use super::picture;
use super::words;
use crate::analysis::box_report::{BoxFacts, box_report, dew_figures, thermal_figures};
use crate::analysis::causes::{self, Causes, Progress};
use crate::analysis::remedy;
use crate::model::{Name, UnixMs};
use crate::report::morning::change_words;
use crate::report::picture::letter_text;
use jiff::tz::TimeZone;

/// The limit of the box where none is kept with the record, °C: that of the built-in rule.
const TOO_HOT: f64 = 45.0;

/// Composes. `permutations`: how many, for a quicker look; none: the usual number.
pub fn compose(g: &Gathered, written: UnixMs, permutations: Option<usize>, progress: Progress<'_>) -> SeasonReport {
    let usual = causes::Options { seed: SEED, ..causes::Options::default() };
    let options = causes::Options { permutations: permutations.unwrap_or(usual.permutations), ..usual };
    let causes = causes::judge(&g.season, &options, progress);
    let fit = thermal(g);
    let usual = remedy::Options { seed: SEED, ..remedy::Options::default() };
    let options = remedy::Options { permutations: permutations.unwrap_or(usual.permutations), ..usual };
    let remedies = remedy::judge(&g.season, &causes, fit.as_ref().ok(), &options, progress);
    let zone = g.zone.clone().unwrap_or(TimeZone::UTC);
    let nights = nights(g);
    let facts = BoxFacts {
        fit: fit.as_ref().map_err(Clone::clone),
        outside: g.air.outside,
        dew: dew_figures(&g.air.humid),
        too_hot_c: g.settings.box_hot.unwrap_or(TOO_HOT),
        hottest_seen: g.air.hottest,
    };
    let report = box_report(&facts).ok().filter(|_| g.air.from.is_some() || g.air.hottest.is_some());
    let the_box = BoxPart {
        thermal: fit.as_ref().ok().map(thermal_figures),
        no_fit: fit.as_ref().err().cloned(),
        heater: fit.as_ref().ok().and_then(|f| f.heater).and(g.air.heater.clone()),
        report,
    };
    let between = between(&g.season);
    let changes: Vec<(UnixMs, String)> =
        g.season.changes.iter().map(|c| (c.at, change_words(&g.settings, c))).collect();
    let mut cautions = the_box.report.as_ref().map(|b| b.cautions()).unwrap_or_default();
    cautions.dedup();
    let drawn = picture::of(g, &nights, &shown_signal(g, &causes), &causes);
    let mut r = SeasonReport {
        field: g.settings.field.clone(),
        invented: g.invented,
        zone,
        scale: g.settings.scale,
        written,
        opening: vec![],
        basis: words::basis(g),
        nights,
        picture: drawn,
        causes,
        remedies,
        the_box,
        between,
        changes,
        cautions,
        statistician: vec![],
    };
    r.opening = words::opening(&r);
    r.statistician = words::statistician(&r);
    r
}

fn nights(g: &Gathered) -> Vec<NightLine> {
    let mut letter = 0;
    g.season
        .nights
        .iter()
        .zip(&g.spans)
        .map(|(n, s)| NightLine {
            date: n.date.clone(),
            kind: n.kind,
            dark_hours: n.dark_hours.is_finite().then_some(n.dark_hours),
            session_hours: n.session_hours,
            at_risk_hours: n.at_risk_hours,
            incidents: n.incidents,
            faults: n
                .faults
                .iter()
                .map(|f| {
                    letter += 1;
                    let what = Name::new(&f.thing)
                        .ok()
                        .filter(|n| n.as_str().contains('.'))
                        .map_or_else(|| f.thing.clone(), |t| g.settings.title(&t));
                    FaultLine { letter: letter_text(letter - 1, false), at: f.at, kind: f.kind, what }
                })
                .collect(),
            minimum: g
                .season
                .signals
                .iter()
                .zip(&n.figures)
                .filter_map(|(s, f)| f.map(|f| (s.name.clone(), f.minimum)))
                .collect(),
            imported: s.imported,
        })
        .collect()
}

/// The signal that stands beside the picture: the one that is blamed, else the one nearest to it, else the outside air.
fn shown_signal(g: &Gathered, causes: &Causes) -> Option<Name> {
    let measured = |n: &Name| g.season.signal(n).is_some();
    let first = causes.causes.iter().find(|c| measured(&c.signal) && c.kind.is_none() && c.threshold.is_some());
    let outside = || {
        let all = ["temperature.outside", "temperature.box"].into_iter().filter_map(|n| Name::new(n).ok());
        all.into_iter().find(|n| measured(n))
    };
    let blamed = first.filter(|c| c.verdict.blames()).map(|c| c.signal.clone());
    blamed.or_else(outside).or_else(|| first.map(|c| c.signal.clone()))
}
