//! First page: a sentence with numbers, the ranked list, the common causes, what was not judged.

use super::Content;
use super::html::{Html, signed};
use analytics_detect::words::scope_words;
use analytics_detect::{AttentionRow, Finding, Kind};
use std::collections::BTreeMap;

/// Rows of the list that are printed; the rest is counted.
const ROWS: usize = 500;

/// A kind as the pages name it (`dashboards/web/src/words.ts`; a test holds both together).
fn kind_words(kind: Kind) -> &'static str {
    match kind {
        Kind::AnalogDigitalDrift => "analog and digital part",
        Kind::StuckValue => "a value stopped moving",
        Kind::RisingErrors => "failed exchanges rise",
        Kind::NoReply => "no reply",
        Kind::FixedCurrent => "current held fixed",
        Kind::CurrentOutOfRange => "current out of range",
        Kind::NoiseChange => "scatter changed",
        Kind::DeviceStatus => "the device reports trouble",
        Kind::StatusChatter => "a status bit comes and goes",
        Kind::Restarts => "repeated cold starts",
        Kind::ConfigurationChange => "configuration changed",
        Kind::PeerDisagreement => "departs from its companions",
    }
}

/// A cause, or the signal that is meant, as the pages name it.
fn cause_words(cause: &str) -> &str {
    match cause {
        "digital" => "digital value",
        "analog" => "analog current",
        "both" => "both signals",
        "offset" => "by the same amount over the range",
        "span" => "more at one end of the range",
        "supply-limited" => "the current stops at a ceiling",
        "scaling" => "the registered range is not the one in use",
        "intermittent" => "in episodes",
        "saturated-low" => "rests at the lower limit",
        "saturated-high" => "rests at the upper limit",
        "failure-low" => "failure signal, low",
        "failure-high" => "failure signal, high",
        "rise" => "more than in its own past",
        "collapse" => "less than in its own past",
        "function-check" => "function check",
        "out-of-specification" => "out of specification",
        "maintenance-required" => "maintenance required",
        other => other,
    }
}

/// Kind and cause as the list names them.
pub(super) fn what(f: &Finding) -> String {
    match f.cause.or(f.signal.map(|s| s.as_str())) {
        Some(cause) => format!("{}, {}", kind_words(f.kind), cause_words(cause)),
        None => kind_words(f.kind).to_owned(),
    }
}

/// What is not judged, in words: a kind, or all of them.
fn what_words(what: &str) -> &str {
    match Kind::parse(what) {
        Some(kind) => kind_words(kind),
        None if what == "all" => "everything",
        None => what,
    }
}

/// Entries as the pages count them, a common cause with its loops being one: the place of each row, and how many there
/// are.
pub(super) fn places(c: &Content<'_>) -> (Vec<usize>, usize) {
    let mut groups: BTreeMap<&str, usize> = BTreeMap::new();
    let mut entries = 0;
    let known = |id: &str| c.assessed.result.common_causes.iter().any(|g| g.id == id);
    let places = c.rows().iter().map(|row| {
        let group = row.common_cause.as_deref().filter(|id| known(id));
        match group.and_then(|id| groups.get(id)) {
            Some(place) => *place,
            None => {
                entries += 1;
                if let Some(id) = group {
                    groups.insert(id, entries);
                }
                entries
            }
        }
    });
    (places.collect(), entries)
}

/// A count in groups of three.
fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    out
}

