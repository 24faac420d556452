//! Logistic and penalised logistic fits.
//!
//! Sources: Dalal, Fowlkes & Hoadley 1989, J. Am. Stat. Assoc. 84:945–957 (23 flights); Firth 1993, Biometrika 80:27–38;
//! Heinze & Schemper 2002, Stat. Med. 21:2409–2419. Each entry of `logistic.json` says how its digits were made.

use crate::data::{close, count, entry, num, nums};
use serde_json::Value;
use tilldawn::analysis::logistic::{self, Fit, LogisticFit, Separation};
use tilldawn::analysis::{ConfidenceSet, Limits, firth};

fn bools(v: &Value) -> Vec<bool> {
    nums(v).into_iter().map(|y| y == 1.0).collect()
}

fn limits(what: &str, got: Limits, want: &Value, rel: f64, abs: f64) {
    let want = nums(want);
    close(&format!("{what} low"), got.low, want[0], rel, abs);
    close(&format!("{what} high"), got.high, want[1], rel, abs);
}

fn flights() -> (Vec<f64>, Vec<bool>) {
    let e = entry("logistic", "a1-oring-23-logistic");
    (nums(&e.input()["temp_F"]), bools(&e.input()["fault"]))
}

/// Tolerance 1e-6 (Fieller 1e-5), as the entries state.
fn check_fit(fit: &LogisticFit, want: &Value) {
    let t = 1e-6;
    let both = |what: &str, got: [f64; 2], w: &Value| {
        close(&format!("{what} of the intercept"), got[0], num(&w["intercept"]), t, t);
        close(&format!("{what} of the slope"), got[1], num(&w["slope"]), t, t);
    };
    both("coefficient", [fit.line.intercept, fit.line.slope], &want["coef"]);
    both("standard error", fit.line.standard_errors(), &want["se"]);
    close("residual deviance", fit.deviance, num(&want["residual_deviance"]), t, t);
    if want["z"].is_object() {
        both("z", fit.line.wald_z(), &want["z"]);
        both("Wald p", fit.line.wald_p(), &want["wald_p"]);
        for (i, row) in want["covariance"].as_array().unwrap().iter().enumerate() {
            for (j, v) in nums(row).into_iter().enumerate() {
                close("covariance", fit.line.covariance[i][j], v, t, t);
            }
        }
        close("null deviance", fit.null_deviance, num(&want["null_deviance"]), t, t);
        assert_eq!(fit.degrees() as u64, count(&want["residual_df"]));
        close("likelihood ratio", fit.likelihood_ratio(), num(&want["lr_chi2"]), t, t);
        close("likelihood-ratio p", fit.likelihood_ratio_p(), num(&want["lr_p"]), t, t);
        close("log likelihood", fit.log_likelihood, num(&want["loglik"]), t, t);
        close("AIC", fit.aic(), num(&want["aic"]), t, t);
        let profile = &want["profile_likelihood_ci_95"];
        limits("slope profile", fit.slope_profile(0.95).unwrap(), &profile["slope"], t, t);
        limits("intercept profile", fit.intercept_profile(0.95).unwrap(), &profile["intercept"], t, t);
        for (x, p) in want["predicted_p"].as_object().unwrap() {
            close(&format!("p at {x}"), fit.line.predict(x.parse().unwrap()), num(p), t, t);
        }
    }
    let half = &want["x_at_p_half"];
    close("half point", fit.line.half_point().unwrap(), num(&half["x50"]), t, t);
    close("delta error", fit.line.half_point_delta_se().unwrap(), num(&half["delta_se"]), t, t);
    limits("delta", fit.line.half_point_delta(0.95).unwrap().unwrap(), &half["delta_ci"], t, t);
    close("Fieller g", fit.line.fieller_g(0.95).unwrap(), num(&half["fieller_g"]), 1e-5, 0.0);
    for (level, key) in [(0.95, "fieller_ci"), (0.9, "fieller_ci_90")] {
        let got = fit.line.half_point_fieller(level).unwrap().interval().unwrap();
        limits(key, got, &half[key], 1e-5, 0.0);
    }
}

#[test]
fn flights_in_fahrenheit() {
    let e = entry("logistic", "a1-oring-23-logistic");
    let (x, y) = flights();
    let fit = logistic::fit_binary(&x, &y).unwrap().found().unwrap();
    check_fit(&fit, e.expected());
    let published = &e.expected()["published_rounded"];
    close("published intercept", fit.line.intercept, nums(&published["coef"])[0], 0.0, 5e-5);
    close("published slope", fit.line.slope, nums(&published["coef"])[1], 0.0, 5e-5);
    close("published deviance", fit.deviance, num(&published["residual_deviance"]), 0.0, 5e-4);
    // The profile set of the half point lies between the delta and the Fieller interval on the long side.
    let set = fit.half_point_profile(0.95).unwrap().unwrap().interval().unwrap();
    let fieller = fit.line.half_point_fieller(0.95).unwrap().interval().unwrap();
    let delta = fit.line.half_point_delta(0.95).unwrap().unwrap();
    assert!(set.contains(fit.line.half_point().unwrap()) && fieller.low < set.low && set.low < delta.low, "{set:?}");
}

#[test]
fn flights_in_celsius() {
    let e = entry("logistic", "a2-oring-celsius");
    let (x, y) = flights();
    let x: Vec<f64> = x.iter().map(|f| (f - 32.0) / 1.8).collect();
    check_fit(&logistic::fit_binary(&x, &y).unwrap().found().unwrap(), e.expected());
}

