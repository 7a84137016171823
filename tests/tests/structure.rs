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

/// What names a way to another machine or to a line.
const SOCKETS: [&str; 8] = [
    "TcpStream",
    "TcpListener",
    "TcpSocket",
    "UdpSocket",
    "UnixStream",
    "tokio_modbus",
    "serialport",
    "tokio_serial",
];

/// Only `ingest/collect` opens a socket towards devices. The simulator plays the devices, the service listens for
/// browsers, tests look at both; each file that may is named here, so that another one is noticed.
#[test]
fn only_collect_opens_a_socket_towards_devices() {
    // The service: accepts, never connects.
    const LISTENERS: [&str; 1] = ["api/src/service.rs"];
    let mut files = Vec::new();
    sources(&root(), &mut files);
    let mut collecting = 0;
    for f in &files {
        let text = std::fs::read_to_string(f).expect("read");
        let found: Vec<&str> = SOCKETS.into_iter().filter(|s| text.contains(s)).collect();
        if found.is_empty() {
            continue;
        }
        let path = f.strip_prefix(root()).expect("inside the workspace");
        let path = path.to_string_lossy().replace('\\', "/");
        if path.starts_with("ingest/collect/src/") {
            collecting += 1;
        } else if LISTENERS.contains(&path.as_str()) {
            assert_eq!(found, ["TcpListener"], "{path}: the service only listens");
            assert!(
                !text.contains("connect("),
                "{path}: the service only listens"
            );
        } else {
            let other_side = path.starts_with("sample-fleet/src/");
            let test = path.starts_with("tests/") || path.contains("/tests/");
            assert!(other_side || test, "{path} opens a socket: {found:?}");
        }
    }
    assert!(
        collecting >= 2,
        "the collector's own sockets are looked at too"
    );
}

/// Dependencies that could open a way towards devices belong to the collector (and to the simulator, for its own side).
#[test]
fn only_collect_links_what_speaks_to_devices() {
    let meta = metadata();
    for p in meta["packages"].as_array().expect("packages") {
        let name = p["name"].as_str().expect("name");
        for d in p["dependencies"].as_array().expect("dependencies") {
            let dep = d["name"].as_str().expect("name");
            let field_bus = [
                "tokio-modbus",
                "serialport",
                "tokio-serial",
                "opcua",
                "async-opcua",
            ];
            if d["kind"].is_null() && field_bus.contains(&dep) {
                assert!(
                    ["ingest-collect", "sample-fleet"].contains(&name),
                    "{name} links {dep}"
                );
            }
        }
    }
}
