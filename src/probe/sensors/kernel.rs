//! Sensors that the kernel offers as files: hwmon, thermal zones, industrial I/O, 1-Wire. The raw numbers are thousandths of a
//! degree or of a per cent, which the configuration's default scale of 0.001 for these sources turns into units.
//!
//! Units follow the kernel's own documents: "Naming and data format standards for sysfs files" (hwmon: millidegrees), "Generic
//! Thermal Sysfs driver How To" (millidegrees), "ABI testing sysfs-bus-iio" (in_temp in millidegrees, in_humidityrelative in
//! thousandths of a per cent after (raw + offset) · scale), "Kernel driver w1_therm" (millidegrees).

use super::{Raw, RawSource};
use crate::config::model::SensorKind;
use crate::model::{Span, Stamp, Why, WhyCode};
use crate::probe::Roots;
use std::path::{Path, PathBuf};

fn milli(text: &[u8], what: &str) -> Result<Raw, Why> {
    let text = String::from_utf8_lossy(text);
    let t = text.trim();
    t.parse::<i64>().map(|v| Raw { number: v as f64, age: Span::ZERO }).map_err(|_| {
        Why::new(WhyCode::Garbled, format!("{what}: `{}` is no whole number", t.chars().take(40).collect::<String>()))
    })
}

fn read_milli(roots: &Roots, file: &Path) -> Result<Raw, Why> {
    let what = format!("`/{}`", file.display());
    let text = roots.read(file).map_err(|e| Why::from_io(&what, &e))?;
    milli(&text, &what)
}

/// Folders in `folder` whose `file` holds `wanted`, in the order of their names.
fn named(roots: &Roots, folder: &str, file: &str, wanted: &str) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(roots.path(folder))
        .map(|d| d.flatten().map(|e| Path::new(folder).join(e.file_name())).collect())
        .unwrap_or_default();
    all.retain(|p| roots.text(p.join(file)).as_deref() == Some(wanted));
    all.sort();
    all
}

fn absent(text: String) -> Why {
    Why::new(WhyCode::Absent, text)
}

/// A hwmon chip's input, by chip name and label (or `temp1`).
pub struct Hwmon {
    roots: Roots,
    chip: String,
    input: String,
    kind: SensorKind,
    found: Option<PathBuf>,
}

impl Hwmon {
    /// Looked for when first read, and again when it is gone: numbers of chips change from boot to boot.
    pub fn new(roots: Roots, chip: &str, input: &str, kind: SensorKind) -> Hwmon {
        Hwmon { roots, chip: chip.into(), input: input.into(), kind, found: None }
    }

    fn find(&self) -> Result<PathBuf, Why> {
        let chips = named(&self.roots, "sys/class/hwmon", "name", &self.chip);
        if chips.is_empty() {
            return Err(absent(format!(
                "there is no hwmon chip `{}`; `tilldawn look` lists those that are",
                self.chip
            )));
        }
        for chip in &chips {
            let direct = chip.join(format!("{}_input", self.input));
            if self.roots.path(&direct).exists() {
                return Ok(direct);
            }
            for n in 0..64 {
                for kind in self.prefixes() {
                    if self.roots.text(chip.join(format!("{kind}{n}_label"))).as_deref() == Some(self.input.as_str()) {
                        return Ok(chip.join(format!("{kind}{n}_input")));
                    }
                }
            }
        }
        Err(absent(format!("the hwmon chip `{}` has no input or label `{}`", self.chip, self.input)))
    }

    fn prefixes(&self) -> &'static [&'static str] {
        match self.kind {
            SensorKind::Temperature => &["temp"],
            SensorKind::Humidity => &["humidity"],
        }
    }
}

impl RawSource for Hwmon {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let path = match self.found.take() {
            Some(p) => p,
            None => self.find()?,
        };
        let raw = read_milli(&self.roots, &path);
        if raw.is_ok() {
            self.found = Some(path);
        }
        raw
    }
}

/// A thermal zone by its type.
pub struct Thermal {
    roots: Roots,
    zone: String,
}

impl Thermal {
    /// The first zone of this type.
    pub fn new(roots: Roots, zone: &str) -> Thermal {
        Thermal { roots, zone: zone.into() }
    }
}

impl RawSource for Thermal {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let zones = named(&self.roots, "sys/class/thermal", "type", &self.zone);
        let zone = zones.first().ok_or_else(|| absent(format!("there is no thermal zone of type `{}`", self.zone)))?;
        read_milli(&self.roots, &zone.join("temp"))
    }
}

