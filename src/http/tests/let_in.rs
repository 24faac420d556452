//! Who is let in.

use crate::http::auth::Scope;
use crate::http::auth::keys::KeyFile;
use crate::http::testing::{Answer, Desk, HERE, NOW, PHONE};

fn desk() -> Desk {
    Desk::new(|_| {})
}

fn code(a: &Answer) -> u16 {
    a.status.as_u16()
}

const PATHS: [&str; 12] = [
    "/",
    "/stream",
    "/page.js",
    "/metrics",
    "/api/v1/summary",
    "/api/v1/signals",
    "/api/v1/alarms",
    "/api/v1/events",
    "/api/v1/openapi.json",
    "/api/v1/problems",
    "/look?as=day",
    "/nothing",
];

#[tokio::test]
async fn beyond_this_machine_nothing_but_the_pairing_page_answers() {
    let d = desk();
    for path in PATHS {
        let a = d.get(PHONE, path, &[]).await;
        let turned = if code(&a) == 303 { a.headers["location"] == "/pair" } else { code(&a) == 401 };
        assert!(turned && !a.text.contains("orchard"), "{path}: {a:?}");
        for method in ["POST", "PUT", "DELETE", "OPTIONS", "PATCH", "BREW"] {
            let a = d.ask(PHONE, method, path, &[], "").await;
            assert_eq!(code(&a), 401, "{method} {path}: {a:?}");
        }
    }
    for path in ["/pair", "/look.css", "/page.css", "/favicon.svg"] {
        let a = d.get(PHONE, path, &[]).await;
        assert_eq!(code(&a), 200, "{path}");
        assert!(!a.text.contains("orchard"), "{path} tells the name of the machine");
    }
    assert_eq!(
        code(&d.ask(PHONE, "POST", "/act", &[("origin", "http://localhost:7417")], "do=session-end").await),
        401
    );
}

