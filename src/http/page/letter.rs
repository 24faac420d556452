//! The words of the letter: the state, what is wrong, what to try, what would wake somebody, the session.

use super::Scene;
use crate::model::live::{AlarmNow, ThingNow};
use crate::model::{Condition, Name, Priority, SessionStart, Span};
use crate::report::say;
use maud::{Markup, html};

/// A shape that says the condition without colour: a disc is whole, a triangle warns, a square with a stroke through it is
/// broken, a ring with a gap is not known, a dash is not in use.
pub fn mark(c: Condition) -> Markup {
    let class = match c {
        Condition::Working => "mark working",
        Condition::Impaired => "mark impaired",
        Condition::Failed => "mark failed",
        Condition::Unknown => "mark unknown",
        Condition::NotInUse => "mark unused",
    };
    html! {
        svg class=(class) viewBox="0 0 20 20" aria-hidden="true" {
            @match c {
                Condition::Working => { circle cx="10" cy="10" r="6.5" {} path d="M6.8 10.2 L9.2 12.8 L13.4 7.4" {} }
                Condition::Impaired => { path d="M10 3 L17.5 16.5 H2.5 Z" {} path d="M10 8 V12 M10 14 V14.6" {} }
                Condition::Failed => { rect x="3" y="3" width="14" height="14" {} path.through d="M6.5 6.5 L13.5 13.5 M13.5 6.5 L6.5 13.5" {} }
                Condition::Unknown => { path d="M15.5 6.5 A6.5 6.5 0 1 0 16.5 10" {} path d="M10 6.5 V11 M10 13 V13.6" {} }
                Condition::NotInUse => { path d="M4 10 H16" {} }
            }
        }
    }
}

