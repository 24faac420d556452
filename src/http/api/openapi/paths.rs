//! The paths, their parameters and their answers.

use crate::http::api::{alarms, happened, signals};
use crate::http::extract::LATEST_MS;
use serde_json::{Map, Value, json};

fn schema(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn parameter(name: &str) -> Value {
    json!({ "$ref": format!("#/components/parameters/{name}") })
}

fn problem(status: &str) -> (String, Value) {
    let name = match status {
        "400" => "Wrong",
        "401" => "WhoAreYou",
        "403" => "NotAllowed",
        "404" => "NotFound",
        "405" => "WrongMethod",
        "408" => "TooSlow",
        "409" => "NotNow",
        "413" => "TooLarge",
        "415" => "WrongType",
        "421" => "WrongHost",
        "429" => "Slowed",
        _ => "NotNowPossible",
    };
    (status.to_owned(), json!({ "$ref": format!("#/components/responses/{name}") }))
}

/// Answers of one operation: what is well, the problems that every operation has, and its own.
fn answers(status: &str, what: &str, body: Value, own: &[&str]) -> Value {
    let mut all = Map::new();
    all.insert(status.into(), json!({ "description": what, "content": { "application/json": { "schema": body } } }));
    let common = ["400", "401", "421", "429", "503"];
    all.extend(common.iter().chain(own).map(|s| problem(s)));
    Value::Object(all)
}

fn look(id: &str, tag: &str, summary: &str, answer: &str, parameters: &[&str], own: &[&str]) -> Value {
    let parameters: Vec<Value> = parameters.iter().map(|p| parameter(p)).collect();
    json!({ "get": { "operationId": id, "tags": [tag], "summary": summary, "parameters": parameters,
        "responses": answers("200", "as asked", schema(answer), own) } })
}

fn act(id: &str, summary: &str, parameters: &[&str], body: Option<&str>, status: &str) -> Value {
    let parameters: Vec<Value> = parameters.iter().map(|p| parameter(p)).collect();
    let own = ["403", "404", "408", "409", "413", "415"];
    let mut o = json!({ "operationId": id, "tags": ["acts"], "summary": summary, "parameters": parameters,
        "responses": answers(status, "done", schema("Said"), &own) });
    if let Some(b) = body {
        o["requestBody"] = json!({ "required": true, "content": { "application/json": { "schema": schema(b) } } });
    }
    o
}

/// Every path.
pub fn paths() -> Value {
    let mut p = Map::new();
    let mut put = |path: &str, item: Value| {
        p.insert(format!("/api/v1{path}"), item);
    };
    put("/summary", look("summary", "present", "The present in one record", "Summary", &[], &[]));
    put("/signals", look("signals", "present", "What is measured, each with its latest reading", "Signals", &[], &[]));
    put(
        "/signals/{name}",
        look(
            "signal",
            "past",
            "One signal over a stretch, in equal buckets",
            "Course",
            &["name", "from", "to", "points"],
            &["404"],
        ),
    );
    put(
        "/alarms",
        look("alarms", "past", "Transitions of alarms after a number", "Transitions", &["after", "limit"], &[]),
    );
    put("/alarms/{alarm}", look("alarm", "past", "One alarm from raising to end", "AlarmLife", &["alarm"], &["404"]));
    put(
        "/events",
        look("events", "past", "What happened in a stretch", "Events", &["from", "to", "kind", "events_limit"], &[]),
    );
    put("/sessions", look("sessions", "past", "Sessions that touch a stretch", "Sessions", &["from", "to"], &[]));
    put("/incidents", look("incidents", "past", "Incidents that touch a stretch", "Incidents", &["from", "to"], &[]));
    put("/incidents/{incident}", look("incident", "past", "One incident", "Incident", &["incident"], &["404"]));
    put(
        "/incidents/{incident}/leadup",
        look("leadup", "past", "The minutes around an incident, in detail", "Around", &["incident"], &["404"]),
    );
    let mut remedies = look("remedies", "past", "What was changed in the hope of fewer faults", "Remedies", &[], &[]);
    remedies["post"] = act("addRemedy", "Write down a remedy", &[], Some("RemedyWish"), "201");
    put("/remedies", remedies);
    put("/remedies/{remedy}", json!({ "delete": act("removeRemedy", "Forget a remedy", &["remedy"], None, "200") }));
    put("/alarms/acknowledge", json!({ "post": act("acknowledgeAll", "Acknowledge all alarms", &[], None, "200") }));
    put(
        "/alarms/{alarm}/acknowledge",
        json!({ "post": act("acknowledge", "Acknowledge an alarm", &["alarm"], None, "200") }),
    );
    put(
        "/alarms/{alarm}/shelve",
        json!({ "post": act("shelve", "Hold an alarm back", &["alarm"], Some("ShelveWish"), "200") }),
    );
    put(
        "/alarms/{alarm}/unshelve",
        json!({ "post": act("unshelve", "Hold it back no longer", &["alarm"], None, "200") }),
    );
    put("/session", json!({ "post": act("session", "Begin or end the session", &[], Some("SessionWish"), "200") }));
    put(
        "/incidents/{incident}/mark",
        json!({ "put": act("mark", "Say what an incident was", &["incident"], Some("MarkWish"), "200") }),
    );
    let mut imports = look("imports", "past", "Files that were brought in", "Imports", &[], &[]);
    imports["post"] = act(
        "takeIn",
        "Bring in a part of what was recorded elsewhere, or take it back",
        &[],
        Some("ImportPart"),
        "200",
    );
    imports["post"]["responses"]["200"]["content"]["application/json"]["schema"] = schema("Came");
    put("/imports", imports);
    put("/problems", look("problems", "about", "Every kind of error answer", "Problems", &[], &[]));
    put(
        "/openapi.json",
        json!({ "get": { "operationId": "openapi", "tags": ["about"], "summary": "This description",
        "responses": answers("200", "OpenAPI 3.1.0", json!({ "type": "object" }), &[]) } }),
    );
    let mut metrics = json!({ "get": { "operationId": "metrics", "tags": ["present"], "summary": "The present as OpenMetrics text",
        "responses": answers("200", "", json!({}), &[]) } });
    metrics["get"]["responses"]["200"] = json!({ "description": "OpenMetrics 1.0.0",
        "content": { "application/openmetrics-text": { "schema": { "type": "string" } } } });
    p.insert("/metrics".into(), metrics);
    Value::Object(p)
}

/// Parameters by name.
pub fn parameters() -> Value {
    let query = |name: &str, what: &str, schema: Value| json!({ "name": name, "in": "query", "required": false, "description": what, "schema": schema });
    let path = |name: &str, what: &str, schema: Value| json!({ "name": name, "in": "path", "required": true, "description": what, "schema": schema });
    let number = json!({ "type": "integer", "format": "int64", "minimum": 0, "maximum": i64::MAX });
    let time = |name: &str, what: &str| {
        query(
            name,
            &format!(
                "{what}: milliseconds since 1970 (UTC), or RFC 3339 text; a stretch that ends before it begins is empty"
            ),
            json!({ "anyOf": [{ "type": "integer", "minimum": 0, "maximum": LATEST_MS },
                { "type": "string", "format": "date-time", "pattern": "^(19[7-9]|20[0-9])[0-9]-" }] }),
        )
    };
    let mut kind = query(
        "kind",
        "only events of these kinds",
        json!({ "type": "array", "minItems": 1, "maxItems": 64, "items": schema("EventKind") }),
    );
    kind["style"] = json!("form");
    kind["explode"] = json!(false);
    json!({
        "name": path("name", "a signal", schema("Name")),
        "alarm": path("alarm", "number of an alarm", number.clone()),
        "incident": path("incident", "number of an incident", number.clone()),
        "remedy": path("remedy", "number of a remedy", number.clone()),
        "after": query("after", "only transitions with a greater number", number),
        "limit": query("limit", "at most so many", json!({ "type": "integer", "minimum": 1, "maximum": alarms::MOST })),
        "events_limit": query("limit", "at most so many", json!({ "type": "integer", "minimum": 1, "maximum": happened::MOST })),
        "points": query("points", "so many buckets", json!({ "type": "integer", "minimum": 1, "maximum": signals::MOST_POINTS })),
        "from": time("from", "begin of the stretch"),
        "to": time("to", "its end, not included"),
        "kind": kind,
    })
}

/// Error answers by name.
pub fn responses() -> Value {
    let one = |what: &str| json!({ "description": what, "content": { "application/problem+json": { "schema": schema("Problem") } } });
    json!({
        "Wrong": one("a parameter, a field or the request itself is not as it must be"),
        "WhoAreYou": one("a token or a paired browser is needed"),
        "NotAllowed": one("the token may only read, or the request comes from another site"),
        "NotFound": one("there is no such signal, alarm, incident or remedy"),
        "WrongMethod": one("this path does not know the method"),
        "TooSlow": one("the body did not come in time"),
        "NotNow": one("it cannot be done in the present state, or the parts of the wish contradict each other"),
        "TooLarge": one("the body is too large"),
        "WrongType": one("the body is not JSON"),
        "WrongHost": one("the host name is none of this agent's"),
        "Slowed": one("too many failed tries from this address"),
        "NotNowPossible": one("the store cannot be read, the agent is stopping, or too much is asked at once"),
    })
}