/// A channel of an industrial I/O device.
pub struct Iio {
    roots: Roots,
    device: String,
    channel: String,
}

impl Iio {
    /// The first device of this name.
    pub fn new(roots: Roots, device: &str, channel: &str) -> Iio {
        Iio { roots, device: device.into(), channel: channel.into() }
    }

    fn figure(&self, file: &Path) -> Option<f64> {
        self.roots.text(file)?.parse().ok().filter(|v: &f64| v.is_finite())
    }
}

impl RawSource for Iio {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let devices = named(&self.roots, "sys/bus/iio/devices", "name", &self.device);
        let dir = devices.first().ok_or_else(|| absent(format!("there is no I/O device `{}`", self.device)))?;
        let file = |end: &str| dir.join(format!("in_{}_{end}", self.channel));
        let input = file("input");
        if self.roots.path(&input).exists() {
            let what = format!("`/{}`", input.display());
            let text = self.roots.read(&input).map_err(|e| Why::from_io(&what, &e))?;
            let text = String::from_utf8_lossy(&text).trim().to_string();
            // Some drivers print fractions of thousandths here.
            let v: f64 = text.parse().map_err(|_| Why::new(WhyCode::Garbled, format!("{what}: no number")))?;
            return Ok(Raw { number: v, age: Span::ZERO });
        }
        let raw = file("raw");
        let what = format!("`/{}`", raw.display());
        let text = self.roots.read(&raw).map_err(|e| Why::from_io(&what, &e))?;
        let count: f64 = String::from_utf8_lossy(&text)
            .trim()
            .parse()
            .map_err(|_| Why::new(WhyCode::Garbled, format!("{what}: no number")))?;
        let offset = self.figure(&file("offset")).unwrap_or(0.0);
        let scale = self.figure(&file("scale")).ok_or_else(|| {
            absent(format!("`/{}` is missing, so the raw number has no unit", file("scale").display()))
        })?;
        Ok(Raw { number: (count + offset) * scale, age: Span::ZERO })
    }
}

/// Millidegrees that a 1-Wire thermometer shows when it has just been powered on and has measured nothing.
const POWER_ON: i64 = 85_000;
/// Millidegrees that stand for "no sensor answered".
const NO_ANSWER: i64 = -127_000;

/// What a 1-Wire thermometer's number of millidegrees means. The power-on value of 85 °C and the error value of −127 °C are
/// no temperatures (common practice, no source: makers' data sheets state them).
///
/// # Errors
/// Which of the two it was.
pub fn one_wire(millidegrees: i64) -> Result<f64, Why> {
    match millidegrees {
        POWER_ON => Err(Why::new(WhyCode::OutOfRange, "85 °C is this sensor's power-on value: it lost power just now")),
        NO_ANSWER => Err(Why::new(WhyCode::OutOfRange, "−127 °C means that no sensor answered: look at the cable")),
        m => Ok(m as f64),
    }
}

/// A 1-Wire thermometer by its address.
pub struct OneWire {
    roots: Roots,
    address: String,
}

impl OneWire {
    /// `28-…`
    pub fn new(roots: Roots, address: &str) -> OneWire {
        OneWire { roots, address: address.into() }
    }
}

impl RawSource for OneWire {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let dir = Path::new("sys/bus/w1/devices").join(&self.address);
        let short = dir.join("temperature");
        let what = format!("`/{}`", dir.display());
        if self.roots.path(&short).exists() {
            let text = self.roots.read(&short).map_err(|e| Why::from_io(&what, &e))?;
            let text = String::from_utf8_lossy(&text).trim().to_string();
            // An empty file: the sensor did not answer within the driver's time.
            let m =
                text.parse().map_err(|_| Why::new(WhyCode::Garbled, format!("{what}: the sensor gave no number")))?;
            return Ok(Raw { number: one_wire(m)?, age: Span::ZERO });
        }
        let text = self.roots.read(dir.join("w1_slave")).map_err(|e| Why::from_io(&what, &e))?;
        let text = String::from_utf8_lossy(&text);
        if !text.lines().next().is_some_and(|l| l.trim_end().ends_with("YES")) {
            return Err(Why::new(
                WhyCode::Garbled,
                format!("{what}: the checksum was wrong; look at cable and pull-up"),
            ));
        }
        let m = text.split("t=").nth(1).and_then(|t| t.split_whitespace().next()).and_then(|t| t.parse().ok());
        let m = m.ok_or_else(|| Why::new(WhyCode::Garbled, format!("{what}: no `t=` in the answer")))?;
        Ok(Raw { number: one_wire(m)?, age: Span::ZERO })
    }
}
