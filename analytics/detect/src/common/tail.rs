//! The chance that a group holds so many of the affected loops by itself: the hypergeometric upper tail (Fisher 1935).

/// ln(n!) by Stirling's series beyond 20, exact below.
fn ln_factorial(n: f64) -> f64 {
    if n < 20.0 {
        return (2..=n as u64).map(|i| (i as f64).ln()).sum();
    }
    let x = n + 1.0;
    (x - 0.5) * x.ln() - x + 0.5 * (2.0 * std::f64::consts::PI).ln() + 1.0 / (12.0 * x)
        - 1.0 / (360.0 * x * x * x)
}

pub(super) fn ln_choose(n: f64, k: f64) -> f64 {
    if k < 0.0 || k > n {
        f64::NEG_INFINITY
    } else {
        ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k)
    }
}

/// P(X >= k) for k marked among `drawn` of `total`, `marked` of which are marked.
pub fn hypergeometric_tail(total: usize, marked: usize, drawn: usize, k: usize) -> f64 {
    let (n, m, d) = (total as f64, marked as f64, drawn as f64);
    let all = ln_choose(n, d);
    (k..=marked.min(drawn))
        .map(|i| (ln_choose(m, i as f64) + ln_choose(n - m, d - i as f64) - all).exp())
        .sum::<f64>()
        .min(1.0)
}
