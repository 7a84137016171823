//! Check values from outside against the program's own code: `tests/vectors/statistics-checks.json` names the source of
//! each group, docs/statistics-checks.md says for every entry where it is used, or why it is not.

use crate::common::{all_groups, case, close, group, near, numbers};
use analytics_detect::drift::fit::{Base, Cell, Form, Shape, scatter};
use analytics_detect::drift::forecast;
use analytics_detect::history::median;
use analytics_detect::{counts, errors, trend};
use serde_json::Value;
use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::beta::beta_reg;

/// Columns are given in so large a unit that the trace of ridge in the fit, which has a unit, vanishes beside them.
const UNIT: f64 = 1e6;

/// One observation as a cell: regressors `x`, response `y`, at day `t`.
pub(crate) fn cell(i: usize, t: f64, x: [f64; 4], y: f64) -> Cell {
    let mut xx = [[0.0; 4]; 4];
    for (a, row) in xx.iter_mut().enumerate() {
        for (b, v) in row.iter_mut().enumerate() {
            *v = x[a] * x[b];
        }
    }
    Cell {
        hour: 24 * i as i64,
        t,
        xx,
        xy: x.map(|v| v * y),
        yy: y * y,
        n: 1.0,
        ambient: 0.0,
        used: true,
    }
}

fn series(y: &[f64]) -> Vec<Cell> {
    y.iter()
        .enumerate()
        .map(|(i, y)| cell(i, i as f64 + 0.5 + 1.0 / 16.0, [1.0, 0.0, 0.0, 0.0], *y))
        .collect()
}

pub(crate) fn f(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("no number: {v}"))
}

/// NIST StRD certified lines through the drift detector's normal equations and its Cholesky factor, to the digits that
/// the certificate states within 1e-9.
#[test]
fn certified_lines_through_the_base_fit() {
    let norris = case("nist_strd_linear", "Norris");
    let (x, y) = (
        numbers(&norris["inputs"]["x"]),
        numbers(&norris["inputs"]["y"]),
    );
    let want = &norris["expected"];
    let cells: Vec<Cell> = x
        .iter()
        .zip(&y)
        .enumerate()
        .map(|(i, (x, y))| cell(i, 0.0, [1.0, UNIT * x, 0.0, 0.0], *y))
        .collect();
    let base = Base::fit(&cells).unwrap();
    close(base.beta[0], f(&want["b0"]), 1e-9);
    close(base.beta[1] * UNIT, f(&want["b1"]), 1e-9);
    let sd = (base.rss / (base.n - 2.0)).sqrt();
    // What cancellation leaves of sixteen digits in the residual sum of squares.
    close(sd, f(&want["resid_sd"]), 1e-7);

    // The same line as a candidate beside a base of the mean alone (partial regression): amplitude, error and gain.
    let cells = series(&y);
    let base = Base::fit(&cells).unwrap();
    let (gain, slope, unit_se) = base.any_growth(&cells, Form::Offset, 0, &|i| x[i]);
    close(slope, f(&want["b1"]), 1e-9);
    close(gain, f(&want["ss_reg"]), 1e-9);
    close(unit_se * f(&want["resid_sd"]), f(&want["se_b1"]), 1e-9);

    for id in ["NoInt1", "NoInt2"] {
        let c = case("nist_strd_linear", id);
        let (x, y) = (numbers(&c["inputs"]["x"]), numbers(&c["inputs"]["y"]));
        let cells: Vec<Cell> = x
            .iter()
            .zip(&y)
            .enumerate()
            .map(|(i, (x, y))| cell(i, 0.0, [UNIT * x, 0.0, 0.0, 0.0], *y))
            .collect();
        let base = Base::fit(&cells).unwrap();
        close(base.beta[0] * UNIT, f(&c["expected"]["b1"]), 1e-9);
        let sd = (base.rss / (base.n - 1.0)).sqrt();
        close(sd, f(&c["expected"]["resid_sd"]), 1e-7);
    }
}

/// Least squares with a derivative beside offset and span (numpy's derivative, one gross outlier in the data).
#[test]
fn offset_span_and_lag_through_the_base_fit() {
    let c = case("offset_span_lag", "lag_model");
    let col = |k: &str| numbers(&c["inputs"][k]);
    let (i, d, e) = (col("I"), col("dI_dt"), col("e"));
    let cells: Vec<Cell> = (0..e.len())
        .map(|k| cell(k, 0.0, [1.0, UNIT * i[k], UNIT * d[k], 0.0], e[k]))
        .collect();
    let beta = Base::fit(&cells).unwrap().beta;
    let want = numbers(&c["expected"]["ols"]);
    near(beta[0], want[0], 1e-5);
    near(beta[1] * UNIT, want[1], 1e-5);
    near(beta[2] * UNIT, want[2], 1e-5);
}

