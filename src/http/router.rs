//! Which path leads where.

use super::app::App;
use super::problem::{self, Kind, Problem};
use super::{api, gate, page, stream};
use axum::Router;
use axum::extract::Request;
use axum::middleware;
use axum::routing::get;

/// All paths, behind the gate.
pub fn router(app: App) -> Router {
    Router::new()
        .route("/", get(page::show))
        .route("/stream", get(stream::stream))
        .route("/page.css", get(page::assets::css))
        .route("/page.js", get(page::assets::js))
        .route("/favicon.svg", get(page::assets::icon))
        .route("/favicon.ico", get(page::assets::icon))
        .route("/api/v1/summary", get(api::summary::summary))
        .route("/api/v1/problems", get(problem::described))
        .fallback(nothing_here)
        .method_not_allowed_fallback(wrong_method)
        .layer(middleware::from_fn_with_state(app.clone(), gate::gate))
        .with_state(app)
}

async fn nothing_here(request: Request) -> Problem {
    let path: String = request.uri().path().chars().take(120).collect();
    Problem::new(Kind::NotFound, format!("nothing is at `{path}`; `/api/v1/openapi.json` lists every path"))
}

async fn wrong_method(request: Request) -> Problem {
    let m: String = request.method().as_str().chars().take(20).collect();
    Problem::new(Kind::WrongMethod, format!("`{m}` is not for this path; the `allow` header names those that are"))
}