pub(super) fn page(h: &mut Html, c: &Content<'_>) {
    let a = &c.assessed.result;
    let z = h.zone();
    h.raw("<section class=\"first\"><header><div><p class=\"mark\">Loopwitness</p>");
    if !c.site.is_empty() {
        h.raw("<p class=\"service\">").text(c.site).raw("</p>");
    }
    h.raw("</div><dl>");
    let from = a.from.map_or_else(|| "\u{2013}".to_owned(), |t| z.day(t));
    let to = a.to.map_or_else(|| "\u{2013}".to_owned(), |t| z.minute(t));
    h.pair("Record", &format!("{from} to {to}"));
    h.pair("Loops", &a.loops.to_string());
    h.pair("Readings", &grouped(a.readings));
    h.raw("</dl></header><h1>");
    h.text(&match a.attention.len() {
        0 => format!("None of {} loops shows a finding.", a.loops),
        1 => format!("1 of {} loops needs attention.", a.loops),
        n => format!("{n} of {} loops need attention.", a.loops),
    });
    h.raw("</h1>");
    if c.limit > 0 && !a.attention.is_empty() {
        let n = c.limit.min(a.attention.len());
        h.raw("<p class=\"note\">");
        h.text(&format!(
            "The first {n} have a sheet each behind this list. Score = real \u{d7} purpose \u{d7} soon \u{d7} lasting; loops of one common cause share a place. Times are site time ({}).",
            z.name()
        ));
        h.raw("</p>");
    }
    causes(h, c);
    rows(h, c);
    not_judged(h, c);
    h.raw("<p class=\"evidence\">");
    h.text("Evidence only: the site's procedures, local codes and licensed practice decide. Agreement of the two channels says nothing about the sensor: both copies come from it.");
    h.raw("</p></section>");
}

fn causes(h: &mut Html, c: &Content<'_>) {
    let z = h.zone();
    let causes = &c.assessed.result.common_causes;
    if causes.is_empty() {
        return;
    }
    h.raw("<h2>Common causes</h2><table class=\"causes\"><colgroup><col><col><col><col><col></colgroup><thead><tr><th>Shared<th>What<th class=\"n\">Loops<th>Since<th>Evidence</tr></thead><tbody>");
    for g in causes {
        h.raw("<tr><td><b>")
            .text(scope_words(g.scope))
            .raw(" <i>")
            .text(&g.name)
            .raw("</i></b><td>")
            .text(kind_words(g.kind))
            .raw("<td class=\"n\">")
            .text(&format!("{} of {}", g.affected, g.members))
            .raw("<td class=\"d\">")
            .text(&z.day(g.onset))
            .raw("<td>")
            .text(&z.said(&g.summary, None, c.to()))
            .raw(" <span class=\"tags\">");
        for (n, tag) in g.tags.iter().enumerate() {
            if n > 0 {
                h.raw(" ");
            }
            h.raw("<i>").text(tag.as_str()).raw("</i>");
        }
        h.raw("</span></tr>");
    }
    h.raw("</tbody></table>");
}

/// The open case that a row's strongest finding belongs to: its state.
pub(super) fn state_of(c: &Content<'_>, row: &AttentionRow) -> Option<String> {
    let f = row.findings.first()?;
    let family = analytics_cases::Family::of(f.kind);
    let case = c
        .cases
        .iter()
        .filter(|x| x.is_open() && x.key.family() == family && x.tags.contains(&row.tag))
        .min_by_key(|x| (x.tags.len(), x.id.clone()))?;
    Some(case.shown(c.to()).as_str().to_owned())
}

