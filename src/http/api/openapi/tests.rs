use super::*;
use crate::http::testing::{Served, body};
use crate::model::EventKind;
use std::collections::HashSet;

fn each_ref(v: &Value, out: &mut Vec<String>) {
    match v {
        Value::Object(o) => {
            for (k, v) in o {
                match v {
                    Value::String(s) if k == "$ref" => out.push(s.clone()),
                    v => each_ref(v, out),
                }
            }
        }
        Value::Array(a) => a.iter().for_each(|v| each_ref(v, out)),
        _ => {}
    }
}

#[test]
fn every_reference_leads_somewhere_and_every_part_is_used() {
    let d = description();
    let mut refs = vec![];
    each_ref(&d, &mut refs);
    for r in &refs {
        assert!(d.pointer(&r[1..]).is_some(), "{r}");
    }
    for part in ["schemas", "parameters"] {
        for name in d["components"][part].as_object().unwrap().keys() {
            let r = format!("#/components/{part}/{name}");
            assert!(refs.contains(&r), "{r} is not used");
        }
    }
    let ids: Vec<&str> = d["paths"]
        .as_object()
        .unwrap()
        .values()
        .flat_map(|p| p.as_object().unwrap().values())
        .map(|o| o["operationId"].as_str().unwrap())
        .collect();
    assert_eq!(ids.iter().collect::<HashSet<_>>().len(), ids.len());
}

#[test]
fn every_kind_of_event_is_described() {
    let kinds = schemas::event_kinds();
    assert!(kinds.iter().all(|k| EventKind::from_code(k).is_some()));
    // The model's source is the only full list of the variants.
    let source = include_str!("../../../model/event.rs");
    let body = source.split_once("pub enum EventKind {").unwrap().1.split_once("\n}").unwrap().0;
    let variants = body.lines().map(str::trim).filter(|l| l.ends_with(',') && !l.starts_with("//")).count();
    assert_eq!(variants, kinds.len());
}

#[tokio::test]
async fn every_described_path_is_served_and_others_are_not() {
    let s = Served::start().await;
    for (path, item) in description()["paths"].as_object().unwrap() {
        let path = path.replace("{name}", "temperature.box");
        let path = path.replace("{alarm}", "1").replace("{incident}", "1").replace("{remedy}", "1");
        let a = s.raw(&format!("OPTIONS {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n")).await;
        assert!(a.starts_with("HTTP/1.1 204"), "{path}: {a}");
        let allow = a.lines().find_map(|l| l.strip_prefix("allow: ")).unwrap_or_else(|| panic!("{path}: {a}"));
        let allowed: HashSet<String> = allow.split(',').map(str::to_ascii_lowercase).filter(|m| m != "head").collect();
        let described: HashSet<String> = item.as_object().unwrap().keys().cloned().collect();
        assert_eq!(allowed, described, "{path}");
    }
    let a = s.get("/api/v1/nothing").await;
    assert!(a.starts_with("HTTP/1.1 404") && body(&a).contains("openapi.json"), "{a}");
    s.stop().await;
}
