//! `GET /api/v1/openapi.json`: the description of the whole API (OpenAPI 3.1.0), made from the same limits that the handlers
//! check.

mod paths;
mod schemas;

use axum::http::header;
use axum::response::IntoResponse;
use serde_json::{Value, json};
use std::sync::LazyLock;

static DESCRIPTION: LazyLock<String> = LazyLock::new(|| description().to_string());

/// The handler.
pub async fn openapi() -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "application/json")], DESCRIPTION.as_str())
}

fn description() -> Value {
    json!({
        "openapi": "3.1.0",
        "jsonSchemaDialect": "https://spec.openapis.org/oas/3.1/dialect/base",
        "info": {
            "title": "tilldawn",
            "version": env!("CARGO_PKG_VERSION"),
            "summary": "What the field agent knows of the night, and what a person may ask of it",
            "description": "Every time is in whole milliseconds since 1970-01-01T00:00:00Z. Values are in the signal's stored unit, \
                temperatures always in °C. Something that could not be read has no value, never zero. Errors are problem details \
                (RFC 9457). On the machine itself no token is needed; from elsewhere send `Authorization: Bearer TOKEN`.",
            "license": { "name": "MIT", "identifier": "MIT" },
        },
        "servers": [{ "url": "/", "description": "this agent" }],
        "security": [{}, { "token": [] }, { "browser": [] }],
        "tags": [
            { "name": "present", "description": "What is known now" },
            { "name": "past", "description": "What the store holds" },
            { "name": "acts", "description": "What a person may ask; a token needs the scope read-write" },
            { "name": "about", "description": "The interface itself" },
        ],
        "paths": paths::paths(),
        "components": {
            "securitySchemes": {
                "token": { "type": "http", "scheme": "bearer", "description": "made by `tilldawn token add NAME`" },
                "browser": { "type": "apiKey", "in": "cookie", "name": crate::http::gate::COOKIE, "description": "got by pairing" },
            },
            "parameters": paths::parameters(),
            "responses": paths::responses(),
            "schemas": schemas::schemas(),
        },
    })
}

#[cfg(test)]
mod tests;
