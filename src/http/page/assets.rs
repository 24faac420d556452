//! The page's own files, served from the binary.

use crate::report::look::STYLE;
use axum::http::header;
use axum::response::IntoResponse;

fn asset(kind: &'static str, body: &'static str) -> impl IntoResponse {
    // Small files on the home network: asking anew is cheaper than a page and a script of different versions.
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")], body)
}

/// `GET /look.css`: what page and reports share.
pub async fn look() -> impl IntoResponse {
    asset("text/css; charset=utf-8", STYLE)
}

/// `GET /page.css`: what only the page has.
pub async fn css() -> impl IntoResponse {
    asset("text/css; charset=utf-8", include_str!("page.css"))
}

/// `GET /page.js`
pub async fn js() -> impl IntoResponse {
    asset("text/javascript; charset=utf-8", include_str!("page.js"))
}

/// `GET /favicon.svg`
pub async fn icon() -> impl IntoResponse {
    asset("image/svg+xml", include_str!("icon.svg"))
}

/// `GET /robots.txt`
pub async fn robots() -> impl IntoResponse {
    asset("text/plain; charset=utf-8", "User-agent: *\nDisallow: /\n")
}
