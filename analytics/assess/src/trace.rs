//! What the pages draw of a loop: its hour blocks in bins of an hour, six hours or a day.

use analytics_detect::HourBlock;
use ingest_model::UtcMicros;

/// Width of a bin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TraceStep {
    Hour,
    SixHours,
    Day,
}

impl TraceStep {
    pub fn hours(self) -> i64 {
        match self {
            Self::Hour => 1,
            Self::SixHours => 6,
            Self::Day => 24,
        }
    }
}

/// Columns of equal length; NaN = nothing seen in that bin. Bins without rows are left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    pub step_s: u32,
    /// Start of each bin.
    pub time: Vec<UtcMicros>,
    /// Weighted mean of analog minus digital, % of span, and the middle 80 % of its samples (median of hours).
    pub difference_pct: Vec<f64>,
    pub difference_low_pct: Vec<f64>,
    pub difference_high_pct: Vec<f64>,
    /// Polls without a good reply over polls, 0..1.
    pub failed_share: Vec<f64>,
    /// Root mean square step of the digital value (of the current, where there is none), % of span.
    pub scatter_pct: Vec<f64>,
    pub replies: Vec<u32>,
    /// Field device status bits that were set, or-ed.
    pub device_status: Vec<u8>,
}

pub(crate) fn trace(blocks: &[HourBlock], step: TraceStep) -> Trace {
    let hours = step.hours();
    let mut out = Trace {
        step_s: (hours * 3600) as u32,
        ..Trace::default()
    };
    let mut from = 0;
    while from < blocks.len() {
        let bin = blocks[from].hour.div_euclid(hours);
        let n = blocks[from..]
            .iter()
            .take_while(|b| b.hour.div_euclid(hours) == bin)
            .count();
        push(&mut out, bin * hours, &blocks[from..from + n]);
        from += n;
    }
    out
}

fn push(out: &mut Trace, hour: i64, blocks: &[HourBlock]) {
    let (mut w, mut y, mut rows, mut replies, mut bits) = (0.0, 0.0, 0_u32, 0_u32, 0_u8);
    let (mut ss, mut steps) = (0.0, 0.0);
    for b in blocks {
        w += b.fit.weight();
        y += b.fit.xy[0];
        rows += b.rows;
        replies += b.replies;
        bits |= b.device_status();
        let mv = if b.move_d.n > 0 { b.move_d } else { b.move_m };
        ss += mv.sum_sq;
        steps += f64::from(mv.n);
    }
    let middle = |get: fn(&HourBlock) -> f64| {
        let mut v: Vec<f64> = blocks.iter().map(get).filter(|x| x.is_finite()).collect();
        if v.is_empty() {
            return f64::NAN;
        }
        let mid = v.len() / 2;
        *v.select_nth_unstable_by(mid, f64::total_cmp).1
    };
    out.time.push(UtcMicros::from_hour(hour));
    out.difference_pct
        .push(if w > 0.0 { y / w } else { f64::NAN });
    out.difference_low_pct.push(middle(|b| b.e_p10));
    out.difference_high_pct.push(middle(|b| b.e_p90));
    out.failed_share.push(if rows > 0 {
        f64::from(rows - replies) / f64::from(rows)
    } else {
        f64::NAN
    });
    out.scatter_pct.push(if steps > 0.0 {
        (ss / steps).sqrt()
    } else {
        f64::NAN
    });
    out.replies.push(replies);
    out.device_status.push(bits);
}
