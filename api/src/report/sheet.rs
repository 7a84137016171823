//! One loop's sheet: sentence, numbers, figure, checks, cautions, register, and room to write.

use super::Content;
use super::figure;
use super::html::{Html, figures, number, signed, unit};
use super::list::what;
use super::zone::Zone;
use analytics_assess::TraceStep;
use analytics_detect::words::scope_words;
use analytics_detect::{AttentionRow, Evidence, Finding, Kind};
use ingest_model::{LoopEntry, Tag, UtcMicros};

/// Findings beyond the first that a sheet tells of.
const OTHERS: usize = 4;

pub(super) fn page(h: &mut Html, c: &Content<'_>, row: &AttentionRow) {
    let Some(first) = row.findings.first() else {
        return;
    };
    let to = c.to();
    let entry = c
        .register
        .at(&row.tag, to)
        .or_else(|| c.register.current(&row.tag));
    h.raw("<section class=\"sheet\">");
    head(h, c, row, entry);
    let why = h.zone().said(&row.why, Some(first), to);
    h.raw("<p class=\"verdict\">").text(&why).raw("</p>");
    numbers(h, first);
    let trace = c
        .assessed
        .trace(&row.tag, TraceStep::Day)
        .unwrap_or_default();
    let tolerance = entry.map_or(0.5, |e| e.tolerance_pct);
    figure::deviation(h, &trace, tolerance, Some(first));
    if row
        .findings
        .iter()
        .any(|f| matches!(f.kind, Kind::RisingErrors | Kind::NoReply))
    {
        figure::failed(h, &trace);
    }
    others(h, c, row);
    h.raw("<div class=\"two\"><div>");
    cautions(h, row);
    h.raw("</div><div>");
    checks(h, c, first);
    h.raw("</div></div>");
    if let Some(e) = entry {
        wire(h, c, e);
        register(h, e);
    }
    behind(h, first);
    work(h, c, &row.tag);
    h.raw("</section>");
}

/// The sheet of a loop on which nothing is found now: work on it still needs paper.
pub(super) fn without_finding(h: &mut Html, c: &Content<'_>, tag: &Tag) {
    let entry = c
        .register
        .at(tag, c.to())
        .or_else(|| c.register.current(tag));
    h.raw("<section class=\"sheet\"><header><div><h1>")
        .text(tag.as_str())
        .raw("</h1>");
    if let Some(service) = entry.and_then(|e| e.service.as_ref()) {
        h.raw("<p class=\"service\">").text(service).raw("</p>");
    }
    h.raw("</div><dl>");
    let as_of = format!("{} ({})", h.zone().minute(c.to()), h.zone().name());
    h.pair("As of", &as_of);
    h.raw("</dl></header><p class=\"verdict\">");
    let all = &c.assessed.result.not_judged;
    let mut not: Vec<&str> = all
        .iter()
        .filter(|n| n.tag == *tag)
        .map(|n| n.why.as_str())
        .collect();
    not.dedup();
    if not.is_empty() {
        h.text("No finding on this loop.");
    } else {
        h.text(&format!(
            "No finding on this loop; not judged in full: {}.",
            not.join("; ")
        ));
    }
    h.raw("</p>");
    let trace = c.assessed.trace(tag, TraceStep::Day).unwrap_or_default();
    figure::deviation(h, &trace, entry.map_or(0.5, |e| e.tolerance_pct), None);
    if let Some(e) = entry {
        register(h, e);
    }
    work(h, c, tag);
    h.raw("</section>");
}

fn head(h: &mut Html, c: &Content<'_>, row: &AttentionRow, entry: Option<&LoopEntry>) {
    let t = row.terms;
    h.raw("<header><div><h1>")
        .text(row.tag.as_str())
        .raw("</h1>");
    if let Some(service) = entry
        .and_then(|e| e.service.as_ref())
        .or(row.service.as_ref())
    {
        h.raw("<p class=\"service\">").text(service).raw("</p>");
    }
    h.raw("</div><dl>");
    let (places, entries) = super::list::places(c);
    let place = c.rows().iter().position(|r| r.tag == row.tag);
    if let Some(place) = place.and_then(|at| places.get(at)) {
        h.pair("Place", &format!("{place} of {entries}"));
    }
    h.pair("Purpose", row.criticality);
    h.pair(
        "Score",
        &format!(
            "{:.2} = {:.2} \u{d7} {:.2} \u{d7} {:.2} \u{d7} {:.2}",
            row.score, t.real, t.purpose, t.soon, t.lasting
        ),
    );
    let as_of = format!("{} ({})", h.zone().minute(c.to()), h.zone().name());
    h.pair("As of", &as_of);
    if let Some(state) = super::list::state_of(c, row) {
        h.pair("Case", &state);
    }
    h.raw("</dl></header>");
    let group = row
        .common_cause
        .as_deref()
        .and_then(|id| c.assessed.result.common_causes.iter().find(|g| g.id == id));
    if let Some(g) = group {
        h.raw("<p class=\"shared\">");
        h.text(&format!(
            "Shares its cause with {} other loops on {} {}: look there first. ",
            g.affected.saturating_sub(1),
            scope_words(g.scope),
            g.name
        ));
        h.text(&h.zone().said(&g.summary, None, c.to())).raw("</p>");
    }
}

