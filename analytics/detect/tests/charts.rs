//! Control charts and run lengths against check values from outside; their sources stand in
//! `tests/vectors/statistics-checks.json` (NIST/SEMATECH e-Handbook 6.3.2.3 and 6.3.2.4; Lucas and Crosier 1982, Lucas and
//! Saccucci 1990, Hawkins 1993, recomputed there with R package spc; Lucas 1985).

use analytics_detect::charts::{
    Cusum, Ewma, cusum_arl, cusum_arl_one_sided, cusum_h, ewma_arl, ewma_l, poisson_cusum_arl,
    poisson_reference,
};
use serde_json::Value;

fn cases(id: &str) -> Vec<Value> {
    let text = include_str!("../../../tests/vectors/statistics-checks.json");
    let all: Value = serde_json::from_str(text).unwrap();
    let groups = all["groups"].as_array().unwrap();
    let g = groups
        .iter()
        .find(|g| g["id"] == id)
        .unwrap_or_else(|| panic!("no group {id}"));
    g["cases"].as_array().unwrap().clone()
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|x| x.as_f64().unwrap())
        .collect()
}

fn near(got: f64, wanted: f64, relative: f64) {
    assert!((got / wanted - 1.0).abs() < relative, "{got} for {wanted}");
}

#[test]
fn handbook_tables() {
    let c = &cases("nist_6_3_2_3_cusum")[0];
    let i = &c["inputs"];
    let (target, k) = (i["target"].as_f64().unwrap(), i["k"].as_f64().unwrap());
    let mut up = Cusum::new(k);
    for (x, s) in numbers(&i["x"]).iter().zip(numbers(&c["expected"]["s_hi"])) {
        assert!((up.add(x - target) - s).abs() < 1e-9);
    }
    let c = &cases("nist_6_3_2_4_ewma")[0];
    let i = &c["inputs"];
    let mut z = Ewma::new(i["lambda_"].as_f64().unwrap(), i["start"].as_f64().unwrap());
    for (x, s) in numbers(&i["x"]).iter().zip(numbers(&c["expected"]["ewma"])) {
        assert!((z.add(*x) - s).abs() < 1e-9);
    }
    let width = Ewma::half_width(0.3, 3.0) * i["sigma"].as_f64().unwrap();
    assert!((50.0 + width - c["expected"]["ucl_asymptotic"].as_f64().unwrap()).abs() < 1e-9);
}

#[test]
fn cusum_run_lengths() {
    // Montgomery, Introduction to Statistical Quality Control; Lucas 1976: k = 0.5, h = 4 and 5.
    for (h, shift, wanted) in [
        (4.0, 0.0, 167.7),
        (4.0, 1.0, 8.383),
        (5.0, 0.0, 465.4),
        (5.0, 1.0, 10.38),
        (5.0, 2.0, 4.009),
    ] {
        near(cusum_arl(0.5, h, shift).unwrap(), wanted, 5e-4);
    }
    near(
        cusum_arl_one_sided(0.5, 5.0, 0.0, 0.0).unwrap(),
        930.887012064,
        1e-6,
    );
    for c in cases("cusum_h_for_arl0") {
        let k = c["inputs"]["k"].as_f64().unwrap();
        let wanted = numbers(&c["expected"]["h"]);
        // The longest takes more digits than the reciprocals of the far side have at k = 0.25.
        for (arl, h) in numbers(&c["inputs"]["arl0"]).iter().zip(wanted).take(5) {
            let got = cusum_h(k, *arl).unwrap();
            assert!((got - h).abs() < 0.002, "k {k}, {arl}: {got} for {h}");
        }
    }
}

#[test]
fn ewma_run_lengths() {
    for c in cases("ewma_arl") {
        let (lambda, l) = (
            c["inputs"]["lambda_"].as_f64().unwrap(),
            c["inputs"]["L"].as_f64().unwrap(),
        );
        for (shift, wanted) in numbers(&c["inputs"]["shift_sigma"])
            .iter()
            .zip(numbers(&c["expected"]["arl"]))
        {
            near(ewma_arl(lambda, l, *shift).unwrap(), wanted, 1e-3);
        }
    }
    near(ewma_l(0.1, 500.0).unwrap(), 2.81430999548, 1e-3);
}

#[test]
fn poisson_run_lengths() {
    for c in cases("poisson_cusum_arl") {
        let i = &c["inputs"];
        let Some(k) = i["k"].as_f64() else {
            let wanted = numbers(&c["expected"]["k"]);
            for ((a, b), k) in numbers(&i["mu0"])
                .iter()
                .zip(numbers(&i["mu1"]))
                .zip(wanted)
            {
                assert!((poisson_reference(*a, b) - k).abs() < 1e-12);
            }
            continue;
        };
        for (mu, arl) in numbers(&i["mu"]).iter().zip(numbers(&c["expected"]["arl"])) {
            near(
                poisson_cusum_arl(*mu, k, i["h"].as_f64().unwrap(), 4.0).unwrap(),
                arl,
                1e-6,
            );
        }
    }
}

/// The decision interval of the pooled chart is what its comment says.
#[test]
fn pooled_chart_has_its_run_length() {
    use analytics_detect::drift::shared::{H, K};
    near(cusum_arl(K, H, 0.0).unwrap(), 1e5, 0.01);
}
