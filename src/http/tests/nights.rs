//! The pages beside that of tonight: nights, the report of one, remedies.

use super::answers::desk;
use crate::http::testing::{HERE, PHONE};
use sha2::{Digest, Sha256};

#[tokio::test]
async fn nights_are_listed_with_what_may_be_said_of_them() {
    let (d, _w) = desk().await;
    let a = d.get(HERE, "/nights", &[]).await;
    assert_eq!(a.status, 200, "{}", a.text);
    for part in [
        "Night of 12 January 2026",
        "/nights/2026-01-12",
        "1 fault",
        "so far",
        "the mount program ended (signal 9)",
        "Say what it was",
        "name=\"incident\" value=\"3\"",
        "not a fault",
    ] {
        assert!(a.text.contains(part), "{part} is missing: {}", a.text);
    }
    // The page of tonight offers the same.
    let tonight = d.get(HERE, "/", &[]).await;
    assert!(tonight.text.contains("name=\"incident\" value=\"3\""), "{}", tonight.text);
}

#[tokio::test]
async fn a_report_is_shown_with_its_own_style_and_nothing_else() {
    let (d, _w) = desk().await;
    for path in ["/nights/2026-01-12", "/nights/last", "/nights/tonight"] {
        let a = d.get(HERE, path, &[("cookie", "look=night")]).await;
        assert_eq!((a.status.as_u16(), a.headers["content-type"].to_str().unwrap()), (200, "text/html; charset=utf-8"));
        assert!(a.text.contains("the mount program ended"), "{path}");
        assert!(a.text.contains("<html lang=\"en\" class=\"night\">"), "the chosen look holds");
        // The hash in the policy is that of the very element.
        let style = a.text.split_once("<style>").unwrap().1.split_once("</style>").unwrap().0;
        let hash = base64::Engine::encode(&base64::prelude::BASE64_STANDARD, Sha256::digest(style));
        let policy = a.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains(&format!("style-src 'sha256-{hash}'")) && !policy.contains("script-src"), "{policy}");
    }
    let a = d.get(HERE, "/nights/2025-12-24", &[]).await;
    assert_eq!(a.status, 200, "a night without data has its report too");
    for bad in ["/nights/2026-02-30", "/nights/yesterday", "/nights/2026-1-2", "/nights/%2e%2e%2fx"] {
        let a = d.get(HERE, bad, &[]).await;
        assert_eq!(a.status, 404, "{bad}");
        assert!(a.text.contains("No such night"));
    }
}

#[tokio::test]
async fn what_cannot_be_read_is_said_to_people() {
    let d = crate::http::testing::Desk::new(|_| {});
    for path in ["/nights", "/nights/last", "/remedies"] {
        let a = d.get(HERE, path, &[]).await;
        assert_eq!((a.status.as_u16(), a.headers["content-type"].to_str().unwrap()), (503, "text/html; charset=utf-8"));
        assert!(a.text.contains("keeps no store") && a.text.contains("--store FILE"), "{}", a.text);
    }
}

#[tokio::test]
async fn remedies_have_a_form_and_their_cautions() {
    let (d, _w) = desk().await;
    let a = d.get(HERE, "/remedies", &[]).await;
    assert_eq!(a.status, 200);
    for part in ["None is written down yet", "datetime-local", "fire risk", "licensed electrician", "remedy-add"] {
        assert!(a.text.contains(part), "{part}");
    }
    // Beyond this machine nobody sees them without being let in.
    for path in ["/nights", "/nights/last", "/remedies"] {
        assert_eq!(d.get(PHONE, path, &[("host", "192.168.7.1:7417")]).await.status, 303, "{path}");
    }
}
