//! What stands before every handler: who asks, from where, and the headers that every answer carries.

use super::app::App;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::Response;
use std::net::SocketAddr;

/// The other end of a connection.
#[derive(Clone, Copy, Debug)]
pub struct Peer {
    /// Its address.
    pub address: SocketAddr,
    /// Whether the connection is TLS.
    pub tls: bool,
}

/// Everything comes from this very origin; nothing is inline.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; \
    form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Passes a request on and puts the usual headers on the answer.
pub async fn gate(State(_app): State<App>, request: Request, next: Next) -> Response {
    let mut answer = next.run(request).await;
    harden(answer.headers_mut());
    answer
}

fn harden(h: &mut HeaderMap) {
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
    if !h.contains_key(header::CACHE_CONTROL) {
        h.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}
