//! Figures of a link, and common levels.
//!
//! Sources: RFC 3550 (2003), section 6.4.1 and appendix A.8; RFC 2681 (1999), section 4; RFC 2330 (1998), section 11.3. Signal
//! levels and temperature grades are common practice (see each entry).

use crate::data::{close, entry, num, nums};
use serde_json::Value;
use tilldawn::analysis::jitter::{Jitter, WholeJitter, series};
use tilldawn::analysis::levels;
use tilldawn::analysis::percentile::Sample;

#[test]
fn interarrival_jitter() {
    let e = entry("network", "l1-jitter");
    let (sent, received) = (nums(&e.input()["sent"]), nums(&e.input()["received"]));
    let w = e.expected();
    let (mut j, mut whole) = (Jitter::default(), WholeJitter::default());
    let mut got = Vec::new();
    let mut states = Vec::new();
    for (s, r) in sent.iter().zip(&received) {
        got.extend(j.add(*s, *r).unwrap());
        whole.add(*s as i64, *r as i64);
        states.push((whole.state() as f64, whole.report() as f64));
    }
    assert_eq!(got, nums(&w["D"]));
    for (got, want) in series(&sent, &received).unwrap().into_iter().zip(nums(&w["J"])) {
        close("J", got, want, 0.0, 1e-12);
    }
    close("J", j.value(), num(&w["J_final"]), 0.0, 1e-12);
    let want: Vec<_> = w["integer_scaled_state_and_report"].as_array().unwrap().iter().map(nums).collect();
    assert_eq!(states[1..].iter().map(|s| vec![s.0, s.1]).collect::<Vec<_>>(), want);
}

#[test]
fn a_lost_reply_is_infinitely_long() {
    let e = entry("network", "l2-rtt-stats");
    let stream = |key: &str| {
        let v = e.input()[key].as_array().unwrap();
        Sample::new(&v.iter().map(Value::as_f64).collect::<Vec<_>>()).unwrap()
    };
    let (a, b) = (stream("stream1"), stream("stream2"));
    let (wa, wb) = (&e.expected()["stream1"], &e.expected()["stream2"]);
    assert_eq!(a.percentile(50.0).unwrap(), num(&wa["p50"]));
    assert_eq!(a.minimum(), num(&wa["minimum"]));
    assert_eq!(a.share_up_to(103.0), num(&wa["inverse_percentile_103"]));
    assert_eq!(a.loss(), num(&wa["loss_fraction"]));
    assert_eq!(b.median(), num(&wb["median"]));
    assert_eq!(b.loss(), num(&wb["loss_fraction"]));
    assert_eq!(a.percentile(100.0).unwrap(), f64::INFINITY);
}

#[test]
fn percentiles_of_the_empirical_distribution() {
    let e = entry("network", "l3-edf-percentile");
    let s = Sample::of(&nums(&e.input()["sample"])).unwrap();
    let w = e.expected();
    for (x, share) in w["F"].as_object().unwrap() {
        assert_eq!(s.share_up_to(x.parse().unwrap()), num(share), "F({x})");
    }
    for (percent, key) in [(50.0, "p50"), (25.0, "p25"), (100.0, "p100")] {
        assert_eq!(s.percentile(percent).unwrap(), num(&w[key]), "{key}");
    }
    assert_eq!(s.median(), num(&w["median"]));
}

#[test]
fn signal_levels() {
    let e = entry("grades", "l5-wifi-levels");
    let w = e.expected();
    assert_eq!(levels::SIGNAL_GOOD, num(&w["good_at_or_above_dBm"]));
    assert_eq!(levels::SIGNAL_USABLE, num(&w["usable_at_or_above_dBm"]));
    assert_eq!(levels::SIGNAL_MARGINAL, num(&w["marginal_down_to_dBm"]));
    assert_eq!(levels::SIGNAL_UNUSABLE, num(&w["unusable_below_dBm"]));
    assert_eq!((levels::SNR_GOOD, levels::SNR_USABLE), (num(&w["snr_good_dB"]), num(&w["snr_usable_dB"])));
    for (percent, dbm) in nums(&w["examples"]["percent"]).into_iter().zip(nums(&w["examples"]["dBm"])) {
        assert_eq!(levels::percent_to_dbm(percent), dbm);
    }
    for (dbm, word) in [(-67.0, "good"), (-70.0, "usable"), (-80.0, "marginal"), (-85.0, "weak"), (-85.1, "unusable")] {
        assert_eq!(levels::signal_word(dbm), word);
    }
}

#[test]
fn temperature_grades() {
    let e = entry("grades", "m1-temperature-grades");
    let w = e.expected();
    for (name, low, high) in levels::GRADES {
        assert_eq!(vec![low, high], nums(&w[name.replace(' ', "_")]), "{name}");
    }
    for (number, low, high) in levels::AUTOMOTIVE {
        assert_eq!(vec![low, high], nums(&w["aec_q100"][number.to_string()]));
    }
    assert_eq!(levels::grade_for(-5.0).unwrap().0, "industrial");
    assert!(levels::grade_for(200.0).is_none());
}
