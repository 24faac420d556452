//! Own extractors: every parameter and body is bounded and checked, and every rejection is a problem that names it.

use super::problem::{Kind, Problem};
use crate::model::{Name, UnixMs};
use axum::body::{Body, Bytes};
use axum::extract::{Form, FromRequest, FromRequestParts, Path, Query, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, header};
use http_body_util::{BodyExt, Limited};
use serde::de::DeserializeOwned;
use std::ops::RangeInclusive;
use std::time::Duration;

/// Largest body: two thousand letters of a person's words, every one escaped, fit.
pub const BODY_BYTES: usize = 64 * 1024;
/// A body must be complete within this time.
const BODY_TIME: Duration = Duration::from_secs(10);
/// Times are accepted up to the end of 2099, in milliseconds since 1970.
pub const LATEST_MS: i64 = 4_102_444_799_999;

/// The parameters behind the `?`. Handlers take them one by one and end with [`Params::finish`], which refuses the rest.
#[derive(Debug)]
pub struct Params(Vec<(String, String)>);

impl<S: Send + Sync> FromRequestParts<S> for Params {
    type Rejection = Problem;
    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Params, Problem> {
        Query::<Vec<(String, String)>>::try_from_uri(&parts.uri)
            .map(|q| Params(q.0))
            .map_err(|_| Problem::new(Kind::BadRequest, "the part behind `?` is not made of `name=value` pairs"))
    }
}

/// Most words in one list of a query, as the description says (`maxItems`).
const MOST_WORDS: usize = 64;

impl Params {
    /// The value of a parameter that may stand once.
    fn take(&mut self, name: &str) -> Result<Option<String>, Problem> {
        let mut found = None;
        let mut twice = false;
        self.0.retain_mut(|(n, v)| {
            if n != name {
                return true;
            }
            twice |= found.replace(std::mem::take(v)).is_some();
            false
        });
        if twice { Err(Problem::parameter(name, format!("`{name}` stands twice; give it once"))) } else { Ok(found) }
    }

    /// A whole number in a range.
    pub fn whole(&mut self, name: &str, range: RangeInclusive<i64>) -> Result<Option<i64>, Problem> {
        let Some(v) = self.take(name)? else { return Ok(None) };
        let (low, high) = (range.start(), range.end());
        match plain_number(&v) {
            Some(n) if range.contains(&n) => Ok(Some(n)),
            _ => Err(Problem::parameter(
                name,
                format!("`{}` is not for `{name}`: expected a whole number from {low} to {high}", shown(&v)),
            )),
        }
    }

    /// An instant: milliseconds since 1970, or RFC 3339 text such as `2026-01-12T18:00:00Z`.
    pub fn time(&mut self, name: &str) -> Result<Option<UnixMs>, Problem> {
        let Some(v) = self.take(name)? else { return Ok(None) };
        let ms = plain_number(&v).or_else(|| rfc3339(&v));
        match ms {
            Some(n) if (0..=LATEST_MS).contains(&n) => Ok(Some(UnixMs(n))),
            _ => Err(Problem::parameter(
                name,
                format!(
                    "`{}` is not for `{name}`: expected milliseconds since 1970 (UTC), or a time like `2026-01-12T18:00:00Z`, before the year 2100",
                    shown(&v)
                ),
            )),
        }
    }

    /// One of the words of a list that `known` understands, or several joined by commas.
    pub fn words<T>(&mut self, name: &str, known: impl Fn(&str) -> Option<T>) -> Result<Vec<T>, Problem> {
        let Some(v) = self.take(name)? else { return Ok(vec![]) };
        if v.split(',').count() > MOST_WORDS {
            return Err(Problem::parameter(name, format!("more than {MOST_WORDS} words for `{name}`")));
        }
        v.split(',')
            .map(|w| {
                known(w).ok_or_else(|| {
                    Problem::parameter(
                        name,
                        format!("`{}` is not for `{name}`; the description lists what is", shown(w)),
                    )
                })
            })
            .collect()
    }

    /// Refuses what no one took.
    pub fn finish(self) -> Result<(), Problem> {
        match self.0.first() {
            None => Ok(()),
            Some((n, _)) => {
                let n = shown(n);
                Err(Problem::parameter(&n, format!("there is no parameter `{n}` here; look for a slip in its name")))
            }
        }
    }
}

/// Digits with an optional minus sign; no plus sign, no blanks.
fn plain_number(v: &str) -> Option<i64> {
    v.bytes().all(|b| b.is_ascii_digit() || b == b'-').then(|| v.parse().ok()).flatten()
}

/// RFC 3339 section 5.6, `date-time`; the library would read more than that.
fn rfc3339(v: &str) -> Option<i64> {
    let b = v.as_bytes();
    let shape = b.len() >= 20
        && [(4, b'-'), (7, b'-'), (13, b':'), (16, b':')].iter().all(|(i, c)| b[*i] == *c)
        && matches!(b[10], b'T' | b't')
        && (matches!(b[b.len() - 1], b'Z' | b'z') || (b[b.len() - 3] == b':' && matches!(b[b.len() - 6], b'+' | b'-')));
    if !shape {
        return None;
    }
    v.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}

/// What was sent, fit to be sent back.
fn shown(v: &str) -> String {
    v.chars().filter(|c| !c.is_control()).take(80).collect()
}

/// A number in the path, such as that of an alarm.
#[derive(Clone, Copy, Debug)]
pub struct Number(pub i64);

/// A signal's name in the path.
#[derive(Clone, Debug)]
pub struct Named(pub Name);

async fn in_path<S: Send + Sync>(parts: &mut Parts, state: &S) -> Result<String, Problem> {
    Path::<String>::from_request_parts(parts, state)
        .await
        .map(|p| p.0)
        .map_err(|_| Problem::new(Kind::BadRequest, "the path is not UTF-8 text"))
}

