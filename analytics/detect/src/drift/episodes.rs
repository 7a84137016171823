//! Intermittent deviation: mostly fine, with episodes (a loose terminal, a wet junction box).
//!
//! An excursion is a sample whose current lies outside what the digital value and both its neighbours span:
//! movement and skew cannot do that. Hours with excursions are joined to clumps and clumps are counted, not
//! samples. Test: Poisson likelihood ratio of one rise in the rate of clumps, one side only, with the quiet
//! hours unmoved (else it is a step).

use crate::block::{EXCURSION_PCT, HourBlock};
use crate::finding::{Evidence, Kind};
use crate::history::{Draft, LoopRecord, Window, hour_in};
use crate::limits::Test;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

const MIN_CLUMPS: usize = 3;
const MIN_RATIO: f64 = 4.0;
/// Quiet hours that moved by more than this share of the episodes' size, to the same side, may be a change instead.
const MOVED_SHARE: f64 = 0.1;

#[derive(Clone, Copy)]
struct Clump {
    /// Index of its first and last block.
    first: usize,
    last: usize,
}

struct Best {
    lr: f64,
    k: usize,
    up: bool,
    start: usize,
    clumps: Vec<Clump>,
}

pub fn detect(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    let blocks: Vec<&HourBlock> = l
        .blocks
        .iter()
        .filter(|b| b.excursion_n >= 3 && !hour_in(skip, b.hour))
        .collect();
    if blocks.len() < 72 {
        return None;
    }
    let mut best: Option<Best> = None;
    for k in 0..EXCURSION_PCT.len() {
        for up in [true, false] {
            if let Some(b) = one_side(&blocks, k, up)
                && best.as_ref().is_none_or(|x| b.lr > x.lr)
            {
                best = Some(b);
            }
        }
    }
    let weak = best.as_ref().map(|b| Best {
        clumps: b.clumps.clone(),
        ..*b
    });
    let strong = [true, false]
        .into_iter()
        .filter_map(|up| strong_side(&blocks, up))
        .max_by(|a, b| a.lr.total_cmp(&b.lr));
    // Few but long episodes: each stands for itself, so three are enough where there were none.
    let (best, most_share) = match (
        best.filter(|b| b.lr >= Test::Episodes.tail().threshold(1.0)),
        strong,
    ) {
        (Some(b), _) => (b, 0.3),
        (None, Some(s)) => (s, 0.5),
        (None, None) => (weak?, 0.3),
    };
    let start = best.start;
    let side = |b: &HourBlock| {
        if best.up {
            b.above[best.k]
        } else {
            b.below[best.k]
        }
    };
    let in_clump = |i: usize| best.clumps.iter().any(|c| c.first <= i && i <= c.last);
    // Quiet hours before and after must agree.
    let quiet = |range: std::ops::Range<usize>| {
        let (mut w, mut y) = (0.0, 0.0);
        for i in range.filter(|&i| !in_clump(i)) {
            w += blocks[i].fit.xx[0][0];
            y += blocks[i].fit.xy[0];
        }
        if w > 0.0 { y / w } else { f64::NAN }
    };
    let moved = quiet(start..blocks.len()) - quiet(0..start);
    let samples: u32 = blocks[start..].iter().map(|b| b.excursion_n).sum();
    let hits: u32 = blocks[start..].iter().map(|b| side(b)).sum();
    let share = f64::from(hits) / f64::from(samples.max(1));
    let (mut n, mut s) = (0_u32, 0.0);
    for c in best.clumps.iter().filter(|c| c.first >= start) {
        for b in &blocks[c.first..=c.last] {
            n += b.above[1] + b.below[1];
            s += b.excursion_sum;
        }
    }
    let size = if n > 0 {
        s / f64::from(n)
    } else {
        EXCURSION_PCT[best.k] * if best.up { 1.0 } else { -1.0 }
    };
    if share > most_share
        || !(moved.abs() < (0.25 * size.abs()).max(0.1))
        || size.abs() < 0.3 * l.entry.tolerance_pct.max(0.5)
    {
        return None;
    }
    let after: Vec<&Clump> = best.clumps.iter().filter(|c| c.first >= start).collect();
    let first = blocks[after.first()?.first];
    let last = blocks[after.last()?.last];
    let onset = UtcMicros(first.first_excursion.min(first.last_row));
    let days = ((blocks.last()?.hour - first.hour) as f64 / 24.0).max(0.1);
    let gap_h = days * 24.0 / after.len() as f64;
    let mut by_hour = [0_u32; 24];
    for c in &after {
        by_hour[blocks[c.first].hour.rem_euclid(24) as usize] += 1;
    }
    let peak = (0..24)
        .max_by_key(|&h| by_hour[h] + by_hour[(h + 1) % 24] + by_hour[(h + 2) % 24])
        .unwrap_or(0);
    let peak_n: u32 = (0..3).map(|i| by_hour[(peak + i) % 24]).sum();
    let mut d = Draft::by(Test::Episodes, best.lr, Kind::AnalogDigitalDrift, onset)
        .within(onset.plus_s(-gap_h * 3600.0), onset.plus_s(3600.0))
        .count("episodes", after.len() as u64)
        .number("share_of_samples", share)
        .number("quiet_moved_pct", moved)
        .number("log_likelihood_ratio", best.lr)
        .number("episode_pct", size);
    if f64::from(peak_n) > 0.5 * after.len() as f64 && after.len() >= 5 {
        d = d.text(
            "clock",
            format!("{peak:02}:00 to {:02}:00 UTC", (peak + 3) % 24),
        );
    }
    d.cause = Some("intermittent");
    d.deviation_pct = Some(size);
    // Three times the usual gap without an episode: it ended.
    if (to.0 - last.last_row) as f64 > (4.0 * gap_h).max(36.0) * MICROS_PER_HOUR as f64 {
        d.ended = Some(UtcMicros(last.last_excursion.max(last.first_row)));
    }
    Some(d)
}

