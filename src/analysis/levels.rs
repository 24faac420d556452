//! Common levels of received radio signals and of temperature ratings.
//!
//! Common practice, no standard: sources differ by about 5 dB, and each maker defines its own temperature grades. Meant for
//! wording ("weak"), never as proof; make them settings where they decide something.

/// At or above this a signal is good, in dBm.
pub const SIGNAL_GOOD: f64 = -67.0;
/// At or above this a signal is usable, in dBm.
pub const SIGNAL_USABLE: f64 = -70.0;
/// Down to this a signal is marginal, in dBm.
pub const SIGNAL_MARGINAL: f64 = -80.0;
/// Below this a signal is unusable, in dBm; in between it is weak.
pub const SIGNAL_UNUSABLE: f64 = -85.0;
/// Signal-to-noise ratio that is good, in dB.
pub const SNR_GOOD: f64 = 25.0;
/// Signal-to-noise ratio that is usable, in dB.
pub const SNR_USABLE: f64 = 20.0;

/// A word for a received signal in dBm: good, usable, marginal, weak, unusable; `unknown` for NaN.
pub fn signal_word(dbm: f64) -> &'static str {
    match dbm {
        d if d.is_nan() => "unknown",
        d if d >= SIGNAL_GOOD => "good",
        d if d >= SIGNAL_USABLE => "usable",
        d if d >= SIGNAL_MARGINAL => "marginal",
        d if d >= SIGNAL_UNUSABLE => "weak",
        _ => "unusable",
    }
}

/// dBm from a quality in per cent, as drivers that give only that define it: percent / 2 − 100, held to 0 to 100 %.
pub fn percent_to_dbm(percent: f64) -> f64 {
    percent.clamp(0.0, 100.0) / 2.0 - 100.0
}

/// A temperature grade: name, lowest and highest ambient temperature in °C.
pub type Grade = (&'static str, f64, f64);

/// Grades of electronics, narrowest first. Consumer devices (hubs, cameras, small computers) are often rated for less, 0 to
/// 40 °C without condensation: a fault below 0 °C is then operation outside the rating.
pub const GRADES: [Grade; 4] = [
    ("commercial", 0.0, 70.0),
    ("industrial", -40.0, 85.0),
    ("extended industrial", -40.0, 105.0),
    ("military", -55.0, 125.0),
];

/// Grades of AEC-Q100 by number, widest first.
pub const AUTOMOTIVE: [(u8, f64, f64); 4] = [(0, -40.0, 150.0), (1, -40.0, 125.0), (2, -40.0, 105.0), (3, -40.0, 85.0)];

/// The narrowest grade that covers a temperature; none beyond all of them.
pub fn grade_for(celsius: f64) -> Option<Grade> {
    GRADES.into_iter().find(|(_, low, high)| (*low..=*high).contains(&celsius))
}