/// Nile 1871-1970 (Cobb 1978): the search over starts finds the published break and the segments' means.
#[test]
fn published_break_of_the_nile() {
    let y = numbers(&case("mann_kendall_sen", "nile")["inputs"]["x"]);
    let want = case("changepoint", "nile_l2");
    let cells = series(&y);
    let base = Base::fit(&cells).unwrap();
    let (_, best) = base.scan(&cells, Form::Offset, Shape::Step);
    let best = best.unwrap();
    let ends = numbers(&want["expected"]["segment_ends"]);
    assert_eq!(best.start as f64, ends[0]);
    let means = numbers(&want["expected"]["segment_means"]);
    close(best.amplitude, means[1] - means[0], 1e-9);
    let cost = f(&want["expected"]["total_cost"]) - f(&want["inputs"]["penalty"]);
    close(base.rss - best.gain, cost, 1e-9);
}

/// Coal mining disasters (Jarrett 1979), read backwards so that the fall is a rise: the best single change of rate.
#[test]
fn published_change_of_a_rate() {
    let c = case("coal_mining", "events");
    let dates = numbers(&c["inputs"]["dates"]);
    let (start, end) = (f(&c["inputs"]["start"]), f(&c["inputs"]["end"]));
    let mut instants: Vec<f64> = dates.iter().rev().map(|d| end - d).collect();
    instants.push(end - start);
    // One cell from each event to the next, the event at its beginning; an hour's number only orders them.
    let mut cells = vec![errors::Cell {
        hour: 0,
        exchanges: instants[0],
        errors: 0.0,
    }];
    for (i, w) in instants.windows(2).enumerate() {
        cells.push(errors::Cell {
            hour: 6 * (i as i64 + 1),
            exchanges: w[1] - w[0],
            errors: 1.0,
        });
    }
    let rise = errors::best_rise(&cells).unwrap();
    assert_eq!(rise.end, cells.len());
    assert_eq!(rise.errors_after, f(&c["expected"]["events_before_or_at"]));
    close(rise.after, f(&c["expected"]["rate_before"]), 1e-6);
    close(rise.before, f(&c["expected"]["rate_after"]), 1e-6);
    close(
        rise.lr * rise.dispersion / 2.0,
        f(&c["expected"]["log_lr"]),
        1e-6,
    );
    let events: Vec<(f64, f64)> = dates.iter().map(|d| (d - start, 1.0)).collect();
    let z = trend::laplace(&events, end - start).unwrap();
    near(z, f(&c["expected"]["laplace"]), 1e-6);
}

/// NIST/SEMATECH 8.2.3.4: reversals of the gaps between repairs are Kendall's S; Laplace's z.
#[test]
fn trend_tests_of_the_handbook() {
    let c = case("nist_8_2_3_4_trend_tests", "reverse_arrangement");
    let gaps = numbers(&c["expected"]["interarrival"]);
    let n = gaps.len();
    let pairs = (n * (n - 1) / 2) as f64;
    // Two gaps of 35 tie; a reversal is a strictly larger later gap.
    let s = trend::mann_kendall(&gaps).unwrap().s;
    let reversals = f(&c["expected"]["R"]);
    assert_eq!(s, 2.0 * reversals - pairs + 1.0);
    let tail = trend::exact_tail(n, (2.0 * reversals - pairs) as usize);
    near(tail, f(&c["expected"]["p_improvement_exact"]), 1e-12);
    let c = case("nist_8_2_3_4_trend_tests", "laplace");
    let events: Vec<(f64, f64)> = numbers(&c["inputs"]["repair_times"])
        .into_iter()
        .map(|t| (t, 1.0))
        .collect();
    let z = trend::laplace(&events, f(&c["inputs"]["t_end"])).unwrap();
    near(z, f(&c["expected"]["z"]), 1e-9);
}