/// True of a finding of [`detect`] whose quiet hours went the same way as its episodes.
pub fn quiet_moved(d: &Draft) -> bool {
    let number = |name: &str| match d.evidence.get(name) {
        Some(Evidence::Number(v)) => *v,
        _ => 0.0,
    };
    let size = number("episode_pct");
    number("quiet_moved_pct") * size.signum() > MOVED_SHARE * size.abs()
}

/// Hours in which most samples lie beyond 1 % of span on one side: no noise does that. At least three clumps of
/// two hours, eight times as many as before.
fn strong_side(blocks: &[&HourBlock], up: bool) -> Option<Best> {
    const K: usize = 2;
    let hit = |b: &HourBlock| 2 * if up { b.above[K] } else { b.below[K] } > b.excursion_n;
    let mut clumps: Vec<Clump> = Vec::new();
    for (i, b) in blocks.iter().enumerate().filter(|(_, b)| hit(b)) {
        match clumps.last_mut() {
            Some(c) if b.hour - blocks[c.last].hour <= 2 => c.last = i,
            _ => clumps.push(Clump { first: i, last: i }),
        }
    }
    clumps.retain(|c| c.last > c.first);
    let n = clumps.len();
    let total = blocks.len() as f64;
    let found = (0..n).find(|&i| {
        let (before, after) = (i as f64, (n - i) as f64);
        let (tb, ta) = (clumps[i].first as f64, total - clumps[i].first as f64);
        n - i >= MIN_CLUMPS && tb >= 24.0 && after / ta >= 8.0 * before / tb
    })?;
    let (start, after) = (clumps[found].first, (n - found) as f64);
    // Each clump counts like the four hours it has at least, beyond what any noise does.
    let lr = 8.0 * after * (1.0 + (total / (total - start as f64)).ln());
    // Hours around a strong one belong to the episode too.
    for c in &mut clumps {
        c.first = c.first.saturating_sub(2);
        c.last = (c.last + 2).min(blocks.len() - 1);
    }
    Some(Best {
        lr,
        k: K,
        up,
        start: start.saturating_sub(2),
        clumps,
    })
}

fn one_side(blocks: &[&HourBlock], k: usize, up: bool) -> Option<Best> {
    let count = |b: &HourBlock, u: bool| if u { b.above[k] } else { b.below[k] };
    let hit = |b: &HourBlock, u: bool| {
        f64::from(count(b, u)) >= 2.0_f64.max(0.06 * f64::from(b.excursion_n))
    };
    let mut clumps: Vec<Clump> = Vec::new();
    let mut against = 0_usize;
    for (i, b) in blocks.iter().enumerate() {
        if hit(b, !up) {
            against += 1;
        }
        if !hit(b, up) {
            continue;
        }
        match clumps.last_mut() {
            Some(c) if b.hour - blocks[c.last].hour <= 2 => c.last = i,
            _ => clumps.push(Clump { first: i, last: i }),
        }
    }
    if clumps.len() < MIN_CLUMPS {
        return None;
    }
    let total = blocks.len() as f64;
    let n = clumps.len() as f64;
    let term = |c: f64, t: f64| if c > 0.0 { c * (c / t).ln() } else { 0.0 };
    let mut best: Option<Best> = None;
    for (i, c) in clumps.iter().enumerate() {
        let (before, after) = (i as f64, n - i as f64);
        let (tb, ta) = (c.first as f64, total - c.first as f64);
        if after < MIN_CLUMPS as f64
            || tb < 24.0
            || ta < 12.0
            || after / ta < MIN_RATIO * (before + 0.5) / tb
        {
            continue;
        }
        let lr = 2.0 * (term(before, tb) + term(after, ta) - term(n, total));
        if best.as_ref().is_none_or(|b| lr > b.lr) {
            best = Some(Best {
                lr,
                k,
                up,
                start: c.first,
                clumps: Vec::new(),
            });
        }
    }
    let mut best = best?;
    let mine = blocks[best.start..].iter().filter(|b| hit(b, up)).count();
    if against as f64 > 0.25 * mine as f64 {
        return None;
    }
    best.clumps = clumps;
    Some(best)
}
