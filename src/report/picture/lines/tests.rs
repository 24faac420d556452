use super::*;

const START: i64 = 1_768_231_800_000;

fn at(minute: i64) -> UnixMs {
    UnixMs(START + minute * 60_000)
}

fn series(label: &str, stroke: Stroke, f: impl Fn(f64) -> f64, until: i64) -> Series {
    let points = (0..until).map(|i| {
        let v = f(i as f64 / 60.0);
        Point { at: at(i), value: Some((v - 0.2, v, v + 0.2)) }
    });
    Series { label: label.into(), stroke, decimals: Some(1), points: points.collect() }
}

/// Invented temperatures of an invented garden.
pub(crate) fn sample() -> LinePlot {
    LinePlot {
        name: "temperatures".into(),
        about: "Temperatures.".into(),
        from: at(0),
        to: at(900),
        zone: TimeZone::get("Europe/Berlin").unwrap(),
        unit: "°C".into(),
        at_least: None,
        at_most: None,
        series: vec![
            series("box", Stroke::Heavy, |h| 14.6 + 1.4 * (-h / 2.0).exp() + 0.25 * (h * 5.0).sin(), 900),
            series("outside", Stroke::Plain, |h| -3.4 + 8.5 * (-h / 2.6).exp() + 0.3 * (h * 3.0).sin(), 900),
            series("dew point", Stroke::Dashed, |h| -5.6 + 4.5 * (-h / 3.5).exp(), 600),
        ],
        thresholds: vec![Threshold { value: 1.0, label: "box limit 1 °C".into() }],
        dark: vec![(at(132), at(813))],
        gaps: vec![(at(354), at(366))],
        letters: vec![(at(523), "C".into())],
        now: None,
    }
}

#[test]
fn lines_are_labelled_where_they_end() {
    for svg in [sample().draw_wide().0, sample().draw_tall().0] {
        for part in ["box", "outside", "until 02:", "box limit 1 °C", "local time (CET, UTC+01:00)", "°C"] {
            assert!(svg.contains(part), "no {part}");
        }
        assert!(!svg.contains("style=") && !svg.contains("NaN"));
    }
}

#[test]
fn gaps_and_holes_stay_open() {
    let p = sample();
    assert_eq!(runs(&p.series[0].points, &p.gaps).len(), 2);
    let mut points = p.series[0].points.clone();
    points[100].value = None;
    points.drain(200..210);
    assert_eq!(runs(&points, &[]).len(), 3);
    assert_eq!(runs(&[], &[]).len(), 0);
    assert_eq!(runs(&sample().series[0].points[..1], &[]).len(), 1);
}

#[test]
fn a_plot_of_little_is_still_a_plot() {
    let mut p = sample();
    p.series.truncate(1);
    p.series[0].points.truncate(1);
    assert!(p.draw_wide().0.contains("circle"));
    p.series[0].points.clear();
    assert!(p.is_empty());
    assert!(!p.draw_tall().0.contains("NaN"));
}

#[test]
fn the_plot_is_said_in_words() {
    insta::assert_snapshot!(sample().words(), @"Temperatures. Box from 16.0 to 14.5 °C, lowest 14.2, highest 16.3. Outside from 5.1 to −3.1 °C, lowest −3.9, highest 5.3. Dew point from −1.1 to −5.3 °C, lowest −5.5, highest −0.9.");
}
