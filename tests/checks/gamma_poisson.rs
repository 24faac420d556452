//! Posterior of rates.
//!
//! Source: Gelman et al., *Bayesian Data Analysis*, ch. 2; closed forms checked by quadrature. Tolerance 1e-9.

use crate::data::{close, count, entries, num, nums};
use serde_json::Value;
use tilldawn::analysis::gamma_poisson::{Gamma, posterior};

#[test]
fn every_case() {
    for e in entries("gamma_poisson", "g-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let prior = Gamma { shape: num(&i["prior_shape"]), rate: num(&i["prior_rate"]) };
        let a = posterior(prior, count(&i["xA"]), num(&i["TA"])).unwrap();
        let b = posterior(prior, count(&i["xB"]), num(&i["TB"])).unwrap();
        let check = |what: &str, g: Gamma, post: &Value, cred: &Value| {
            close(&format!("{id} {what} shape"), g.shape, num(&post["shape"]), 0.0, 1e-12);
            close(&format!("{id} {what} rate"), g.rate, num(&post["rate"]), 0.0, 1e-12);
            close(&format!("{id} {what} mean"), g.mean(), num(&post["mean"]), 0.0, 1e-12);
            let (got, want) = (g.limits(0.95).unwrap(), nums(cred));
            close(&format!("{id} {what} low"), got.low, want[0], 1e-9, 0.0);
            close(&format!("{id} {what} high"), got.high, want[1], 1e-9, 0.0);
        };
        check("A", a, &w["posterior_A"], &w["cred95_A"]);
        check("B", b, &w["posterior_B"], &w["cred95_B"]);
        let p = |factor: f64| b.probability_below(a, factor).unwrap();
        close(&format!("{id} below"), p(1.0), num(&w["prob_rateB_less_than_rateA"]), 0.0, 1e-9);
        close(&format!("{id} below half"), p(0.5), num(&w["prob_rateB_less_than_half_rateA"]), 0.0, 1e-9);
    }
}
