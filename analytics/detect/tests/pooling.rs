//! Partial pooling, shares, slopes and changes of rate against published examples.

use analytics_detect::pooling::{mean, pool_means, pool_shares, rate_change, sen_slope, share};
use serde_json::Value;

fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} is not {wanted}");
}

/// Effects of coaching in eight schools, Gelman et al., *Bayesian Data Analysis*, 3rd ed., table 5.2 (Rubin 1981). The means
/// and deviations of the posterior are those that the book's simulation program prints, to its noise (from memory).
#[test]
fn eight_schools() {
    let y = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0];
    let s = [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0];
    let pooled = pool_means(&y, &s).unwrap();
    let wanted = [11.4, 7.9, 6.1, 7.6, 5.1, 6.1, 10.6, 8.4];
    let spread = [8.3, 6.3, 7.7, 6.5, 6.3, 6.7, 6.8, 7.9];
    for ((g, w), sd) in pooled.groups.iter().zip(wanted).zip(spread) {
        near(g.value, w, 0.15);
        // Tails a little heavier than normal ones: the interval is about four deviations wide.
        near((g.high - g.low) / 3.92, sd, 0.6);
    }
    near(pooled.fleet.value, 7.9, 0.2);
    // The school that leads by itself lies far below its own figure, and its interval holds the mean of all.
    assert!(pooled.groups[0].low < pooled.fleet.value);
}

/// Tumours in 71 groups of rats, the same book, table 5.1 (Tarone 1982), from memory; the book gives a mean of 0.136 and a
/// deviation of 0.103 for the first 70, which this table has. With them the last group, 4 of 14, is drawn from 0.286 to
/// 0.22 by the fixed beta(1.4, 8.6) and to 0.21 by the full model, whose a and b have means of 2.4 and 14.3.
#[test]
fn rat_tumours() {
    let table = "0/20 0/20 0/20 0/20 0/20 0/20 0/20 0/19 0/19 0/19 0/19 0/18 0/18 0/17 1/20 1/20 1/20 1/20 1/19 1/19 \
        1/18 1/18 2/25 2/24 2/23 2/20 2/20 2/20 2/20 2/20 2/20 1/10 5/49 2/19 5/46 3/27 2/17 7/49 7/47 3/20 \
        3/20 2/13 9/48 10/50 4/20 4/20 4/20 4/20 4/20 4/20 4/20 10/48 4/19 4/19 4/19 5/22 11/46 12/49 5/20 5/20 \
        6/23 5/19 6/22 6/20 6/20 6/20 16/52 15/47 15/46 9/24 4/14";
    let pairs: Vec<(u64, u64)> = table
        .split_whitespace()
        .filter_map(|p| p.split_once('/'))
        .map(|(y, n)| (y.parse().unwrap(), n.parse().unwrap()))
        .collect();
    let (hits, of): (Vec<u64>, Vec<u64>) = pairs.iter().copied().unzip();
    let raw: Vec<f64> = pairs.iter().map(|(y, n)| *y as f64 / *n as f64).collect();
    near(raw[..70].iter().sum::<f64>() / 70.0, 0.136, 0.0005);
    let pooled = pool_shares(&hits, &of).unwrap();
    near(pooled.fleet.value, 2.4 / (2.4 + 14.3), 0.003);
    // By beta(2.4 + 0, 14.3 + 20) and beta(2.4 + 4, 14.3 + 10).
    near(pooled.groups[0].value, 2.4 / 36.7, 0.004);
    near(pooled.groups[70].value, 6.4 / 30.7, 0.004);
    for (g, raw) in pooled.groups.iter().zip(&raw) {
        assert!(g.low < g.value && g.value < g.high);
        // Towards the others, never past them.
        let (a, b) = (raw.min(pooled.fleet.value), raw.max(pooled.fleet.value));
        assert!(a - 0.01 <= g.value && g.value <= b + 0.01, "{raw} {g:?}");
    }
}

/// One of one is no worse than twenty of thirty.
#[test]
fn a_small_group_does_not_lead_by_chance() {
    let pooled = pool_shares(&[1, 20, 3, 2, 4], &[1, 30, 40, 35, 50]).unwrap();
    assert!(
        pooled.groups[1].value > pooled.groups[0].value,
        "{pooled:?}"
    );
    assert!(pooled.groups[0].high - pooled.groups[0].low > 0.4);
    // Nor among few, of which some are far apart.
    let pooled = pool_shares(&[1, 9, 1, 0, 0], &[1, 12, 12, 6, 9]).unwrap();
    let second = pooled.groups[1].value;
    assert!(
        pooled.groups.iter().all(|g| g.value <= second),
        "{pooled:?}"
    );
    let pooled = pool_means(&[0.4, 0.1, 0.0, 0.01], &[0.3, 0.01, 0.01, 0.01]).unwrap();
    assert!(
        pooled.groups[1].value > 0.09 && pooled.groups[0].value < 0.15,
        "{pooled:?}"
    );
}

