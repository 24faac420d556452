//! Kaplan–Meier, log-rank, mean time between faults, trends.
//!
//! Sources: Freireich et al. 1963, Blood 21:699–716 (times in remission); MIL-HDBK-781A, IEC 60605-4:2001, IEC 61124 (limits of
//! the mean time between failures); NIST/SEMATECH e-Handbook, 8.2.3.4 (trend). Tolerances as in the entries.

use crate::data::{close, count, entry, num, nums};
use serde_json::Value;
use tilldawn::analysis::Limits;
use tilldawn::analysis::survival::{Stop, kaplan_meier, log_rank, mean_time_between};
use tilldawn::analysis::trend;

fn group(id: &str) -> (Vec<f64>, Vec<bool>) {
    let e = entry("survival", id);
    (nums(&e.input()["time"]), nums(&e.input()["event"]).into_iter().map(|v| v == 1.0).collect())
}

fn limits(what: &str, got: Option<Limits>, want: &Value) {
    match got {
        None => assert!(want.is_null(), "{what}: no limits, published {want}"),
        Some(l) => {
            close(what, l.low, nums(want)[0], 0.0, 1e-8);
            close(what, l.high, nums(want)[1], 0.0, 1e-8);
        }
    }
}

#[test]
fn remission_times() {
    for id in ["f1-freireich-6mp", "f2-freireich-placebo"] {
        let (time, event) = group(id);
        let e = entry("survival", id);
        let w = e.expected();
        let curve = kaplan_meier(&time, &event, 0.95).unwrap();
        let table = w["table"].as_array().unwrap();
        assert_eq!(curve.steps.len(), table.len());
        for (s, row) in curve.steps.iter().zip(table) {
            let what = format!("{id} at {}", s.time);
            assert_eq!(
                (s.time, s.at_risk as u64, s.events as u64),
                (num(&row["time"]), count(&row["at_risk"]), count(&row["events"]))
            );
            close(&what, s.survival, num(&row["survival"]), 0.0, 1e-10);
            match s.greenwood_se {
                Some(se) => close(&what, se, num(&row["greenwood_se"]), 0.0, 1e-8),
                None => assert!(row["greenwood_se"].is_null()),
            }
            limits(&format!("{what} plain"), s.plain, &row["ci_plain"]);
            limits(&format!("{what} log"), s.log, &row["ci_log"]);
            limits(&format!("{what} log-log"), s.log_log, &row["ci_loglog"]);
        }
        close("median", curve.median().unwrap(), num(&w["median"]), 0.0, 0.0);
        close("total", curve.total_time, num(&w["total_time"]), 1e-12, 0.0);
        assert_eq!(curve.events as u64, count(&w["events"]));
        close("rate", curve.exponential_rate(), num(&w["exponential_rate"]), 1e-12, 0.0);
        close("mean time", curve.mean_time_between().unwrap(), num(&w["mtbf"]), 1e-12, 0.0);
    }
}

#[test]
fn remission_times_compared() {
    let (a, b) = (group("f1-freireich-6mp"), group("f2-freireich-placebo"));
    let got = log_rank(&a.0, &a.1, &b.0, &b.1).unwrap();
    let e = entry("survival", "f3-logrank");
    let w = e.expected();
    for (key, value) in [
        ("observed_1", got.observed),
        ("expected_1", got.expected),
        ("variance", got.variance),
        ("chi2", got.chi2),
        ("p", got.p),
    ] {
        close(key, value, num(&w[key]), 1e-8, 0.0);
    }
}

#[test]
fn mean_time_table() {
    for row in entry("survival", "f4-mtbf-table").expected().as_array().unwrap() {
        let r = count(&row["r"]);
        for (level, want) in row["lower_one_sided"].as_object().unwrap() {
            let got = mean_time_between(1.0, r, Stop::Time, level.parse().unwrap()).unwrap();
            close(&format!("r {r} at {level}"), got.lower_one_sided, num(want), 1e-8, 0.0);
        }
        for (level, key) in [(0.8, "two_sided_80"), (0.9, "two_sided_90"), (0.95, "two_sided_95")] {
            let got = mean_time_between(1.0, r, Stop::Time, level).unwrap().limits;
            close(&format!("r {r} {key}"), got.low, num(&row[key][0]), 1e-8, 0.0);
            let high = row[key][1].as_f64().unwrap_or(f64::INFINITY);
            close(&format!("r {r} {key}"), got.high, high, 1e-8, 0.0);
        }
    }
}

#[test]
fn mean_time_cases() {
    let e = entry("survival", "f5-mtbf-cases");
    for (c, w) in e.input()["cases"].as_array().unwrap().iter().zip(e.expected().as_array().unwrap()) {
        let stop = if c["kind"] == "time" { Stop::Time } else { Stop::Fault };
        let got = mean_time_between(num(&c["T"]), count(&c["r"]), stop, num(&c["conf"])).unwrap();
        assert_eq!(got.mean, w["mtbf"].as_f64());
        close("low", got.limits.low, num(&w["two_sided"][0]), 1e-8, 0.0);
        close("high", got.limits.high, w["two_sided"][1].as_f64().unwrap_or(f64::INFINITY), 1e-8, 0.0);
        close("one-sided", got.lower_one_sided, num(&w["one_sided_lower"]), 1e-8, 0.0);
    }
    assert!(mean_time_between(10.0, 0, Stop::Fault, 0.9).is_err());
}

/// The handbook's ten failures of a system tested for 1500 h: 33 reversals of 45, chi-square 37.23 with 20 degrees of
/// freedom, both from memory and reproduced. The p values of both are one-sided, for improvement.
#[test]
fn improving_system() {
    let times = [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0];
    let power = trend::power_law(&times, 1500.0, Stop::Time).unwrap();
    close("chi-square", power.statistic, 37.23, 0.0, 0.005);
    close("p", power.slower, 0.011, 0.0, 5e-4);
    let order = trend::reversals(&times, 1500.0, Stop::Time).unwrap();
    close("reversals", order.statistic, 33.0, 0.0, 0.0);
    // The handbook's table: R ≥ 33 of ten failures is significant at 5 %.
    assert!(order.slower < 0.05, "{order:?}");
    let laplace = trend::laplace(&times, 1500.0, Stop::Time).unwrap();
    assert!(laplace.statistic < 0.0 && laplace.slower < 0.1, "{laplace:?}");
}
