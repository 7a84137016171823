//! docs/detectors against the code: every constant that a page names has that value, every page has its parts, every
//! kind has a page, every picture is there.

use analytics_detect::Kind;
use analytics_detect::common::hypergeometric_tail;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn pages() -> BTreeMap<String, String> {
    let dir = root().join("docs/detectors");
    std::fs::read_dir(&dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "md"))
        .map(|p| {
            let name = p.file_name().unwrap().to_string_lossy().into_owned();
            (name, std::fs::read_to_string(p).unwrap())
        })
        .collect()
}

/// The text of a source file; `range.rs` is the model's.
fn source(file: &str) -> String {
    let detect = root().join("analytics/detect/src").join(file);
    let model = root().join("ingest/model/src").join(file);
    std::fs::read_to_string(&detect)
        .or_else(|_| std::fs::read_to_string(&model))
        .unwrap_or_else(|_| panic!("no source file {file}"))
}

/// Numbers of a constant's right-hand side: literals, products and quotients of them, arrays.
fn values(source: &str, name: &str) -> Option<Vec<f64>> {
    let from = source.find(&format!("const {name}:"))?;
    let text = &source[from..];
    let text = &text[text.find(" = ")? + 3..];
    let text = &text[..text.find(';')?];
    text.split([',', '[', ']', '(', ')'])
        .map(str::trim)
        .filter(|t| !t.is_empty())
        .map(product)
        .collect()
}

fn product(text: &str) -> Option<f64> {
    let mut out = 1.0;
    let mut divide = false;
    for word in text.split_whitespace() {
        let v = match word {
            "*" => {
                divide = false;
                continue;
            }
            "/" => {
                divide = true;
                continue;
            }
            "MICROS_PER_HOUR" => 3.6e9,
            "MICROS_PER_DAY" => 8.64e10,
            n => n.replace('_', "").parse().ok()?,
        };
        if divide {
            out /= v;
        } else {
            out *= v;
        }
    }
    Some(out)
}

/// Numbers as a page prints them; `2 h` and `10 min` stand for microseconds.
fn printed(text: &str) -> Option<Vec<f64>> {
    let (text, unit) = if let Some(h) = text.strip_suffix(" h") {
        (h, 3.6e9)
    } else if let Some(m) = text.strip_suffix(" min") {
        (m, 6e7)
    } else {
        (text, 1.0)
    };
    text.split(", ")
        .map(|v| v.parse::<f64>().ok().map(|v| v * unit))
        .collect()
}

#[test]
fn constants_in_the_pages_are_those_of_the_code() {
    let mut checked = 0;
    for (page, text) in pages() {
        for line in text.lines().filter(|l| l.starts_with("| `")) {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            let [name, value, file, why] = cells[..] else {
                continue;
            };
            if !file.ends_with(".rs`") {
                continue;
            }
            let (name, file) = (name.trim_matches('`'), file.trim_matches('`'));
            let want = values(&source(file), name).unwrap_or_else(|| {
                panic!("docs/detectors/{page}: {file} has no constant {name} that can be read")
            });
            let got = printed(value)
                .unwrap_or_else(|| panic!("docs/detectors/{page}: {name}: `{value}` is no number"));
            assert_eq!(got, want, "docs/detectors/{page}: {name} of {file}");
            assert!(why.len() > 3, "docs/detectors/{page}: {name} has no source");
            checked += 1;
        }
    }
    assert!(checked > 50, "{checked}");
}

#[test]
fn every_page_has_its_parts_and_pictures() {
    for (page, text) in pages() {
        if page == "README.md" {
            continue;
        }
        for part in [
            "**Statistic.**",
            "**Assumptions.**",
            "**Gaps.**",
            "**Power.**",
            "**Limits.**",
        ] {
            assert!(text.contains(part), "docs/detectors/{page} lacks {part}");
        }
        assert!(
            text.contains("**Hypothesis.**") || text.contains("**Question.**"),
            "docs/detectors/{page}"
        );
        for link in text.split("](").skip(1) {
            let target = link.split(')').next().unwrap();
            let path = root().join("docs/detectors").join(target);
            assert!(path.exists(), "docs/detectors/{page}: no {target}");
        }
    }
}

#[test]
fn every_kind_has_a_page() {
    let all = pages();
    let index = &all["README.md"];
    for kind in Kind::ALL {
        assert!(index.contains(&format!("`{}`", kind.as_str())), "{kind:?}");
    }
    for page in all.keys().filter(|p| *p != "README.md") {
        assert!(
            index.contains(&format!("({page})")),
            "the index lacks {page}"
        );
    }
}

/// The numbers in the text of common-causes.md.
#[test]
fn chances_told_of_common_causes() {
    let tail = hypergeometric_tail(240, 8, 10, 3);
    // Three normal densities of the same instant, integrated over it, over three of an even spread (hours).
    let variance = (24.0_f64 / 2.563).powi(2) + 6.0 * 6.0;
    let record: f64 = 45.0 * 24.0;
    let alike = record.powi(2) / (2.0 * std::f64::consts::PI * variance * 3.0_f64.sqrt());
    let text = &pages()["common-causes.md"];
    for number in [
        format!("{tail:.4},"),
        format!("{:.2}:", 30.0 * tail),
        format!("ratio is {alike:.0} "),
        format!("{:.5}:", 30.0 * tail / alike),
    ] {
        assert!(text.contains(&number), "{number} is not in the text");
    }
}
