//! The records.

use crate::http::api::{alarms, imports, incidents, remedies};
use crate::http::extract::LATEST_MS;
use crate::model::{FaultKind, Unit};
use serde_json::{Map, Value, json};

/// A closed record: every field is always there.
fn record(what: &str, fields: Value) -> Value {
    let names: Vec<String> = fields.as_object().map(|o| o.keys().cloned().collect()).unwrap_or_default();
    json!({ "type": "object", "description": what, "required": names, "properties": fields, "additionalProperties": false })
}

fn time(what: &str) -> Value {
    json!({ "type": "integer", "format": "int64", "description": format!("{what} (ms since 1970, UTC)") })
}

fn maybe_time(what: &str) -> Value {
    json!({ "type": ["integer", "null"], "format": "int64", "description": format!("{what} (ms since 1970, UTC)") })
}

fn whole(what: &str) -> Value {
    json!({ "type": "integer", "format": "int64", "description": what })
}

fn maybe_whole(what: &str) -> Value {
    json!({ "type": ["integer", "null"], "format": "int64", "description": what })
}

fn maybe_number(what: &str) -> Value {
    json!({ "type": ["number", "null"], "description": what })
}

fn truth(what: &str) -> Value {
    json!({ "type": "boolean", "description": what })
}

fn text(what: &str) -> Value {
    json!({ "type": "string", "description": what })
}

fn maybe_text(what: &str) -> Value {
    json!({ "type": ["string", "null"], "description": what })
}

fn list(of: Value) -> Value {
    json!({ "type": "array", "items": of })
}

