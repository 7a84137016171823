//! One direction of dependency, module heads, no write commands, no file out of hand.

use loopwitness_tests::root;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Crate -> what of ours it may use (DEVELOPERS.md, "Edges").
const EDGES: [(&str, &[&str]); 10] = [
    ("ingest-model", &[]),
    ("ingest-hart", &[]),
    ("ingest-store", &["ingest-model"]),
    ("ingest-collect", &["ingest-model", "ingest-hart"]),
    ("analytics-detect", &["ingest-model"]),
    ("analytics-cases", &["ingest-model", "analytics-detect"]),
    (
        "analytics-assess",
        &["ingest-model", "ingest-store", "analytics-detect"],
    ),
    ("sample-fleet", &["ingest-model"]),
    (
        "loopwitness",
        &[
            "ingest-model",
            "ingest-hart",
            "ingest-store",
            "ingest-collect",
            "analytics-detect",
            "analytics-cases",
            "analytics-assess",
            "sample-fleet",
        ],
    ),
    ("loopwitness-tests", &[]),
];

fn metadata() -> Value {
    let out = Command::new(env!("CARGO"))
        .args([
            "metadata",
            "--no-deps",
            "--format-version",
            "1",
            "--offline",
        ])
        .current_dir(root())
        .output()
        .expect("cargo metadata");
    serde_json::from_slice(&out.stdout).expect("cargo metadata is JSON")
}

#[test]
fn dependencies_point_one_way() {
    let allowed: BTreeMap<&str, &[&str]> = EDGES.into_iter().collect();
    let meta = metadata();
    let packages = meta["packages"].as_array().expect("packages");
    assert_eq!(
        packages.len(),
        EDGES.len(),
        "a crate was added: give it a place in EDGES"
    );
    for p in packages {
        let name = p["name"].as_str().expect("name");
        for d in p["dependencies"].as_array().expect("dependencies") {
            let dep = d["name"].as_str().expect("dependency name");
            // Tests may look at anything.
            if allowed.contains_key(dep) && d["kind"].is_null() {
                assert!(allowed[name].contains(&dep), "{name} must not use {dep}");
            }
        }
    }
}

#[test]
fn pure_crates_link_no_runtime_and_no_database() {
    let meta = metadata();
    for p in meta["packages"].as_array().expect("packages") {
        let name = p["name"].as_str().expect("name");
        if ![
            "ingest-model",
            "ingest-hart",
            "analytics-detect",
            "analytics-cases",
        ]
        .contains(&name)
        {
            continue;
        }
        for d in p["dependencies"]
            .as_array()
            .expect("dependencies")
            .iter()
            .filter(|d| d["kind"].is_null())
        {
            let dep = d["name"].as_str().expect("name");
            assert!(
                !["tokio", "rusqlite", "polars", "axum", "parquet"].contains(&dep),
                "{name} must stay pure, it uses {dep}"
            );
        }
    }
}

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(dir) else {
        return;
    };
    for e in entries.flatten() {
        let path = e.path();
        if path.is_dir() {
            if !["target", "node_modules", ".git", "dist"]
                .iter()
                .any(|n| path.ends_with(n))
            {
                sources(&path, out);
            }
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

#[test]
fn every_module_says_what_it_is_for() {
    let mut files = Vec::new();
    sources(&root(), &mut files);
    assert!(files.len() > 30);
    for f in files
        .iter()
        .filter(|f| f.to_string_lossy().contains("/src/"))
    {
        let text = std::fs::read_to_string(f).expect("read");
        assert!(
            text.starts_with("//!"),
            "{} does not open with //!",
            f.display()
        );
    }
}

/// Only `ingest/collect` may open a socket towards devices; the simulator and the service have their own side.
#[test]
fn only_collect_opens_a_socket_towards_devices() {
    let mut files = Vec::new();
    sources(&root().join("ingest"), &mut files);
    sources(&root().join("analytics"), &mut files);
    for f in files
        .iter()
        .filter(|f| f.to_string_lossy().contains("/src/"))
    {
        let text = std::fs::read_to_string(f).expect("read");
        if text.contains("TcpStream") || text.contains("UdpSocket") || text.contains("tokio_modbus")
        {
            assert!(
                f.to_string_lossy().contains("ingest/collect"),
                "{} opens a socket",
                f.display()
            );
        }
    }
}
