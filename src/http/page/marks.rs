//! An incident as a line of the letter, with the form by which a person says what it was.

use super::letter::quoted;
use crate::model::incident::Mark;
use crate::model::{Incident, MarkKind};
use maud::{Markup, html};

/// Most letters of a person's own words that the form takes.
pub const WORDS: usize = 300;

/// What can be chosen, by the word that the form sends. The last takes a mark back.
pub const CHOICES: [(&str, Option<MarkKind>, &str); 5] = [
    ("my-doing", Some(MarkKind::MyDoing), "my doing"),
    ("cloud", Some(MarkKind::Cloud), "cloud"),
    ("test", Some(MarkKind::Test), "a test"),
    ("not-a-fault", Some(MarkKind::NotAFault), "not a fault"),
    ("nothing", None, "nothing of these: it counts as recorded"),
];

/// What an incident counts as, in words; empty for a fault.
pub fn counts_as(i: &Incident) -> &'static str {
    match () {
        () if i.mark.as_ref().is_some_and(|m| m.kind.is_some()) => "",
        () if i.pause_only => "paused, reason not seen",
        () if i.harmless => "harmless: nothing was lost by it",
        () if i.session.is_none() => "outside a session",
        () => "",
    }
}

/// The mark in words: "marked as cloud: fog from the valley".
pub fn said(mark: &Mark) -> Option<Markup> {
    let kind = mark.kind?;
    Some(html! { "marked as " strong { (kind.word()) } @if !mark.words.is_empty() { ": " (mark.words) } })
}

/// The form. `back` is the page that follows.
pub fn form(i: &Incident, what: &str, back: &str) -> Markup {
    let held = i.mark.as_ref().and_then(|m| m.kind);
    html! {
        details id={ "mark-" (i.id) } {
            summary { @if held.is_some() { "Change what it was" } @else { "Say what it was" } }
            form.says method="post" action="/act" {
                input type="hidden" name="do" value="mark";
                input type="hidden" name="incident" value=(i.id);
                input type="hidden" name="back" value=(back);
                fieldset {
                    legend { "It was" }
                    @for (word, kind, title) in CHOICES {
                        label { input type="radio" name="was" value=(word) required checked[kind.is_some() && kind == held]; " " (title) }
                    }
                }
                label for={ "words-" (i.id) } { "In your own words" }
                input id={ "words-" (i.id) } name="words" maxlength=(WORDS) autocomplete="off" value=(i.mark.as_ref().map_or("", |m| m.words.as_str()));
                button aria-label={ "Write down what it was: " (what) } { "Write it down" }
            }
        }
    }
}

/// One incident with the way to the minutes around it.
pub fn line(i: &Incident, letter: &str, clock: &str, back: &str) -> Markup {
    parts(i, letter, clock, back, true)
}

/// The same on the page of these minutes.
pub fn told(i: &Incident, clock: &str, back: &str) -> Markup {
    parts(i, "", clock, back, false)
}

/// Its letter or clock, what failed first, what it counts as, and the form.
fn parts(i: &Incident, letter: &str, clock: &str, back: &str, way: bool) -> Markup {
    let what = i.members.first().map_or_else(|| i.kind.word(), |m| m.text.as_str());
    let counts = counts_as(i);
    html! {
        p {
            @if !letter.is_empty() { strong { (letter) } " " } (clock) " " (quoted(what))
            @if !counts.is_empty() { span.soft { " (" (counts) ")" } }
            @if let Some(m) = i.mark.as_ref().and_then(said) { ", " (m) }
            "."
            @if way { " " a.soft href={ "/incidents/" (i.id) } { "The minutes around it" } }
        }
        (form(i, what, back))
    }
}