/// The handbook's critical numbers of reversals follow from the exact distribution of S.
#[test]
fn critical_numbers_of_reversals() {
    for c in group("reverse_arrangement_critical") {
        let r = c["inputs"]["r"].as_u64().unwrap() as usize;
        let pairs = r * (r - 1) / 2;
        let chance_of_at_least = |k: usize| -> f64 {
            // R reversals are S = 2R - pairs; below the middle by symmetry.
            if 2 * k >= pairs {
                trend::exact_tail(r, 2 * k - pairs)
            } else {
                1.0 - trend::exact_tail(r, pairs - 2 * (k - 1))
            }
        };
        for (level, want) in c["expected"]["improve_crit"].as_object().unwrap() {
            let level: f64 = level.parse().unwrap();
            let got = (1..=pairs).find(|k| chance_of_at_least(*k) <= level + 1e-12);
            assert_eq!(got.map(|k| k as u64), want.as_u64(), "r {r} at {level}");
            let low = c["expected"]["degrade_crit"][&format!("{level}")].as_u64();
            assert_eq!(got.map(|k| (pairs - k) as u64), low, "r {r} at {level}");
        }
    }
}

/// Mann-Kendall exact and normal, with ties and with correlated ranks, Sen's slope with its interval.
#[test]
fn trends_of_published_series() {
    for id in ["epa_qa_g9", "gilbert1987"] {
        let c = case("mann_kendall_sen", id);
        let mk = trend::mann_kendall(&numbers(&c["inputs"]["x"])).unwrap();
        assert_eq!(mk.s, f(&c["expected"]["S"]));
        near(mk.p / 2.0, f(&c["expected"]["p_one_sided_exact"]), 1e-12);
    }
    let c = case("mann_kendall_sen", "helsel_hirsch_outlier");
    let (t, y) = (numbers(&c["inputs"]["x"]), numbers(&c["inputs"]["y"]));
    let mk = trend::mann_kendall(&y).unwrap();
    assert_eq!(mk.s, f(&c["expected"]["S"]));
    near(mk.p, f(&c["expected"]["p_two_sided_exact"]), 1e-12);
    near(
        trend::sen(&t, &y).unwrap().slope,
        f(&c["expected"]["sen_slope"]),
        1e-9,
    );
    for id in ["nile", "sunspots_1700_1739"] {
        let c = case("mann_kendall_sen", id);
        let y = numbers(&c["inputs"]["x"]);
        let t: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        for (got, want) in [
            (trend::mann_kendall(&y).unwrap(), &c["expected"]["original"]),
            (
                trend::mann_kendall_correlated(&y).unwrap(),
                &c["expected"]["hamed_rao"],
            ),
        ] {
            assert_eq!(got.s, f(&want["s"]));
            close(got.variance, f(&want["var_s"]), 1e-9);
            close(got.z, f(&want["z"]), 1e-9);
            close(got.p, f(&want["p"]), 1e-7);
        }
        let sen = trend::sen(&t, &y).unwrap();
        let want = &c["expected"]["theilslopes_95"];
        near(sen.slope, f(&want["slope"]), 1e-9);
        near(sen.low, f(&want["low"]), 1e-9);
        near(sen.high, f(&want["high"]), 1e-9);
    }
    let c = case("mann_kendall_sen", "ties");
    let mk = trend::mann_kendall(&numbers(&c["inputs"]["x"])).unwrap();
    assert_eq!(mk.s, f(&c["expected"]["s"]));
    near(mk.variance, f(&c["expected"]["var_s"]), 1e-9);
    near(mk.p, f(&c["expected"]["p"]), 1e-9);
    let c = case("mann_kendall_sen", "irregular_times");
    let sen = trend::sen(&numbers(&c["inputs"]["x"]), &numbers(&c["inputs"]["y"])).unwrap();
    near(sen.slope, f(&c["expected"]["slope"]), 1e-9);
    near(sen.low, f(&c["expected"]["low95"]), 1e-9);
    near(sen.high, f(&c["expected"]["high95"]), 1e-9);
}