fn of(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn maybe(name: &str) -> Value {
    json!({ "anyOf": [of(name), { "type": "null" }] })
}

fn one_of(what: &str, words: &[&str]) -> Value {
    json!({ "type": "string", "description": what, "enum": words })
}

/// All schemas by name.
pub fn schemas() -> Value {
    let mut all = Map::new();
    for part in [words(), present(), past(), wishes()] {
        all.extend(part);
    }
    Value::Object(all)
}

fn named<const N: usize>(all: [(&str, Value); N]) -> Map<String, Value> {
    all.into_iter().map(|(n, v)| (n.to_owned(), v)).collect()
}

/// Every kind of event, found by trying: the model owns the list.
pub fn event_kinds() -> Vec<String> {
    use crate::model::EventKind as K;
    [
        K::ProgramStarted,
        K::ProgramEnded,
        K::ProgramStopped,
        K::ProgramContinued,
        K::SignMissing,
        K::SignBack,
        K::LinkDown,
        K::LinkUp,
        K::AddressChanged,
        K::LinkChanged,
        K::DeviceLeft,
        K::DeviceArrived,
        K::ContactBreak,
        K::DeviceRenamed,
        K::DeviceClosed,
        K::FrameArrived,
        K::FrameDamaged,
        K::KernelLine,
        K::LogLine,
        K::ClockStep,
        K::ClockSynchronised,
        K::Suspended,
        K::MachineStarted,
        K::AgentStarted,
        K::AgentStopped,
        K::Gap,
        K::MemoryKill,
        K::ConfigLoaded,
        K::ConfigRefused,
        K::ProbeState,
        K::SessionStarted,
        K::SessionEnded,
        K::ActionRun,
        K::Marked,
        K::Changed,
        K::StoreState,
        K::Flood,
        K::Sent,
    ]
    .into_iter()
    .map(K::code)
    .collect()
}

fn words() -> Map<String, Value> {
    let units: Vec<&str> = Unit::ALL.iter().map(|u| u.code()).collect();
    let kinds = event_kinds();
    let kinds: Vec<&str> = kinds.iter().map(String::as_str).collect();
    let faults: Vec<&str> = FaultKind::ALL.iter().map(|k| k.word()).collect();
    named([
        (
            "Name",
            json!({ "type": "string", "description": "kind, own name and perhaps a quantity, joined by dots",
            "pattern": "^[a-z0-9_-]{1,64}(\\.[a-z0-9_-]{1,64}){1,2}$", "examples": ["temperature.box", "link.house.loss"] }),
        ),
        (
            "Condition",
            one_of("unknown is never shown as working", &["not_in_use", "working", "impaired", "unknown", "failed"]),
        ),
        ("Priority", one_of("of an alarm (IEC 62682)", &["low", "medium", "high"])),
        (
            "WhyCode",
            one_of(
                "kind of reason for which a value is not there",
                &[
                    "absent",
                    "refused",
                    "timed_out",
                    "garbled",
                    "out_of_range",
                    "jumped",
                    "frozen",
                    "silent",
                    "unsupported",
                    "failed",
                    "not_yet",
                ],
            ),
        ),
        ("Unit", one_of("unit of a signal's values", &units)),
        ("EventKind", one_of("what happened", &kinds)),
        ("FaultKind", one_of("kind of the part that failed first", &faults)),
        ("MarkKind", one_of("what a person says of an incident", &["my_doing", "cloud", "test", "not_a_fault"])),
        (
            "Problem",
            json!({ "type": "object", "description": "problem details (RFC 9457)",
            "required": ["type", "title", "status", "detail"],
            "properties": {
                "type": json!({ "type": "string", "format": "uri-reference" }),
                "title": text("the same for every problem of the type"),
                "status": json!({ "type": "integer", "minimum": 400, "maximum": 599 }),
                "detail": text("what is wrong here, and the way out"),
                "parameter": text("which parameter or field"),
            } }),
        ),
        ("Said", record("what came of a wish", json!({ "said": text("for the person") }))),
    ])
}

fn present() -> Map<String, Value> {
    named([
        (
            "Alarm",
            record(
                "a standing alarm, or one that is over and not yet acknowledged",
                json!({
                    "alarm": whole("number of this raising"), "rule": of("Name"), "thing": of("Name"), "priority": of("Priority"),
                    "since": time("when its condition began"), "standing": truth("its condition still holds"),
                    "acknowledged": truth("a person has seen it"), "shelved_until": maybe_time("held back until"),
                    "chattering": truth("comes and goes"), "stale": truth("stands for more than a day"),
                    "saved": truth("its commit succeeded"), "text": text("one plain sentence"),
                    "incident": maybe_whole("the incident it belongs to"),
                }),
            ),
        ),
        (
            "Thing",
            record(
                "a watched thing",
                json!({
                    "thing": of("Name"), "title": text("what the person calls it"), "condition": of("Condition"),
                    "since": maybe_time("in this condition since"), "because": text("why it is not working; empty when it is"),
                }),
            ),
        ),
        (
            "Session",
            record(
                "time in which the chain of programs is meant to work",
                json!({
                    "session": whole("number"), "started": time("begin"),
                    "why": one_of("why it began", &["light_frame", "chain_up", "person", "dusk", "always"]),
                    "ended": maybe_time("end; null while it goes on"),
                    "end_why": json!({ "enum": ["person", "orderly_close", "dawn", "machine_stopped", "reconfigured", null] }),
                }),
            ),
        ),
        (
            "Dark",
            record(
                "darkness tonight",
                json!({
                    "known": truth("a site is configured"), "dark": truth("it is dark now"),
                    "from": maybe_time("start of the present or next darkness"), "to": maybe_time("its end"),
                }),
            ),
        ),
        (
            "Unreadable",
            record(
                "a signal that cannot be read now",
                json!({
                    "signal": of("Name"), "at": time("when that was found"), "code": of("WhyCode"), "text": text("why"),
                }),
            ),
        ),
        (
            "Probe",
            record(
                "what takes readings",
                json!({
                    "probe": of("Name"), "period_ms": whole("period"), "state": text("well, stuck, panicked or waiting"),
                    "took_us": whole("length of the last run (µs)"), "troubles": whole("runs that failed since the start"),
                }),
            ),
        ),
        (
            "Store",
            record(
                "how the store does",
                json!({
                    "well": truth("writing works"), "because": text("why not"), "last_commit": maybe_time("last commit"),
                    "waiting": whole("readings in memory"), "dropped": whole("readings dropped since the start"),
                    "bytes": whole("size of the store's files"),
                }),
            ),
        ),
        (
            "Summary",
            record(
                "the present",
                json!({
                    "field": text("name of the field PC"), "version": text("of the program"), "invented": truth("a rehearsal"),
                    "condition": of("Condition"), "sentence": text("the state in one sentence"), "at": time("when this was judged"),
                    "age_ms": maybe_whole("how old this knowledge is; null before the first cycle"), "cycle": whole("number of the cycle"),
                    "seq": whole("latest transition number"), "try": list(text("what to try")), "things": list(of("Thing")),
                    "alarms": list(of("Alarm")), "session": maybe("Session"), "dark": of("Dark"),
                    "wakes": list(text("what would wake somebody tonight")), "unreadable": list(of("Unreadable")),
                    "probes": list(of("Probe")), "store": of("Store"), "agent_started": time("start of the agent"),
                    "last_light_frame": maybe_time("arrival of the last light frame"),
                }),
            ),
        ),
        (
            "Reading",
            record(
                "one value, or why there is none",
                json!({
                    "at": time("when it was taken"), "value": maybe_number("in the signal's unit"),
                    "unavailable": json!({ "anyOf": [record("why not", json!({ "code": of("WhyCode"), "text": text("why") })), { "type": "null" }] }),
                }),
            ),
        ),
        (
            "Signal",
            record(
                "a measured quantity",
                json!({
                    "name": of("Name"), "unit": of("Unit"), "symbol": text("of the unit"),
                    "resolution": json!({ "type": "number", "exclusiveMinimum": 0, "description": "step of its values" }),
                    "low": maybe_number("smallest possible value"), "high": maybe_number("largest possible value"),
                    "what": text("what it means"), "place": text("where a temperature or humidity is taken"), "latest": maybe("Reading"),
                }),
            ),
        ),
        ("Signals", record("all signals", json!({ "signals": list(of("Signal")) }))),
    ])
}

fn past() -> Map<String, Value> {
    let stretch = |mut fields: Value| {
        fields["from"] = time("begin of the stretch");
        fields["to"] = time("its end, not included");
        fields
    };
    named([
        (
            "Transition",
            record(
                "one step in the life of an alarm",
                json!({
                    "seq": whole("growing number"), "at": time("when the condition began or ended"), "announced": time("when it was told"),
                    "alarm": whole("which raising"), "rule": of("Name"), "thing": of("Name"), "priority": of("Priority"),
                    "change": one_of("what changed", &["raised", "acknowledged", "returned", "shelved", "unshelved", "stale", "chattering",
                        "settled", "removed"]),
                    "by": json!({ "type": ["string", "null"], "description": "who did it" }), "until": maybe_time("end of holding back"),
                    "wakes": truth("it may wake somebody"), "text": text("one plain sentence"), "value": maybe_number("the judged value"),
                    "incident": maybe_whole("the incident it belongs to"), "saved": truth("its commit succeeded"),
                }),
            ),
        ),
        (
            "Transitions",
            record(
                "transitions after a number",
                json!({
                    "transitions": list(of("Transition")), "seq": whole("latest number"), "more": truth("there are more; ask after the last one"),
                }),
            ),
        ),
        (
            "AlarmLife",
            record("an alarm from raising to end", json!({ "alarm": whole("which"), "steps": list(of("Transition")) })),
        ),
        (
            "Bucket",
            record(
                "a part of the stretch; the three figures are null when nothing was known in it",
                json!({
                    "from": time("begin"), "to": time("end, not included"), "min": maybe_number("smallest"), "mean": maybe_number("mean"),
                    "max": maybe_number("largest"), "count": whole("known values"), "unavailable": whole("readings without value"),
                }),
            ),
        ),
        (
            "Course",
            record(
                "a signal over a stretch",
                stretch(json!({
                    "name": of("Name"), "unit": of("Unit"), "buckets": list(of("Bucket")),
                })),
            ),
        ),
        (
            "Event",
            record(
                "something that happened",
                json!({
                    "at": time("when it happened"), "within_ms": whole("known to within this span before `at`"), "thing": of("Name"),
                    "kind": of("EventKind"), "text": text("a phrase; may be empty"),
                    "detail": json!({ "type": "object", "description": "facts for machines; command lines only for those who may write" }),
                }),
            ),
        ),
        (
            "Events",
            record(
                "events of a stretch, oldest first",
                stretch(json!({
                    "events": list(of("Event")), "more": truth("the stretch holds more"),
                })),
            ),
        ),
        ("Sessions", record("sessions that touch a stretch", stretch(json!({ "sessions": list(of("Session")) })))),
        (
            "Member",
            record(
                "a part of an incident",
                json!({
                    "thing": of("Name"), "at": time("when it broke"), "within_ms": whole("known to within this span before `at`"),
                    "until": maybe_time("when it was well again"), "alarm": maybe_whole("the alarm behind it"),
                    "event": maybe("EventKind"), "belongs": one_of("why it belongs", &["first", "leans_on", "near_in_time"]),
                    "text": text("one plain sentence"),
                }),
            ),
        ),
        (
            "MarkMade",
            record(
                "a person's mark",
                json!({ "at": time("when"), "mark": maybe("MarkKind"), "words": text("of the person") }),
            ),
        ),
        (
            "Incident",
            record(
                "alarms and events that belong together",
                json!({
                    "incident": whole("number"), "session": maybe_whole("session in which it happened"), "opened": time("begin"),
                    "closed": maybe_time("end; null while it goes on"), "kind": of("FaultKind"), "fault": truth("it counts as a fault"),
                    "harmless": truth("nothing was lost"), "pause_only": truth("frames paused, nothing broken, reason not seen"),
                    "order_certain": truth("which failed first is certain"), "members": list(of("Member")), "marks": list(of("MarkMade")),
                }),
            ),
        ),
        ("Incidents", record("incidents that touch a stretch", stretch(json!({ "incidents": list(of("Incident")) })))),
        (
            "Around",
            record(
                "what is kept in detail around an incident; null where nothing is kept",
                json!({ "before": maybe("LeadUp"), "after": maybe("LeadUp") }),
            ),
        ),
        (
            "LeadUp",
            record(
                "one part of it",
                json!({
                    "opened": time("when the incident opened"), "from": time("begin"), "to": time("end"),
                    "cut": truth("something was left out for want of room"),
                    "signals": list(record("a signal", json!({
                        "name": of("Name"), "unit": text("unit of the values"), "resolution": maybe_number("step of the values"),
                        "what": text("what it means"), "why": maybe_text("why it could not be read, the last time"),
                        "at": list(time("when it was taken")), "values": list(maybe_number("in its unit; null: could not be read")),
                    }))),
                    "programs": list(record("a program", json!({
                        "pid": whole("process number"), "name": text("the kernel's short name"), "at": list(time("of a look at it")),
                        "cpu_percent": list(maybe_number("of a core, since the look before")),
                        "memory_bytes": list(maybe_number("resident memory")), "state": list(text("state letter")),
                        "disk_wait_percent": list(maybe_number("of the time, waiting for disks")),
                        "disk_fetches": list(whole("pages fetched from a disk")),
                    }))),
                }),
            ),
        ),
        (
            "Remedy",
            record(
                "a change made in the hope of fewer faults",
                json!({
                    "remedy": whole("number"), "name": text("what was changed"), "added": time("when it was written down"),
                    "since": time("from when on"), "until": maybe_time("until when"),
                    "only_nights": list(text("evening date; none means every night")), "hard_when": maybe("HardWhen"),
                    "record_before_ms": whole("length of the record before it"), "hindsight": truth("entered after nights of its own time"),
                }),
            ),
        ),
        (
            "Came",
            record(
                "how much of a part was new, or was taken out",
                json!({
                    "said": text("in words"), "new": whole("new in the store, or taken out of it"),
                    "known": whole("there already and left as it was, or not there"),
                }),
            ),
        ),
        (
            "Import",
            record(
                "the note of a file that was brought in",
                json!({
                    "at": time("when it was brought in"), "source": text("its name"),
                    "digest": text("SHA-256 of its content and of how it was read, hexadecimal"),
                    "summary": json!({ "type": ["object", "null"], "description": "how it was read and what was taken" }),
                }),
            ),
        ),
        ("Imports", record("files that were brought in, in order", json!({ "imports": list(of("Import")) }))),
        ("Remedies", record("all remedies", json!({ "remedies": list(of("Remedy")) }))),
        (
            "Problems",
            record(
                "every kind of problem",
                json!({ "problems": list(record("a kind", json!({
            "type": text("as in an answer"), "title": text("what it is"), "status": whole("HTTP status"),
        }))) }),
            ),
        ),
    ])
}

fn wishes() -> Map<String, Value> {
    let wish = |what: &str, required: &[&str], fields: Value| json!({ "type": "object", "description": what, "required": required, "properties": fields, "additionalProperties": false });
    let moment = |what: &str| json!({ "type": "integer", "minimum": 0, "maximum": LATEST_MS, "description": what });
    let mut maybe_moment = moment("until when, if it was taken away; must lie after `since`");
    maybe_moment["type"] = json!(["integer", "null"]);
    named([
        ("SessionWish", wish("begin or end the session", &["do"], json!({ "do": one_of("what", &["start", "end"]) }))),
        (
            "ShelveWish",
            wish(
                "hold an alarm back",
                &["lasting_s"],
                json!({
                    "lasting_s": json!({ "type": "integer", "minimum": 1, "maximum": alarms::LONGEST_SHELVING_S, "description": "for so many seconds" }),
                }),
            ),
        ),
        (
            "MarkWish",
            wish(
                "say what an incident was; null takes the mark back",
                &[],
                json!({
                    "mark": maybe("MarkKind"), "words": json!({ "type": "string", "maxLength": incidents::WORDS }),
                }),
            ),
        ),
        (
            "HardWhen",
            wish(
                "which hours are as hard as those that failed before",
                &["signal", "below", "limit"],
                json!({
                    "signal": of("Name"), "below": truth("hard is below the limit (else above)"), "limit": json!({ "type": "number" }),
                }),
            ),
        ),
        (
            "ImportPart",
            wish(
                "exactly one of readings, faults and note",
                &[],
                json!({
                    "take_back": truth("out of the store again: what is there at the same instant with the same value"),
                    "readings": json!({ "type": ["object", "null"], "required": ["signal", "unit", "values"], "additionalProperties": false,
                        "description": "of one signal", "properties": {
                        "signal": of("Name"), "unit": of("Unit"),
                        "values": json!({ "type": "array", "minItems": 1, "maxItems": imports::MOST, "items": {
                            "type": "array", "description": "milliseconds since 1970, value", "minItems": 2, "maxItems": 2,
                            "prefixItems": [moment("when"), { "type": "number" }] } }),
                    } }),
                    "faults": json!({ "type": ["array", "null"], "minItems": 1, "maxItems": imports::FAULTS, "items": {
                        "type": "object", "required": ["from", "name"], "additionalProperties": false, "properties": {
                            "from": moment("start"), "kind": maybe("FaultKind"),
                            "to": json!({ "type": ["integer", "null"], "minimum": 0, "maximum": LATEST_MS, "description": "end; null: the rest of that night was lost" }),
                            "name": json!({ "type": "string", "minLength": 1, "maxLength": imports::LETTERS, "pattern": "[^\\s\\u0085]" }),
                        } } }),
                    "note": json!({ "type": ["object", "null"], "required": ["source", "digest", "summary"], "additionalProperties": false,
                        "description": "the note of a file, after its parts", "properties": {
                        "source": json!({ "type": "string", "minLength": 1, "maxLength": imports::LETTERS, "pattern": "[^\\s\\u0085]" }),
                        "digest": json!({ "type": "string", "pattern": "^[0-9A-Fa-f]{64}$" }), "summary": json!({ "type": "object" }),
                    } }),
                }),
            ),
        ),
        (
            "RemedyWish",
            wish(
                "write down a remedy",
                &["name", "since"],
                json!({
                    "name": json!({ "type": "string", "minLength": 1, "maxLength": remedies::NAME, "pattern": "[^\\s\\u0085]" }),
                    "since": moment("from when on"), "until": maybe_moment,
                    "only_nights": json!({ "type": "array", "maxItems": remedies::NIGHTS, "items": { "type": "string", "format": "date" } }),
                    "hard_when": maybe("HardWhen"),
                    "anyway": truth("use that rule even if the remedy may have changed its signal"),
                }),
            ),
        ),
    ])
}
