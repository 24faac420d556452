//! Rates of rare events.
//!
//! Sources: Garwood 1936, Biometrika 28:437–442 (chi-square form Ulm 1990); Hanley & Lippman-Hand 1983; Przyborowski &
//! Wilenski 1940, Biometrika 31:313–323; Krishnamoorthy & Thomson 2004. Tolerances as in the entries.

use crate::data::{close, count, entries, entry, num, nums};
use tilldawn::analysis::{binomial, poisson};

#[test]
fn garwood_table() {
    let e = entry("poisson", "c1-garwood-table");
    for row in e.expected().as_array().unwrap() {
        let n = count(&row["n"]);
        for (level, low, high) in [(0.95, "lower95", "upper95"), (0.9, "lower90", "upper90")] {
            let got = poisson::garwood(n, level).unwrap();
            close(&format!("lower {n}"), got.low, num(&row[low]), 1e-8, 0.0);
            close(&format!("upper {n}"), got.high, num(&row[high]), 1e-8, 0.0);
        }
    }
}

#[test]
fn zero_events() {
    let e = entry("poisson", "c2-zero-events");
    let (nights, w) = (num(&e.input()["T_nights"]), e.expected());
    let t = 1e-12;
    close("one-sided", poisson::zero_events_upper(nights, 0.95).unwrap(), num(&w["upper95_one_sided"]), t, 0.0);
    let two = poisson::rate(0, nights, 0.95).unwrap();
    close("two-sided", two.limits.high, num(&w["upper95_two_sided"]), t, 0.0);
    close("rule of three", poisson::rule_of_three(nights).unwrap(), num(&w["rule_of_three"]), t, 0.0);
    let got = binomial::zero_upper(nights as u64, 0.95).unwrap();
    close("binomial", got, num(&w["binomial_exact_upper95_one_sided"]), t, 0.0);
}

#[test]
fn two_rates() {
    for e in entries("poisson", "c3-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let (x1, t1, x2, t2) = (count(&i["x1"]), num(&i["T1"]), count(&i["x2"]), num(&i["T2"]));
        let got = poisson::compare(x1, t1, x2, t2, 0.95).unwrap();
        let ci = nums(&w["ratio_ci"]);
        for (what, value, want) in [
            ("rate1", got.rate1, num(&w["rate1"])),
            ("rate2", got.rate2, num(&w["rate2"])),
            ("ratio", got.ratio.unwrap(), num(&w["ratio"])),
            ("two-sided", got.test.two_sided, num(&w["p_two_sided"])),
            ("doubled", got.test.two_sided_doubled, num(&w["p_two_sided_doubled"])),
            ("less", got.test.less, num(&w["p_ratio_less_than_1"])),
            ("greater", got.test.greater, num(&w["p_ratio_greater_than_1"])),
            ("mid-p", got.test.mid_two_sided_doubled, num(&w["midp_two_sided_doubled"])),
            ("lower", got.limits.low, ci[0]),
            ("upper", got.limits.high, ci[1]),
        ] {
            close(&format!("{id} {what}"), value, want, 1e-7, 0.0);
        }
        let e_test = poisson::e_test(x1, t1, x2, t2).unwrap();
        close(&format!("{id} E-test"), e_test, num(&w["e_test_p_two_sided"]), 0.0, 1e-4);
    }
}

#[test]
fn observed_against_expected() {
    let e = entry("poisson", "c4-smr");
    let got = poisson::standardised_ratio(count(&e.input()["observed"]), num(&e.input()["expected"]), 0.95).unwrap();
    let ci = nums(&e.expected()["ci"]);
    close("ratio", got.ratio, num(&e.expected()["ratio"]), 1e-7, 0.0);
    close("lower", got.limits.low, ci[0], 1e-7, 0.0);
    close("upper", got.limits.high, ci[1], 1e-7, 0.0);
}
