//! Laws that hold for any data: symmetry, change of unit, intervals that hold their estimate, tests and limits that agree with
//! each other, and no panic and no made-up number for any input at all.

use proptest::prelude::*;
use tilldawn::analysis::fisher::Table;
use tilldawn::analysis::gamma_poisson::{self, JEFFREYS};
use tilldawn::analysis::logistic::{Fit, Observations, Separation};
use tilldawn::analysis::percentile::Sample;
use tilldawn::analysis::survival::{Stop, kaplan_meier, log_rank, mean_time_between};
use tilldawn::analysis::thermal::{Mean, Stretch, fit_season, means, step};
use tilldawn::analysis::{binomial, dew, firth, fisher, jitter, logistic, poisson, special, trend};
use tilldawn::model::{Span, UnixMs};

fn near(a: f64, b: f64, rel: f64) -> bool {
    a == b || (a - b).abs() <= rel * a.abs().max(b.abs()).max(1e-9)
}

/// Nights: a temperature in tenths of a degree and whether there was trouble.
fn nights() -> impl Strategy<Value = Vec<(f64, bool)>> {
    prop::collection::vec(((-200i32..200).prop_map(|t| f64::from(t) / 10.0), any::<bool>()), 2..30)
}

fn parts(data: &[(f64, bool)]) -> (Vec<f64>, Vec<bool>) {
    data.iter().copied().unzip()
}

