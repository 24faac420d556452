//! Thermal model of the box.
//!
//! Sources: Newton's law of cooling with one time constant, closed forms; least-squares fits computed with SciPy and checked
//! from the Jacobian (see each entry of `thermal.json`). Estimates agree within 1e-4 of a standard error, errors within 1e-3.

use crate::data::{Entry, close, entry, num, nums};
use tilldawn::analysis::thermal::fit::{Drive, fit_stretches};
use tilldawn::analysis::thermal::response::{self, Swing};
use tilldawn::analysis::thermal::step::{self, Estimate};
use tilldawn::analysis::thermal::{Stretch, predict};

fn estimates(e: &Entry, got: &[(&str, Estimate)], rss: f64, sd: f64, degrees: usize) {
    let w = e.expected();
    for (name, estimate) in got {
        let (value, se) = (num(&w["estimate"][name]), num(&w["se"][name]));
        close(&format!("{} {name}", e.id()), estimate.value, value, 0.0, 1e-4 * se);
        close(&format!("{} error of {name}", e.id()), estimate.se, se, 1e-3, 0.0);
    }
    close("RSS", rss, num(&w["rss"]), 1e-9, 0.0);
    close("residual scatter", sd, num(&w["residual_sd"]), 1e-9, 0.0);
    assert_eq!(degrees as f64, num(&w["dof"]));
}

#[test]
fn heating_curves() {
    for id in ["h1-heater-step", "h2-heater-step-short"] {
        let e = entry("thermal", id);
        let f = step::fit(&nums(&e.input()["t_s"]), &nums(&e.input()["T_C"])).unwrap();
        let got = [("T0", f.start()), ("lift", f.lift()), ("tau", f.time_constant())];
        estimates(&e, &got, f.rss, f.residual_sd(), f.degrees);
    }
}

#[test]
fn cooling_curve() {
    let e = entry("thermal", "h3-cooling");
    let f = step::fit(&nums(&e.input()["t_s"]), &nums(&e.input()["T_C"])).unwrap();
    let got = [("Tinf", f.end()), ("D", f.drop()), ("tau", f.time_constant())];
    estimates(&e, &got, f.rss, f.residual_sd(), f.degrees);
}

/// Tolerance 1e-6 K.
#[test]
fn driven_by_a_swing() {
    let e = entry("thermal", "h4-driven-sine");
    let (i, w) = (e.input(), e.expected());
    let (tau, period) = (num(&i["tau_s"]), num(&i["period_s"]));
    let swing = Swing { mean: num(&i["A0"]), amplitude: num(&i["A1"]), period_s: period, phase: num(&i["phi_rad"]) };
    for (t, want) in nums(&i["t_s"]).into_iter().zip(nums(&w["T_C"])) {
        let got = swing.box_at(t, num(&i["T0"]), num(&i["lift"]), tau).unwrap();
        close(&format!("at {t} s"), got, want, 0.0, 1e-6);
    }
    close("ratio", response::amplitude_ratio(tau, period).unwrap(), num(&w["amplitude_ratio"]), 1e-12, 0.0);
    close("phase", response::phase_lag(tau, period).unwrap(), num(&w["phase_lag_rad"]), 1e-12, 0.0);
    close("lag", response::time_lag(tau, period).unwrap(), num(&w["time_lag_s"]), 1e-12, 0.0);
    // The recursion that the fit uses agrees where the swing is cut fine enough.
    let t: Vec<f64> = (0..=8640).map(|i| f64::from(i) * 10.0).collect();
    let outside: Vec<f64> =
        t.iter().map(|t| swing.mean + swing.amplitude * (std::f64::consts::TAU * t / period).sin()).collect();
    let course = response::simulate(&t, &outside, &vec![1.0; t.len()], num(&i["T0"]), num(&i["lift"]), tau).unwrap();
    for (at, want) in nums(&i["t_s"]).into_iter().zip(nums(&w["T_C"])) {
        close("recursion", course[(at / 10.0) as usize], want, 0.0, 1e-6);
    }
}

/// Tolerance 1e-6 K.
#[test]
fn driven_by_a_ramp() {
    let e = entry("thermal", "h5-ramp");
    let (i, w) = (e.input(), e.expected());
    let (a, r, lift, tau) = (num(&i["a"]), num(&i["r_C_per_s"]), num(&i["lift"]), num(&i["tau_s"]));
    let t = nums(&i["t_s"]);
    let outside: Vec<f64> = t.iter().map(|t| a + r * t).collect();
    let course = response::simulate(&t, &outside, &vec![1.0; t.len()], num(&i["T0"]), lift, tau).unwrap();
    for (k, want) in nums(&w["T_C"]).into_iter().enumerate() {
        close("ramp", response::ramp(t[k], a, r, num(&i["T0"]), lift, tau).unwrap(), want, 0.0, 1e-6);
        close("recursion", course[k], want, 0.0, 1e-6);
    }
    let late = 100.0 * tau;
    let offset = response::ramp(late, a, r, num(&i["T0"]), lift, tau).unwrap() - (a + r * late);
    close("offset", offset, num(&w["steady_offset_box_minus_ambient"]), 0.0, 1e-6);
}

#[test]
fn a_night_with_a_switching_heater() {
    let e = entry("thermal", "h6-identify-driven");
    let i = e.input();
    let s = Stretch::new(0, &nums(&i["t_s"]), &nums(&i["ambient_C"]), &nums(&i["box_C"]), &nums(&i["heater"])).unwrap();
    let f = fit_stretches(&[s], Drive::Heater).unwrap();
    let got = [("T0", f.starts[0]), ("lift", f.heater.unwrap()), ("tau", f.tau_s)];
    estimates(&e, &got, f.rss, f.residual_sd(), f.degrees);
    // One night says nothing about how nights differ.
    assert!(f.by_nights.is_none() && f.nights == 1);
    // A box at −1 °C lasts, heater on, at the outside temperature below it by the lift.
    let outside = predict::outside_for_box(&f, -1.0, predict::Heating::On, 0.95).unwrap();
    close("outside level", outside.celsius, -1.0 - f.heater.unwrap().value, 0.0, 1e-12);
}

/// Tolerance 1e-12 relative.
#[test]
fn time_to_a_rise() {
    let e = entry("thermal", "h7-time-to-reach");
    let i = e.input();
    for (d, want) in nums(&i["d"]).into_iter().zip(e.expected().as_array().unwrap()) {
        let got = response::time_to_reach(d, num(&i["lift"]), num(&i["tau_s"])).unwrap();
        match want.as_f64() {
            Some(want) => close("time", got.unwrap(), want, 1e-12, 0.0),
            None => assert_eq!(got, None),
        }
    }
}