/// What the two copies say of the wire: which currents have arrived, resistance, leakage.
fn wire(h: &mut Html, c: &Content<'_>, entry: &LoopEntry) {
    let terms = c.assessed.circuit(entry);
    if !terms.says.is_empty() {
        let says = h.zone().said(&terms.says.join(" "), None, c.to());
        h.raw("<p class=\"wire\">").text(&says).raw("</p>");
    }
}

fn numbers(h: &mut Html, f: &Finding) {
    let z = h.zone();
    h.raw("<dl class=\"numbers\">");
    h.pair("Finding", &what(f));
    h.pair("Since", &z.minute(f.onset));
    if f.onset_low < f.onset_high {
        h.pair(
            "between",
            &format!(
                "{} to {} (80 %)",
                z.minute(f.onset_low),
                z.minute(f.onset_high)
            ),
        );
    }
    if let Some(end) = f.ended {
        h.pair("Until", &z.minute(end));
    }
    if let Some(v) = f.deviation_pct {
        h.pair(
            "Analog minus digital",
            &format!("{} % of span", signed(v, 2)),
        );
    }
    if let Some(v) = f.rate_pct_per_day {
        h.pair("Growth", &format!("{} % of span a day", signed(v, 3)));
    }
    if let Some(t) = f.reaches_tolerance_at {
        h.pair("Reaches tolerance", &z.day(t));
    }
    if let (Some(low), Some(high)) = (f.reaches_tolerance_low, f.reaches_tolerance_high) {
        h.pair(
            "with 80 % probability",
            &format!("{} to {}", z.day(low), z.day(high)),
        );
    }
    h.pair(
        "Probability that it is real",
        &if f.confidence >= 0.9995 {
            "above 0.999".to_owned()
        } else {
            number(f.confidence, 3)
        },
    );
    if let Some(n) = f.ne107 {
        h.pair("NE 107", n.as_str());
    }
    h.raw("</dl>");
}

/// What the detector reckoned with, small and last: for those who ask where the sentence comes from.
fn behind(h: &mut Html, f: &Finding) {
    if f.evidence.is_empty() {
        return;
    }
    let z = h.zone();
    let all: Vec<String> = f
        .evidence
        .iter()
        .map(|(name, value)| format!("{} {}", words(name), shown(value, z)))
        .collect();
    h.raw("<p class=\"behind\"><b>")
        .text("Behind the sentence")
        .raw("</b> ")
        .text(&all.join("; "))
        .raw("</p>");
}

/// An evidence key in words: `full_scale_pct` is "full scale, %".
fn words(key: &str) -> String {
    let (stem, unit) = match key.rsplit_once('_') {
        Some((stem, "pct")) => (stem, ", %"),
        Some((stem, "ma")) => (stem, ", mA"),
        Some((stem, "h")) => (stem, ", h"),
        Some((stem, "min")) => (stem, ", min"),
        _ => (key, ""),
    };
    format!("{}{unit}", stem.replace('_', " "))
}

fn shown(e: &Evidence, z: Zone) -> String {
    match e {
        Evidence::Flag(b) => if *b { "yes" } else { "no" }.to_owned(),
        Evidence::Count(n) => n.to_string(),
        Evidence::Number(v) if v.is_finite() => figures(*v),
        Evidence::Number(_) => "\u{2013}".to_owned(),
        Evidence::Text(t) => {
            UtcMicros::parse_rfc3339(t).map_or_else(|_| t.clone(), |t| z.minute(t))
        }
        Evidence::Numbers(v) => v
            .iter()
            .map(|x| {
                if x.is_finite() {
                    figures(*x)
                } else {
                    "\u{2013}".to_owned()
                }
            })
            .collect::<Vec<_>>()
            .join("; "),
    }
}

fn others(h: &mut Html, c: &Content<'_>, row: &AttentionRow) {
    let rest = row.findings.get(1..).unwrap_or_default();
    if rest.is_empty() {
        return;
    }
    let z = h.zone();
    h.raw("<h2>Also on this loop</h2><ul class=\"others\">");
    for f in rest.iter().take(OTHERS) {
        h.raw("<li>")
            .text(&z.said(&f.summary, Some(f), c.to()))
            .raw(" <span class=\"q\">")
            .text(&format!("{}, {} real", what(f), number(f.confidence, 2)))
            .raw("</span>");
    }
    if rest.len() > OTHERS {
        h.raw("<li class=\"q\">")
            .text(&format!("and {} more", rest.len() - OTHERS));
    }
    h.raw("</ul>");
}

