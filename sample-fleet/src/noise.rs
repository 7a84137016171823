//! Randomness with random access: every value is a pure function of a key and a position.
//!
//! So the history and the live side of one plant agree at every instant without sharing any state.

/// One step of a 64-bit mixing function (the finaliser of Steele, Lea and Flood 2014, "Fast splittable
/// pseudorandom number generators").
pub(crate) fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A key from a seed, a name and a purpose.
pub(crate) fn key(seed: u64, name: &str, purpose: u64) -> u64 {
    name.bytes()
        .fold(mix(seed ^ mix(purpose)), |h, b| mix(h ^ u64::from(b)))
}

fn bits(key: u64, at: i64) -> u64 {
    mix(key ^ mix(at as u64))
}

/// Uniform in 0..1.
pub(crate) fn unit(key: u64, at: i64) -> f64 {
    (bits(key, at) >> 11) as f64 / (1_u64 << 53) as f64
}

/// Nearly normal, mean 0, standard deviation 1 (sum of four uniforms, so never beyond 3.5).
pub(crate) fn gauss(key: u64, at: i64) -> f64 {
    let b = bits(key, at);
    let sum: f64 = (0..4).map(|i| ((b >> (16 * i)) & 0xFFFF) as f64).sum();
    (sum / 65535.0 - 2.0) * 3.0_f64.sqrt()
}

/// `x` eased from 0 to 1 between 0 and 1, flat outside.
pub(crate) fn ease(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// Smooth noise in -1..1 that changes over about one unit of `x`.
pub(crate) fn smooth(key: u64, x: f64) -> f64 {
    let cell = x.floor();
    let (a, b) = (unit(key, cell as i64), unit(key, cell as i64 + 1));
    2.0 * (a + (b - a) * ease(x - cell)) - 1.0
}

/// Levels in -1..1 held for one unit of `x` each; the change takes the first `edge` of a unit.
pub(crate) fn steps(key: u64, x: f64, edge: f64) -> f64 {
    let cell = x.floor();
    let (before, now) = (unit(key, cell as i64 - 1), unit(key, cell as i64));
    2.0 * (before + (now - before) * ease((x - cell) / edge)) - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_and_continuity() {
        let k = key(7, "FT-1203", 1);
        let n = 20_000;
        let g: Vec<f64> = (0..n).map(|i| gauss(k, i)).collect();
        let mean = g.iter().sum::<f64>() / n as f64;
        let var = g.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n as f64;
        assert!(
            mean.abs() < 0.03 && (var - 1.0).abs() < 0.05,
            "{mean} {var}"
        );
        for i in 1..2000 {
            let x = f64::from(i) * 0.01;
            assert!((smooth(k, x) - smooth(k, x - 0.01)).abs() < 0.05);
            assert!(smooth(k, x).abs() <= 1.0 && steps(k, x, 0.1).abs() <= 1.0);
        }
        assert_ne!(key(7, "a", 1), key(8, "a", 1));
        assert_ne!(key(7, "a", 1), key(7, "a", 2));
    }
}
