//! Which path leads where.

use super::app::App;
use super::problem::{self, Kind, Problem};
use super::{api, gate, page, stream};
use axum::Router;
use axum::extract::Request;
use axum::http::{Method, StatusCode};
use axum::middleware;
use axum::response::{IntoResponse, Response};
use axum::routing::{delete, get, post, put};

/// All paths, behind the gate.
pub fn router(app: App) -> Router {
    Router::new()
        .route("/", get(page::show))
        .route("/act", post(page::act::act))
        .route("/nights", get(page::nights::all))
        .route("/nights/{night}", get(page::nights::one))
        .route("/incidents/{incident}", get(page::incident::show))
        .route("/remedies", get(page::remedies::show))
        .route("/look", get(page::look))
        .route("/pair", get(page::pair::ask).post(page::pair::pair))
        .route("/stream", get(stream::stream))
        .route("/look.css", get(page::assets::look))
        .route("/page.css", get(page::assets::css))
        .route("/page.js", get(page::assets::js))
        .route("/favicon.svg", get(page::assets::icon))
        .route("/favicon.ico", get(page::assets::icon))
        .route("/robots.txt", get(page::assets::robots))
        .route("/metrics", get(api::metrics::metrics))
        .nest("/api/v1", api())
        .fallback(nothing_here)
        .method_not_allowed_fallback(wrong_method)
        .layer(middleware::from_fn_with_state(app.clone(), gate::gate))
        .with_state(app)
}

fn api() -> Router<App> {
    use api::{alarms, happened, imports, incidents, openapi, remedies, session, signals, summary};
    Router::new()
        .route("/summary", get(summary::summary))
        .route("/alarms", get(alarms::after))
        .route("/alarms/acknowledge", post(alarms::acknowledge_all))
        .route("/alarms/{alarm}", get(alarms::one))
        .route("/alarms/{alarm}/acknowledge", post(alarms::acknowledge))
        .route("/alarms/{alarm}/shelve", post(alarms::shelve))
        .route("/alarms/{alarm}/unshelve", post(alarms::unshelve))
        .route("/signals", get(signals::all))
        .route("/signals/{name}", get(signals::one))
        .route("/events", get(happened::events))
        .route("/session", post(session::session))
        .route("/sessions", get(happened::sessions))
        .route("/incidents", get(incidents::incidents))
        .route("/incidents/{incident}", get(incidents::one))
        .route("/incidents/{incident}/mark", put(incidents::mark))
        .route("/imports", get(imports::notes).post(imports::take))
        .route("/incidents/{incident}/leadup", get(incidents::leadup))
        .route("/remedies", get(remedies::remedies).post(remedies::add))
        .route("/remedies/{remedy}", delete(remedies::remove))
        .route("/openapi.json", get(openapi::openapi))
        .route("/problems", get(problem::described))
        .method_not_allowed_fallback(wrong_method)
}

async fn nothing_here(request: Request) -> Response {
    let path: String = request.uri().path().chars().take(120).collect();
    if page::is_wanted(&request) {
        return page::nothing_here(&path).into_response();
    }
    Problem::new(Kind::NotFound, format!("nothing is at `{path}`; `/api/v1/openapi.json` lists every path"))
        .into_response()
}

/// The framework adds the `allow` header.
async fn wrong_method(request: Request) -> Response {
    if request.method() == Method::OPTIONS {
        return StatusCode::NO_CONTENT.into_response();
    }
    let m: String = request.method().as_str().chars().take(20).collect();
    Problem::new(Kind::WrongMethod, format!("`{m}` is not for this path; the `allow` header names those that are"))
        .into_response()
}
