//! The Sun and its twilights.
//!
//! Sources: Reda & Andreas 2004, Solar Energy 76:577–589, and NREL/TP-560-34302 Table A5.1 (worked example); Meeus 1998,
//! *Astronomical Algorithms*, Example 25.b; twilight tables computed by three independent solutions (see each entry of
//! `sun.json`). Tolerances as in the entries.

use crate::data::{close, entries, entry, num};
use jiff::tz::TimeZone;
use serde_json::Value;
use tilldawn::model::UnixMs;
use tilldawn::night::sun::{Crossing, SunState, below, geocentric, position_with, sun_position, twilight};
use tilldawn::night::{Night, Place, Site, dark_hours, intervals};

fn at(v: &Value) -> UnixMs {
    instant(v.as_str().unwrap())
}
fn instant(text: &str) -> UnixMs {
    UnixMs(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}
fn site(i: &Value) -> Site {
    let height = i["elevation_m"].as_f64().unwrap_or(0.0);
    Site::new(num(&i["lat"]), num(&i["lon"]), height, TimeZone::UTC).unwrap()
}

/// Tolerance 1e-4 degrees.
#[test]
fn worked_example_of_the_algorithm() {
    let e = entry("sun", "j1-spa-example");
    let (i, w) = (e.input(), e.expected());
    let (s, t) = (site(i), at(&i["local_time"]));
    let air = Some((num(&i["pressure_mbar"]), num(&i["temperature_C"])));
    let seen = position_with(&s, t, num(&i["delta_T_s"]), air);
    close("zenith", 90.0 - seen.altitude, num(&w["zenith_deg"]), 0.0, 1e-4);
    close("azimuth", seen.azimuth, num(&w["azimuth_deg"]), 0.0, 1e-4);
    let bare = position_with(&s, t, num(&i["delta_T_s"]), None);
    close("zenith, no air", 90.0 - bare.altitude, num(&w["zenith_no_refraction_deg"]), 0.0, 1e-4);
    // With the crate's own difference of time scales: 1 s of it moves the Sun by 0.00001°.
    close("altitude", sun_position(&s, t).altitude, num(&w["elevation_no_refraction_deg"]), 0.0, 1e-4);
    close("altitude, second source", bare.altitude, num(&w["astropy_elevation_no_refraction_deg"]), 0.0, 0.002);
    // Sunrise and sunset, printed to the second. The published example works on the day of universal time, so its sunset is
    // that of the evening of the 16th in local time (a day later it is 88 s earlier).
    // It interpolates between three days where this searches, hence 2 s.
    let night =
        below(&s, instant("2003-10-16T12:00:00-07:00"), instant("2003-10-17T12:00:00-07:00"), -0.8333).intervals;
    let clock = |day: &str, v: &Value| instant(&format!("2003-10-{day}T{}-07:00", v.as_str().unwrap()));
    let (set, rise) = (clock("16", &w["sunset_local"]), clock("17", &w["sunrise_local"]));
    close("sunset", night[0].0.0 as f64, set.0 as f64, 0.0, 2000.0);
    close("sunrise", night[0].1.0 as f64, rise.0 as f64, 0.0, 2000.0);
}

/// Tolerance 0.0003 degrees.
#[test]
fn geocentric_example() {
    let e = entry("sun", "j2-meeus-25");
    let (ra, dec) = geocentric(instant(&format!("{}Z", e.input()["time_TT"].as_str().unwrap())));
    close("right ascension", ra, num(&e.expected()["ra_deg"]), 0.0, 0.0003);
    close("declination", dec, num(&e.expected()["dec_deg"]), 0.0, 0.0003);
}

#[test]
fn twilight_tables() {
    for e in entries("sun", "j3-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let s = site(i);
        let from = at(&i["window_start_utc"]);
        let to = UnixMs(from.0 + (num(&i["window_hours"]) * 3_600_000.0) as i64);
        let got = twilight(&s, from, to);
        let tolerance = |key: &str| e.tolerance()["seconds"][key].as_f64().unwrap_or(20.0);
        let check = |name: &str, c: Crossing, dusk: &str, dawn: &str| {
            for (key, t) in [(dusk, c.dusk), (dawn, c.dawn)] {
                match w[key].as_str() {
                    None => assert_eq!(t, None, "{id} {key}"),
                    Some(text) => {
                        let got = t.unwrap_or_else(|| panic!("{id} {key}: none found")).0 as f64;
                        close(&format!("{id} {key}"), got, instant(text).0 as f64, 0.0, 1000.0 * tolerance(key));
                    }
                }
            }
            let state = w[format!("{name}_state")].as_str().unwrap();
            let word = match c.state {
                SunState::Crosses => "crosses",
                SunState::AlwaysAbove => "sun always above this depression (never gets that dark)",
                SunState::AlwaysBelow => "sun always below (dark all window)",
            };
            assert_eq!(word, state, "{id} {name}");
            let minutes = num(&w[format!("minutes_below_{name}")]);
            let abs = (2.0 * tolerance(dusk) / 60.0).max(1.0);
            close(&format!("{id} minutes below {name}"), c.below_ms as f64 / 60_000.0, minutes, 0.0, abs);
        };
        check("sun", got.sun, "sunset", "sunrise");
        check("civil", got.civil, "civil_dusk", "civil_dawn");
        check("nautical", got.nautical, "nautical_dusk", "nautical_dawn");
        check("astronomical", got.astronomical, "astronomical_dusk", "astronomical_dawn");
        close(&format!("{id} lowest"), got.lowest_altitude, num(&w["min_altitude_deg"]), 0.0, 0.02);
        // The altitude is flat at its lowest, so the time is known to about a minute.
        close(&format!("{id} lowest at"), got.lowest_at.0 as f64, at(&w["min_altitude_utc"]).0 as f64, 0.0, 60_000.0);
        // Dark hours are the same question asked of a night.
        let night = Night { date: i["date"].as_str().unwrap().parse().unwrap(), from, to };
        for (depression, c) in [(12.0, got.nautical), (18.0, got.astronomical)] {
            assert_eq!(intervals::total(&dark_hours(&s, &night, depression)).0, c.below_ms, "{id}");
        }
        assert_eq!(Place::from(s.clone()).dark_hours(&night, 12.0), Some(dark_hours(&s, &night, 12.0)));
    }
}

/// Tolerance 0.001 degrees.
#[test]
fn positions() {
    let e = entry("sun", "j4-positions");
    for (i, w) in e.input()["cases"].as_array().unwrap().iter().zip(e.expected().as_array().unwrap()) {
        let got = sun_position(&site(i), at(&i["utc"]));
        close("altitude", got.altitude, num(&w["altitude_deg"]), 0.0, 0.001);
        let sideways = (got.azimuth - num(&w["azimuth_deg"])) * got.altitude.to_radians().cos();
        close("azimuth on the sky", sideways, 0.0, 0.0, 0.001);
    }
}