#[test]
fn rings_out_of_six() {
    let e = entry("logistic", "a3-oring-binomial-6");
    let x = nums(&e.input()["temp_F"]);
    let damaged: Vec<u64> = nums(&e.input()["damaged"]).into_iter().map(|d| d as u64).collect();
    let rings = vec![count(&e.input()["rings"]); x.len()];
    check_fit(&logistic::fit_grouped(&x, &damaged, &rings).unwrap().found().unwrap(), e.expected());
}

/// Tolerance 1e-5.
#[test]
fn flights_penalised() {
    let e = entry("logistic", "a4-oring-firth");
    let w = e.expected();
    let (x, y) = flights();
    let fit = firth::fit_binary(&x, &y).unwrap();
    let t = 1e-5;
    close("intercept", fit.line.intercept, nums(&w["coef"])[0], t, t);
    close("slope", fit.line.slope, nums(&w["coef"])[1], t, t);
    for (got, want) in fit.line.standard_errors().iter().zip(nums(&w["se_from_inverse_fisher_information"])) {
        close("standard error", *got, want, t, t);
    }
    close("penalised log likelihood", fit.penalised_log_likelihood, num(&w["penalised_loglik"]), t, t);
    let profile = &w["profile_penalised_ci_95"];
    limits("slope", fit.slope_profile(0.95).unwrap(), &profile["slope"], t, t);
    limits("intercept", fit.intercept_profile(0.95).unwrap(), &profile["intercept"], t, t);
    let (chi2, p) = fit.slope_test().unwrap();
    close("chi-square", chi2, num(&w["penalised_lr_slope"]["chi2"]), t, t);
    close("p", p, num(&w["penalised_lr_slope"]["p"]), t, t);
    close("half point", fit.line.half_point().unwrap(), num(&w["x_at_p_half"]), t, t);
    assert!(
        fit.half_point_profile(0.95).unwrap().unwrap().interval().unwrap().contains(fit.line.half_point().unwrap())
    );
}

/// Coefficients 1e-5, limits 1e-4, absolute.
fn check_separated(id: &str) -> (Vec<f64>, Vec<bool>) {
    let e = entry("logistic", id);
    let w = &e.expected()["firth"];
    let (x, y) = (nums(&e.input()["x"]), bools(&e.input()["y"]));
    let Fit::Absent(why) = logistic::fit_binary(&x, &y).unwrap() else { panic!("{id}: an estimate was made up") };
    assert_eq!(why.word(), e.expected()["separation"].as_str().unwrap());
    let fit = firth::fit_binary(&x, &y).unwrap();
    close("intercept", fit.line.intercept, num(&w["coef"]["intercept"]), 0.0, 1e-5);
    close("slope", fit.line.slope, num(&w["coef"]["slope"]), 0.0, 1e-5);
    let se = fit.line.standard_errors();
    close("error", se[0], num(&w["se_from_inverse_fisher_information"]["intercept"]), 0.0, 1e-5);
    close("error", se[1], num(&w["se_from_inverse_fisher_information"]["slope"]), 0.0, 1e-5);
    close("penalised log likelihood", fit.penalised_log_likelihood, num(&w["penalised_loglik"]), 0.0, 1e-5);
    let profile = &w["profile_penalised_ci_95"];
    limits("slope", fit.slope_profile(0.95).unwrap(), &profile["slope"], 0.0, 1e-4);
    limits("intercept", fit.intercept_profile(0.95).unwrap(), &profile["intercept"], 0.0, 1e-4);
    for (got, key) in [(fit.intercept_test().unwrap(), "intercept"), (fit.slope_test().unwrap(), "slope")] {
        close("chi-square", got.0, num(&w["penalised_lr"][key]["chi2"]), 0.0, 1e-4);
        close("p", got.1, num(&w["penalised_lr"][key]["p"]), 0.0, 1e-5);
    }
    (x, y)
}

#[test]
fn complete_separation_is_said_and_firth_is_finite() {
    let (x, y) = check_separated("a5-complete-separation");
    let e = entry("logistic", "a5-complete-separation");
    let data = logistic::Observations::binary(&x, &y).unwrap();
    let Separation::Complete { from, to, yes_below } = data.separation() else { panic!() };
    assert_eq!(vec![from, to], nums(&e.expected()["separating_interval"]));
    assert!(yes_below);
    assert_eq!(data.deviance_limit(), Some(0.0));
    let half = firth::fit(&data).unwrap().line.half_point().unwrap();
    close("half point", half, num(&e.expected()["x_at_p_half"]), 0.0, 1e-5);
}

#[test]
fn quasi_complete_separation_is_said_and_firth_is_finite() {
    let (x, y) = check_separated("a6-quasi-separation");
    let e = entry("logistic", "a6-quasi-separation");
    let data = logistic::Observations::binary(&x, &y).unwrap();
    let want = num(&e.expected()["ml_residual_deviance_limit"]);
    close("deviance limit", data.deviance_limit().unwrap(), want, 1e-12, 0.0);
}

/// The set of a quotient need not be an interval: where the slope may be zero it is open.
#[test]
fn an_uncertain_slope_leaves_the_half_point_open() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
    let y = [true, false, true, false, true, false];
    let fit = logistic::fit_binary(&x, &y).unwrap().found().unwrap();
    assert!(fit.line.fieller_g(0.95).unwrap() > 1.0);
    assert!(!matches!(fit.line.half_point_fieller(0.95).unwrap(), ConfidenceSet::Interval { .. }));
    assert!(fit.half_point_profile(0.95).unwrap().unwrap().interval().is_none());
    assert!(firth::fit_binary(&x, &y).unwrap().half_point_profile(0.95).unwrap().unwrap().interval().is_none());
}
