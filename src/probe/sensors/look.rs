//! What temperatures and humidities this machine offers, for the look around.

use crate::model::Name;
use crate::probe::{Found, Group, Roots};
use std::path::Path;

fn folders(roots: &Roots, folder: &str) -> Vec<String> {
    let mut all: Vec<String> = std::fs::read_dir(roots.path(folder))
        .map(|d| d.flatten().filter_map(|e| e.file_name().into_string().ok()).collect())
        .unwrap_or_default();
    all.sort();
    all
}

fn now(roots: &Roots, file: &Path) -> String {
    match roots.text(file).and_then(|t| t.parse::<f64>().ok()) {
        Some(v) => format!("reads {:.1} now; give it a place: `box`, `outside` or `component`", v / 1000.0),
        None => "cannot be read at this moment".into(),
    }
}

/// Everything found.
pub fn found(roots: &Roots) -> Vec<Found> {
    let mut all = Vec::new();
    for dir in folders(roots, "sys/class/hwmon") {
        let base = Path::new("sys/class/hwmon").join(&dir);
        let Some(chip) = roots.text(base.join("name")) else { continue };
        for file in folders(roots, &base.to_string_lossy()) {
            let Some(input) = file.strip_suffix("_input") else { continue };
            let kind = match () {
                () if input.starts_with("temp") => "temperature",
                () if input.starts_with("humidity") => "humidity",
                () => continue,
            };
            let label = roots.text(base.join(format!("{input}_label"))).filter(|l| !l.is_empty());
            let label = label.unwrap_or_else(|| input.to_string());
            let lines = vec![
                format!("[{kind}.{}]", Name::part(&format!("{chip}-{label}"))),
                format!("hwmon = {}", toml::Value::from(format!("{chip}/{label}"))),
                "place = \"component\"".into(),
            ];
            all.push(Found::with_lines(
                Group::Sensors,
                format!("{chip}, {label}"),
                lines,
                now(roots, &base.join(&file)),
            ));
        }
    }
    for dir in folders(roots, "sys/class/thermal") {
        let base = Path::new("sys/class/thermal").join(&dir);
        if !dir.starts_with("thermal_zone") {
            continue;
        }
        let Some(zone) = roots.text(base.join("type")) else { continue };
        let lines = vec![
            format!("[temperature.{}]", Name::part(&zone)),
            format!("thermal = {zone:?}"),
            "place = \"component\"".into(),
        ];
        all.push(Found::with_lines(
            Group::Sensors,
            format!("thermal zone {zone}"),
            lines,
            now(roots, &base.join("temp")),
        ));
    }
    for dir in folders(roots, "sys/bus/iio/devices") {
        let base = Path::new("sys/bus/iio/devices").join(&dir);
        let Some(device) = roots.text(base.join("name")) else { continue };
        let mut seen = Vec::new();
        for file in folders(roots, &base.to_string_lossy()) {
            let Some(channel) =
                file.strip_prefix("in_").and_then(|f| f.strip_suffix("_input").or(f.strip_suffix("_raw")))
            else {
                continue;
            };
            let kind = match () {
                () if channel.starts_with("temp") => "temperature",
                () if channel.starts_with("humidityrelative") => "humidity",
                () => continue,
            };
            if seen.contains(&channel.to_string()) {
                continue;
            }
            seen.push(channel.to_string());
            let lines = vec![
                format!("[{kind}.{}]", Name::part(&device)),
                format!("iio = {}", toml::Value::from(format!("{device}/{channel}"))),
                "place = \"box\"".into(),
            ];
            let note = "its place is a guess: is it in the box or outside?";
            all.push(Found::with_lines(Group::Sensors, format!("{device}, {channel}"), lines, note));
        }
    }
    for address in folders(roots, "sys/bus/w1/devices") {
        // Family codes of thermometers on the 1-Wire bus (kernel document "Kernel driver w1_therm").
        if !["10-", "22-", "28-", "3b-", "42-"].iter().any(|f| address.starts_with(f)) {
            continue;
        }
        let lines = vec![
            format!("[temperature.{}]", Name::part(&address)),
            format!("one_wire = {address:?}"),
            "place = \"outside\"".into(),
        ];
        let note = "its place is a guess: warm it with your hand and look which one rises";
        all.push(Found::with_lines(Group::Sensors, format!("1-Wire thermometer {address}"), lines, note));
    }
    all
}
