//! 2×2 tables.
//!
//! Sources: Fisher 1935, *The Design of Experiments*, ch. 2; Fisher's twins ("Convictions"); Boschloo 1970; Barnard 1945.
//! Tolerances as in the entries: p 1e-12, odds ratio 1e-6 relative, unconditional tests 5e-4.

use crate::data::{close, count, entries, num, nums};
use tilldawn::analysis::fisher::{self, Table};

#[test]
fn every_table() {
    for e in entries("fisher", "b-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let t = Table::new(count(&i["a"]), count(&i["b"]), count(&i["c"]), count(&i["d"]));
        let got = fisher::test(t).unwrap();
        for (key, value) in [
            ("p_less", got.less),
            ("p_greater", got.greater),
            ("p_two", got.two_sided),
            ("p_point", got.point),
            ("midp_less", got.mid_less),
            ("midp_greater", got.mid_greater),
            ("midp_two_pointprob", got.mid_two_sided),
            ("midp_two_doubled", got.mid_two_sided_doubled),
        ] {
            close(&format!("{id} {key}"), value, num(&w[key]["decimal"]), 0.0, 1e-12);
            // The exact fraction, too.
            let fraction = w[key]["fraction"].as_str().unwrap();
            let (top, bottom) = fraction.split_once('/').unwrap();
            let exact = top.parse::<f64>().unwrap() / bottom.parse::<f64>().unwrap();
            close(&format!("{id} {key}"), value, exact, 1e-14, 0.0);
        }
        let or = fisher::odds_ratio(t, 0.95).unwrap();
        match or.conditional {
            Some(v) => close(&format!("{id} odds ratio"), v, num(&w["or_cond_mle"]), 1e-6, 0.0),
            None => assert!(w["or_cond_mle"].is_null(), "{id}"),
        }
        match or.sample {
            Some(v) => close(&format!("{id} sample odds ratio"), v, num(&w["or_sample"]), 1e-12, 0.0),
            None => assert!(w["or_sample"].is_null(), "{id}"),
        }
        let ci = nums(&w["or_ci"]);
        close(&format!("{id} lower"), or.limits.low, ci[0], 1e-6, 0.0);
        close(&format!("{id} upper"), or.limits.high, ci[1], 1e-6, 0.0);
        if w["boschloo_two_sided_p"].is_number() {
            let b = fisher::boschloo(t).unwrap();
            close(&format!("{id} Boschloo"), b.two_sided, num(&w["boschloo_two_sided_p"]), 0.0, 5e-4);
            let b = fisher::barnard_two_sided(t).unwrap();
            close(&format!("{id} Barnard"), b, num(&w["barnard_two_sided_p_pooled_wald"]), 0.0, 5e-4);
        }
    }
}
