//! `loopwitness report`: what a planner prints. The ranked list and common causes first, then one sheet for each loop
//! with findings: the sentence, its numbers, what to look at, cautions, the register, the daily deviation, and room for
//! what was found. One HTML file without any request to elsewhere; PDF by way of a headless Chromium.

mod ahead;
mod figure;
mod html;
mod list;
mod pdf;
mod sheet;
mod twin;
mod zone;

use crate::casebook::CaseBook;
use crate::cli::{Progress, print};
use analytics_assess::{Assessed, Engine};
use analytics_cases::Cases;
use analytics_detect::AttentionRow;
use anyhow::{Context, bail};
use html::Html;
use ingest_model::{Tag, UtcMicros};
use ingest_store::{Register, StoreReader};
use std::path::{Path, PathBuf};

pub(crate) use twin::{Picture, picture};
pub(crate) use zone::Zone;

const STYLE: &str = include_str!("report/report.css");

#[derive(Debug, clap::Args)]
pub(crate) struct ReportArgs {
    /// Store folder
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The file to write: .html, or .pdf with Chromium installed
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// As of this time (RFC 3339) instead of the last reading
    #[arg(long, value_name = "TIME", value_parser = crate::cli::parse_time)]
    at: Option<UtcMicros>,
    /// Sheets for so many loops, the first of the list
    #[arg(long, value_name = "N", default_value_t = 25)]
    limit: usize,
    /// Name of the site, for the head of the first page
    #[arg(long, value_name = "NAME", default_value = "")]
    site: String,
    /// Time zone of the site, whose times the sheets tell: an IANA name
    #[arg(long, value_name = "NAME", default_value = "UTC")]
    timezone: chrono_tz::Tz,
}

/// Everything that the pages are made from.
pub(crate) struct Content<'a> {
    /// Only the sheets of these loops, without the list; all where empty.
    pub(crate) only: Vec<Tag>,
    pub(crate) site: &'a str,
    pub(crate) zone: Zone,
    pub(crate) assessed: &'a Assessed,
    pub(crate) register: &'a Register,
    pub(crate) cases: &'a Cases,
    /// How many loops get a sheet.
    pub(crate) limit: usize,
}

impl Content<'_> {
    fn rows(&self) -> &[AttentionRow] {
        &self.assessed.result.attention
    }

    /// Reference time of the assessment; states of cases are those at it.
    fn to(&self) -> UtcMicros {
        self.assessed.result.to.unwrap_or_default()
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Html,
    Pdf,
}

fn kind_of(out: &Path) -> anyhow::Result<Kind> {
    let extension = out
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    match extension.as_deref() {
        Some("html" | "htm") => Ok(Kind::Html),
        Some("pdf") => Ok(Kind::Pdf),
        _ => bail!(
            "{}: the name must end in .html or .pdf, which says what to write",
            out.display()
        ),
    }
}

pub(crate) fn run(args: &ReportArgs) -> anyhow::Result<()> {
    // What is missing is said before the work, not after it.
    let kind = kind_of(&args.out)?;
    let browser = match kind {
        Kind::Pdf => Some(pdf::find_browser()?),
        Kind::Html => None,
    };
    let reader = StoreReader::open(&args.store)?;
    let snapshot = reader.snapshot()?;
    let cases = CaseBook::new(reader, analytics_cases::Settings::default())
        .cases()
        .context("cannot read the cases")?;
    let mut progress = Progress::start("report");
    let assessed = Engine::new(analytics_assess::Settings::default()).assess(
        &snapshot,
        args.at,
        &mut |share| progress.set(share, ""),
    )?;
    let content = Content {
        only: Vec::new(),
        site: args.site.trim(),
        zone: Zone(args.timezone),
        assessed: &assessed,
        register: snapshot.register(),
        cases: &cases,
        limit: args.limit,
    };
    let page = render(&content);
    match browser {
        None => write(&args.out, page.as_bytes())?,
        Some(browser) => pdf::print_to(&browser, &page, &args.out)?,
    }
    let sheets = content.rows().len().min(args.limit);
    progress.done(&format!("{} loops need attention", content.rows().len()));
    print(&format!(
        "{}: the list of {} loops, {sheets} sheets\n",
        args.out.display(),
        content.rows().len()
    ))
}

/// Writes beside the place and renames, so that a full disk leaves no half report under the name.
fn write(out: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let mut name = out
        .file_name()
        .map(std::ffi::OsStr::to_owned)
        .unwrap_or_default();
    name.push(format!(".{}.part", std::process::id()));
    let part = out.with_file_name(name);
    let done = std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, out));
    if done.is_err() {
        let _gone = std::fs::remove_file(&part);
    }
    done.with_context(|| format!("cannot write {}", out.display()))
}

/// The whole document.
pub(crate) fn render(content: &Content<'_>) -> String {
    let mut h = Html::new(content.zone);
    // Nothing is loaded from anywhere, and nothing runs.
    h.raw("<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
        <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
        <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>");
    h.text("Loopwitness");
    if !content.site.is_empty() {
        h.text(": ").text(content.site);
    }
    h.text(&format!(", {}", content.zone.day(content.to())));
    h.raw("</title><style>")
        .raw(STYLE)
        .raw("</style></head><body>");
    if content.only.is_empty() {
        list::page(&mut h, content);
        for row in content.rows().iter().take(content.limit) {
            sheet::page(&mut h, content, row);
        }
    }
    for tag in content.only.iter().take(content.limit) {
        match content.rows().iter().find(|r| r.tag == *tag) {
            Some(row) => sheet::page(&mut h, content, row),
            None => sheet::without_finding(&mut h, content, tag),
        }
    }
    h.raw("</body></html>\n");
    h.into_text()
}