#[test]
fn odd_input_gives_no_answer_and_no_panic() {
    assert!(pool_shares(&[1, 2], &[3, 4]).is_none());
    assert!(pool_shares(&[5, 1, 1], &[3, 4, 4]).is_none());
    assert!(pool_means(&[1.0, f64::NAN, 2.0], &[1.0; 3]).is_none());
    assert!(rate_change(&[], &[], 1).is_none() && rate_change(&[1, 2], &[0.0, 0.0], 1).is_none());
    assert!(share(0, 0).is_none() && sen_slope(&[(1.0, 2.0), (1.0, 3.0)]).is_none());
    // Nothing found anywhere, and no scatter at all.
    let none = pool_shares(&[0, 0, 0], &[9, 40, 3]).unwrap();
    assert!(
        none.groups
            .iter()
            .all(|g| g.low >= 0.0 && g.value < 0.1 && g.high < 0.5)
    );
    let same = pool_means(&[0.0; 4], &[0.0; 4]).unwrap();
    assert!(
        same.groups
            .iter()
            .all(|g| g.value == 0.0 && g.low <= 0.0 && g.high.is_finite())
    );
}

/// Newcombe 1998, table I, method 3 (from memory).
#[test]
fn wilson_intervals() {
    for (hits, of, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let i = share(hits, of).unwrap();
        near(i.low, low, 5e-5);
        near(i.high, high, 5e-5);
    }
    near(mean(1.0, 2.0).high, 4.92, 0.001);
}

/// Helsel & Hirsch, *Statistical Methods in Water Resources* (from memory): slope 1 in spite of one point far off.
#[test]
fn slope_of_sen() {
    let y = [1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0];
    let points: Vec<(f64, f64)> = (1..8).map(f64::from).zip(y).collect();
    near(sen_slope(&points).unwrap(), 1.0, 1e-12);
}

fn coal() -> (Vec<f64>, f64, f64) {
    let text = include_str!("../../../tests/vectors/statistics-checks.json");
    let all: Value = serde_json::from_str(text).unwrap();
    let groups = all["groups"].as_array().unwrap();
    let v = &groups.iter().find(|g| g["id"] == "coal_mining").unwrap()["cases"][0]["inputs"];
    let dates = v["dates"].as_array().unwrap();
    let dates = dates.iter().map(|d| d.as_f64().unwrap()).collect();
    (
        dates,
        v["start"].as_f64().unwrap(),
        v["end"].as_f64().unwrap(),
    )
}

/// Coal-mining disasters 1851 to 1962 (Jarrett 1979): best single change after event 125, 1890.19, from 3.1896 to 0.9065 a
/// year, log likelihood ratio 36.555 (group `coal_mining` of tests/vectors/statistics-checks.json).
#[test]
fn coal_mining_disasters() {
    let (dates, start, end) = coal();
    let mut edges = vec![start];
    edges.extend(&dates);
    edges.push(end);
    let exposure: Vec<f64> = edges.windows(2).map(|w| w[1] - w[0]).collect();
    let mut events = vec![1_u64; dates.len()];
    events.push(0);
    let c = rate_change(&events, &exposure, 1).unwrap();
    assert_eq!(c.at, 125);
    near(dates[c.at - 1], 1890.19, 0.005);
    near(c.before, 3.189_622, 1e-5);
    near(c.after, 0.906_464, 1e-5);
    near(c.log_likelihood_ratio, 36.555_392, 1e-5);
    assert!(c.p_value < 1e-9 && c.low <= 125 && 125 <= c.high);
    assert!(dates[c.low - 1] > 1885.0 && dates[c.high - 1] < 1897.0);
}

/// At a steady rate a change is claimed no more often than it says.
#[test]
fn a_steady_rate_has_no_change() {
    // The generator of the statistics reference: s = 1664525 s + 1013904223.
    let mut s: u32 = 42;
    let mut uniform = || {
        s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(s) + 0.5) / 4_294_967_296.0
    };
    let mut claimed = 0;
    for _ in 0..1000 {
        let events: Vec<u64> = (0..60).map(|_| u64::from(uniform() < 0.25)).collect();
        let c = rate_change(&events, &[10.0; 60], 3);
        claimed += usize::from(c.is_some_and(|c| c.p_value <= 0.05));
    }
    assert!(claimed <= 50, "{claimed} of 1000");
}
