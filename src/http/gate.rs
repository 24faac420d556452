//! What stands before every handler: who asks, from where, by which name; and the headers that every answer carries.

use super::app::App;
use super::auth::Who;
use super::auth::may_listen::of_home_network;
use super::problem::{Kind, Problem};
use crate::model::Span;
use crate::report::look::STYLE;
use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use base64::prelude::{BASE64_STANDARD, Engine as _};
use sha2::{Digest, Sha256};
use std::net::{IpAddr, SocketAddr};
use std::sync::{LazyLock, PoisonError};

/// The other end of a connection.
#[derive(Clone, Copy, Debug)]
pub struct Peer {
    /// Its address.
    pub address: SocketAddr,
    /// Whether the connection is TLS.
    pub tls: bool,
}

impl Peer {
    /// Whether it is on this very machine.
    pub fn is_here(&self) -> bool {
        self.address.ip().to_canonical().is_loopback()
    }
}

/// The cookie of a paired browser.
pub const COOKIE: &str = "tilldawn_browser";

/// Everything comes from this very origin; nothing is inline.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; \
    form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Marks an answer that carries the reports' stylesheet inside, as a report does that must also work as a file.
#[derive(Clone, Copy, Debug)]
pub struct OwnStyle;

/// For such an answer: that very stylesheet and nothing else, known by its hash (Content Security Policy Level 3, 2.3.1).
static OWN_STYLE_POLICY: LazyLock<HeaderValue> = LazyLock::new(|| {
    let hash = BASE64_STANDARD.encode(Sha256::digest(STYLE));
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{hash}'; img-src data:; form-action 'none'; base-uri 'none'; \
         frame-ancestors 'none'"
    );
    // Letters, digits and marks of ASCII alone.
    HeaderValue::from_str(&policy).unwrap_or(HeaderValue::from_static("default-src 'none'"))
});

/// Lets a request pass, or answers it; puts the usual headers on every answer.
pub async fn gate(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let (method, uri, headers) = (request.method().clone(), request.uri().clone(), request.headers().clone());
    let asked = Asked { method: &method, uri: &uri, headers: &headers };
    let mut answer = match admit(&app, asked, peer).await {
        Ok(who) => {
            request.extensions_mut().insert(who);
            next.run(request).await
        }
        Err(answer) => *answer,
    };
    harden(answer.headers_mut(), peer.is_some_and(|p| p.tls || p.is_here()));
    if answer.extensions().get::<OwnStyle>().is_some() {
        answer.headers_mut().insert(header::CONTENT_SECURITY_POLICY, OWN_STYLE_POLICY.clone());
    }
    answer
}

