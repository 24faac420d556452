use super::*;

#[test]
fn patterns_fit_names() {
    for (p, n, yes) in [
        ("*", "load.cpu", true),
        ("temperature.*", "temperature.box", true),
        ("temperature.*", "dew.point", false),
        ("*.cpu", "program.mount.cpu", true),
        ("program.*.cpu", "program.mount.cpu", true),
        ("program.*.cpu", "program.mount.memory", false),
        ("load.cpu, dew.*", "dew.point", true),
        ("load.cpu", "load.cpu-core-0", false),
        ("a*b*c", "abc", true),
        ("a*bc*c", "abc", false),
        ("", "load.cpu", false),
    ] {
        assert_eq!(fits(p, n), yes, "{p} {n}");
    }
}

#[test]
fn cells_hold_the_reading_and_nothing_more() {
    let name = crate::model::Name::new("temperature.box").unwrap();
    let def = SignalDef::new(name, crate::model::Unit::Celsius, 0.1, "");
    assert_eq!(cell(14.600000000000001, &def), "14.6");
    assert_eq!(cell(-0.04, &def), "0");
    assert_eq!(trim(14.620, 2), "14.62");
    assert_eq!(trim(-0.0001, 2), "0");
    assert_eq!(trim(1200.0, 0), "1200");
}