/// Ratio of two Poisson rates: R's documentation, Gu et al. 2008, a zero baseline.
#[test]
fn ratio_of_two_rates() {
    for c in group("poisson_two_sample") {
        let i = &c["inputs"];
        if i["c1"].is_null() {
            continue; // one-sample limits: docs/statistics-checks.md
        }
        let r = counts::rate_ratio(f(&i["c1"]), f(&i["n1"]), f(&i["c2"]), f(&i["n2"])).unwrap();
        let want = &c["expected"];
        if want["rate_ratio"].is_null() {
            assert!(r.ratio.is_infinite());
        } else {
            close(r.ratio, f(&want["rate_ratio"]), 1e-12);
        }
        close(r.low, f(&want["rate_ratio_ci95"][0]), 1e-6);
        match want["rate_ratio_ci95"][1].as_f64() {
            Some(high) => close(r.high, high, 1e-6),
            None => assert!(r.high.is_infinite()),
        }
        close(r.p_greater, f(&want["p_greater_exact"]), 1e-6);
    }
}

/// Pearson's dispersion: red mites (Bliss and Fisher 1953), horse kicks (Bortkiewicz 1898), counts with exposure.
#[test]
fn dispersion_of_counts() {
    for id in ["bliss_fisher_mites", "bortkiewicz_horse_kicks"] {
        let c = case("overdispersion", id);
        let all: Vec<f64> = c["inputs"]["freq"]
            .as_object()
            .unwrap()
            .iter()
            .flat_map(|(k, n)| vec![k.parse().unwrap(); n.as_u64().unwrap() as usize])
            .collect();
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        let (chi, dof) = counts::pearson(all.iter().map(|k| (*k, mean)), 1.0);
        near(chi, f(&c["expected"]["dispersion_chi2"]), 1e-6);
        assert_eq!(dof, f(&c["expected"]["dof"]));
    }
    let c = case("overdispersion", "exposure_pearson");
    let (k, n) = (
        numbers(&c["inputs"]["counts"]),
        numbers(&c["inputs"]["exposure"]),
    );
    let rate = k.iter().sum::<f64>() / n.iter().sum::<f64>();
    let (chi, dof) = counts::pearson(k.iter().zip(&n).map(|(k, n)| (*k, n * rate)), 1.0);
    near(chi, f(&c["expected"]["pearson_chi2"]), 1e-9);
    near(chi / dof, f(&c["expected"]["phi"]), 1e-9);
}

/// Median and median absolute deviation with its factor for normal noise.
#[test]
fn robust_scale() {
    let c = case("robust_scale", "mixed");
    let x = numbers(&c["inputs"]["x"]);
    let centre = median(x.clone());
    near(centre, f(&c["expected"]["median"]), 1e-12);
    let mad = median(x.iter().map(|v| (v - centre).abs()).collect());
    near(mad, f(&c["expected"]["mad_raw"]), 1e-12);
    near(1.4826 * mad, f(&c["expected"]["mad_normal"]), 1e-5);
}

/// The correlation of days counts as (1 + r)/(1 - r): n (1 - r)/(1 + r) independent ones for AR(1).
#[test]
fn correlated_days_are_worth_fewer() {
    let c = case("effective_sample_size", "ar1_phi0.6");
    let x = numbers(&c["inputs"]["x"]);
    let mean = f(&c["expected"]["mean"]);
    let cells = series(&x);
    let base = Base::fit(&cells).unwrap();
    let res: Vec<(f64, f64)> = x.iter().map(|v| (v - mean, 1.0)).collect();
    let sc = scatter(&cells, &res, &base, 1.0);
    // Pairs are divided by their own squares, not by all: the difference is of order 1/n.
    near(sc.r1, f(&c["expected"]["acf_1_10"][0]), 0.01);
    let sd = f(&c["expected"]["sd"]);
    let worth = sd * sd / sc.per_weight * x.len() as f64;
    close(worth, f(&c["expected"]["ess_ar1"]), 0.03);
}

/// A straight drift with a known crossing (Fieller): within the forecast's interval, and no date where nothing drifts.
#[test]
fn forecast_of_a_straight_drift() {
    let forecast = |id: &str| {
        let c = case("time_to_threshold", id);
        let (t, y) = (numbers(&c["inputs"]["t"]), numbers(&c["inputs"]["y"]));
        let cells: Vec<Cell> = t
            .iter()
            .zip(&y)
            .enumerate()
            .map(|(i, (t, y))| cell(i, t + 1.0 / 16.0, [1.0, 0.0, 0.0, 0.0], *y))
            .collect();
        let base = Base::fit(&cells).unwrap();
        let beta = base.any_growth(&cells, Form::Offset, 0, &|i| t[i]);
        let rss = base.rss - beta.0;
        let s2 = rss / (t.len() as f64 - 2.0);
        let now = t[t.len() - 1];
        let limit = f(&c["inputs"]["limit"]);
        let x = forecast::crossing(&cells, &base, Form::Offset, s2, limit, 0.0, 0.0, now);
        (c, x)
    };
    let (c, x) = forecast("linear_drift_crossing");
    let x = x.unwrap();
    let at = f(&c["expected"]["t_cross"]);
    let (low, high) = (x.low.unwrap(), x.high.unwrap());
    assert!(low < at && at < high, "{low} {at} {high}");
    let (_, x) = forecast("no_drift");
    assert!(x.is_none_or(|x| x.high.is_none()), "{x:?}");
}

