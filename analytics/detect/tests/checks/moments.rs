//! Sums of blocks against values from outside: what hours merge to is what the whole gives.

use crate::common::{blocks, case, close, near, numbers, percent_loop, record};
use crate::statistics::{cell, f};
use analytics_detect::block::{Moments, Normal};
use analytics_detect::history::LoopRecord;

fn moments(x: &[f64]) -> Moments {
    let mut m = Moments::default();
    x.iter().for_each(|v| m.add(*v));
    m
}

fn m2(m: &Moments) -> f64 {
    m.sum_sq - m.sum * m.sum / f64::from(m.n)
}

/// Merging blocks gives the moments of the whole (Chan, Golub and LeVeque 1979), an empty block changes nothing.
#[test]
fn moments_merge() {
    let c = case("moment_merge", "three_blocks");
    let part = |k: &str| moments(&numbers(&c["inputs"][k]));
    let mut m = part("a");
    m.merge(&part("b"));
    m.merge(&part("c"));
    close(m.mean(), f(&c["expected"]["ABC"]["mean"]), 1e-12);
    close(m2(&m), f(&c["expected"]["ABC"]["M2"]), 1e-12);
    let mut m = Moments::default();
    m.merge(&moments(&[5.0]));
    m.merge(&Moments::default());
    m.merge(&moments(&[7.0]));
    let want = case("moment_merge", "empty_and_single")["expected"]["merged"].clone();
    assert_eq!((m.mean(), m2(&m)), (f(&want["mean"]), f(&want["M2"])));

    let c = case("moment_merge", "covariance_regression");
    let part = |x: &str, y: &str| {
        let mut sum = Normal::default();
        for (x, y) in numbers(&c["inputs"][x])
            .iter()
            .zip(numbers(&c["inputs"][y]))
        {
            let one = cell(0, 0.0, [1.0, *x, 0.0, 0.0], y);
            sum.merge(&Normal {
                n: 1,
                xx: one.xx,
                xy: one.xy,
                yy: one.yy,
                w2: 1.0,
            });
        }
        sum
    };
    let mut sum = part("xa", "ya");
    sum.merge(&part("xb", "yb"));
    let n = f64::from(sum.n);
    let sxx = sum.xx[1][1] - sum.xx[0][1] * sum.xx[0][1] / n;
    let sxy = sum.xy[1] - sum.xx[0][1] * sum.xy[0] / n;
    let want = &c["expected"];
    close(sxx, f(&want["merged"]["Sxx"]), 1e-12);
    close(sxy, f(&want["merged"]["Sxy"]), 1e-12);
    close(sxy / sxx, f(&want["slope"]), 1e-12);
}

/// Univariate and analysis-of-variance sets of NIST, as far as positions of -50 to 50 % reach: sums of squares are
/// exact enough there (NumAcc2, SmLs01), and blocks merge to the total.
#[test]
fn certified_univariate_sets() {
    let mut m = moments(&[1.2]);
    for _ in 0..500 {
        m.merge(&moments(&[1.1, 1.3]));
    }
    let want = case("nist_strd_univariate", "NumAcc2")["expected"].clone();
    near(m.mean(), f(&want["mean"]), 1e-12);
    near((m2(&m) / f64::from(m.n - 1)).sqrt(), f(&want["sd"]), 1e-9);
    let c = case("nist_strd_anova", "SmLs01");
    let (mut all, mut within) = (Moments::default(), 0.0);
    let mut groups = 0.0;
    for g in c["inputs"]["groups"].as_object().unwrap().values() {
        let one = moments(&numbers(g));
        within += m2(&one);
        all.merge(&one);
        groups += 1.0;
    }
    let n = f64::from(all.n);
    let want = &c["expected"];
    close(m2(&all), f(&want["total_m2"]), 1e-11);
    close(within / (n - groups), f(&want["ms_within"]), 1e-10);
    close(
        (m2(&all) - within) / (groups - 1.0),
        f(&want["ms_between"]),
        1e-10,
    );
}

/// Squared successive differences of a value and counter increments over the border of two hours.
#[test]
fn borders_between_hours_are_counted_once() {
    let c = case("moment_merge", "successive_difference_border");
    let mut values = numbers(&c["inputs"]["a"]);
    let first = values.len() as i64;
    values.extend(numbers(&c["inputs"]["b"]));
    // The last row of the first hour is its last minute.
    let columns = record(values.len() as i64, 3600 - 60 * first, 60, |k, r| {
        r.pv = values[k as usize];
        r.response_code = Some(0);
    });
    let b = blocks(&percent_loop("FT-1"), &columns);
    assert_eq!(b.len(), 2);
    let sum: f64 = b.iter().map(|b| b.move_d.sum_sq).sum();
    near(sum, f(&c["expected"]["merged"]), 1e-9);
    assert_eq!(b.iter().map(|b| u64::from(b.move_d.n)).sum::<u64>(), 4);

    let c = case("ordered_monoids", "counter_rollup");
    let readings = numbers(&c["inputs"]["readings"]);
    let split = c["inputs"]["split_after"].as_i64().unwrap();
    let columns = record(readings.len() as i64, 3600 - 60 * split, 60, |k, r| {
        r.response_code = Some(0);
        r.exchanges = Some(readings[k as usize] as u32);
        r.comm_errors = Some(0);
    });
    let (entry, b) = (
        percent_loop("FT-1"),
        blocks(&percent_loop("FT-1"), &columns),
    );
    assert_eq!(b[0].counters.exchanges, f(&c["expected"]["block1"]["inc"]));
    assert_eq!(b[1].counters.exchanges, f(&c["expected"]["block2"]["inc"]));
    let l = LoopRecord {
        entry: &entry,
        blocks: &b,
    };
    let all: Vec<_> = l.increments().into_iter().flatten().collect();
    let total: f64 = all.iter().map(|c| c.exchanges).sum();
    assert_eq!(total, f(&c["expected"]["total_increment"]));
    assert_eq!(
        u64::from(all.iter().map(|c| c.resets).sum::<u32>()),
        c["expected"]["resets"].as_u64().unwrap()
    );
}

/// Float sums depend on their order: why hours are merged in order of time only.
#[test]
fn sums_are_taken_in_one_order() {
    let c = case("moment_merge", "f64_not_associative");
    let x = numbers(&c["inputs"]["x"]);
    let (mut left, mut right) = (moments(&x[..1]), moments(&x[1..]));
    left.merge(&moments(&x[1..2]));
    left.merge(&moments(&x[2..]));
    right.merge(&moments(&x[..1]));
    assert_eq!(left.sum, f(&c["expected"]["left"]));
    assert_eq!(right.sum, f(&c["expected"]["right"]));
}
