//! What a configuration leaves out, and what follows from that.

use crate::config::model::*;

/// What is worth knowing about a configuration that is in order, one line each.
pub fn notes(c: &Config) -> Vec<String> {
    let mut lines: Vec<String> = vec![];
    let mut say = |said: bool, text: &str| {
        if said {
            lines.push(text.into());
        }
    };
    let sensor = |kind: &str, place: &str| c.sensors.iter().any(|s| s.name.kind() == kind && s.place == place);
    say(
        c.site.is_none(),
        "Without [site] the report cannot say what a fault cost in dark hours, and nothing can wake only at night.",
    );
    say(
        !c.session.chain.is_empty() && c.frames.is_none(),
        "Without [frames] a chain that runs but takes no pictures is not noticed, and yield is not counted.",
    );
    say(c.programs.is_empty(), "No program is watched. `tilldawn look` lists those that run now.");
    say(!sensor("temperature", "box"), "No [temperature.box]: the rules for a hot or cold box judge nothing.");
    say(
        !sensor("temperature", "outside"),
        "No [temperature.outside]: many nights later nobody can tell cold from other causes, nor whether heating helped.",
    );
    say(
        !c.sensors.is_empty() && !c.sensors.iter().any(|s| s.kind == SensorKind::Humidity),
        "No humidity is measured: nothing is said of dew.",
    );
    say(
        !c.links.iter().any(|l| matches!(l.to, Target::Host(_))),
        "Only the gateway is reached for: a lost house machine is not noticed. Add [link.house].",
    );
    say(
        c.notices.is_empty(),
        "No [notice.…]: alarms show on the page and in the report, and wake only who looks there.",
    );
    say(
        !c.http.listen.ip().is_loopback() && !c.http.tls,
        "The page is served unencrypted on the home network: whoever is in that network can read along.",
    );
    for p in c.programs.iter().filter(|p| c.session.chain.contains(&p.name) && p.alive.is_empty()) {
        lines.push(format!("{} has no sign of life: if it hangs but runs on, nobody is told. Add `alive`.", p.title));
    }
    for p in c.programs.iter().filter(|p| !c.session.chain.is_empty() && !c.session.chain.contains(&p.name)) {
        lines.push(format!("{} is not in the chain: its end is recorded, but is no alarm.", p.title));
    }
    for l in c.logs.iter().filter(|l| l.patterns.is_empty()) {
        lines.push(format!("{} has no pattern: nothing in it is noticed.", l.title));
    }
    lines
}