fn checks(h: &mut Html, c: &Content<'_>, f: &Finding) {
    let z = h.zone();
    h.raw("<h2>What to look at, in order of what it tells</h2><ol class=\"checks\">");
    for check in &f.checks {
        h.raw("<li><span class=\"box\"></span>")
            .text(&z.said(check, Some(f), c.to()));
    }
    h.raw("</ol>");
}

/// Those of the first finding, then what others add.
fn cautions(h: &mut Html, row: &AttentionRow) {
    let mut all: Vec<&str> = Vec::new();
    for caution in row.findings.iter().flat_map(|f| &f.cautions) {
        if !all.contains(&caution.as_str()) {
            all.push(caution);
        }
    }
    h.raw("<h2>First, caution</h2><ul class=\"cautions\">");
    for caution in all {
        h.raw("<li>").text(caution);
    }
    h.raw("</ul>");
}

fn register(h: &mut Html, e: &LoopEntry) {
    h.raw("<h2>Register</h2><dl class=\"register\">");
    h.pair(
        "Range",
        &format!(
            "{} to {} {}, {}",
            figures(e.range.lrv),
            figures(e.range.urv),
            unit(&e.pv_unit),
            e.range.transfer
        ),
    );
    if let (Some(low), Some(high)) = (e.host_lrv, e.host_urv)
        && (low, high) != (e.range.lrv, e.range.urv)
    {
        h.pair(
            "Host scale",
            &format!("{} to {}", figures(low), figures(high)),
        );
    }
    h.pair(
        "Tolerance",
        &format!("{} % of span", figures(e.tolerance_pct)),
    );
    if let Some(s) = e.damping_s {
        h.pair("Damping", &format!("{} s", figures(s)));
    }
    let device = match (e.device_type, e.device_revision) {
        (Some(t), Some(r)) => Some(format!("0x{t:04X}, revision {r}")),
        (Some(t), None) => Some(format!("0x{t:04X}")),
        _ => None,
    };
    for (name, value) in [
        ("Area", e.area.clone()),
        ("Gateway", e.gateway.clone()),
        ("Modem", e.modem.clone()),
        ("Channel", e.channel.clone()),
        ("Input card", e.input_card.clone()),
        ("Junction box", e.junction_box.clone()),
        ("Supply", e.supply.clone()),
        ("Device type", device),
        ("Device ID", e.device_id.map(|id| format!("0x{id:06X}"))),
        ("Redundancy group", e.redundancy_group.clone()),
        (
            "Input accuracy",
            e.input_accuracy_pct
                .map(|v| format!("{} % of span", figures(v))),
        ),
    ] {
        if let Some(value) = value {
            h.pair(name, &value);
        }
    }
    if !e.confirmed {
        h.pair("Entry", "shown by a gateway, not confirmed by a person");
    }
    h.raw("</dl>");
}

/// Room for what a person finds; filled where the case has it already.
fn work(h: &mut Html, c: &Content<'_>, tag: &Tag) {
    let done = c
        .cases
        .iter()
        .filter(|x| x.is_open() && x.tags.contains(tag))
        .find_map(|x| x.attended.as_ref());
    let when = done.map_or_else(String::new, |d| h.zone().minute(d.when));
    let pct = |v: Option<f64>| v.map(|v| signed(v, 2)).unwrap_or_default();
    h.raw("<div class=\"work\"><h2>Found and done</h2><table><thead><tr><th><th>at, mA<th>analog, mA<th>digital, unit<th>deviation, % of span</tr></thead><tbody>");
    for (name, value) in [
        ("As found", done.and_then(|d| d.as_found_pct)),
        ("As left", done.and_then(|d| d.as_left_pct)),
    ] {
        h.raw("<tr><th>")
            .text(name)
            .raw("<td><td><td><td>")
            .text(&pct(value))
            .raw("</tr>");
    }
    h.raw("</tbody></table><div class=\"lines\"><p><span>Found</span>")
        .text(done.map_or("", |d| &d.found))
        .raw("</p><p><span>Done</span>")
        .text(done.map_or("", |d| &d.done))
        .raw("</p></div><div class=\"outcome\"><p>Outcome <i class=\"box\"></i> corrected <i class=\"box\"></i> nothing found <i class=\"box\"></i> not done, plan again</p><div class=\"sign\"><p><span>Instrument, certificate</span></p><p><span>Name</span>")
        .text(done.map_or("", |d| &d.who))
        .raw("</p><p><span>Date, time</span>")
        .text(&when)
        .raw("</p><p><span>Signature</span></p></div></div></div>");
}
