//! The printable report through the built binary: one file, nothing from elsewhere, no text becomes markup.

use crate::support::write_site;
use std::path::Path;
use std::process::{Command, Output};

fn run(args: &[&str], search: Option<&str>) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loopwitness"));
    if let Some(path) = search {
        command.env("PATH", path);
    }
    command.args(args).output().unwrap()
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

/// The small site with PT-102 (the loop that fails) under another name and service.
fn store(dir: &Path, tag: &str, service: &str) -> std::path::PathBuf {
    let (site, store) = (dir.join("site"), dir.join("store"));
    write_site(&site);
    let quoted = |t: &str| format!("\"{}\"", t.replace('"', "\"\""));
    let register = format!(
        "tag,pv_unit,lrv,urv,area,criticality,gateway,junction_box,service\n\
         FT-101,m3/h,0,100,Intake,control,north,,\n\
         {},\"<i>bar</i>\",0,10,{},safety,{},{},{}\n",
        quoted(tag),
        quoted(service),
        quoted(service),
        quoted(service),
        quoted(service)
    );
    std::fs::write(site.join("loops.csv"), register).unwrap();
    let file = site.join("readings/2026-03.csv");
    let text = std::fs::read_to_string(&file)
        .unwrap()
        .replace("PT-102", &quoted(tag));
    std::fs::write(file, text).unwrap();
    let done = run(&["import", path(&site), "--store", path(&store)], None);
    assert_eq!(
        done.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    store
}

fn html(store: &Path, out: &Path, more: &[&str]) -> String {
    let mut args = vec!["report", "--store", path(store), "--out", path(out)];
    args.extend(more);
    let done = run(&args, None);
    assert_eq!(
        done.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    std::fs::read_to_string(out).unwrap()
}

#[test]
fn a_sheet_for_each_loop_with_findings() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path(), "PT-102", "feed pressure");
    let out = dir.path().join("evidence.html");
    let page = html(&store, &out, &["--site", "Small Works"]);
    for wanted in [
        "1 of 2 loops needs attention.",
        "Small Works",
        "PT-102",
        "feed pressure",
        "current out of range, failure signal, low",
        // The sentence, the checks, the cautions and the form of the same loop.
        "3.50\u{a0}mA at the lowest",
        "Measure the current at the input terminals",
        "This is a safety loop.",
        "Deviation by day",
        "As found",
        "As left",
        "Signature",
        "<svg",
        "Evidence only",
    ] {
        assert!(page.contains(wanted), "{wanted} is missing");
    }
    assert_eq!(page.matches("<section class=\"sheet\">").count(), 1);
    // Nothing is fetched from anywhere, nothing runs, and no coordinate is not a number.
    for bad in [
        "http:", "https:", "href=", "src=", "url(", "@import", "<script", "NaN", "inf\"",
    ] {
        assert!(!page.contains(bad), "{bad} is in the page");
    }
    // Equal input, equal output; the part file is gone.
    assert_eq!(page, html(&store, &out, &["--site", "Small Works"]));
    let names: Vec<_> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert!(
        !names.iter().any(|n| n.to_string_lossy().contains("part")),
        "{names:?}"
    );

    let short = html(&store, &out, &["--limit", "0"]);
    assert!(short.contains("PT-102") && !short.contains("<section class=\"sheet\">"));
    // Before the current dropped there is nothing to print, and it says so.
    let before = html(&store, &out, &["--at", "2026-03-02T00:00:00Z"]);
    assert!(before.contains("None of 2 loops shows a finding."));
}

#[test]
fn no_text_becomes_markup() {
    let dir = tempfile::tempdir().unwrap();
    let service = "</title></style></svg><script>alert(1)</script>\" onload='x' & \u{202e}txt";
    let store = store(dir.path(), "<img src=x onerror=y>'\"&", service);
    let page = html(&store, &dir.path().join("e.html"), &["--site", service]);
    for bad in ["<script", "<img", "<i>bar", "onerror=y>'", "\u{202e}"] {
        assert!(!page.contains(bad), "{bad} is in the page");
    }
    assert!(page.contains("&lt;img src=x onerror=y&gt;&#39;&quot;&amp;"));
    assert!(page.contains("&lt;/title&gt;&lt;/style&gt;"));
    // One of each, ours.
    for ours in ["</title>", "</style>", "</body>"] {
        assert_eq!(page.matches(ours).count(), 1, "{ours}");
    }
}

#[test]
fn what_is_missing_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path(), "PT-102", "feed pressure");
    for (out, wanted) in [
        ("report.docx", "must end in .html or .pdf"),
        ("report", "must end in .html or .pdf"),
        ("none/report.html", "cannot write"),
        ("report.pdf", "install the package `chromium`"),
    ] {
        let out = dir.path().join(out);
        let done = run(
            &["report", "--store", path(&store), "--out", path(&out)],
            Some(""),
        );
        let told = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(1), "{told}");
        let last = told.lines().last().unwrap();
        assert!(last.contains(wanted), "{told}");
        assert!(!out.exists());
    }
}

/// With the browser there, a PDF comes out; without it the error does (above).
#[test]
fn a_pdf_where_the_browser_is() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path(), "PT-102", "feed pressure");
    let out = dir.path().join("report.PDF");
    let done = run(
        &["report", "--store", path(&store), "--out", path(&out)],
        None,
    );
    let told = String::from_utf8_lossy(&done.stderr).into_owned();
    if done.status.success() {
        let pdf = std::fs::read(&out).unwrap();
        assert!(pdf.starts_with(b"%PDF-"));
        // The list, and the loop's sheet on one page with its form.
        let pages = pdf.windows(12).filter(|w| *w == b"/Type /Page\n").count();
        assert_eq!(pages, 2);
    } else {
        assert!(told.contains("install the package `chromium`"), "{told}");
    }
}
