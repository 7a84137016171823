//! Commands through the built binary: exit codes, standard output, one line on standard error.

use crate::support::write_site;
use std::path::Path;
use std::process::{Command, Output};

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_loopwitness"))
        .args(args)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

#[test]
fn wrong_usage_is_2_and_help_is_0() {
    assert_eq!(run(&[]).status.code(), Some(2));
    assert_eq!(run(&["frobnicate"]).status.code(), Some(2));
    assert_eq!(run(&["assess"]).status.code(), Some(2));
    assert_eq!(
        run(&["assess", "--store", "x", "--at", "noon"])
            .status
            .code(),
        Some(2)
    );
    assert_eq!(run(&["demo", "--poll", "0s"]).status.code(), Some(2));
    assert_eq!(run(&["--help"]).status.code(), Some(0));
    let version = run(&["--version"]);
    assert_eq!(version.status.code(), Some(0));
    assert!(text(&version.stdout).starts_with("loopwitness 0."));
}

#[test]
fn failure_is_1_with_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let missing = dir.path().join("none");
    let config = dir.path().join("site.toml");
    std::fs::write(&config, "[site]\nname = \"x\"\ncolour = \"red\"\n").unwrap();
    for (args, wanted) in [
        (vec!["assess", "--store", path(&missing)], "no store at"),
        (
            vec!["import", path(&missing), "--store", path(&missing)],
            "is not a folder: give the site folder",
        ),
        (vec!["serve", "--config", path(&missing)], "cannot read"),
        (
            vec!["serve", "--config", path(&config)],
            "line 3, [site]: unknown key `colour`",
        ),
        (
            vec!["report", "--store", path(&missing), "--out", "y.html"],
            "no store at",
        ),
        (vec!["decode", "xyz"], "is not hexadecimal"),
        (vec!["decode", "ff"], "no frame in these bytes"),
    ] {
        let out = run(&args);
        assert_eq!(out.status.code(), Some(1), "{args:?}");
        let error = text(&out.stderr);
        assert!(error.contains(wanted), "{args:?}: {error}");
        assert_eq!(error.lines().count(), 1, "{args:?}: {error}");
    }
}

#[test]
fn import_then_assess_in_every_format() {
    let dir = tempfile::tempdir().unwrap();
    let (site, store) = (dir.path().join("site"), dir.path().join("store"));
    write_site(&site);
    let first = run(&["import", path(&site), "--store", path(&store)]);
    assert_eq!(first.status.code(), Some(0), "{}", text(&first.stderr));
    assert!(
        text(&first.stdout).contains("864 readings"),
        "{}",
        text(&first.stdout)
    );
    let again = run(&["import", path(&site), "--store", path(&store)]);
    assert!(
        text(&again.stdout).starts_with("nothing new"),
        "{}",
        text(&again.stdout)
    );

    let table = run(&["assess", "--store", path(&store)]);
    let shown = text(&table.stdout);
    assert!(
        shown.contains("PT-102") && shown.contains("current-out-of-range"),
        "{shown}"
    );
    assert!(shown.lines().all(|l| l.chars().count() <= 100), "{shown}");
    let json = run(&["assess", "--store", path(&store), "--format", "json"]);
    let value: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(value["attention"][0]["tag"], "PT-102");
    let csv = run(&["assess", "--store", path(&store), "--format", "csv"]);
    assert!(text(&csv.stdout).contains("PT-102"));
    // Equal input, equal output, to the byte.
    let at = [
        "assess",
        "--store",
        path(&store),
        "--format",
        "json",
        "--at",
        "2026-03-02T12:00:00Z",
    ];
    assert_eq!(run(&at).stdout, run(&at).stdout);
    // What announced work explains leaves the list and stands in its foot.
    let work =
        "tag,from,to,note\nPT-102,2026-03-02T11:00:00Z,2026-03-03T10:00:00Z,input card out\n";
    std::fs::write(site.join("work.csv"), work).unwrap();
    run(&["import", path(&site), "--store", path(&store)]);
    let shown = text(&run(&["assess", "--store", path(&store)]).stdout);
    let (list, foot) = shown.split_once("Explained by announced work").unwrap();
    assert!(!list.contains("current-out-of-range"), "{shown}");
    assert!(foot.contains("PT-102  current-out-of-range"), "{shown}");
}

#[test]
fn a_plan_says_what_the_wire_allows() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("loops.csv"), crate::support::REGISTER).unwrap();
    let config = dir.path().join("site.toml");
    let plan = |every: &str| {
        let text = format!(
            "[site]\nname = \"x\"\n[[gateway]]\nname = \"north\"\naddress = \"h:1\"\npoll_every = \"{every}\"\n"
        );
        std::fs::write(&config, text).unwrap();
        run(&["plan", "--config", path(&config)])
    };
    let slow = plan("30s");
    assert_eq!(slow.status.code(), Some(0), "{}", text(&slow.stderr));
    assert!(
        text(&slow.stdout).contains("modem M1: 2 loops"),
        "{}",
        text(&slow.stdout)
    );
    let fast = plan("1s");
    assert_eq!(fast.status.code(), Some(1));
    assert!(
        text(&fast.stdout).contains("cannot be met; the shortest period is"),
        "{}",
        text(&fast.stdout)
    );
}
