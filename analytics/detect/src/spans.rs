//! Search over all stretches of a record without looking at each: pairs of starts and ends in groups, each group with a
//! bound of what its pairs can reach. Pairs that are looked at come in order of start, then end, as if none were left out.

use std::ops::Range;

/// Starts, and ends, in a group.
const GROUP: usize = 16;

/// Calls `look(start, end)` where `bound` of the group exceeds what is to be beaten; `look` answers what is to be beaten from
/// then on. A stretch has at least `min_len` cells and ends (exclusive) before `ends_before`.
pub(crate) fn each_promising(
    starts: Range<usize>,
    min_len: usize,
    ends_before: usize,
    mut to_beat: f64,
    bound: impl Fn(Range<usize>, Range<usize>) -> f64,
    mut look: impl FnMut(usize, usize) -> f64,
) {
    for first in starts.clone().step_by(GROUP) {
        let group = first..(first + GROUP).min(starts.end);
        let mut ends: Vec<(f64, Range<usize>)> = Vec::new();
        for from in (first + min_len..ends_before).step_by(GROUP) {
            let range = from..(from + GROUP).min(ends_before);
            let bound = bound(group.clone(), range.clone());
            if !(bound <= to_beat) {
                ends.push((bound, range));
            }
        }
        if ends.is_empty() {
            continue;
        }
        for start in group {
            for (bound, range) in &ends {
                if *bound <= to_beat {
                    continue;
                }
                for end in range.start.max(start + min_len)..range.end {
                    to_beat = look(start, end);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Sums of a stretch: with bounds from the least and greatest partial sum, the best one is the one that trying
        /// every pair finds.
        #[test]
        fn finds_what_trying_all_finds(values in proptest::collection::vec(-9_i32..10, 0..150), min_len in 1_usize..6) {
            let mut sums = vec![0];
            sums.extend(values.iter().scan(0, |s, v| { *s += v; Some(*s) }));
            let m = values.len();
            let mut all = (0, 0, 0);
            for a in 0..m {
                for b in a + min_len..m + 1 {
                    let v = sums[b] - sums[a];
                    if v > all.0 {
                        all = (v, a, b);
                    }
                }
            }
            let mut found = (0, 0, 0);
            let bound = |a: Range<usize>, b: Range<usize>| {
                let (top, low) = (sums[b].iter().max(), sums[a].iter().min());
                f64::from(top.unwrap_or(&0) - low.unwrap_or(&0))
            };
            each_promising(0..m, min_len, m + 1, 0.0, bound, |a, b| {
                let v = sums[b] - sums[a];
                if v > found.0 {
                    found = (v, a, b);
                }
                f64::from(found.0)
            });
            prop_assert_eq!(found, all);
        }
    }
}
