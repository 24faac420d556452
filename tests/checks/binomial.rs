//! Shares with limits.
//!
//! Sources: Newcombe 1998, Stat. Med. 17:857–872, Table I (Wilson, Clopper–Pearson); tolerance 1e-8 and 4 printed decimals.

use crate::data::{close, count, entries, entry, num, nums};
use tilldawn::analysis::{Limits, binomial};

fn check(what: &str, got: Limits, want: &serde_json::Value, abs: f64) {
    let want = nums(want);
    close(&format!("{what} low"), got.low, want[0], 0.0, abs);
    close(&format!("{what} high"), got.high, want[1], 0.0, abs);
}

#[test]
fn newcombe_cases() {
    for e in entries("binomial", "d-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let (x, n, c) = (count(&i["x"]), count(&i["n"]), num(&i["conf"]));
        check(&format!("{id} exact"), binomial::clopper_pearson(x, n, c).unwrap(), &w["clopper_pearson"], 1e-8);
        check(&format!("{id} Wilson"), binomial::wilson(x, n, c).unwrap(), &w["wilson"], 1e-8);
        check(&format!("{id} mid-p"), binomial::mid_p(x, n, c).unwrap(), &w["mid_p"], 1e-8);
        check(&format!("{id} Jeffreys"), binomial::jeffreys(x, n, c).unwrap(), &w["jeffreys"], 1e-8);
        let published = &w["published_rounded"];
        check(&format!("{id} published"), binomial::wilson(x, n, c).unwrap(), &published["wilson"], 5.001e-5);
        if published["clopper_pearson"].is_array() {
            let got = binomial::clopper_pearson(x, n, c).unwrap();
            check(&format!("{id} published"), got, &published["clopper_pearson"], 5.001e-5);
        }
    }
}

#[test]
fn packet_loss() {
    for row in entry("binomial", "l4-loss-ci").expected().as_array().unwrap() {
        let (lost, sent) = (count(&row["lost"]), count(&row["sent"]));
        check("Wilson", binomial::wilson(lost, sent, 0.95).unwrap(), &row["wilson95"], 1e-8);
        check("exact", binomial::clopper_pearson(lost, sent, 0.95).unwrap(), &row["clopper_pearson95"], 1e-8);
    }
}
