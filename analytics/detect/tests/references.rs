//! Check values from outside the project; the source of each stands in `tests/vectors/statistics-checks.json`.

use analytics_detect::block::counter_increment;
use analytics_detect::common::hypergeometric_tail;
use analytics_detect::drift::fit::{Base, Form, Shape, cells};
use analytics_detect::{HourBlock, day_blocks};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use serde_json::Value;

fn group(id: &str) -> Vec<Value> {
    let text = include_str!("../../../tests/vectors/statistics-checks.json");
    let all: Value = serde_json::from_str(text).unwrap();
    let groups = all["groups"].as_array().unwrap();
    let g = groups
        .iter()
        .find(|g| g["id"] == id)
        .unwrap_or_else(|| panic!("no group {id}"));
    g["cases"].as_array().unwrap().clone()
}

fn entry() -> LoopEntry {
    LoopEntry::new(
        Tag::new("FT-1").unwrap(),
        "%",
        Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        },
    )
}

fn blocks(entry: &LoopEntry, c: &Columns) -> Vec<HourBlock> {
    let mut out = Vec::new();
    let mut from = 0;
    while from < c.len() {
        let day = c.time[from].div_euclid(MICROS_PER_DAY);
        let to = c
            .time
            .partition_point(|t| t.div_euclid(MICROS_PER_DAY) <= day);
        out.extend(day_blocks(entry, &c.slice(from, to)));
        from = to;
    }
    out
}

fn reading(t_s: f64, pv: f64, analog_pct: f64) -> Reading {
    Reading {
        pv,
        analog_ma: 4.0 + 0.16 * analog_pct,
        reported_ma: 4.0 + 0.16 * pv,
        response_code: Some(0),
        device_status: Some(0),
        ..Reading::empty(UtcMicros((t_s * 1e6) as i64))
    }
}

/// NIST StRD Norris: the certified line through the block's own normal equations.
#[test]
fn norris_through_the_normal_equations() {
    let case = &group("nist_strd_linear")[0];
    let col = |k: &str| -> Vec<f64> {
        case["inputs"][k]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().unwrap())
            .collect()
    };
    let (x, y) = (col("x"), col("y"));
    // Positions run over 0..1000 in the data set: a tenth of them is percent of range, and the deviation
    // carries the residual of y on x. Every pair is held for three readings, so that no neighbour moves it.
    let mut c = Columns::default();
    let mut t = 0.0;
    for (x, y) in x.iter().zip(&y) {
        let pv = 5.0 + 0.09 * x;
        let e = 0.001 * (y - x);
        for _ in 0..3 {
            c.push(&reading(t, pv, pv + e));
            t += 60.0;
        }
    }
    let b = blocks(&entry(), &c);
    let (mut n, mut sx, mut sxx) = (0.0, 0.0, 0.0);
    // Unweighted moments of the middle readings (their neighbours are alike, so their weight is 1).
    for b in &b {
        n += f64::from(b.er.n);
        sx += b.er.sx;
        sxx += b.er.sxx;
    }
    assert_eq!(n as usize, 3 * x.len());
    let mean = sx / n + 50.0;
    let expect = x.iter().map(|x| 5.0 + 0.09 * x).sum::<f64>() / x.len() as f64;
    assert!((mean - expect).abs() < 1e-9);
    let var = sxx / n - (sx / n).powi(2);
    let mx = x.iter().sum::<f64>() / x.len() as f64;
    let vx = x.iter().map(|v| (v - mx).powi(2)).sum::<f64>() / x.len() as f64;
    assert!((var / (0.0081 * vx) - 1.0).abs() < 1e-9);
    // The line itself: slope of y on x is 1 + slope of the residual, certified b1 = 1.00211681802045.
    let (mut w, mut wx, mut wxx, mut wy, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let middle: Vec<(f64, f64)> = x
        .iter()
        .zip(&y)
        .map(|(x, y)| (5.0 + 0.09 * x - 50.0, 0.001 * (y - x)))
        .collect();
    for (p, e) in &middle {
        w += 1.0;
        wx += p;
        wxx += p * p;
        wy += e;
        wxy += p * e;
    }
    let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx);
    let b1 = case["expected"]["b1"].as_f64().unwrap();
    assert!((1.0 + slope * 0.09 / 0.001 - b1).abs() < 1e-9, "{slope}");
    // And the fit of the program agrees with it within its trace of ridge and the neighbours' steps.
    let cs = cells(&b, &|_| 0.0, &|_| true);
    let base = Base::fit(&cs).unwrap();
    assert!(
        (base.beta[1] - slope).abs() < 2e-5,
        "{} against {slope}",
        base.beta[1]
    );
}

