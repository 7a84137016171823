//! Medians and quantiles of what a block is made of, as integer keys: integers compare faster than floating numbers.

/// An integer in the order of `f64::total_cmp`, which compares faster; its own inverse on the bits.
pub(super) fn key(v: f64) -> i64 {
    let bits = v.to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

fn value(key: i64) -> f64 {
    f64::from_bits((key ^ (((key >> 63) as u64) >> 1) as i64) as u64)
}

/// The middle of the values behind these keys, the upper of two; NaN without any.
pub(super) fn median_of(keys: &mut [i64]) -> f64 {
    if keys.is_empty() {
        return f64::NAN;
    }
    let mid = keys.len() / 2;
    value(*keys.select_nth_unstable(mid).1)
}

fn rank(len: usize, q: f64) -> usize {
    ((len - 1) as f64 * q).round() as usize
}

pub(super) fn quantile_of(keys: &mut [i64], q: f64) -> f64 {
    if keys.is_empty() {
        return f64::NAN;
    }
    let k = rank(keys.len(), q);
    value(*keys.select_nth_unstable(k).1)
}

/// 10 % and 90 % quantile.
pub(super) fn deciles_of(keys: &mut [i64]) -> (f64, f64) {
    if keys.is_empty() {
        return (f64::NAN, f64::NAN);
    }
    let (low, high) = (rank(keys.len(), 0.1), rank(keys.len(), 0.9));
    let (_, at_low, above) = keys.select_nth_unstable(low);
    let at_low = *at_low;
    // The higher one lies in what is above the lower one, unless it is the same.
    let at_high = match high.checked_sub(low + 1) {
        Some(k) => *above.select_nth_unstable(k).1,
        None => at_low,
    };
    (value(at_low), value(at_high))
}
