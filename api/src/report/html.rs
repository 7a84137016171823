//! HTML that cannot be injected into: markup is `&'static str`, everything else goes through [`Html::text`].

use super::zone::Zone;
use std::borrow::Cow;

/// A document being written.
#[derive(Debug)]
pub(super) struct Html {
    text: String,
    /// Whose times it tells.
    zone: Zone,
}

impl Html {
    pub(super) fn new(zone: Zone) -> Self {
        Self {
            text: String::new(),
            zone,
        }
    }

    pub(super) fn zone(&self) -> Zone {
        self.zone
    }

    /// Markup of ours; nothing that was made at run time fits the type.
    pub(super) fn raw(&mut self, markup: &'static str) -> &mut Self {
        self.text.push_str(markup);
        self
    }

    /// Text, safe as content and inside a quoted attribute.
    pub(super) fn text(&mut self, text: &str) -> &mut Self {
        for c in text.chars() {
            match c {
                '&' => self.text.push_str("&amp;"),
                '<' => self.text.push_str("&lt;"),
                '>' => self.text.push_str("&gt;"),
                '"' => self.text.push_str("&quot;"),
                '\'' => self.text.push_str("&#39;"),
                // Control characters and the marks that reorder text are no part of a name.
                c if c.is_control() && c != '\n' => self.text.push('\u{fffd}'),
                '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => self.text.push('\u{fffd}'),
                c => self.text.push(c),
            }
        }
        self
    }

    /// A number for a coordinate.
    pub(super) fn at(&mut self, v: f64) -> &mut Self {
        let v = if v.is_finite() { v } else { 0.0 };
        self.text.push_str(&format!("{v:.1}"));
        self
    }

    /// `<dt>name</dt><dd>value</dd>`.
    pub(super) fn pair(&mut self, name: &str, value: &str) -> &mut Self {
        self.raw("<div><dt>")
            .text(name)
            .raw("</dt><dd>")
            .text(value)
            .raw("</dd></div>")
    }

    pub(super) fn into_text(self) -> String {
        self.text
    }
}

/// A number with a real minus sign; trailing zeros of the decimals are kept.
pub(super) fn number(v: f64, decimals: usize) -> String {
    let s = format!("{:.*}", decimals, v.abs());
    if v < 0.0 && s.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("\u{2212}{s}")
    } else {
        s
    }
}

/// The same with a plus sign where it is above zero.
pub(super) fn signed(v: f64, decimals: usize) -> String {
    let s = number(v, decimals);
    if v > 0.0 && s.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{s}")
    } else {
        s
    }
}

/// A number with about four figures, for evidence of any size.
pub(super) fn figures(v: f64) -> String {
    if v == 0.0 {
        return "0".to_owned();
    }
    let size = v.abs().log10().floor();
    if !(-5.0..9.0).contains(&size) {
        return format!("{v:.2e}").replace('-', "\u{2212}");
    }
    let decimals = (3.0 - size).clamp(0.0, 7.0) as usize;
    let s = number(v, decimals);
    if s.contains('.') {
        s.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        s
    }
}

/// A unit as it is printed: the register's own letters, but powers, degrees and micro as the trade writes them.
pub(super) fn unit(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    for part in text.split_inclusive(|c: char| !c.is_ascii_alphanumeric()) {
        let end = part.trim_end_matches(|c: char| !c.is_ascii_alphanumeric());
        out.push_str(&unit_word(end));
        out.push_str(part.get(end.len()..).unwrap_or_default());
    }
    out
}

/// Letters and digits of a unit between its signs.
fn unit_word(word: &str) -> Cow<'_, str> {
    let (of, sign) = match word {
        "degC" | "degF" | "degR" => return word.replace("deg", "\u{b0}").into(),
        "uS" | "um" | "ug" | "uA" | "uV" => return word.replace('u', "\u{b5}").into(),
        _ => match (word.strip_suffix('2'), word.strip_suffix('3')) {
            (Some(of), _) => (of, '\u{b2}'),
            (_, Some(of)) => (of, '\u{b3}'),
            _ => return word.into(),
        },
    };
    match of {
        "m" | "km" | "cm" | "dm" | "mm" | "Nm" | "ft" | "in" | "yd" => format!("{of}{sign}").into(),
        _ => word.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::unit;

    // The page prints them alike: the same table is held against its own words in dashboards/web/test/units.test.mjs.
    #[test]
    fn units_as_they_are_printed() {
        let table = include_str!("../../../dashboards/web/test/units.json");
        let table: Vec<(String, String)> = serde_json::from_str(table).unwrap();
        for (told, printed) in table {
            assert_eq!(unit(&told), printed);
        }
    }
}
