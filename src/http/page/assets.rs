//! The page's own files, served from the binary.

use axum::http::header;
use axum::response::IntoResponse;

fn asset(kind: &'static str, body: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")], body)
}

/// `GET /page.css`
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