/// RFC 2578: wraps at 2^16 and 2^32 resolved, resets told apart.
#[test]
fn counters_unwrap() {
    for case in group("counter_unwrap") {
        let i = &case["inputs"];
        if i["bits"] == 8 {
            continue; // HART counters have 16 bits, hosts' have 32
        }
        let (prev, cur) = (i["prev"].as_i64().unwrap(), i["cur"].as_i64().unwrap());
        let got = counter_increment(prev, cur, i["max_plausible_delta"].as_f64().unwrap() / 5.0);
        if case["expected"]["kind"] == "reset" {
            assert_eq!(got, None, "{case}");
        } else {
            assert_eq!(got, case["expected"]["delta"].as_f64(), "{case}");
        }
    }
}

/// scipy 1.17.1 hypergeom, Fisher's tea.
#[test]
fn enrichment() {
    for case in group("enrichment")
        .iter()
        .filter(|c| c["inputs"]["population"].is_u64())
    {
        let i = &case["inputs"];
        let u = |k: &str| i[k].as_u64().unwrap() as usize;
        let p = hypergeometric_tail(
            u("population"),
            u("flagged"),
            u("group"),
            u("flagged_in_group"),
        );
        let want = case["expected"]["p_ge"].as_f64().unwrap();
        assert!((p / want - 1.0).abs() < 1e-6, "{p} {want}");
    }
}

/// A seeded generator for made-up series (numbers only, no reference).
struct Lcg(u64);

impl Lcg {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Two first-order copies of one moving signal (the identity of group `lag_identity`): the instantaneous
/// difference reaches many percent, the fitted offset is the true one.
#[test]
fn lag_is_fitted_not_averaged_in() {
    let true_offset = group("lag_identity")[0]["inputs"]["offset"]
        .as_f64()
        .unwrap();
    let mut rng = Lcg(7);
    let (mut u, mut d, mut a) = (50.0, 50.0, 50.0);
    let mut c = Columns::default();
    let (mut worst, mut target): (f64, f64) = (0.0, 50.0);
    let dt = 1.0;
    for k in 0..(86_400 * 2) {
        if k % 300 == 0 {
            target = 15.0 + 70.0 * rng.uniform();
        }
        u += (target - u) * dt / 40.0;
        d += (u - d) * dt / 4.0;
        a += (u - a) * dt / 16.0;
        if k % 20 == 0 {
            let analog = a + true_offset + 0.02 * rng.normal();
            worst = worst.max((analog - d).abs());
            c.push(&reading(f64::from(k), d, analog));
        }
    }
    let b = blocks(&entry(), &c);
    let base = Base::fit(&cells(&b, &|_| 0.0, &|_| true)).unwrap();
    let at_mid = base.beta[0];
    assert!(worst > 5.0, "the process hardly moved: {worst}");
    assert!(
        (at_mid - true_offset).abs() < 0.02,
        "offset {at_mid}, true {true_offset}"
    );
}

/// Offset and span, step and ramp, told apart by the gains of the nested candidates.
#[test]
fn forms_and_shapes_are_told_apart() {
    for (form, shape) in [
        (Form::Offset, Shape::Step),
        (Form::Offset, Shape::Ramp),
        (Form::Span, Shape::Step),
        (Form::Span, Shape::Ramp),
    ] {
        let mut rng = Lcg(11);
        let mut c = Columns::default();
        let mut level: f64 = 50.0;
        for k in 0..(14 * 720) {
            let t_days = f64::from(k) / 720.0;
            level = (level + rng.normal()).clamp(5.0, 95.0);
            let grown = match shape {
                Shape::Step => f64::from(u8::from(t_days >= 7.0)),
                Shape::Ramp => (t_days - 7.0).max(0.0) / 7.0,
            };
            let fault = 0.6 * grown * form.at(level - 50.0);
            c.push(&reading(
                f64::from(k) * 120.0,
                level,
                level + fault + 0.05 * rng.normal(),
            ));
        }
        let b = blocks(&entry(), &c);
        let cs = cells(&b, &|_| 0.0, &|_| true);
        let base = Base::fit(&cs).unwrap();
        let mut best: Option<(f64, Form, Shape, usize)> = None;
        for f in [Form::Offset, Form::Span] {
            for s in [Shape::Step, Shape::Ramp] {
                if let (_, Some(c)) = base.scan(&cs, f, s)
                    && best.is_none_or(|b| c.gain > b.0)
                {
                    best = Some((c.gain, f, s, c.start));
                }
            }
        }
        let (_, f, s, start) = best.unwrap();
        assert_eq!((f, s), (form, shape));
        let onset_days = cs[start].t;
        assert!(
            (onset_days - 7.0).abs() < 1.0,
            "{form:?} {shape:?} start {onset_days}"
        );
    }
}
