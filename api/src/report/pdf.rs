//! HTML to PDF by a headless Chromium, if the machine has one.

use anyhow::{Context, bail};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const NAMES: [&str; 2] = ["chromium", "chromium-browser"];
/// A report of hundreds of sheets takes seconds.
const WITHIN: Duration = Duration::from_secs(180);

/// The browser on PATH.
pub(super) fn find_browser() -> anyhow::Result<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .flat_map(|dir| NAMES.map(|n| dir.join(n)))
        .find(|file| file.is_file())
        .context("a PDF needs chromium on PATH: install the package `chromium`, or give a name that ends in .html and print that")
}

/// A folder of our own that goes when we are done.
struct Workplace(PathBuf);

impl Workplace {
    fn new() -> anyhow::Result<Self> {
        let since = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or(0, |d| d.as_nanos());
        let dir =
            std::env::temp_dir().join(format!("loopwitness-report-{}-{since}", std::process::id()));
        // Not `create_dir_all`: a folder that somebody else made is not ours.
        std::fs::create_dir(&dir).with_context(|| format!("cannot create {}", dir.display()))?;
        Ok(Self(dir))
    }
}

impl Drop for Workplace {
    fn drop(&mut self) {
        let _gone = std::fs::remove_dir_all(&self.0);
    }
}

/// Prints `page` into `out`.
pub(super) fn print_to(browser: &Path, page: &str, out: &Path) -> anyhow::Result<()> {
    let work = Workplace::new()?;
    let (html, pdf) = (work.0.join("report.html"), work.0.join("report.pdf"));
    std::fs::write(&html, page).with_context(|| format!("cannot write {}", html.display()))?;
    let mut told = run(browser, &work.0, &html, &pdf, &[])?;
    if !pdf.is_file() {
        // Containers and root cannot have the browser's sandbox. The page is ours and runs no script.
        told = run(browser, &work.0, &html, &pdf, &["--no-sandbox"])?;
    }
    let bytes = std::fs::read(&pdf).unwrap_or_default();
    if !bytes.starts_with(b"%PDF-") {
        let last = told.lines().rev().find(|l| !l.trim().is_empty());
        bail!(
            "{} made no PDF ({}): give a name that ends in .html and print that",
            browser.display(),
            last.unwrap_or("it said nothing")
        );
    }
    super::write(out, &bytes)
}

/// What it wrote to standard error.
fn run(
    browser: &Path,
    work: &Path,
    html: &Path,
    pdf: &Path,
    more: &[&str],
) -> anyhow::Result<String> {
    let log = work.join("log");
    let errors =
        std::fs::File::create(&log).with_context(|| format!("cannot create {}", log.display()))?;
    let mut child = Command::new(browser)
        .args([
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--no-pdf-header-footer",
        ])
        .arg(format!(
            "--user-data-dir={}",
            work.join("profile").display()
        ))
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .args(more)
        .arg(format!("file://{}", html.display()))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(errors)
        .spawn()
        .with_context(|| format!("cannot start {}", browser.display()))?;
    let begun = Instant::now();
    loop {
        match child.try_wait().context("cannot wait for the browser")? {
            Some(_) => break,
            None if begun.elapsed() > WITHIN => {
                let _ended = child.kill();
                let _waited = child.wait();
                bail!(
                    "{} did not finish within {} s: give a name that ends in .html and print that",
                    browser.display(),
                    WITHIN.as_secs()
                );
            }
            None => std::thread::sleep(Duration::from_millis(50)),
        }
    }
    Ok(std::fs::read_to_string(&log).unwrap_or_default())
}
