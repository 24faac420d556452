use super::*;
use crate::analysis::thermal::response::simulate;
use crate::analysis::thermal::{Stretch, fit_season};

/// Six invented nights; the lift differs a little from night to night.
fn fit(lift: f64, heater: f64) -> ThermalFit {
    let nights: Vec<Stretch> = (0..6)
        .map(|n| {
            let t: Vec<f64> = (0..72).map(|i| f64::from(i) * 600.0).collect();
            let outside: Vec<f64> =
                t.iter().map(|t| 4.0 - 6.0 * t / 43_200.0 + (t / 4000.0 + n as f64).sin()).collect();
            let on: Vec<f64> = t.iter().map(|t| f64::from(u8::from(*t > 20_000.0))).collect();
            let tonight = lift + 0.2 * ((n * 7 % 6) as f64 - 2.5) / 2.5;
            let heat: Vec<f64> = on.iter().map(|u| tonight + heater * u).collect();
            let inside = simulate(&t, &outside, &heat, 8.0, 1.0, 5400.0).unwrap();
            Stretch::new(n, &t, &outside, &inside, if heater > 0.0 { &on } else { &[] }).unwrap()
        })
        .collect();
    fit_season(&nights, 1).unwrap()
}

fn facts(fit: &ThermalFit) -> BoxFacts<'_> {
    BoxFacts { fit: Ok(fit), outside: Some((-5.0, 12.0)), dew: None, too_hot_c: 45.0, hottest_seen: Some(20.0) }
}

#[test]
fn a_box_with_a_known_heater() {
    let f = fit(2.0, 17.0);
    let r = box_report(&facts(&f)).unwrap();
    let t = r.thermal.unwrap();
    assert!((t.lift - 19.0).abs() < 0.3 && (t.lift_without_heater.unwrap() - 2.0).abs() < 0.3, "{t:?}");
    assert!((t.time_constant_minutes - 90.0).abs() < 5.0 && t.errors_by_nights);
    assert_eq!(r.plausibility, Some(Plausibility::Usual));
    assert!(
        (r.with_heater.unwrap().coldest.celsius - 14.0).abs() < 0.3,
        "−5 °C outside gives about 10 to 15 °C inside"
    );
    let said = r.sentences(TemperatureScale::Celsius).join("\n");
    assert!(said.contains("with the heater off") && said.contains("Heater off: coldest box −3.0 °C"), "{said}");
    assert!(said.contains("common practice (no source)") && said.contains("no dew statement"), "{said}");
    assert!(!r.too_hot && r.cautions() == [CAUTION_HEATING]);
    let said = r.sentences(TemperatureScale::Fahrenheit).join("\n");
    assert!(said.contains("when 23.0 °F outside lasts") && !said.contains("°C"), "{said}");
}

#[test]
fn too_hot_comes_first() {
    let f = fit(30.0, 0.0);
    let mut facts = BoxFacts { outside: Some((0.0, 18.0)), ..facts(&f) };
    let r = box_report(&facts).unwrap();
    assert!(r.too_hot && !r.heater_known && r.plausibility.is_none());
    assert!(
        r.sentences(TemperatureScale::Celsius)[0].starts_with("At 18.0 °C outside the box may get too hot: about 48")
    );
    facts.hottest_seen = Some(46.0);
    let first = box_report(&facts).unwrap().sentences(TemperatureScale::Celsius)[0].clone();
    assert_eq!(first, "The box was too hot: 46.0 °C, above its limit of 45.0 °C.");
    facts.outside = Some((5.0, f64::NAN));
    assert!(box_report(&facts).is_err());
}

#[test]
fn without_a_fit_nothing_is_guessed() {
    let facts = BoxFacts {
        fit: Err("no outside sensor".into()),
        outside: Some((-5.0, 5.0)),
        dew: None,
        too_hot_c: 45.0,
        hottest_seen: None,
    };
    let r = box_report(&facts).unwrap();
    assert!(r.thermal.is_none() && r.with_heater.is_none() && !r.too_hot);
    let said = r.sentences(TemperatureScale::Celsius);
    assert_eq!(said[0], "How the box follows the outside cannot be told yet: no outside sensor.");
}

/// By hand from the WMO formulas: air of 10 °C and 80 % has its dew point at 6.706 °C.
#[test]
fn dew_in_the_box() {
    let air = |box_c: f64, rh: f64, outside: Option<f64>| AirReading { box_c, rh, outside_c: outside };
    let d = dew_figures(&[
        air(10.0, 80.0, Some(5.0)),
        air(10.0, 40.0, None),
        air(-127.0, 50.0, None),
        air(10.0, f64::NAN, None),
        air(10.0, 0.0, None),
    ])
    .unwrap();
    assert_eq!((d.readings, d.refused, d.above_100), (3, 2, 0));
    assert!((d.highest_dew_point - 6.706).abs() < 1e-3 && (d.smallest_margin - 3.294).abs() < 1e-3);
    assert!((d.smallest_margin_wall.unwrap() + 1.706).abs() < 1e-3);
    let f = fit(2.0, 0.0);
    let r = box_report(&BoxFacts { dew: Some(d), ..facts(&f) }).unwrap();
    let said = r.sentences(TemperatureScale::Celsius).join("\n");
    assert!(
        said.contains("no nearer to it than 3.3 °C") && said.contains("below the dew point, by up to 1.7 °C"),
        "{said}"
    );
    assert!(r.cautions().contains(&CAUTION_SKY));
    assert!(dew_figures(&[air(10.0, 0.0, None)]).is_none() && dew_figures(&[]).is_none());
    // Frost forms before dew: at −10 °C and 95 % the air is above ice saturation already.
    let cold = dew_figures(&[air(-10.0, 95.0, None)]).unwrap();
    assert!(cold.smallest_margin < 0.0 && dew_figures(&[air(10.0, 103.0, None)]).unwrap().above_100 == 1);
}
