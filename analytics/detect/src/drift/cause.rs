//! Offset or span: which of the two forms explains a change, and by how much.
//!
//! A sample of a quick loop deviates because its current was measured seconds before the digital value, and the digital
//! value's own flutter stands in both the deviation and the position: within an hour the slope is pulled down (errors in
//! variables; Fuller 1987, chapter 1, from memory), and by another amount when the loop moves otherwise than before. So
//! the forms are compared on the means of the cells alone, in which the flutter has gone, with the same growth in time.
//! The log likelihood ratio is over the scatter of those means, days as the unit of evidence.
//!
//! On the loops of our own fleets one that is told from its record alone errs about as often as one that knows the true
//! onset and growth (docs/form-limit.md); what is left is decided by the loops that share a cause, where there are such.

use super::fit::{Base, Candidate, Cell, Form, residuals, scatter};
use crate::block::P;
use crate::finding::Evidence;
use crate::history::Draft;

/// Log likelihood ratio beyond which the two count as told apart.
pub const TOLD_APART: f64 = 2.5;
/// Its name in the evidence: positive speaks for span.
pub const EVIDENCE: &str = "span_over_offset_log_ratio";

/// Cells of which only the weighted means are left: the flutter within an hour says nothing of the form.
pub fn means(cells: &[Cell]) -> Vec<Cell> {
    cells
        .iter()
        .map(|c| {
            let w = c.weight().max(1e-12);
            let mut m = *c;
            for i in 0..P {
                for j in 0..P {
                    m.xx[i][j] = c.xx[i][0] * c.xx[j][0] / w;
                }
                m.xy[i] = c.xx[i][0] * c.xy[0] / w;
            }
            m.yy = c.xy[0] * c.xy[0] / w;
            m.n = 1.0;
            m
        })
        .collect()
}

/// Log likelihood ratio of span over offset, with the growth in time of `found`.
pub fn span_over_offset(cells: &[Cell], found: &Candidate) -> Option<f64> {
    let cells = means(cells);
    let base = Base::fit(&cells)?;
    let growth = |i: usize| found.growth(&cells, i);
    let of = |form| {
        let (gain, amplitude, unit_se) = base.any_growth(&cells, form, found.start, &growth);
        Candidate {
            form,
            gain,
            amplitude,
            unit_se,
            ..*found
        }
    };
    let (offset, span) = (of(Form::Offset), of(Form::Span));
    let better = if span.gain > offset.gain {
        span
    } else {
        offset
    };
    let res = residuals(&cells, &base.beside(&cells, &better), Some(&better));
    let per_weight = scatter(&cells, &res, &base, 3.0).per_weight;
    let ratio = (span.gain - offset.gain) / (2.0 * per_weight);
    ratio.is_finite().then_some(ratio)
}

/// What a finding's own record says, where it is a change of either form.
pub fn ratio_of(d: &Draft) -> Option<f64> {
    match d.evidence.get(EVIDENCE) {
        Some(Evidence::Number(v)) if matches!(d.cause, Some("offset" | "span")) => Some(*v),
        _ => None,
    }
}

/// Loops that one cause moves are moved in one way: the sum of their evidence decides for those whose own does not.
pub fn agree(together: &mut [&mut Draft]) -> bool {
    let own: Vec<f64> = together.iter().filter_map(|d| ratio_of(d)).collect();
    if own.len() < 2 {
        return false;
    }
    let cause = if own.iter().sum::<f64>() > 0.0 {
        "span"
    } else {
        "offset"
    };
    let mut changed = false;
    for d in together.iter_mut() {
        if ratio_of(d).is_none() || d.cause == Some(cause) {
            continue;
        }
        if let Some(other) = d.otherwise.take() {
            **d = other.text("cause_is", "as the loops that share the cause");
            changed = true;
        }
    }
    changed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Kind;
    use ingest_model::UtcMicros;

    fn draft(cause: &'static str, ratio: f64) -> Draft {
        let mut d = Draft::new(Kind::AnalogDigitalDrift, UtcMicros(0), 0.9).number(EVIDENCE, ratio);
        d.cause = Some(cause);
        d
    }

    #[test]
    fn the_sum_decides_for_the_undecided_and_for_no_other() {
        let mut unsure = draft("span", 0.4);
        unsure.otherwise = Some(Box::new(draft("offset", 0.4)));
        let mut sure = draft("span", 5.0);
        let (mut a, mut b) = (draft("offset", -2.0), draft("offset", -9.0));
        assert!(agree(&mut [&mut unsure, &mut sure, &mut a, &mut b]));
        assert_eq!(unsure.cause, Some("offset"));
        assert_eq!(sure.cause, Some("span"));
        let mut alone = draft("span", 0.4);
        alone.otherwise = Some(Box::new(draft("offset", 0.4)));
        assert!(!agree(&mut [&mut alone]));
    }
}