/// Whether some cut parts yes from no, ends shared at most: tried one by one.
fn separable(data: &[(f64, bool)]) -> bool {
    let mut cuts: Vec<f64> = data.iter().map(|d| d.0).collect();
    cuts.extend([f64::NEG_INFINITY, f64::INFINITY]);
    cuts.iter().any(|c| {
        let yes_low = data.iter().all(|(x, y)| if *y { x <= c } else { x >= c });
        let yes_high = data.iter().all(|(x, y)| if *y { x >= c } else { x <= c });
        yes_low || yes_high
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn logistic_fits(data in nights()) {
        let (x, y) = parts(&data);
        prop_assume!(x.iter().any(|v| *v != x[0]));
        let obs = Observations::binary(&x, &y).unwrap();
        prop_assert_eq!(obs.separation() != Separation::None, separable(&data));
        let Fit::Found(f) = logistic::fit(&obs).unwrap() else {
            prop_assert!(obs.deviance_limit().unwrap() <= obs.null_deviance() + 1e-9);
            return Ok(());
        };
        prop_assert!(f.deviance <= f.null_deviance * (1.0 + 1e-12));
        // °F, mirrored and swapped outcomes, another order: the same fit in other clothes.
        let fahrenheit: Vec<f64> = x.iter().map(|c| dew::fahrenheit(*c)).collect();
        let g = logistic::fit_binary(&fahrenheit, &y).unwrap().found().unwrap();
        let slope_se = f.line.standard_errors()[1];
        prop_assert!((g.line.slope * 1.8 - f.line.slope).abs() <= 1e-7 * slope_se && near(g.deviance, f.deviance, 1e-9));
        let swapped: Vec<bool> = y.iter().map(|y| !y).collect();
        let s = logistic::fit_binary(&x, &swapped).unwrap().found().unwrap();
        // Agreement is measured by the standard error: the estimates themselves may be zero.
        let alike = |a: [f64; 2], b: [f64; 2]| {
            let se = f.line.standard_errors();
            (0..2).all(|i| (a[i] - b[i]).abs() <= 1e-7 * se[i])
        };
        prop_assert!(alike([-s.line.intercept, -s.line.slope], [f.line.intercept, f.line.slope]));
        let (rx, ry): (Vec<f64>, Vec<bool>) = data.iter().rev().copied().unzip();
        let r = logistic::fit_binary(&rx, &ry).unwrap().found().unwrap();
        prop_assert!(alike([r.line.intercept, r.line.slope], [f.line.intercept, f.line.slope]));
        let yes: Vec<u64> = y.iter().map(|y| u64::from(*y)).collect();
        let grouped = logistic::fit_grouped(&x, &yes, &vec![1; x.len()]).unwrap().found().unwrap();
        prop_assert_eq!(grouped.line, f.line);
        // Limits hold their estimates, and a slope whose profile excludes 0 is significant.
        let slope = f.slope_profile(0.95).unwrap();
        prop_assert!(slope.contains(f.line.slope), "{:?} {:?}", slope, f.line);
        if (f.likelihood_ratio() - 3.841_458_820_694_124).abs() > 1e-6 {
            prop_assert_eq!(slope.contains(0.0), f.likelihood_ratio() < 3.841_458_820_694_124, "{:?} {}", slope, f.likelihood_ratio());
        }
        if let Some(half) = f.line.half_point() {
            prop_assert!(f.line.half_point_delta(0.9).unwrap().unwrap().contains(half));
            prop_assert!(f.line.half_point_fieller(0.9).unwrap().contains(half));
            let set = f.half_point_profile(0.9).unwrap().unwrap();
            prop_assert!(set.contains(half), "{set:?} {half}");
        }
    }

    #[test]
    fn firth_is_always_finite(data in nights()) {
        let (x, y) = parts(&data);
        prop_assume!(x.iter().any(|v| *v != x[0]));
        let f = firth::fit_binary(&x, &y).unwrap();
        prop_assert!(f.line.slope.is_finite() && f.line.intercept.is_finite());
        let fahrenheit: Vec<f64> = x.iter().map(|c| dew::fahrenheit(*c)).collect();
        let g = firth::fit_binary(&fahrenheit, &y).unwrap();
        prop_assert!((g.line.slope * 1.8 - f.line.slope).abs() <= 1e-7 * f.line.standard_errors()[1]);
        let swapped: Vec<bool> = y.iter().map(|y| !y).collect();
        let s = firth::fit_binary(&x, &swapped).unwrap();
        prop_assert!((s.line.slope + f.line.slope).abs() < 1e-7 * (1.0 + f.line.slope.abs()));
        let slope = f.slope_profile(0.95).unwrap();
        prop_assert!(slope.contains(f.line.slope), "{:?} {:?}", slope, f.line);
        if let Some(half) = f.line.half_point() {
            let set = f.half_point_profile(0.95).unwrap().unwrap();
            prop_assert!(set.contains(half), "{set:?} {half}");
            let (_, p) = f.slope_test().unwrap();
            if (p - 0.05).abs() > 1e-6 {
                prop_assert_eq!(set.interval().is_some(), p < 0.05, "{:?} {}", set, p);
            }
        }
    }

    #[test]
    fn tables(a in 0u64..14, b in 0u64..14, c in 0u64..14, d in 0u64..14) {
        let t = fisher::test(Table::new(a, b, c, d)).unwrap();
        let near = |a: f64, b: f64| (a - b).abs() < 1e-12;
        prop_assert!(near(t.less + t.greater, 1.0 + t.point));
        prop_assert!(t.two_sided >= t.point - 1e-15 && t.two_sided <= 1.0 + 1e-15);
        let other = fisher::test(Table::new(c, d, a, b)).unwrap();
        prop_assert!(near(t.less, other.greater) && near(t.two_sided, other.two_sided));
        let turned = fisher::test(Table::new(a, c, b, d)).unwrap();
        prop_assert!(near(t.less, turned.less) && near(t.two_sided, turned.two_sided));
        // The limits of the odds ratio and the one-sided tests are one and the same thing.
        let or = fisher::odds_ratio(Table::new(a, b, c, d), 0.9).unwrap();
        if let Some(e) = or.conditional {
            prop_assert!(or.limits.contains(e));
        }
        if (t.greater - 0.05).abs() > 1e-9 && (t.less - 0.05).abs() > 1e-9 {
            prop_assert_eq!(or.limits.low > 1.0, t.greater < 0.05);
            prop_assert_eq!(or.limits.high < 1.0, t.less < 0.05);
        }
    }

    /// Beyond the reach of whole numbers the sums must not change their character.
    #[test]
    fn large_tables_agree_with_small_ones_in_kind(a in 0u64..400, b in 0u64..400, c in 0u64..400, d in 0u64..400) {
        let t = fisher::test(Table::new(a, b, c, d)).unwrap();
        prop_assert!((t.less + t.greater - 1.0 - t.point).abs() < 1e-9);
        let or = fisher::odds_ratio(Table::new(a, b, c, d), 0.95).unwrap();
        if let Some(e) = or.conditional {
            prop_assert!(or.limits.contains(e));
        }
    }

    #[test]
    fn rates(x1 in 0u64..40, x2 in 0u64..40, t1 in 0.1f64..500.0, t2 in 0.1f64..500.0, k in 0.01f64..100.0) {
        let c = poisson::compare(x1, t1, x2, t2, 0.95).unwrap();
        let turned = poisson::compare(x2, t2, x1, t1, 0.95).unwrap();
        prop_assert!(near(c.limits.low, 1.0 / turned.limits.high, 1e-10) && near(c.limits.high, 1.0 / turned.limits.low, 1e-10));
        prop_assert!(near(c.test.less, turned.test.greater, 1e-10));
        let scaled = poisson::compare(x1, k * t1, x2, k * t2, 0.95).unwrap();
        prop_assert!(near(c.test.two_sided, scaled.test.two_sided, 1e-6) && near(c.limits.low, scaled.limits.low, 1e-9));
        if let Some(r) = c.ratio {
            prop_assert!(c.limits.contains(r));
        }
        if (c.test.greater - 0.025).abs() > 1e-9 {
            prop_assert_eq!(c.limits.low > 1.0, c.test.greater < 0.025);
        }
        let g = poisson::garwood(x1, 0.95).unwrap();
        prop_assert!(g.contains(x1 as f64) && g.high < poisson::garwood(x1 + 1, 0.95).unwrap().high);
        // The limits are where the tails hold 2.5 %.
        prop_assert!((special::poisson_lower(x1, g.high) - 0.025).abs() < 1e-12);
        if x1 > 0 {
            prop_assert!((special::poisson_upper(x1, g.low) - 0.025).abs() < 1e-12);
        }
        let e = poisson::e_test(x1, t1, x2, t2).unwrap();
        prop_assert!((e - poisson::e_test(x2, t2, x1, t1).unwrap()).abs() < 1e-8);
        let m = mean_time_between(t1, x1, Stop::Time, 0.9).unwrap();
        prop_assert!(m.mean.is_none_or(|v| m.limits.contains(v)) && m.limits.low <= m.lower_one_sided);
        let (a, b) = (gamma_poisson::posterior(JEFFREYS, x1, t1).unwrap(), gamma_poisson::posterior(JEFFREYS, x2, t2).unwrap());
        let (p, q) = (a.probability_below(b, 1.0).unwrap(), b.probability_below(a, 1.0).unwrap());
        prop_assert!((p + q - 1.0).abs() < 1e-9 && a.probability_below(b, 0.5).unwrap() <= p + 1e-12 || p > 1.0 - 1e-12);
    }

    #[test]
    fn shares((n, x) in (0u64..60).prop_flat_map(|n| (Just(n), 0..=n)), p0 in 0.0f64..=1.0) {
        for limits in [binomial::clopper_pearson, binomial::wilson, binomial::mid_p, binomial::jeffreys] {
            let (l, m) = (limits(x, n, 0.95).unwrap(), limits(n - x, n, 0.95).unwrap());
            prop_assert!((l.low + m.high - 1.0).abs() < 1e-9 && (l.high + m.low - 1.0).abs() < 1e-9);
            prop_assert!((0.0..=1.0).contains(&l.low) && (0.0..=1.0).contains(&l.high));
            if n > 0 {
                prop_assert!(l.contains(x as f64 / n as f64), "{:?} {}/{}", l, x, n);
            }
        }
        let (wide, narrow) = (binomial::clopper_pearson(x, n, 0.95).unwrap(), binomial::mid_p(x, n, 0.95).unwrap());
        prop_assert!(wide.low <= narrow.low + 1e-12 && narrow.high <= wide.high + 1e-12);
        // The two-sided test by its definition, outcome by outcome.
        let t = binomial::test(x, n, p0).unwrap();
        let point = special::binomial_pmf(x, n, p0);
        let sum: f64 = (0..=n).map(|k| special::binomial_pmf(k, n, p0)).filter(|p| *p <= point * (1.0 + 1e-7)).sum();
        prop_assert!((t.two_sided - sum).abs() < 1e-10, "{} {}", t.two_sided, sum);
        prop_assert!((t.less + t.greater - 1.0 - point).abs() < 1e-10);
    }

    #[test]
    fn survival_curves(data in prop::collection::vec((0u32..40, any::<bool>()), 1..40), cut in 0usize..40) {
        let time: Vec<f64> = data.iter().map(|d| f64::from(d.0)).collect();
        let event: Vec<bool> = data.iter().map(|d| d.1).collect();
        let c = kaplan_meier(&time, &event, 0.95).unwrap();
        prop_assert!(c.steps.windows(2).all(|w| w[1].survival < w[0].survival && w[1].time > w[0].time));
        for s in &c.steps {
            for l in [s.plain, s.log, s.log_log].into_iter().flatten() {
                prop_assert!(l.contains(s.survival) && l.low >= 0.0 && l.high <= 1.0);
            }
        }
        let all = vec![true; time.len()];
        let plain = kaplan_meier(&time, &all, 0.95).unwrap();
        for s in &plain.steps {
            let beyond = time.iter().filter(|t| **t > s.time).count() as f64 / time.len() as f64;
            prop_assert!((s.survival - beyond).abs() < 1e-12);
        }
        let cut = cut.min(time.len());
        let ((t1, t2), (e1, e2)) = (time.split_at(cut), event.split_at(cut));
        let (a, b) = (log_rank(t1, e1, t2, e2).unwrap(), log_rank(t2, e2, t1, e1).unwrap());
        prop_assert!((a.chi2 - b.chi2).abs() < 1e-8 * (1.0 + a.chi2) && (0.0..=1.0).contains(&a.p));
    }

    /// Time run backwards turns a rising rate into a falling one.
    #[test]
    fn trends(times in prop::collection::vec(0.0f64..100.0, 0..30)) {
        let back: Vec<f64> = times.iter().map(|t| 100.0 - t).collect();
        let (a, b) = (trend::laplace(&times, 100.0, Stop::Time).unwrap(), trend::laplace(&back, 100.0, Stop::Time).unwrap());
        prop_assert!((a.faster - b.slower).abs() < 1e-7 && (a.statistic + b.statistic).abs() < 1e-9);
        for t in [trend::power_law(&times, 100.0, Stop::Time).unwrap(), trend::reversals(&times, 100.0, Stop::Time).unwrap()] {
            prop_assert!((0.0..=1.0).contains(&t.faster) && (0.0..=1.0).contains(&t.slower) && t.two_sided <= 1.0);
        }
    }

    #[test]
    fn water(t in -40.0f64..50.0, rh in 0.5f64..100.0, to in -40.0f64..50.0) {
        let d = dew::dew_point(t, rh).unwrap().unwrap();
        prop_assert!(d.celsius <= t + 1e-12 && !d.supersaturated);
        // Air at its dew point is full.
        if d.celsius > -80.0 {
            prop_assert!((dew::warmed(t, rh, d.celsius).unwrap().rh - 100.0).abs() < 1e-9);
            prop_assert!((dew::dew_point_of_pressure(dew::vapour_pressure(t, rh).unwrap()).unwrap() - d.celsius).abs() < 1e-9);
        }
        let there = dew::warmed(t, rh, to).unwrap();
        prop_assert_eq!(there.condenses, dew::margin(to, t, rh).unwrap().unwrap().over_water < -1e-12 && there.condenses);
        if there.rh <= 150.0 {
            prop_assert!((dew::warmed(to, there.rh, t).unwrap().rh - rh).abs() < 1e-9);
        }
        if let Some(frost) = dew::frost_point(t, rh).unwrap() {
            prop_assert!(frost >= d.celsius - 1e-9 && frost <= 0.0);
        }
        prop_assert!(dew::saturation_over_water(t).unwrap() < dew::saturation_over_water(t + 0.01).unwrap());
        prop_assert!((dew::celsius(dew::fahrenheit(t)) - t).abs() < 1e-12);
    }

    #[test]
    fn links(delays in prop::collection::vec(prop::option::weighted(0.8, 0.0f64..500.0), 1..60), shift in -1e4f64..1e4, y in 0.0f64..=100.0) {
        let s = Sample::new(&delays).unwrap();
        let p = s.percentile(y).unwrap();
        prop_assert!(s.share_up_to(p) * 100.0 >= y - 1e-6);
        prop_assert!(s.minimum() <= s.median() && p >= s.minimum());
        prop_assert!((s.share_up_to(f64::MAX) + s.loss() - 1.0).abs() < 1e-12);
        let sent: Vec<f64> = (0..delays.len()).map(|i| 20.0 * i as f64).collect();
        let got: Vec<f64> = sent.iter().zip(&delays).map(|(s, d)| s + d.unwrap_or(7.0)).collect();
        let moved: Vec<f64> = got.iter().map(|r| r + shift).collect();
        let (a, b) = (jitter::series(&sent, &got).unwrap(), jitter::series(&sent, &moved).unwrap());
        prop_assert!(a.iter().zip(&b).all(|(a, b)| *a >= 0.0 && (a - b).abs() < 1e-6));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(50))]

    /// Boschloo's test is never weaker than Fisher's, one-sided.
    #[test]
    fn unconditional_tests(a in 0u64..9, b in 0u64..9, c in 0u64..9, d in 0u64..9) {
        let t = Table::new(a, b, c, d);
        let (f, u) = (fisher::test(t).unwrap(), fisher::boschloo(t).unwrap());
        if a + b > 0 && c + d > 0 {
            prop_assert!(u.less <= f.less + 1e-9 && u.greater <= f.greater + 1e-9, "{u:?} {f:?}");
        }
        let p = fisher::barnard_two_sided(t).unwrap();
        prop_assert!((0.0..=1.0).contains(&p));
        prop_assert!((p - fisher::barnard_two_sided(Table::new(c, d, a, b)).unwrap()).abs() < 1e-7);
    }
}

fn anything() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<f64>(),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        Just(0.0),
        Just(-0.0),
        Just(f64::MIN_POSITIVE),
        Just(f64::MAX),
        -100.0f64..100.0,
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    /// Any numbers at all: an answer that is a number, or an error; never a panic, never a NaN passed off as a figure.
    #[test]
    fn nothing_panics(
        x in prop::collection::vec(anything(), 0..8), y in prop::collection::vec(any::<bool>(), 0..8),
        a in anything(), b in anything(), c in anything(), n in any::<u64>(), m in 0u64..50,
    ) {
        let finite = x.iter().all(|v| v.is_finite());
        for p in [a, b, c, 0.95] {
            let _ = (binomial::clopper_pearson(m.min(7), m, p), binomial::test(m.min(3), m, p), poisson::garwood(m, p));
            let _ = (poisson::rate(m, p, 0.95), poisson::compare(m, p, 2, a, 0.9), poisson::standardised_ratio(m, p, 0.9));
            let _ = (dew::dew_point(p, b), dew::frost_point(p, a), dew::margin(a, b, p), dew::warmed(p, a, b));
            let _ = (dew::lift_for_humidity(a, p, b), dew::enhancement_factor(p), mean_time_between(p, m, Stop::Fault, c));
        }
        let _ = (fisher::test(Table::new(n, m, 1, 2)), binomial::wilson(m, n.max(m), 0.95), poisson::garwood(n.min(1 << 40), 0.9));
        if let Ok(Fit::Found(f)) = logistic::fit_binary(&x, &y) {
            prop_assert!(finite && f.line.slope.is_finite() && f.deviance.is_finite());
            let _ = (f.slope_profile(0.95), f.half_point_profile(0.95), f.line.half_point_fieller(0.95));
        }
        if let Ok(f) = firth::fit_binary(&x, &y) {
            prop_assert!(finite && f.line.slope.is_finite());
            let _ = (f.slope_profile(0.95), f.intercept_profile(0.95), f.half_point_profile(0.95));
        }
        if let Ok(s) = kaplan_meier(&x, &y, 0.95) {
            prop_assert!(finite && s.steps.iter().all(|s| s.survival.is_finite()));
        }
        for test in [trend::laplace, trend::power_law, trend::reversals] {
            if let Ok(t) = test(&x, a, Stop::Time) {
                prop_assert!(t.two_sided.is_finite());
            }
        }
        let _ = (Sample::of(&x), jitter::series(&x, &x), step::fit(&x, &x.iter().map(|v| v * 0.5).collect::<Vec<_>>()));
        let readings: Vec<(UnixMs, f64)> = x.iter().enumerate().map(|(i, v)| (UnixMs(i as i64 * 600_000), *v)).collect();
        prop_assert_eq!(means::ten_minute_means(&readings).is_ok(), finite);
        let list: Vec<Mean> = readings.iter().map(|(at, value)| Mean { at: *at, value: *value }).collect();
        if let Ok(s) = means::stretches(0, &list, &list, Some(&readings), Span(n as i64)) {
            prop_assert!(fit_season(&s, 1).map_or(true, |f| f.tau_s.value.is_finite()));
        }
        let _ = Stretch::new(0, &x, &x, &x, &[]).map(|s| fit_season(&[s], 2));
    }
}

/// Two nights that were both quiet: steps by the plain information would go to and fro for ever. By symmetry, and because two
/// coefficients fit two rows, both probabilities are (0 + ½) / (1 + 1).
#[test]
fn firth_with_as_many_rows_as_figures() {
    let f = firth::fit_binary(&[0.0, 0.1], &[false, false]).unwrap();
    assert!(f.line.slope.abs() < 1e-9 && (f.line.predict(0.05) - 0.25).abs() < 1e-12, "{f:?}");
}

#[test]
fn a_stream_of_which_nothing_came() {
    let s = Sample::new(&[None, None]).unwrap();
    assert_eq!((s.median(), s.minimum(), s.loss(), s.largest_seen()), (f64::INFINITY, f64::INFINITY, 1.0, None));
}
