//! The ranked list as text, at most 100 columns wide when the terminal does not say more.

use analytics_detect::{Assessment, AttentionRow};
use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table, presets};
use ingest_model::UtcMicros;

/// Width where none is known.
pub const DEFAULT_WIDTH: u16 = 100;

fn day(t: Option<UtcMicros>) -> String {
    t.map_or_else(
        || "-".to_owned(),
        |t| {
            t.to_rfc3339()
                .chars()
                .take(16)
                .collect::<String>()
                .replace('T', " ")
        },
    )
}

fn since(row: &AttentionRow) -> String {
    row.findings.first().map_or_else(String::new, |f| {
        let mut text = f.onset.date_string();
        if let Some(end) = f.ended {
            text.push_str(&format!("\nto {}", end.date_string()));
        }
        text
    })
}

fn what(row: &AttentionRow) -> String {
    let mut names: Vec<String> = Vec::new();
    for f in &row.findings {
        let name = match f.cause {
            Some(cause) => format!("{} ({cause})", f.kind.as_str()),
            None => f.kind.as_str().to_owned(),
        };
        if !names.contains(&name) {
            names.push(name);
        }
    }
    format!("{}\n{}", names.join(", "), row.why)
}

/// The list with a sentence above it, the common causes and what was not judged beneath.
pub fn render(a: &Assessment, width: u16) -> String {
    let mut out = format!(
        "{} of {} loops need attention; {} readings from {} to {} UTC, {} rejected.\n",
        a.attention.len(),
        a.loops,
        a.readings,
        day(a.from),
        day(a.to),
        a.rejected
    );
    if !a.attention.is_empty() {
        let mut table = plain(width);
        table.set_header([
            "#",
            "Tag",
            "Score",
            "real x purpose\nx soon x lasting",
            "Since",
            "What",
        ]);
        for row in &a.attention {
            let t = row.terms;
            table.add_row([
                row.rank.to_string(),
                row.tag.to_string(),
                format!("{:.2}", row.score),
                format!(
                    "{:.2} x {:.2}\nx {:.2} x {:.2}",
                    t.real, t.purpose, t.soon, t.lasting
                ),
                since(row),
                what(row),
            ]);
        }
        for column in table.column_iter_mut().take(5) {
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
        if let Some(column) = table.column_mut(0) {
            column.set_cell_alignment(CellAlignment::Right);
        }
        out.push_str(&format!("\n{table}\n"));
    }
    if !a.common_causes.is_empty() {
        let mut table = plain(width);
        table.set_header(["Common cause", "What", "Loops", "Since", "Summary"]);
        for c in &a.common_causes {
            table.add_row([
                format!("{} {}", c.scope.as_str(), c.name),
                c.kind.as_str().to_owned(),
                format!("{} of {}", c.affected, c.members),
                c.onset.date_string(),
                c.summary.clone(),
            ]);
        }
        out.push_str(&format!("\n{table}\n"));
    }
    if !a.not_judged.is_empty() {
        let mut why: std::collections::BTreeMap<(&str, &str), usize> =
            std::collections::BTreeMap::new();
        for n in &a.not_judged {
            *why.entry((n.what, n.why.as_str())).or_default() += 1;
        }
        out.push_str("\nNot judged (loops):\n");
        for ((what, why), count) in why {
            out.push_str(&format!("  {count:>5}  {what}: {why}\n"));
        }
    }
    if !a.explained_by_work.is_empty() {
        out.push_str("\nExplained by announced work, not listed above:\n");
        for e in &a.explained_by_work {
            out.push_str(&format!(
                "  {}  {} since {}, work {} to {}\n",
                e.tag,
                e.kind.as_str(),
                e.onset.date_string(),
                e.work_from.date_string(),
                e.work_to.date_string()
            ));
        }
    }
    out
}

fn plain(width: u16) -> Table {
    let mut table = Table::new();
    table
        .load_style(presets::NOTHING)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(width.max(60));
    table
}
