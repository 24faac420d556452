//! A link that was lost: radio (signal fell first), router (signal good, gateway gone) or the house's own network (gateway
//! well, house machine gone).

use super::{Look, Reason, Scene, Weight, new};
use crate::model::{Event, EventKind, Name, Span};
use crate::report::say;
use serde_json::Value;

/// A fall of the signal by this much, dB, before the loss speaks for the radio.
const FALL: f64 = 6.0;
/// Below this, dBm, a link is near its end. Common practice, no source.
const WEAK: f64 = -75.0;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let link = s.first().filter(|m| matches!(m.thing.kind(), "link" | "interface"))?;
    let broken = |name: &str| s.incident.members.iter().any(|m| m.thing.as_str() == name);
    let radio = radio(s);
    let interface_down = s.member(&["interface"]).is_some();
    let gateway_known = s.rows.signal("link.gateway").is_some();
    let gateway_down = broken("link.gateway");
    let lines = s.kernel_lines(&["radio"], Span::mins(1), Span::secs(10));
    if let Some(e) = changes(s, &["speed", "duplex"]).first() {
        return Some(by_cable(s, e));
    }
    let told = changes(s, &["disconnected", "beacon", "refused", "access point", "channel"]);
    if radio.as_ref().is_some_and(|r| r.fell || r.weak) || interface_down || !lines.is_empty() || !told.is_empty() {
        let line = lines.first().map(|e| s.clock(e.at.wall));
        return Some(by_radio(s, link.thing.clone(), radio, interface_down, line, &told));
    }
    if gateway_down {
        let look = Look {
            place: "the router".into(),
            reason: "the router was out of reach".into(),
            evidence: String::new(),
            how: format!(
                "look at the router's own log at {}; see whether it restarted or changed its channel",
                s.clock(s.at)
            ),
            caution: None,
        };
        let weight = if radio.is_some() { Weight::PointsTo } else { Weight::MayBe };
        let mut r = new("router", "the router was out of reach", weight, look);
        r.evidence_for.push("the gateway did not answer either".into());
        match radio {
            Some(x) => {
                r.evidence_for.push(format!("the Wi-Fi signal was good: {} dBm at the least", say::number(x.least, 0)))
            }
            None => r.evidence_against.push("Wi-Fi signal was not measured, so the radio cannot be ruled out".into()),
        }
        return Some(r);
    }
    if gateway_known && link.thing.as_str() != "link.gateway" && link.thing.kind() == "link" {
        let title = s.rows.settings.title(&link.thing);
        let look = Look {
            place: format!("{title}, beyond the router"),
            reason: "the house's own network, or the machine there".into(),
            evidence: String::new(),
            how: "see whether the house machine slept, restarted or lost its cable at that time".into(),
            caution: None,
        };
        let mut r = new("house_network", "the house's own network, or the machine there", Weight::PointsTo, look);
        r.evidence_for.push("the gateway answered all the while".into());
        return Some(r);
    }
    None
}

/// What the radio or the wire told of itself around the loss.
fn changes<'a>(s: &Scene<'a>, what: &'static [&'static str]) -> Vec<&'a Event> {
    s.events(EventKind::LinkChanged, Span::mins(2), Span::secs(10))
        .filter(|e| e.detail.get("what").and_then(Value::as_str).is_some_and(|w| what.contains(&w)))
        .collect()
}

/// A wired link that came back slower, or in half duplex.
fn by_cable(s: &Scene, e: &Event) -> Reason {
    let look = Look {
        place: format!("plugs and cable of {}", s.rows.settings.title(&e.thing)),
        reason: "a bad contact in the wired network".into(),
        evidence: String::new(),
        how: "reseat both plugs, keep them dry, and try another cable or another port".into(),
        caution: None,
    };
    let mut r = new("cable", "a bad contact in the wired network", Weight::MayBe, look);
    r.evidence_for.push(format!("{} at {}", e.text, s.clock(e.at.wall)));
    r
}

/// What the Wi-Fi signal did before the loss.
struct Radio {
    interface: Name,
    least: f64,
    fell: bool,
    weak: bool,
    usual: f64,
}

fn radio(s: &Scene) -> Option<Radio> {
    s.all_before("interface", Some("signal"))
        .into_iter()
        .map(|(n, f)| {
            let usual = s.over(n.as_str(), s.at - Span::hours(2), s.at - Span::mins(10)).map_or(f.mean, |u| u.mean);
            Radio { interface: n.thing(), least: f.min, fell: usual - f.min >= FALL, weak: f.min < WEAK, usual }
        })
        .min_by(|a, b| a.least.total_cmp(&b.least))
}

fn by_radio(s: &Scene, link: Name, radio: Option<Radio>, down: bool, line: Option<String>, told: &[&Event]) -> Reason {
    let place = radio.as_ref().map_or_else(|| s.rows.settings.title(&link), |r| s.rows.settings.title(&r.interface));
    let look = Look {
        place: format!("the radio path of {place}"),
        reason: "the radio link was lost".into(),
        evidence: String::new(),
        how: "turn or raise the aerial, keep metal and the pier out of the way, look for a busy channel, and fix the channel \
              in the router"
            .into(),
        caution: None,
    };
    let ended = |e: &Event| {
        e.detail.get("what").and_then(Value::as_str).is_some_and(|w| ["disconnected", "beacon"].contains(&w))
    };
    let firm = down || line.is_some() || radio.as_ref().is_some_and(|r| r.fell) || told.iter().any(|e| ended(e));
    let mut r = new("radio", "the radio link was lost", if firm { Weight::PointsTo } else { Weight::MayBe }, look);
    if let Some(x) = radio {
        let words = format!(
            "Wi-Fi signal {} dBm at the least, {} dBm before",
            say::number(x.least, 0),
            say::number(x.usual, 0)
        );
        if x.fell || x.weak { r.evidence_for.push(words) } else { r.evidence_against.push(words) }
    }
    if down {
        r.evidence_for.push("the interface itself went down".into());
    }
    for e in told.iter().take(3) {
        r.evidence_for.push(format!("{} at {}", e.text, s.clock(e.at.wall)));
    }
    let saving = s.all_before("interface", Some("power-saving")).into_iter().find(|(_, f)| f.max >= 0.5);
    if saving.is_some() {
        r.evidence_for
            .push("power saving of the radio was on, a known cause of dropouts (common practice, no source)".into());
        r.look.how += "; switch off the power saving of the radio";
    }
    if let Some(at) = line {
        r.evidence_for.push(format!("the kernel's log has a radio line at {at}"));
    }
    r
}
