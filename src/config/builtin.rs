//! The built-in rules, one row each. What they mean in words is printed by `tilldawn check`.

use super::model::{Builtin, During, Rule, Test};
use crate::model::{Name, Priority, Span};

struct Row {
    name: &'static str,
    title: &'static str,
    test: Builtin,
    limit: Option<f64>,
    deadband: f64,
    on: Span,
    off: Span,
    priority: Priority,
    during: During,
    wakes_after: Option<Span>,
    wakes_always: bool,
}

/// The built-in rules with their defaults.
pub fn rules() -> Vec<Rule> {
    use Priority::{High, Low, Medium};
    let row = |name, title, test, on, priority| Row {
        name,
        title,
        test,
        limit: None,
        deadband: 0.0,
        on,
        off: Span::ZERO,
        priority,
        during: During::Session,
        wakes_after: None,
        wakes_always: false,
    };
    let five = Some(Span::mins(5));
    let rows = [
        Row {
            wakes_after: five,
            ..row("rule.program-ended", "program ended", Builtin::ProgramEnded, Span::ZERO, High)
        },
        Row {
            wakes_after: five,
            ..row("rule.program-hangs", "program hangs", Builtin::ProgramHangs, Span::ZERO, High)
        },
        Row { wakes_after: five, ..row("rule.device-gone", "device gone", Builtin::DeviceGone, Span::secs(10), High) },
        Row {
            wakes_after: Some(Span::ZERO),
            ..row("rule.no-light-frame", "no light frame", Builtin::NoLightFrame, Span::ZERO, High)
        },
        row("rule.link-down", "link down", Builtin::LinkDown, Span::secs(60), Medium),
        Row {
            limit: Some(45.0),
            deadband: 2.0,
            during: During::Always,
            wakes_after: Some(Span::ZERO),
            wakes_always: true,
            ..row("rule.box-too-hot", "box too hot", Builtin::BoxTooHot, Span::secs(60), High)
        },
        Row {
            deadband: 0.5,
            off: Span::mins(5),
            ..row("rule.box-cold", "box cold", Builtin::BoxCold, Span::mins(5), Low)
        },
        Row {
            limit: Some(2.0),
            deadband: 0.5,
            off: Span::mins(5),
            ..row("rule.dew-margin-small", "dew margin small", Builtin::DewMarginSmall, Span::mins(10), Low)
        },
        Row {
            limit: Some(50.0),
            deadband: 5.0,
            off: Span::secs(30),
            ..row("rule.processor-starved", "processor starved", Builtin::ProcessorStarved, Span::mins(2), Medium)
        },
        Row {
            limit: Some(5.0),
            deadband: 1.0,
            off: Span::secs(30),
            ..row("rule.memory-short", "memory short", Builtin::MemoryShort, Span::secs(30), Medium)
        },
        Row {
            limit: Some(5.0),
            deadband: 0.5,
            off: Span::secs(60),
            during: During::Always,
            wakes_after: Some(Span::ZERO),
            ..row("rule.disk", "disk filling up", Builtin::Disk, Span::secs(60), Medium)
        },
        Row {
            limit: Some(1.0),
            off: Span::secs(60),
            ..row("rule.clock-not-set", "clock not set", Builtin::ClockNotSet, Span::mins(10), Low)
        },
        row("rule.cannot-read", "cannot read", Builtin::CannotRead, Span::mins(5), Low),
        row("rule.probe-stuck", "probe stuck", Builtin::ProbeStuck, Span::ZERO, Low),
        Row {
            wakes_after: five,
            ..row("rule.machine-stopped", "machine stopped", Builtin::MachineStopped, Span::ZERO, High)
        },
    ];
    rows.into_iter()
        .map(|r| Rule {
            name: Name::new(r.name).expect("a literal that is a name"),
            title: r.title.into(),
            on: vec![],
            test: Test::Builtin(r.test),
            limit: r.limit,
            on_delay: r.on,
            off_delay: r.off,
            deadband: r.deadband,
            priority: r.priority,
            during: r.during,
            wakes_after: r.wakes_after,
            wakes_always: r.wakes_always,
            enabled: true,
            action: None,
        })
        .collect()
}