/// The distribution functions that chances and proofs rest on.
#[test]
fn distribution_functions() {
    let c = case("special_functions", "normal_cdf_sf");
    let n = statrs::distribution::Normal::new(0.0, 1.0).unwrap();
    for (i, x) in numbers(&c["inputs"]["x"]).into_iter().enumerate() {
        close(n.cdf(x), f(&c["expected"]["cdf"][i]), 1e-9);
        close(n.sf(x), f(&c["expected"]["sf"][i]), 1e-9);
    }
    let c = case("special_functions", "beta_regularised");
    let (a, b, x) = (
        numbers(&c["inputs"]["a"]),
        numbers(&c["inputs"]["b"]),
        numbers(&c["inputs"]["x"]),
    );
    for (i, want) in numbers(&c["expected"]["i"]).into_iter().enumerate() {
        close(beta_reg(a[i], b[i], x[i]), want, 1e-8);
    }
    let c = case("special_functions", "student_t_sf");
    let (df, x) = (numbers(&c["inputs"]["df"]), numbers(&c["inputs"]["x"]));
    for (i, want) in numbers(&c["expected"]["sf"]).into_iter().enumerate() {
        let t = StudentsT::new(0.0, 1.0, df[i]).unwrap();
        close(t.sf(x[i]), want, 1e-8);
    }
    let c = case("special_functions", "student_t_ppf");
    let (df, p) = (numbers(&c["inputs"]["df"]), numbers(&c["inputs"]["p"]));
    for (i, want) in numbers(&c["expected"]["x"]).into_iter().enumerate() {
        let t = StudentsT::new(0.0, 1.0, df[i]).unwrap();
        close(t.inverse_cdf(p[i]), want, 1e-6);
    }
}

/// Every group of the file, and every case of a group that is used in part, stands in the page with a test that exists
/// or a reason.
#[test]
fn every_entry_is_accounted_for() {
    let page = include_str!("../../../../docs/statistics-checks.md");
    let tests: String = [
        include_str!("statistics.rs"),
        include_str!("moments.rs"),
        include_str!("../references.rs"),
        include_str!("../../src/common.rs"),
    ]
    .concat();
    let rows: Vec<Vec<&str>> = page
        .lines()
        .filter(|l| l.starts_with("| `"))
        .map(|l| l.split('|').map(str::trim).skip(1).collect())
        .collect();
    let mut told = 0;
    for g in all_groups() {
        let id = g["id"].as_str().unwrap();
        let mine: Vec<&Vec<&str>> = rows
            .iter()
            .filter(|r| r[0].trim_matches('`') == id)
            .collect();
        assert!(!mine.is_empty(), "docs/statistics-checks.md misses {id}");
        let all: Vec<&str> = g["cases"]
            .as_array()
            .unwrap()
            .iter()
            .map(|c| c["id"].as_str().unwrap())
            .collect();
        let mut seen: Vec<&str> = Vec::new();
        for r in mine {
            let (cases, test, why) = (r[1], r[2], r[3]);
            if cases == "all" {
                seen.extend(&all);
            } else {
                seen.extend(cases.split(", ").map(|c| c.trim_matches('`')));
            }
            if test == "not used" {
                assert!(why.len() > 15, "{id}: not used, and no reason");
            } else {
                let name = test.trim_matches('`');
                assert!(
                    tests.contains(&format!("fn {name}(")),
                    "{id}: no test {name}"
                );
                told += 1;
            }
        }
        seen.sort_unstable();
        let mut wanted = all.clone();
        wanted.sort_unstable();
        assert_eq!(seen, wanted, "cases of {id}");
    }
    for r in &rows {
        let id = r[0].trim_matches('`');
        assert!(
            all_groups().iter().any(|g| g["id"] == id),
            "{id} is no group"
        );
    }
    assert!(told >= 20, "{told}");
}