/// Words with parts between backticks, which are set as they would be typed.
pub fn quoted(words: &str) -> Markup {
    // An odd one out is a mark like any other.
    let pairs = words.matches('`').count() / 2 * 2;
    html! {
        @for (i, part) in words.splitn(pairs + 1, '`').enumerate() {
            @if i % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

/// Condition, sentence, and what is wrong.
pub fn state(s: &Scene<'_>) -> Markup {
    let live = s.live;
    let c = s.condition();
    let alarmed = |thing: &Name| live.alarms.iter().any(|a| a.standing && a.thing == *thing);
    // A sensor that cannot be read is told below, with its reason.
    let told = |t: &ThingNow| t.condition == Condition::Unknown && matches!(t.thing.kind(), "temperature" | "humidity");
    let also = live.things.iter().filter(|t| {
        matches!(t.condition, Condition::Failed | Condition::Impaired | Condition::Unknown)
            && !alarmed(&t.thing)
            && !told(t)
    });
    html! {
        p.condition { (mark(c)) strong { (c.word()) } }
        @match s.age_ms {
            None => h1 { "The agent has started and has not looked yet." }
            Some(a) if !s.fresh() => {
                h1 { "Nothing is known since " (say::clock(live.at.wall, &s.show.zone)) ": the agent has stood still for " (Span(a)) "." }
                p { "What follows is how it was then. Then it said: " (live.sentence) }
            }
            Some(_) => h1.bad[c == Condition::Failed] { (quoted(&live.sentence)) }
        }
        (alarms(s))
        @for (c, because, titles) in together(also) {
            p { (mark(c)) " " (say::sentence_start(&say::list(&titles))) @if titles.len() > 1 { " are " } @else { " is " } strong { (c.word()) } @if !because.is_empty() { ": " (quoted(because)) } "." }
        }
        @if !live.store.well && live.cycle > 0 {
            p.caution { "The store does not take what is measured: " (quoted(&live.store.because)) ". " (say::sentence_start(&say::count(usize::try_from(live.store.waiting).unwrap_or(usize::MAX), "reading"))) " wait in memory" @if live.store.dropped > 0 { ", " (live.store.dropped) " had to be dropped" } "." }
        }
    }
}

/// Things in the same condition for the same reason share a sentence.
fn together<'a>(things: impl Iterator<Item = &'a ThingNow>) -> Vec<(Condition, &'a str, Vec<&'a str>)> {
    let mut out: Vec<(Condition, &str, Vec<&str>)> = vec![];
    for t in things {
        match out.iter_mut().find(|(c, b, _)| *c == t.condition && *b == t.because) {
            Some((_, _, titles)) => titles.push(&t.title),
            None => out.push((t.condition, &t.because, vec![&t.title])),
        }
    }
    out
}

fn alarms(s: &Scene<'_>) -> Markup {
    let all = &s.live.alarms;
    let unseen = all.iter().filter(|a| !a.acknowledged && a.shelved_until.is_none()).count();
    html! {
        @if !all.is_empty() {
            @let (first, more) = all.split_at(shown(all));
            ul.alarms.single[all.len() == 1] { @for a in first { li { (alarm(s, a)) } } }
            @if !more.is_empty() {
                details #more-alarms {
                    summary { (say::count(more.len(), "more alarm")) " of lower priority" }
                    ul.alarms { @for a in more { li { (alarm(s, a)) } } }
                }
            }
            @if unseen > 1 {
                form method="post" action="/act" { input type="hidden" name="do" value="acknowledge-all"; button.wanted { "All seen" } }
            }
        }
    }
}

/// How many stand open: what is of high priority, and at least four; a single one is not worth folding away.
fn shown(all: &[AlarmNow]) -> usize {
    let high = all.iter().rposition(|a| a.priority == Priority::High && a.standing).map_or(0, |i| i + 1);
    let n = high.max(4);
    if n + 1 >= all.len() { all.len() } else { n }
}

fn alarm(s: &Scene<'_>, a: &AlarmNow) -> Markup {
    let held = a.shelved_until;
    let condition = match (a.standing, a.priority) {
        (false, _) => Condition::Working,
        (true, Priority::High) => Condition::Failed,
        (true, _) => Condition::Impaired,
    };
    // The sentence at the top has said it already when nothing else is wrong.
    let said = s.live.alarms.len() == 1 && s.live.sentence.to_lowercase().contains(&a.text.to_lowercase());
    html! {
        @if !said {
            p { (mark(condition)) " " (quoted(&say::sentence_start(&a.text))) (if a.text.ends_with('.') { "" } else { "." }) }
        }
        p.soft {
            (if a.standing { "Since " } else { "Over; it began at " })
            (s.show.clock(a.since.wall, s.now))
            @if a.standing { ", for " (duration(s, a)) }
            " · priority " (a.priority.word())
            @if a.acknowledged { " · seen" }
            @if let Some(t) = held { " · held back until " (s.show.clock(t, s.now)) }
            @if a.chattering { " · comes and goes" }
            @if a.stale { " · stands for more than a day" }
            @if !a.saved { " · " strong { "not saved" } ": the store did not take it yet" }
        }
        div.acts {
            @if !a.acknowledged { (button(a, "acknowledge", None, "Seen", true)) }
            @if held.is_some() {
                (button(a, "unshelve", None, "Hold back no longer", false))
            } @else if a.standing {
                (button(a, "shelve", Some("1h"), "Hold back for 1 h", false))
                (button(a, "shelve", Some("noon"), "Hold back until noon", false))
            }
        }
    }
}

/// How long an alarm stands, rounded so that the section does not change every second.
fn duration(s: &Scene<'_>, a: &AlarmNow) -> Span {
    let ms = (s.live.at.boot - a.since.boot).0.max(0);
    Span(if ms < 60_000 { ms / 10_000 * 10_000 } else { ms / 60_000 * 60_000 })
}

fn button(a: &AlarmNow, what: &str, lasting: Option<&str>, words: &str, wanted: bool) -> Markup {
    html! {
        form method="post" action="/act" {
            input type="hidden" name="do" value=(what);
            input type="hidden" name="alarm" value=(a.alarm.0);
            @if let Some(l) = lasting { input type="hidden" name="lasting" value=(l); }
            button.wanted[wanted] aria-label={ (words) ": " (a.text) } { (words) }
        }
    }
}

/// What to try, each with its caution.
pub fn try_this(s: &Scene<'_>) -> Markup {
    html! {
        @if !s.live.try_this.is_empty() {
            h2 { "What to try" }
            @for t in &s.live.try_this { p { (quoted(t)) } }
        }
    }
}

/// What would wake somebody tonight.
pub fn wakes(s: &Scene<'_>) -> Markup {
    html! {
        @if s.live.cycle > 0 {
            h2 { "Tonight this would wake somebody" }
            @if s.live.wakes.is_empty() { p { "Nothing." } }
            // A line that ends in a colon opens the list of those that follow it.
            @for w in s.live.wakes.chunk_by(|_, next| !next.ends_with(':')) {
                @match w.split_first() {
                    Some((head, items)) if head.ends_with(':') => { p { (head) } ul { @for i in items { li { (i) } } } }
                    _ => ul { @for i in w { li { (i) } } }
                }
            }
        }
    }
}

/// The session, and the button that begins or ends it.
pub fn session(s: &Scene<'_>) -> Markup {
    let act = |what: &str, words: &str| {
        html! { form method="post" action="/act" { input type="hidden" name="do" value=(what); button { (words) } } }
    };
    html! {
        @if s.live.cycle > 0 {
            h2 { "Session" }
            @match &s.live.session {
                Some(now) => {
                    p { "A session goes on since " (s.show.clock(now.started.wall, s.now)) ": " (began(now.why)) "." }
                    @if now.why != SessionStart::Always {
                        p.soft { "Ending it tells the agent that the programs may be closed; then that is no fault." }
                        div.acts { (act("session-end", "End the session")) }
                    }
                }
                None => {
                    p { "No session goes on: programs, devices and frames are not in use and raise no alarm." }
                    div.acts { (act("session-start", "Start a session now")) }
                }
            }
            (darkness(s))
        }
    }
}

fn began(why: SessionStart) -> &'static str {
    match why {
        SessionStart::LightFrame => "the chain of programs was up and a light frame arrived",
        SessionStart::ChainUp => "all programs of the chain are up",
        SessionStart::Person => "somebody started it",
        SessionStart::Dusk => "darkness began",
        SessionStart::Always => "neither a site nor a chain of programs is configured, so the agent always watches",
    }
}

fn darkness(s: &Scene<'_>) -> Markup {
    let d = s.live.dark;
    html! {
        @if d.known {
            @match (d.dark, d.from, d.to) {
                (true, _, Some(to)) => p.soft { "It is dark until " (s.show.clock(to, s.now)) "." },
                (true, _, None) => p.soft { "It is dark." },
                (false, Some(from), Some(to)) => p.soft { "It will be dark from " (s.show.clock(from, s.now)) " to " (s.show.clock(to, s.now)) "." },
                _ => p.soft { "It does not get dark tonight." },
            }
        } @else {
            p.soft { "Where the telescope stands is not configured, so the hours of darkness are not known." }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn backticks_become_code_and_nothing_else_becomes_markup() {
        assert_eq!(quoted("`/a<b>`: gone").into_string(), "<code>/a&lt;b&gt;</code>: gone");
        assert_eq!(quoted("it`s `x` there").into_string(), "it<code>s </code>x` there");
        assert_eq!(quoted("it`s").into_string(), "it`s");
    }
}