fn harden(h: &mut HeaderMap, trustworthy: bool) {
    let mut put = |n: HeaderName, v: &'static str| {
        h.insert(n, HeaderValue::from_static(v));
    };
    put(header::CONTENT_SECURITY_POLICY, POLICY);
    put(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(header::X_FRAME_OPTIONS, "DENY");
    // Not `no-referrer`: with it browsers send `Origin: null` on our own forms, and the origin could not be checked.
    put(header::REFERRER_POLICY, "same-origin");
    put(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    put(HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()");
    if trustworthy {
        // Browsers complain aloud when they meet this one on plain HTTP from another machine.
        put(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    }
    if !h.contains_key(header::CACHE_CONTROL) {
        h.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}

/// The request without its body, which cannot be shared between threads.
#[derive(Clone, Copy)]
struct Asked<'a> {
    method: &'a Method,
    uri: &'a Uri,
    headers: &'a HeaderMap,
}

type Turned = Box<Response>;

fn turn(p: Problem) -> Turned {
    Box::new(p.into_response())
}

/// What anybody may fetch: the pairing page and what it is made of.
fn is_open(path: &str) -> bool {
    matches!(path, "/pair" | "/look.css" | "/page.css" | "/favicon.svg" | "/favicon.ico" | "/robots.txt")
}

fn is_for_programs(path: &str) -> bool {
    path.starts_with("/api/") || path == "/metrics" || path == "/stream"
}

async fn admit(app: &App, request: Asked<'_>, peer: Option<Peer>) -> Result<Who, Turned> {
    let Some(peer) = peer else {
        return Err(turn(Problem::new(Kind::Failed, "the other end of the connection is not known")));
    };
    let host = host_of(request).map_err(turn)?;
    let path = request.uri.path();
    let writes = !matches!(*request.method, Method::GET | Method::HEAD | Method::OPTIONS);
    let who = if peer.is_here() {
        // A page of another site can lead its name to this machine (DNS rebinding); it cannot choose the name it is
        // called by.
        if !is_own_name(app, &host) {
            let words = format!(
                "`{}` is no name of this machine: use `localhost`, or write it under `[http]` as `names = [\"…\"]`",
                host.host()
            );
            return Err(turn(Problem::new(Kind::WrongHost, words)));
        }
        Who::Here
    } else {
        if !peer.tls && !of_home_network(peer.address.ip()) {
            let words = "plain HTTP is spoken with the home network alone: set `tls = true` under `[http]`";
            return Err(turn(Problem::new(Kind::WhoAreYou, words)));
        }
        identify(app, request.headers, peer.address.ip()).await.map_err(turn)?
    };
    if !who.may_read() && !is_open(path) {
        if is_for_programs(path) || writes || !matches!(*request.method, Method::GET | Method::HEAD) {
            let words = "send `Authorization: Bearer TOKEN` with a token from `tilldawn token add NAME`, \
                or pair this browser with `tilldawn pair`";
            return Err(turn(Problem::new(Kind::WhoAreYou, words)));
        }
        return Err(Box::new((StatusCode::SEE_OTHER, [(header::LOCATION, "/pair")]).into_response()));
    }
    if writes {
        if !who.may_write() && !is_open(path) {
            return Err(turn(Problem::new(
                Kind::ReadOnly,
                "this token may only read; make one with `--scope read-write`",
            )));
        }
        if !matches!(who, Who::Token { .. }) {
            own_origin(request, &host, peer.tls).map_err(turn)?;
        }
    }
    Ok(who)
}

/// The host that the request names; exactly one, and well formed.
fn host_of(request: Asked<'_>) -> Result<Authority, Problem> {
    let mut all = request.headers.get_all(header::HOST).iter();
    let named = match (request.uri.authority(), all.next(), all.next()) {
        (Some(a), _, None) => Some(a.clone()),
        (None, Some(h), None) => h.to_str().ok().and_then(|h| h.parse::<Authority>().ok()),
        _ => None,
    };
    named
        .filter(|a| !a.as_str().contains('@') && !a.host().is_empty())
        .ok_or_else(|| Problem::new(Kind::BadRequest, "exactly one `host` header with a name or an address is needed"))
}

fn ip_of(host: &Authority) -> Option<IpAddr> {
    let h = host.host();
    h.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(h).parse().ok()
}

fn is_own_name(app: &App, host: &Authority) -> bool {
    let settings = &app.config().http;
    match ip_of(host) {
        Some(ip) => {
            let ip = ip.to_canonical();
            ip.is_loopback() || ip == settings.listen.ip() || settings.listen.ip().is_unspecified()
        }
        None => {
            let h = host.host().trim_end_matches('.');
            let own = ["localhost".to_owned()].into_iter().chain(settings.names.iter().cloned());
            own.into_iter().any(|n| n.eq_ignore_ascii_case(h)) || h.to_ascii_lowercase().ends_with(".localhost")
        }
    }
}

/// A write must come from a page of this very origin, or from a program that no browser is.
fn own_origin(request: Asked<'_>, host: &Authority, tls: bool) -> Result<(), Problem> {
    let h = request.headers;
    let wrong = |words: &str| Err(Problem::new(Kind::WrongOrigin, words));
    if let Some(o) = h.get(header::ORIGIN) {
        let own = format!("{}://{}", if tls { "https" } else { "http" }, host.as_str());
        if h.get_all(header::ORIGIN).iter().count() > 1 || !o.as_bytes().eq_ignore_ascii_case(own.as_bytes()) {
            return wrong("the `origin` header names another site than this one");
        }
        return Ok(());
    }
    match h.get("sec-fetch-site").map(HeaderValue::as_bytes) {
        None | Some(b"same-origin") => {}
        Some(_) => return wrong("the browser says that another site's page sent this"),
    }
    // Without an origin this is no present-day browser. An old one could still send a form, but never JSON, and no PUT.
    let form = h.get(header::CONTENT_TYPE).is_some_and(|t| !t.as_bytes().starts_with(b"application/json"));
    if form {
        return wrong("a form must come with an `origin` header that names this site");
    }
    Ok(())
}

/// Who comes from beyond this machine. A wrong token or cookie is a failed try; a slowed address is not looked at.
async fn identify(app: &App, headers: &HeaderMap, ip: IpAddr) -> Result<Who, Problem> {
    let bearer = match headers.get(header::AUTHORIZATION) {
        Some(v) => Some(bearer(v).ok_or_else(|| {
            Problem::new(Kind::WhoAreYou, "the `authorization` header is not of the form `Bearer TOKEN`")
        })?),
        None => None,
    };
    let cookie = cookie(headers, COOKIE);
    if bearer.is_none() && cookie.is_none() {
        return Ok(Who::Nobody);
    }
    slowed(app, ip)?;
    let keys = app.keys.clone();
    let found = tokio::task::spawn_blocking(move || {
        let keys = keys.read()?;
        Ok(match (bearer, cookie) {
            (Some(t), _) => keys.token(&t).map(|t| Who::Token { name: t.name.clone(), scope: t.scope }),
            (None, Some(c)) => keys.browser(&c).map(|b| Who::Browser { name: b.name.clone() }),
            (None, None) => None,
        })
    })
    .await;
    match found {
        Ok(Ok(Some(who))) => Ok(who),
        Ok(Ok(None)) => {
            failed(app, ip);
            // A browser whose cookie is no longer good is shown the pairing page; a program is told.
            if headers.contains_key(header::AUTHORIZATION) {
                Err(Problem::new(
                    Kind::WhoAreYou,
                    "this token is not known (any more); `tilldawn token list` shows those that are",
                ))
            } else {
                Ok(Who::Nobody)
            }
        }
        Ok(Err(e)) => {
            let e: super::auth::keys::KeyError = e;
            Err(Problem::new(Kind::Failed, e.to_string()))
        }
        Err(_) => Err(Problem::new(Kind::Failed, "tokens could not be read in an unforeseen way; the log tells more")),
    }
}

/// Answers whoever has failed too often, before the try is looked at.
pub fn slowed(app: &App, ip: IpAddr) -> Result<(), Problem> {
    let now = app.serving.clock.now().boot;
    match app.slow.lock().unwrap_or_else(PoisonError::into_inner).wait(ip, now) {
        None => Ok(()),
        Some(w) => {
            let s = (w + Span(999)).0 / 1000;
            Err(Problem::new(Kind::Slowed, format!("too many failed tries: the next one is looked at in {s} s"))
                .retry_after(s.unsigned_abs()))
        }
    }
}

/// Counts a failed try.
pub fn failed(app: &App, ip: IpAddr) {
    let now = app.serving.clock.now().boot;
    app.slow.lock().unwrap_or_else(PoisonError::into_inner).failed(ip, now);
    tracing::warn!(%ip, "a failed try to come in");
}

fn bearer(v: &HeaderValue) -> Option<String> {
    let (scheme, token) = v.to_str().ok()?.split_once(' ')?;
    let token = token.trim();
    (scheme.eq_ignore_ascii_case("bearer") && !token.is_empty()).then(|| token.to_owned())
}

/// The value of a cookie.
pub fn cookie(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|c| c.trim().split_once('='))
        .find(|(n, _)| *n == name)
        .map(|(_, v)| v.to_owned())
}
