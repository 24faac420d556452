//! Runs the case files.

use super::harness::run;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/engine")
}

#[test]
fn the_case_files_hold() {
    let rewrite = std::env::var_os("TILLDAWN_REWRITE").is_some();
    let only = std::env::var("TILLDAWN_CASE").ok();
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder())
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|x| x == "txt"))
        .filter(|p| only.as_ref().is_none_or(|o| p.file_stem().unwrap().to_string_lossy().contains(o)))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    let mut wrong = vec![];
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        let file = path.file_name().unwrap().to_string_lossy().into_owned();
        let (config, rest) = text.split_once("\n----\n").unwrap_or_else(|| panic!("{file}: no line of four dashes"));
        let (timeline, expected) = rest.split_once("\n====\n").unwrap_or((rest.trim_end(), ""));
        let night = run(config, timeline);
        let said = format!("{}{}", night.said, night.incidents());
        if rewrite {
            std::fs::write(&path, format!("{config}\n----\n{timeline}\n====\n{said}")).unwrap();
        } else if said != expected {
            wrong.push(format!("{file}: expected\n{expected}\nbut it said\n{said}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
