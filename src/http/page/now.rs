//! The latest figures: temperatures, load, links, disks, frames; and what cannot be read.

use super::Scene;
use super::letter::quoted;
use crate::http::api::views;
use crate::model::{Condition, Name, SignalDef, Span, UnixMs, Value};
use crate::report::say;
use maud::{Markup, html};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// Said in place of a value; the reason stands in its own section.
const NOT_READ: &str = "not read";

/// The latest readings by name.
struct Latest<'a> {
    by_name: HashMap<Name, (Arc<SignalDef>, UnixMs, &'a Value)>,
    scene: &'a Scene<'a>,
}

impl<'a> Latest<'a> {
    fn of(scene: &'a Scene<'a>) -> Latest<'a> {
        let by_name = scene
            .live
            .latest
            .iter()
            .filter_map(|(id, at, v)| {
                let def = scene.app.serving.signals.def(*id)?;
                Some((def.name.clone(), (def, *at, v)))
            })
            .collect();
        Latest { by_name, scene }
    }
    fn known(&self, name: &str) -> Option<f64> {
        let name = Name::new(name).ok()?;
        self.by_name.get(&name)?.2.known()
    }
    /// The value in words; "not read" where there is none; nothing for a signal that does not exist.
    fn said(&self, name: &str) -> Option<String> {
        let name = Name::new(name).ok()?;
        let (def, _, v) = self.by_name.get(&name)?;
        Some(v.known().map_or_else(|| NOT_READ.into(), |x| self.scene.show.value(x, def)))
    }
    /// Things of a kind, in the order of their names.
    fn things(&self, kind: &str) -> Vec<Name> {
        let mut all: Vec<Name> = self.by_name.keys().filter(|n| n.kind() == kind).map(Name::thing).collect();
        all.sort();
        all.dedup();
        all
    }
}

/// The table "now".
pub fn now(s: &Scene<'_>) -> Markup {
    let l = Latest::of(s);
    let groups: [(&str, Vec<(String, String)>); 4] =
        [("Temperatures", temperatures(&l)), ("Load", load(&l)), ("Links", links(&l)), ("Room and frames", room(&l))];
    let any = groups.iter().any(|(_, rows)| !rows.is_empty());
    html! {
        @if any {
            h2 { "Now" }
            table.now {
                @for (title, rows) in groups.iter().filter(|(_, rows)| !rows.is_empty()) {
                    tbody {
                        tr { th scope="rowgroup" colspan="2" { (title) } }
                        @for (what, value) in rows { tr { td { (what) } td.num.gone[value == NOT_READ] { (value) } } }
                    }
                }
            }
        }
    }
}

type Rows = Vec<(String, String)>;

fn row(rows: &mut Rows, what: impl Into<String>, value: Option<String>) {
    rows.extend(value.map(|v| (what.into(), v)));
}

fn temperatures(l: &Latest<'_>) -> Rows {
    let mut rows = Rows::new();
    row(&mut rows, "box", l.said("temperature.box"));
    row(&mut rows, "outside", l.said("temperature.outside"));
    row(&mut rows, "box minus outside", l.said("temperature.lift"));
    row(&mut rows, "humidity in the box", l.said("humidity.box"));
    row(&mut rows, "dew point", l.said("dew.point"));
    row(&mut rows, "above the dew point", l.said("dew.margin"));
    let own = ["temperature.box", "temperature.outside", "temperature.lift"];
    let mut rest: BTreeMap<&Name, &(Arc<SignalDef>, UnixMs, &Value)> = l
        .by_name
        .iter()
        .filter(|(n, _)| n.kind() == "temperature" && n.of_thing().is_none() && !own.contains(&n.as_str()))
        .collect();
    // Of many component sensors the hottest is enough.
    let warmest = rest
        .iter()
        .filter(|(_, (d, _, _))| d.place == "component")
        .filter_map(|(n, (d, _, v))| Some((*n, d.clone(), v.known()?)))
        .max_by(|a, b| a.2.total_cmp(&b.2));
    rest.retain(|_, (d, _, _)| d.place != "component");
    for (n, (d, _, v)) in rest {
        let value = v.known().map_or_else(|| NOT_READ.into(), |x| l.scene.show.value(x, d));
        rows.push((if d.what.is_empty() { n.own().replace('-', " ") } else { d.what.clone() }, value));
    }
    if let Some((n, d, v)) = warmest {
        rows.push((format!("warmest component ({})", n.own().replace('-', " ")), l.scene.show.value(v, &d)));
    }
    rows
}

fn load(l: &Latest<'_>) -> Rows {
    let mut rows = Rows::new();
    row(&mut rows, "processor", l.said("load.cpu"));
    row(&mut rows, "waiting for the processor", l.said("pressure.cpu"));
    row(&mut rows, "waiting for the disk", l.said("pressure.io"));
    let share = l.said("memory.available-share").map(|s| beside(&s)).unwrap_or_default();
    row(&mut rows, "memory available", l.said("memory.available").map(|v| v + &share));
    rows
}