fn rows(h: &mut Html, c: &Content<'_>) {
    let z = h.zone();
    let all = c.rows();
    if all.is_empty() {
        return;
    }
    let states: Vec<Option<String>> = all.iter().take(ROWS).map(|r| state_of(c, r)).collect();
    let cases = states.iter().any(Option::is_some);
    let (places, _) = places(c);
    h.raw("<h2>Ranked list</h2><table class=\"ranked\"><colgroup><col><col><col><col><col>");
    h.raw(if cases { "<col>" } else { "" });
    h.raw("</colgroup><thead><tr><th class=\"n\">#<th>Loop<th>What, and why<th>Since<th class=\"n\">Score");
    h.raw(if cases { "<th>Case" } else { "" });
    h.raw("</tr></thead><tbody>");
    for ((row, state), place) in all.iter().zip(&states).zip(places) {
        let t = row.terms;
        h.raw("<tr><td class=\"n\">")
            .text(&place.to_string())
            .raw("<td><b>")
            .text(row.tag.as_str())
            .raw("</b><br><span class=\"q\">")
            .text(row.criticality);
        if let Some(area) = &row.area {
            h.text(", ").text(area);
        }
        h.raw("</span><td>");
        h.text(&z.said(&row.why, row.findings.first(), c.to()))
            .raw(" <span class=\"q\">");
        let mut names: Vec<String> = Vec::new();
        // The sentence says what the first one is.
        for f in row.findings.iter().skip(1) {
            let name = what(f);
            if !names.contains(&name) {
                names.push(name);
            }
        }
        if !names.is_empty() {
            h.text("Also: ").text(&names.join("; ")).text(". ");
        }
        if let Some(group) = row
            .common_cause
            .as_deref()
            .and_then(|id| c.assessed.result.common_causes.iter().find(|g| g.id == id))
        {
            h.text(&format!(
                "Shared: {} {}.",
                scope_words(group.scope),
                group.name
            ));
        }
        h.raw("</span><td class=\"d\">");
        if let Some(f) = row.findings.first() {
            h.text(&z.day(f.onset));
            if let Some(end) = f.ended {
                h.raw("<br><span class=\"q\">")
                    .text("to ")
                    .text(&z.day(end))
                    .raw("</span>");
            }
            if let Some(d) = f.deviation_pct {
                h.raw("<br><span class=\"q\">")
                    .text(&signed(d, 2))
                    .text(" %")
                    .raw("</span>");
            }
        }
        h.raw("<td class=\"n\"><b>")
            .text(&format!("{:.2}", row.score))
            .raw("</b><br><span class=\"q\">")
            .text(&format!(
                "{:.2} \u{d7} {:.2} \u{d7} {:.2} \u{d7} {:.2}",
                t.real, t.purpose, t.soon, t.lasting
            ))
            .raw("</span>");
        if cases {
            h.raw("<td class=\"q\">")
                .text(state.as_deref().unwrap_or("\u{2013}"));
        }
        h.raw("</tr>");
    }
    h.raw("</tbody></table>");
    if all.len() > ROWS {
        h.raw("<p class=\"note\">")
            .text(&format!("{} more loops are not printed.", all.len() - ROWS))
            .raw("</p>");
    }
}

fn not_judged(h: &mut Html, c: &Content<'_>) {
    let list = &c.assessed.result.not_judged;
    if list.is_empty() {
        return;
    }
    let mut why: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for n in list {
        *why.entry((n.what, n.why.as_str())).or_default() += 1;
    }
    h.raw("<h2>Not judged</h2><p class=\"note\">")
        .text("Where the watch sees nothing; silence is no health.")
        .raw("</p><table class=\"blind\"><colgroup><col><col><col></colgroup><tbody>");
    for ((what, why), count) in why {
        h.raw("<tr><td class=\"n\">")
            .text(&count.to_string())
            .raw("<td>")
            .text(what_words(what))
            .raw("<td>")
            .text(why)
            .raw("</tr>");
    }
    h.raw("</tbody></table>");
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Paper and page name kinds, causes and signals alike: each line of the page's tables is what stands here.
    #[test]
    fn words_are_those_of_the_pages() {
        let page = include_str!("../../../dashboards/web/src/words.ts");
        let table = |name: &str| -> Vec<(&str, &str)> {
            let from = page.find(&format!("const {name}:")).unwrap();
            let text = page[from..].split_once('{').unwrap().1;
            let text = text.split_once('}').unwrap().0;
            text.split(',')
                .filter_map(|line| line.split_once(':'))
                .map(|(k, v)| (k.trim().trim_matches('"'), v.trim().trim_matches('"')))
                .collect()
        };
        // A comma within words ends them for this reader.
        let whole = |words: &str| words.split(',').next().unwrap_or_default().to_owned();
        let kinds = table("KINDS");
        assert_eq!(kinds.len(), 12);
        for (name, words) in kinds {
            assert_eq!(kind_words(Kind::parse(name).unwrap()), words);
        }
        let causes = table("CAUSES");
        assert!(causes.len() > 10, "{causes:?}");
        for (name, words) in causes.into_iter().chain(table("SIGNALS")) {
            assert_eq!(whole(cause_words(name)), whole(words), "{name}");
        }
    }
}
