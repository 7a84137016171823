//! A store as a site folder again, through the built binary: what is found in the copy is found to the byte in the original.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Output};

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_loopwitness"))
        .args(args)
        .output()
        .unwrap()
}

/// Standard output of a command that must succeed.
fn done(args: &[&str]) -> Vec<u8> {
    let out = run(args);
    let error = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(0), "{args:?}: {error}");
    out.stdout
}

fn files(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap().map(Result::unwrap) {
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.path().is_dir() {
            let below = files(&entry.path()).into_iter();
            found.extend(below.map(|(n, bytes)| (format!("{name}/{n}"), bytes)));
        } else {
            found.insert(name, std::fs::read(entry.path()).unwrap());
        }
    }
    found
}

#[test]
fn an_import_of_an_export_finds_the_same_and_exports_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    // The sample plant with its faults: every kind of finding has something to go by.
    done(&[
        "demo",
        "--out",
        &at("plant"),
        "--days",
        "6",
        "--loops",
        "60",
        "--poll",
        "120s",
    ]);
    done(&[
        "import",
        &at("plant/site"),
        "--store",
        &at("a"),
        "--memory",
        "128M",
    ]);
    let told = done(&[
        "export",
        "--agreement",
        "--store",
        &at("a"),
        "--out",
        &at("copy"),
    ]);
    let told = String::from_utf8(told).unwrap();
    assert!(told.contains(" 60 loops, "), "{told}");
    done(&["import", &at("copy"), "--store", &at("b")]);
    let assess = |store: &str| done(&["assess", "--format", "json", "--store", &at(store)]);
    let value: serde_json::Value = serde_json::from_slice(&assess("a")).unwrap();
    let mut again: serde_json::Value = serde_json::from_slice(&assess("b")).unwrap();
    // What the first import rejected was never exported.
    assert!(value["rejected"].as_u64() > Some(0) && again["rejected"] == 0);
    again["rejected"] = value["rejected"].clone();
    assert!(value == again);
    assert!(
        value["attention"].as_array().unwrap().len() > 3,
        "too few findings to compare"
    );
    let out = at("copy-of-copy");
    done(&["export", "--agreement", "--store", &at("b"), "--out", &out]);
    // Eight eighths a loop that is not parked, whether it ran there or not; no number where it did not.
    let agreement = std::fs::read_to_string(dir.path().join("copy/agreement.csv")).unwrap();
    let rows: Vec<&str> = agreement.lines().skip(1).collect();
    assert!(
        rows.len() > 400 && rows.len().is_multiple_of(8),
        "{}",
        rows.len()
    );
    let cells: Vec<Vec<&str>> = rows.iter().map(|r| r.split(',').collect()).collect();
    assert!(cells.iter().any(|c| c[3] == "0"), "an eighth never visited");
    assert!(cells.iter().all(|c| (c[3] == "0") == c[6].is_empty()));
    let (copy, again) = (
        files(&dir.path().join("copy")),
        files(&dir.path().join("copy-of-copy")),
    );
    assert!(copy.keys().eq(again.keys()), "{:?}", again.keys());
    for (name, bytes) in &copy {
        assert!(bytes == &again[name], "{name}");
    }
    assert!(copy.len() >= 9, "{:?}", copy.keys());

    // Repeating changes nothing, and an export never touches what is there.
    let again = done(&["import", &at("copy"), "--store", &at("b")]);
    assert!(again.starts_with(b"nothing new"));
    let refused = run(&["export", "--store", &at("a"), "--out", &at("copy")]);
    let error = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        error.contains("is not empty: give a new or an empty folder"),
        "{error}"
    );
}

#[test]
fn options_that_make_no_sense_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    for (memory, why) in [
        ("12", "too little: at least 128M"),
        ("127M", "too little"),
        ("lots", "is not a size like 256M"),
        ("99999999999G", "is not a size"),
    ] {
        let out = run(&["import", &at("x"), "--store", &at("a"), "--memory", memory]);
        assert_eq!(out.status.code(), Some(2), "{memory}");
        let error = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(error.contains(why), "{error}");
    }
    let none = run(&["export", "--store", &at("a"), "--out", &at("b")]);
    assert_eq!(none.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&none.stderr).contains("no store at"));
    let times = [
        "--from",
        "2026-03-02T00:00:00Z",
        "--to",
        "2026-03-02T00:00:00Z",
    ];
    let mut args = vec!["export", "--store", "x", "--out", "y"];
    args.extend(times);
    let out = run(&args);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("nothing lies between"));
}