impl<S: Send + Sync> FromRequestParts<S> for Number {
    type Rejection = Problem;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Number, Problem> {
        let v = in_path(parts, state).await?;
        let n = plain_number(&v).filter(|n| *n >= 0);
        n.map(Number).ok_or_else(|| {
            Problem::parameter("number", format!("`{}` in the path is no number: expected 0 or more", shown(&v)))
        })
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Named {
    type Rejection = Problem;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Named, Problem> {
        let v = in_path(parts, state).await?;
        let shown = shown(&v);
        Name::new(&v).map(Named).map_err(|_| {
            Problem::parameter("name", format!("`{shown}` is no name of a signal: expected such as `temperature.box`"))
        })
    }
}

/// The body, whole, within its bounds.
async fn body(request: Request) -> Result<(Parts, Bytes), Problem> {
    let (parts, body) = request.into_parts();
    let all = tokio::time::timeout(BODY_TIME, Limited::new(body, BODY_BYTES).collect()).await;
    match all {
        Ok(Ok(b)) => Ok((parts, b.to_bytes())),
        Ok(Err(e)) if e.is::<http_body_util::LengthLimitError>() => {
            Err(Problem::new(Kind::TooLarge, format!("a body may have at most {BODY_BYTES} bytes")))
        }
        Ok(Err(_)) => Err(Problem::new(Kind::BadRequest, "the body broke off, or its chunks are not well formed")),
        Err(_) => Err(Problem::new(Kind::TooSlow, format!("the body did not come within {} s", BODY_TIME.as_secs()))),
    }
}

fn is_of_type(headers: &HeaderMap, wanted: &str) -> bool {
    headers
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.split(';').next())
        .is_some_and(|v| v.trim().eq_ignore_ascii_case(wanted))
}

/// A JSON body.
#[derive(Debug)]
pub struct Json<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Json<T> {
    type Rejection = Problem;
    async fn from_request(request: Request, _: &S) -> Result<Json<T>, Problem> {
        if !is_of_type(request.headers(), "application/json") {
            return Err(Problem::new(Kind::WrongType, "expected a body of type `application/json`"));
        }
        let (_, bytes) = body(request).await?;
        serde_json::from_slice(&bytes).map(Json).map_err(|e| {
            Problem::parameter("body", format!("the body is not as it must be: {}", shown(&e.to_string())))
        })
    }
}

/// A body that must be empty (or an empty JSON object).
#[derive(Debug)]
pub struct NoBody;

impl<S: Send + Sync> FromRequest<S> for NoBody {
    type Rejection = Problem;
    async fn from_request(request: Request, _: &S) -> Result<NoBody, Problem> {
        let (_, bytes) = body(request).await?;
        match bytes.trim_ascii() {
            b"" | b"{}" => Ok(NoBody),
            _ => Err(Problem::parameter("body", "nothing is expected in the body here")),
        }
    }
}

/// The fields of a form on the page.
#[derive(Debug)]
pub struct Fields(Vec<(String, String)>);

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = Problem;
    async fn from_request(request: Request, state: &S) -> Result<Fields, Problem> {
        if !is_of_type(request.headers(), "application/x-www-form-urlencoded") {
            return Err(Problem::new(Kind::WrongType, "expected the body of a form"));
        }
        let (parts, bytes) = body(request).await?;
        let whole = Request::from_parts(parts, Body::from(bytes));
        Form::<Vec<(String, String)>>::from_request(whole, state)
            .await
            .map(|f| Fields(f.0))
            .map_err(|_| Problem::new(Kind::BadRequest, "the form is not made of `name=value` pairs"))
    }
}

impl Fields {
    /// The value of a field; empty if it is not there.
    pub fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v)
    }
    /// A field that is a number.
    pub fn number(&self, name: &str) -> Result<i64, Problem> {
        plain_number(self.get(name))
            .ok_or_else(|| Problem::parameter(name, format!("`{}` is no number", shown(self.get(name)))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn params(q: &str) -> Params {
        Params(Query::try_from_uri(&format!("/?{q}").parse().unwrap()).unwrap().0)
    }

    #[test]
    fn ranges_doubles_and_strangers_are_refused() {
        assert_eq!(params("points=7").whole("points", 1..=10).unwrap(), Some(7));
        assert_eq!(params("").whole("points", 1..=10).unwrap(), None);
        for bad in ["points=0", "points=11", "points=", "points=7.5", "points=%2B7", "points=+7", "points=7&points=7"] {
            let e = params(bad).whole("points", 1..=10).unwrap_err();
            assert_eq!(e.kind(), Kind::BadParameter, "{bad}");
        }
        assert!(params("pints=7").finish().unwrap_err().detail().contains("`pints`"));
    }

    #[test]
    fn times_come_in_two_ways() {
        // The first example of RFC 3339, section 5.8, and its value by `date -d 1985-04-12T23:20:50.52Z +%s%3N`.
        let t = |v: &str| params(&format!("from={v}")).time("from");
        assert_eq!(t("1985-04-12T23:20:50.52Z").unwrap(), Some(UnixMs(482_196_050_520)));
        assert_eq!(t("1996-12-19T16:39:57-08:00").unwrap(), Some(UnixMs(851_042_397_000)));
        assert_eq!(t("482196050520").unwrap(), Some(UnixMs(482_196_050_520)));
        for bad in [
            "1985-04-12",
            "1985-04-12T23:20Z",
            "yesterday",
            "-1",
            "4102444800000",
            "1985-04-12T23:20:50",
            "é",
            "😀😀😀😀😀",
        ] {
            assert!(t(bad).is_err(), "{bad}");
        }
    }
}
