//! Error answers as problem details (RFC 9457). Every error of the API leaves through here, the framework's own too.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value, json};

/// Where the kinds are described; the fragment names the kind.
pub const DESCRIBED_AT: &str = "/api/v1/problems";

/// Kinds of problems.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The request is not understood.
    BadRequest,
    /// A parameter or a field of the body is missing, of the wrong type or out of its range.
    BadParameter,
    /// No valid token or paired browser.
    WhoAreYou,
    /// The token may only read.
    ReadOnly,
    /// A write that another site's page may have caused.
    WrongOrigin,
    /// Nothing at this path, or no such alarm, signal, incident or remedy.
    NotFound,
    /// The path does not know this method.
    WrongMethod,
    /// The body did not come in time.
    TooSlow,
    /// It cannot be done in the present state.
    NotNow,
    /// Each part is well, but they contradict each other.
    Contradiction,
    /// The body is larger than accepted.
    TooLarge,
    /// The body is of a type that is not understood.
    WrongType,
    /// The host name is none of this agent's.
    WrongHost,
    /// Too many failed tries from this address.
    Slowed,
    /// The store cannot be read now.
    NoStore,
    /// Too many requests or event streams at once.
    Busy,
    /// The agent could not do it.
    Failed,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 17] = [
        Kind::BadRequest,
        Kind::BadParameter,
        Kind::WhoAreYou,
        Kind::ReadOnly,
        Kind::WrongOrigin,
        Kind::NotFound,
        Kind::WrongMethod,
        Kind::TooSlow,
        Kind::NotNow,
        Kind::Contradiction,
        Kind::TooLarge,
        Kind::WrongType,
        Kind::WrongHost,
        Kind::Slowed,
        Kind::NoStore,
        Kind::Busy,
        Kind::Failed,
    ];

    /// Status, code and title.
    pub fn facts(self) -> (StatusCode, &'static str, &'static str) {
        match self {
            Kind::BadRequest => (StatusCode::BAD_REQUEST, "bad-request", "the request is not understood"),
            Kind::BadParameter => (StatusCode::BAD_REQUEST, "bad-parameter", "a parameter is not as it must be"),
            Kind::WhoAreYou => (StatusCode::UNAUTHORIZED, "who-are-you", "a token or a paired browser is needed"),
            Kind::ReadOnly => (StatusCode::FORBIDDEN, "read-only", "this token may only read"),
            Kind::WrongOrigin => (StatusCode::FORBIDDEN, "wrong-origin", "the request seems to come from another site"),
            Kind::NotFound => (StatusCode::NOT_FOUND, "not-found", "there is no such thing"),
            Kind::WrongMethod => (StatusCode::METHOD_NOT_ALLOWED, "wrong-method", "this path does not know the method"),
            Kind::TooSlow => (StatusCode::REQUEST_TIMEOUT, "too-slow", "the body did not come in time"),
            Kind::NotNow => (StatusCode::CONFLICT, "not-now", "it cannot be done in the present state"),
            Kind::Contradiction => (StatusCode::CONFLICT, "contradiction", "the parts contradict each other"),
            Kind::TooLarge => (StatusCode::PAYLOAD_TOO_LARGE, "too-large", "the body is larger than accepted"),
            Kind::WrongType => (StatusCode::UNSUPPORTED_MEDIA_TYPE, "wrong-type", "the body is of another type"),
            Kind::WrongHost => (StatusCode::MISDIRECTED_REQUEST, "wrong-host", "the host name is not this agent's"),
            Kind::Slowed => (StatusCode::TOO_MANY_REQUESTS, "slowed", "too many failed tries from this address"),
            Kind::NoStore => (StatusCode::SERVICE_UNAVAILABLE, "no-store", "the store cannot be read now"),
            Kind::Busy => (StatusCode::SERVICE_UNAVAILABLE, "busy", "too much is asked at once"),
            Kind::Failed => (StatusCode::SERVICE_UNAVAILABLE, "failed", "the agent could not do it"),
        }
    }
}

/// One error answer.
#[derive(Clone, Debug)]
pub struct Problem {
    kind: Kind,
    detail: String,
    more: Map<String, Value>,
    retry_after_s: Option<u64>,
}

impl Problem {
    /// A problem of this kind; `detail` names the thing, the reason and the way out.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Problem {
        Problem { kind, detail: detail.into(), more: Map::new(), retry_after_s: None }
    }
    /// A parameter (or field of the body) that is not as it must be.
    pub fn parameter(name: &str, detail: impl Into<String>) -> Problem {
        let mut p = Problem::new(Kind::BadParameter, detail);
        p.more.insert("parameter".into(), name.into());
        p
    }
    /// The same with the time after which another try makes sense.
    pub fn retry_after(mut self, seconds: u64) -> Problem {
        self.retry_after_s = Some(seconds.max(1));
        self
    }
    /// The time after which another try makes sense, if it was stated.
    pub fn seconds(&self) -> Option<u64> {
        self.retry_after_s
    }
    /// The kind.
    pub fn kind(&self) -> Kind {
        self.kind
    }
    /// The words for this case.
    pub fn detail(&self) -> &str {
        &self.detail
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let (status, code, title) = self.kind.facts();
        let mut body = json!({
            "type": format!("{DESCRIBED_AT}#{code}"),
            "title": title,
            "status": status.as_u16(),
            "detail": self.detail,
        });
        if let Some(o) = body.as_object_mut() {
            o.extend(self.more);
        }
        let mut r = (status, body.to_string()).into_response();
        let h = r.headers_mut();
        h.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if self.kind == Kind::WhoAreYou {
            h.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"tilldawn\""));
        }
        if let Some(s) = self.retry_after_s {
            h.insert(header::RETRY_AFTER, HeaderValue::from(s));
        }
        r
    }
}

/// `GET /api/v1/problems`: every kind, for people who follow the link in an answer.
pub async fn described() -> axum::Json<Value> {
    let all: Vec<Value> = Kind::ALL
        .into_iter()
        .map(|k| {
            let (status, code, title) = k.facts();
            json!({ "type": format!("{DESCRIBED_AT}#{code}"), "title": title, "status": status.as_u16() })
        })
        .collect();
    axum::Json(json!({ "problems": all }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn codes_are_distinct_and_statuses_are_errors() {
        let codes: HashSet<_> = Kind::ALL.iter().map(|k| k.facts().1).collect();
        assert_eq!(codes.len(), Kind::ALL.len());
        assert!(Kind::ALL.iter().all(|k| k.facts().0.as_u16() >= 400));
    }

    #[tokio::test]
    async fn a_problem_is_problem_details() {
        let r = Problem::parameter("points", "`0` is too few: 1 to 4000").into_response();
        assert_eq!(r.status(), 400);
        assert_eq!(r.headers()[header::CONTENT_TYPE], "application/problem+json");
        let b = axum::body::to_bytes(r.into_body(), 4096).await.unwrap();
        let v: Value = serde_json::from_slice(&b).unwrap();
        assert_eq!(v["status"], 400);
        assert_eq!(v["parameter"], "points");
        assert_eq!(v["type"], "/api/v1/problems#bad-parameter");
    }
}