#[tokio::test]
async fn tokens_read_or_write_and_can_be_revoked() {
    let mut d = desk();
    let keys = KeyFile::in_dir(d.state.path());
    let read = keys.add_token("look", Scope::Read, NOW.wall).unwrap();
    let write = keys.add_token("act", Scope::ReadWrite, NOW.wall).unwrap();
    let bearer = |t: &str| format!("Bearer {t}");
    let a = d.get(PHONE, "/api/v1/summary", &[("authorization", &bearer(&read))]).await;
    assert_eq!(code(&a), 200);
    let json = ("content-type", "application/json");
    let a =
        d.ask(PHONE, "POST", "/api/v1/session", &[json, ("authorization", &bearer(&read))], r#"{"do":"end"}"#).await;
    assert_eq!((code(&a), a.json()["type"].as_str().unwrap()), (403, "/api/v1/problems#read-only"));
    // The gate lets it pass; there is no agent behind it here.
    d.commands.close();
    let a =
        d.ask(PHONE, "POST", "/api/v1/session", &[json, ("authorization", &bearer(&write))], r#"{"do":"end"}"#).await;
    assert_eq!((code(&a), a.json()["type"].as_str().unwrap()), (503, "/api/v1/problems#failed"));
    keys.revoke_token("look").unwrap();
    let a = d.get(PHONE, "/api/v1/summary", &[("authorization", &bearer(&read))]).await;
    assert_eq!(code(&a), 401);
    assert_eq!(a.headers["www-authenticate"], "Bearer realm=\"tilldawn\"");
    for strange in ["Basic abc", "Bearer", "Bearer ", "td_abc"] {
        assert_eq!(code(&d.get(PHONE, "/api/v1/summary", &[("authorization", strange)]).await), 401, "{strange}");
    }
}

#[tokio::test]
async fn failed_tries_are_slowed_even_for_the_right_token() {
    let d = desk();
    let right = KeyFile::in_dir(d.state.path()).add_token("look", Scope::Read, NOW.wall).unwrap();
    let ask = |from: &'static str, t: String| {
        let d = &d;
        async move { d.get(from, "/api/v1/summary", &[("authorization", &format!("Bearer {t}"))]).await }
    };
    for _ in 0..4 {
        assert_eq!(code(&ask(PHONE, "td_wrong".into()).await), 401);
    }
    let a = ask(PHONE, right.clone()).await;
    assert_eq!((code(&a), a.headers["retry-after"].to_str().unwrap()), (429, "2"), "{a:?}");
    assert_eq!(code(&ask("192.168.7.21:5000", right.clone()).await), 200, "others are not slowed");
    d.clock.advance(2001);
    assert_eq!(code(&ask(PHONE, right).await), 200);
}

#[tokio::test]
async fn a_phone_is_paired_by_a_code_once() {
    let d = desk();
    let keys = KeyFile::in_dir(d.state.path());
    let code_shown = keys.new_code(NOW.wall).unwrap();
    let origin = [
        ("origin", "http://192.168.7.1:7417"),
        ("host", "192.168.7.1:7417"),
        ("content-type", "application/x-www-form-urlencoded"),
    ];
    let a = d.get(PHONE, &format!("/pair?code={code_shown}"), &[]).await;
    assert!(a.text.contains(&format!("value=\"{code_shown}\"")), "{}", a.text);
    let a = d.ask(PHONE, "POST", "/pair", &origin, "code=WRONG&name=x").await;
    assert_eq!((code(&a), a.headers["location"].to_str().unwrap()), (303, "/pair?wrong=1"));
    let a = d.ask(PHONE, "POST", "/pair", &origin, &format!("code={code_shown}&name=Ida%27s+phone")).await;
    assert_eq!((code(&a), a.headers["location"].to_str().unwrap()), (303, "/"), "{a:?}");
    let cookie = a.headers["set-cookie"].to_str().unwrap().to_owned();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=34560000"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains("Secure"), "plain HTTP: the browser would not keep it");
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let a = d.get(PHONE, "/", &[("cookie", &cookie)]).await;
    assert!(code(&a) == 200 && a.text.contains("orchard pier"), "{a:?}");
    let a = d.ask("192.168.7.30:1", "POST", "/pair", &origin, &format!("code={code_shown}&name=y")).await;
    assert_eq!(a.headers["location"], "/pair?wrong=1", "a code works once");
    keys.revoke_browser("Ida's phone").unwrap();
    assert_eq!(code(&d.get(PHONE, "/", &[("cookie", &cookie)]).await), 303);
    assert_eq!(code(&d.get(PHONE, "/api/v1/summary", &[("cookie", &cookie)]).await), 401);
}

#[tokio::test]
async fn guessing_codes_is_slowed() {
    let d = desk();
    let form = [("origin", "http://localhost:7417"), ("content-type", "application/x-www-form-urlencoded")];
    for _ in 0..4 {
        assert_eq!(d.ask(PHONE, "POST", "/pair", &form, "code=AAAA").await.headers["location"], "/pair?wrong=1");
    }
    assert_eq!(d.ask(PHONE, "POST", "/pair", &form, "code=AAAA").await.headers["location"], "/pair?wait=2");
}

#[tokio::test]
async fn another_site_can_neither_write_nor_rename_itself_to_this_machine() {
    let d = desk();
    let json = ("content-type", "application/json");
    let body = r#"{"do":"end"}"#;
    let form = ("content-type", "application/x-www-form-urlencoded");
    for headers in [
        vec![("origin", "http://evil.example"), json],
        vec![("origin", "null"), json],
        vec![("origin", "https://localhost:7417"), json],
        vec![("origin", "http://localhost:7418"), json],
        vec![("sec-fetch-site", "cross-site"), json],
        vec![("sec-fetch-site", "same-site"), json],
        vec![form],
        vec![("content-type", "text/plain")],
    ] {
        let a = d.ask(HERE, "POST", "/api/v1/session", &headers, body).await;
        assert_eq!(
            (code(&a), a.json()["type"].as_str().unwrap()),
            (403, "/api/v1/problems#wrong-origin"),
            "{headers:?}"
        );
        let a = d.ask(HERE, "POST", "/act", &headers, "do=session-end").await;
        assert_eq!(code(&a), 403, "{headers:?}");
    }
    for (host, well) in [
        ("evil.example", false),
        ("evil.example:7417", false),
        ("localhost.evil.example", false),
        ("localhost", true),
        ("LOCALHOST:7417", true),
        ("127.0.0.1:7417", true),
        ("[::1]:7417", true),
        ("[::1", false),
        ("user@localhost", false),
        ("", false),
    ] {
        let a = d.get(HERE, "/api/v1/summary", &[("host", host)]).await;
        assert_eq!(code(&a) == 200, well, "{host}: {a:?}");
    }
    assert_eq!(code(&d.get(HERE, "/api/v1/summary", &[("host", "localhost"), ("host", "evil.example")]).await), 400);
}

#[tokio::test]
async fn plain_http_is_spoken_with_the_home_network_alone() {
    let d = desk();
    assert_eq!(code(&d.get("203.0.113.9:4000", "/pair", &[]).await), 401);
    assert_eq!(code(&d.get("[2001:db8::9]:4000", "/pair", &[]).await), 401);
    assert_eq!(code(&d.get("[fd00::9]:4000", "/pair", &[]).await), 200);
    assert_eq!(code(&d.get("[::ffff:192.168.1.4]:4000", "/pair", &[]).await), 200);
}

#[tokio::test]
async fn every_answer_carries_the_usual_headers() {
    let d = desk();
    for (from, path) in
        [(HERE, "/"), (HERE, "/api/v1/summary"), (HERE, "/nothing"), (PHONE, "/"), (PHONE, "/api/v1/summary")]
    {
        let a = d.get(from, path, &[]).await;
        let policy = a.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
        assert_eq!(a.headers["x-content-type-options"], "nosniff");
        assert_eq!(a.headers["referrer-policy"], "same-origin");
        assert_eq!(a.headers["cache-control"], "no-store");
    }
    let a = d.get(HERE, "/", &[]).await;
    for inline in [" style=", "<style", " onclick", "javascript:"] {
        assert!(!a.text.contains(inline), "{inline}");
    }
    assert!(!a.text.replace("<script src=\"/page.js\" defer></script>", "").contains("<script"));
}
