//! Random cases, small and large, against general-purpose libraries (versions in `random_libraries.json`): the published examples
//! are few, and a formula that is right for them may still be wrong elsewhere.

use crate::data::{close, num, nums};
use serde_json::Value;
use tilldawn::analysis::fisher::{self, Table};
use tilldawn::analysis::survival::{kaplan_meier, log_rank};
use tilldawn::analysis::{binomial, firth, logistic, poisson};

fn cases(key: &str) -> Vec<Value> {
    let path = format!("{}/tests/data/checks/random_libraries.json", env!("CARGO_MANIFEST_DIR"));
    let all: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert!(all["source"].as_str().unwrap().contains("scipy"));
    let list = all[key].as_array().unwrap().clone();
    assert!(list.len() >= 10);
    list
}

fn whole(v: &Value) -> u64 {
    num(v) as u64
}

#[test]
fn tables() {
    for c in cases("tables") {
        let n: Vec<u64> = nums(&c["cells"]).into_iter().map(|v| v as u64).collect();
        let t = Table::new(n[0], n[1], n[2], n[3]);
        let got = fisher::test(t).unwrap();
        for (key, value) in [("two_sided", got.two_sided), ("less", got.less), ("greater", got.greater)] {
            close(&format!("{t:?} {key}"), value, num(&c[key]), 1e-9, 1e-13);
        }
        if c["odds_ratio"].is_null() {
            continue;
        }
        let or = fisher::odds_ratio(t, 0.95).unwrap();
        close(&format!("{t:?} odds ratio"), or.conditional.unwrap(), num(&c["odds_ratio"]), 1e-6, 0.0);
        close(&format!("{t:?} low"), or.limits.low, num(&c["low"]), 1e-6, 0.0);
        close(&format!("{t:?} high"), or.limits.high, num(&c["high"]), 1e-6, 0.0);
        if c["boschloo"].is_number() {
            let b = fisher::boschloo(t).unwrap();
            close(&format!("{t:?} Boschloo"), b.two_sided, num(&c["boschloo"]), 0.0, 5e-4);
        }
    }
}

#[test]
fn shares() {
    for c in cases("shares") {
        let (x, n, level) = (whole(&c["x"]), whole(&c["n"]), num(&c["confidence"]));
        for (key, got) in [
            ("exact", binomial::clopper_pearson(x, n, level)),
            ("wilson", binomial::wilson(x, n, level)),
            ("jeffreys", binomial::jeffreys(x, n, level)),
        ] {
            let got = got.unwrap();
            close(&format!("{x}/{n} {key} low"), got.low, num(&c[key][0]), 1e-9, 1e-12);
            close(&format!("{x}/{n} {key} high"), got.high, num(&c[key][1]), 1e-9, 1e-12);
        }
        let t = binomial::test(x, n, num(&c["p0"])).unwrap();
        for (key, value) in [("two_sided", t.two_sided), ("less", t.less), ("greater", t.greater)] {
            close(&format!("{x}/{n} {key}"), value, num(&c[key]), 1e-8, 1e-14);
        }
    }
}

#[test]
fn rates() {
    for c in cases("rates") {
        let (x1, t1, x2, t2) = (whole(&c["x1"]), num(&c["t1"]), whole(&c["x2"]), num(&c["t2"]));
        let what = format!("{x1}/{t1} against {x2}/{t2}");
        let got = poisson::compare(x1, t1, x2, t2, 0.95).unwrap();
        close(&what, got.test.two_sided, num(&c["two_sided"]), 1e-8, 1e-14);
        let r = poisson::rate(x1, t1, 0.95).unwrap();
        close(&what, r.limits.low, num(&c["low1"]), 1e-9, 0.0);
        close(&what, r.limits.high, num(&c["high1"]), 1e-9, 0.0);
        close(&what, poisson::e_test(x1, t1, x2, t2).unwrap(), num(&c["e_test"]), 0.0, 1e-4);
    }
}

#[test]
fn fits() {
    for c in cases("fits") {
        let x = nums(&c["x"]);
        let y: Vec<bool> = nums(&c["y"]).into_iter().map(|v| v == 1.0).collect();
        let fit = logistic::fit_binary(&x, &y).unwrap().found();
        assert_eq!(fit.is_some(), c["slope"].is_number(), "{x:?} {y:?}");
        if let Some(f) = fit {
            let se = f.line.standard_errors();
            for (what, got, want) in [
                ("intercept", f.line.intercept, &c["intercept"]),
                ("slope", f.line.slope, &c["slope"]),
                ("error", se[0], &c["se"][0]),
                ("error", se[1], &c["se"][1]),
                ("deviance", f.deviance, &c["deviance"]),
                ("null deviance", f.null_deviance, &c["null_deviance"]),
            ] {
                close(what, got, num(want), 1e-6, 1e-8);
            }
        }
        let f = firth::fit_binary(&x, &y).unwrap();
        close("penalised intercept", f.line.intercept, num(&c["firth"][0]), 1e-5, 1e-6);
        close("penalised slope", f.line.slope, num(&c["firth"][1]), 1e-5, 1e-6);
        for (got, want) in [f.slope_profile(0.95).unwrap(), f.intercept_profile(0.95).unwrap()].iter().zip(0..) {
            let want = nums(&c["firth_ci"][want]);
            close("penalised limit", got.low, want[0], 1e-4, 1e-4);
            close("penalised limit", got.high, want[1], 1e-4, 1e-4);
        }
    }
}

#[test]
fn curves() {
    for c in cases("curves") {
        let (time, event) = (nums(&c["time"]), nums(&c["event"]).into_iter().map(|v| v == 1.0).collect::<Vec<_>>());
        let curve = kaplan_meier(&time, &event, 0.95).unwrap();
        for (t, s) in nums(&c["times"]).into_iter().zip(nums(&c["survival"])) {
            close(&format!("survival at {t}"), curve.survival(t), s, 0.0, 1e-10);
        }
        close("median", curve.median().unwrap_or(f64::INFINITY), num(&c["median"]), 0.0, 0.0);
        let h = whole(&c["half"]) as usize;
        let ((t1, t2), (e1, e2)) = (time.split_at(h), event.split_at(h));
        close("log-rank", log_rank(t1, e1, t2, e2).unwrap().chi2, num(&c["logrank"]), 1e-8, 1e-10);
    }
}