fn links(l: &Latest<'_>) -> Rows {
    let config = l.scene.app.config();
    let mut rows = Rows::new();
    for thing in l.things("link") {
        let title = config.links.iter().find(|c| c.name == thing).map(|c| c.title.clone());
        let title = title.unwrap_or_else(|| thing.own().replace('-', " "));
        row(&mut rows, title, l.by_name.get(&thing).map(|(_, _, up)| link(l, &thing, up.known())));
    }
    for thing in l.things("interface") {
        let title = config.interfaces.iter().find(|c| c.name == thing).map(|c| c.title.clone());
        let title = title.unwrap_or_else(|| thing.own().to_owned());
        let Some((_, _, up)) = l.by_name.get(&thing) else { continue };
        let mut said = match up.known() {
            Some(u) if u >= 0.5 => "up".to_owned(),
            Some(_) => "down".into(),
            None => NOT_READ.into(),
        };
        if let Some(signal) = l.said(thing.quantity("signal").as_str()) {
            said = format!("{said}, {signal}");
        }
        rows.push((title, said));
    }
    rows
}

fn link(l: &Latest<'_>, thing: &Name, up: Option<f64>) -> String {
    let quantity = |q: &str| l.known(thing.quantity(q).as_str());
    match up {
        None => NOT_READ.into(),
        Some(u) if u < 0.5 => "out of reach".into(),
        Some(_) => {
            let mut said = "in reach".to_owned();
            if let Some(rtt) =
                l.said(thing.quantity("round-trip").as_str()).filter(|_| quantity("round-trip").is_some())
            {
                said = format!("{said}, {rtt}");
            }
            match quantity("loss") {
                Some(loss) if loss > 0.0 => format!("{said}, {} lost", say::number(loss, 0) + " %"),
                _ => said,
            }
        }
    }
}

fn room(l: &Latest<'_>) -> Rows {
    let config = l.scene.app.config();
    let mut rows = Rows::new();
    for thing in l.things("disk") {
        let title = config.disks.iter().find(|c| c.name == thing).map(|c| c.title.clone());
        let title = title.unwrap_or_else(|| format!("{} disk", thing.own().replace('-', " ")));
        let share = l.said(thing.quantity("free-share").as_str()).map(|s| beside(&s)).unwrap_or_default();
        row(&mut rows, title, l.said(thing.quantity("free").as_str()).map(|v| format!("{v} free{share}")));
    }
    if let Some(t) = l.scene.live.last_light_frame {
        let ago = Span((l.scene.live.at.wall - t).0.max(0) / 10_000 * 10_000);
        rows.push(("last light frame".into(), format!("{}, {ago} ago", l.scene.show.clock(t, l.scene.now))));
    }
    rows
}

/// What cannot be read, and why: one line for each reason, however many signals it takes away.
pub fn unreadable(s: &Scene<'_>) -> Markup {
    let mut by_reason: BTreeMap<String, Vec<Name>> = BTreeMap::new();
    // What belongs to a thing that is broken or not in use is told there.
    let told = |n: &Name| {
        let thing = n.thing();
        let state = s.live.things.iter().find(|t| t.thing == thing).map(|t| t.condition);
        n.of_thing().is_some() && matches!(state, Some(Condition::Failed | Condition::NotInUse))
    };
    for u in views::unreadable(s.live, &s.app.serving.signals).into_iter().filter(|u| !told(&u.signal)) {
        by_reason.entry(u.text).or_default().push(u.signal);
    }
    let stuck: Vec<_> = s.live.probes.iter().filter(|p| matches!(&*p.state, "stuck" | "panicked")).collect();
    html! {
        @if !by_reason.is_empty() || !stuck.is_empty() {
            h2 { "What cannot be read, and why" }
            ul {
                @for p in stuck {
                    li { (p.probe.own().replace('-', " ")) ": " @if &*p.state == "stuck" { "reading hangs; it is tried again" } @else { "reading failed inside; it is tried again" } }
                }
                @for (why, names) in &by_reason {
                    li { (listed(names)) ": " (quoted(why)) }
                }
            }
        }
    }
}

/// Three names, and how many more.
fn listed(names: &[Name]) -> String {
    let shown: Vec<String> = names.iter().take(3).map(ToString::to_string).collect();
    match names.len() {
        0..=3 => say::list(&shown),
        n => format!("{} and {} more", shown.join(", "), n - 3),
    }
}

/// A share behind its figure, in one piece where a line breaks.
fn beside(share: &str) -> String {
    format!(" ({})", share.replace(' ', "\u{a0}"))
}
