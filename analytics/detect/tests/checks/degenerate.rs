//! One suite of degenerate records for all detectors. Each is assessed under every kind of register entry, alone and
//! in a fleet of three that share everything, from plain and from packed blocks, and with statistics up to the last full hour. Nothing may panic; what is said must
//! be numbers; where nothing can be known nothing is found, and `not_judged` says why.

use crate::common::{Rng, assess_fleet, assess_hourly, assess_packed, percent_loop, record};
use analytics_detect::{Assessment, Evidence, Kind};
use ingest_model::{Columns, LoopEntry, Range, Reading, Transfer, UtcMicros};

const DRIFT: &str = "analog-digital-drift";
const STUCK: &str = "stuck-value";
const NOISE: &str = "noise-change";
const ERRORS: &str = "rising-errors";
const RAILS: &str = "current-out-of-range";

/// A register entry, the name of its kind, and whether an ordinary record of 0..100 is healthy under it.
fn entries() -> Vec<(&'static str, LoopEntry)> {
    let with = |range: Range| {
        let mut e = percent_loop("FT-1");
        e.range = range;
        e
    };
    let range = |lrv, urv, transfer| Range { lrv, urv, transfer };
    let mut bus = percent_loop("FT-1");
    bus.multidrop = true;
    let mut unconfirmed = percent_loop("FT-1");
    unconfirmed.confirmed = false;
    let mut wired = percent_loop("FT-1");
    (wired.area, wired.gateway, wired.junction_box) =
        (Some("A".into()), Some("G".into()), Some("J".into()));
    wired.redundancy_group = Some("R".into());
    vec![
        ("linear", percent_loop("FT-1")),
        ("wired", wired),
        ("reversed", with(range(100.0, 0.0, Transfer::Linear))),
        ("square root", with(range(0.0, 100.0, Transfer::SquareRoot))),
        (
            "other transfer",
            with(range(0.0, 100.0, Transfer::Other(7))),
        ),
        ("tiny span", with(range(1e9, 1e9 + 1e-3, Transfer::Linear))),
        ("no span", with(range(5.0, 5.0, Transfer::Linear))),
        ("multidrop", bus),
        ("unconfirmed", unconfirmed),
    ]
}

/// What an ordinary loop of 0..100 % answers to `k`.
fn ordinary(rng: &mut Rng, k: i64, r: &mut Reading) {
    let pv = 50.0 + 25.0 * (k as f64 / 37.0).sin() + rng.normal();
    r.pv = pv;
    r.reported_ma = 4.0 + 0.16 * pv;
    r.analog_ma = 4.0 + 0.16 * pv + 0.002 * rng.normal();
    r.response_code = Some(0);
    r.device_status = Some(0);
    r.exchanges = Some((k as u32 * 3) % 65_536);
    r.comm_errors = Some((k as u32 / 40) % 65_536);
    r.config_changes = Some(3);
}

struct Case {
    name: &'static str,
    columns: Columns,
    /// Reasons that must be given where the entry is linear: (what, beginning of why).
    says: Vec<(&'static str, &'static str)>,
    /// Kinds that may be found since the record really shows them.
    shows: Vec<Kind>,
}

fn case(name: &'static str, columns: Columns) -> Case {
    Case {
        name,
        columns,
        says: vec![],
        shows: vec![],
    }
}

impl Case {
    fn says(mut self, what: &'static str, why: &'static str) -> Self {
        self.says.push((what, why));
        self
    }

    fn shows(mut self, kind: Kind) -> Self {
        self.shows.push(kind);
        self
    }

    /// Too little of everything.
    fn too_short(self) -> Self {
        self.says(DRIFT, "record too short")
            .says(STUCK, "record too short")
            .says(NOISE, "record too short")
            .says(ERRORS, "record too short")
    }
}

/// Rows a day at five minutes.
const DAY: i64 = 288;
const PERIOD_S: i64 = 300;

fn moving(rows: i64, start_s: i64, period_s: i64) -> Columns {
    let mut rng = Rng(3);
    record(rows, start_s, period_s, |k, r| ordinary(&mut rng, k, r))
}

/// An ordinary record, edited row by row.
fn edited(rows: i64, mut edit: impl FnMut(i64, &mut Reading)) -> Columns {
    let mut rng = Rng(3);
    record(rows, 0, PERIOD_S, |k, r| {
        ordinary(&mut rng, k, r);
        edit(k, r);
    })
}

fn only_rows(c: &Columns, keep: impl Fn(i64) -> bool) -> Columns {
    let mut out = Columns::default();
    for k in (0..c.len()).filter(|k| keep(*k as i64)) {
        out.push_row_of(c, k);
    }
    out
}

/// Moves all rows from `k` on by `seconds`.
fn jump(c: &Columns, from: usize, seconds: i64) -> Columns {
    let mut out = Columns::default();
    for k in 0..c.len() {
        let mut r = c.row(k);
        if k >= from {
            r.time = UtcMicros(r.time.0 + seconds * 1_000_000);
        }
        out.push(&r);
    }
    out.sort_and_keep_last();
    out
}

fn sparse_and_short() -> Vec<Case> {
    vec![
        case("empty", Columns::default()).says("all", "no readings"),
        case("one point", moving(1, 0, PERIOD_S)).too_short(),
        case("two points", moving(2, 0, PERIOD_S)).too_short(),
        case("one hour", moving(12, 0, PERIOD_S)).too_short(),
        case("one day", moving(DAY, 0, PERIOD_S))
            .says(DRIFT, "record too short")
            .says(NOISE, "record too short")
            .says(ERRORS, "record too short"),
        case("one sample a day", moving(40, 43_200, 86_400))
            .says(DRIFT, "record too short")
            .says(NOISE, "record too short"),
        case("one sample an hour", moving(24 * 30, 60, 3600)),
        case("two samples at midnight", {
            let c = moving(30 * DAY, 0, PERIOD_S);
            only_rows(&c, |k| matches!((k + 1) % DAY, 0 | 1))
        }),
        case("twenty hours of every day missing", {
            let c = moving(20 * DAY, 0, PERIOD_S);
            only_rows(&c, |k| k % DAY < 48)
        }),
        case("a month missing", {
            jump(
                &moving(20 * DAY, 0, PERIOD_S),
                10 * DAY as usize,
                30 * 86_400,
            )
        }),
        case("every second row without values", {
            edited(12 * DAY, |k, r| {
                if k % 2 == 1 {
                    *r = Reading {
                        response_code: Some(0),
                        ..Reading::empty(r.time)
                    };
                }
            })
        }),
        case("every third poll lost", {
            edited(12 * DAY, |k, r| {
                if k % 3 == 1 {
                    *r = Reading::empty(r.time);
                }
            })
        }),
    ]
}

fn without_values() -> Vec<Case> {
    let all = |fill: fn(&mut Reading)| record(12 * DAY, 0, PERIOD_S, |_, r| fill(r));
    vec![
        case("never a reply, never a current", all(|_| {})).says("all", "never replied"),
        case(
            "every exchange failed",
            all(|r| r.response_code = Some(0x88)),
        )
        .says("all", "never replied"),
        case("replies without values", all(|r| r.response_code = Some(0)))
            .says(DRIFT, "no analog source")
            .says(NOISE, "record too short"),
        case("NaN and infinities", {
            record(12 * DAY, 0, PERIOD_S, |k, r| {
                let v = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY][(k % 3) as usize];
                (r.pv, r.analog_ma, r.reported_ma, r.sv, r.tv, r.qv) = (v, v, v, v, v, v);
                r.response_code = Some(0);
            })
        })
        .says(DRIFT, "no analog source"),
        case("infinities among values", {
            edited(12 * DAY, |k, r| {
                if k % 7 == 0 {
                    r.pv = f64::INFINITY;
                }
                if k % 11 == 0 {
                    r.analog_ma = f64::NEG_INFINITY;
                }
            })
        }),
        case(
            "digital only",
            edited(12 * DAY, |_, r| r.analog_ma = f64::NAN),
        )
        .says(DRIFT, "no analog source")
        .says(RAILS, "no analog source"),
        case("analog only", {
            edited(12 * DAY, |_, r| {
                *r = Reading {
                    analog_ma: r.analog_ma,
                    ..Reading::empty(r.time)
                };
            })
        })
        .says(DRIFT, "no digital value"),
        case("secondary variable only", {
            record(12 * DAY, 0, PERIOD_S, |k, r| {
                r.sv = 20.0 + (k as f64 / 100.0).sin();
                r.response_code = Some(0);
            })
        })
        .says(DRIFT, "no analog source"),
    ]
}

fn without_movement() -> Vec<Case> {
    let still = |pv: f64, ma: f64| {
        record(12 * DAY, 0, PERIOD_S, move |_, r| {
            (r.pv, r.reported_ma, r.analog_ma) = (pv, ma, ma);
            (r.response_code, r.device_status) = (Some(0), Some(0));
        })
    };
    vec![
        case("constant, without any variance", still(50.0, 12.0))
            .says(STUCK, "never moved")
            .says(NOISE, "record too short"),
        case("constant at 0 %", still(0.0, 4.0)).says(STUCK, "never moved"),
        case("constant at 100 %", still(100.0, 20.0)).says(STUCK, "never moved"),
        case("one quantum to and fro", {
            record(12 * DAY, 0, PERIOD_S, |k, r| {
                let pv = 50.0 + 0.01 * (k % 2) as f64;
                (r.pv, r.reported_ma, r.analog_ma) = (pv, 4.0 + 0.16 * pv, 4.0 + 0.16 * pv);
                r.response_code = Some(0);
            })
        })
        .says(STUCK, "never moved")
        .says(NOISE, "scatter below the resolution"),
        case("all clipped high", still(130.0, 20.5))
            .shows(Kind::CurrentOutOfRange)
            .says(DRIFT, "record too short")
            .says(STUCK, "never moved"),
        case("all clipped low", still(-30.0, 3.8))
            .shows(Kind::CurrentOutOfRange)
            .says(DRIFT, "record too short"),
        case("no current at all", still(50.0, 0.0))
            .shows(Kind::CurrentOutOfRange)
            .shows(Kind::AnalogDigitalDrift),
    ]
}

fn huge_and_strange() -> Vec<Case> {
    vec![
        case("huge values", {
            edited(12 * DAY, |k, r| {
                if k % 5 == 0 {
                    r.pv = 3.4e38;
                    r.analog_ma = -1e300;
                    r.reported_ma = f64::MAX;
                    r.sv = f64::MIN;
                }
            })
        })
        .shows(Kind::CurrentOutOfRange)
        .shows(Kind::AnalogDigitalDrift)
        .shows(Kind::NoiseChange),
        case("all status bits, always", {
            edited(12 * DAY, |_, r| {
                (r.device_status, r.extended_status) = (Some(0xff), Some(0xff))
            })
        })
        .shows(Kind::DeviceStatus),
        case("values of the width's ends", {
            record(12 * DAY, 0, PERIOD_S, |k, r| {
                r.response_code = Some((k % 256) as u8);
                r.device_status = Some((k % 256) as u8);
                r.extended_status = Some((k % 251) as u8);
                r.exchanges = Some(if k % 2 == 0 { u32::MAX } else { 0 });
                r.comm_errors = Some(if k % 3 == 0 { u32::MAX } else { 0 });
                r.config_changes = Some(if k % 2 == 0 { u16::MAX } else { 0 });
            })
        })
        .shows(Kind::DeviceStatus)
        .shows(Kind::StatusChatter)
        .shows(Kind::NoReply)
        .shows(Kind::Restarts)
        .shows(Kind::ConfigurationChange)
        .shows(Kind::RisingErrors),
    ]
}

fn clocks_and_counters() -> Vec<Case> {
    let counters = |f: fn(i64) -> (u32, u32)| {
        edited(12 * DAY, move |k, r| {
            let (ex, er) = f(k);
            (r.exchanges, r.comm_errors) = (Some(ex), Some(er));
        })
    };
    vec![
        case(
            "long before 1970",
            moving(12 * DAY, -50_000_000_000, PERIOD_S),
        ),
        case("the clock jumps back an hour", {
            jump(&moving(12 * DAY, 0, PERIOD_S), 5 * DAY as usize, -3600)
        }),
        case("the clock jumps ten years and stays", {
            jump(
                &moving(12 * DAY, 0, PERIOD_S),
                6 * DAY as usize,
                315_000_000,
            )
        }),
        case("one row of the year 9999", {
            jump(
                &moving(12 * DAY, 0, PERIOD_S),
                12 * DAY as usize - 1,
                253_370_764_800,
            )
        }),
        case("one row of the year 1", {
            let c = moving(12 * DAY, 0, PERIOD_S);
            let mut first = c.row(0);
            first.time = UtcMicros(-62_135_596_800_000_000);
            let mut out = Columns::default();
            out.push(&first);
            for k in 1..c.len() {
                out.push_row_of(&c, k);
            }
            out
        }),
        case("a microsecond between rows", {
            let mut rng = Rng(3);
            let mut c = Columns::default();
            for k in 0..5000 {
                let mut r = Reading::empty(UtcMicros(k));
                ordinary(&mut rng, k, &mut r);
                c.push(&r);
            }
            c
        })
        .too_short(),
        case("counters wrap at 2^16 every few hours", {
            counters(|k| (((k * 400) % 65_536) as u32, ((k * 8) % 65_536) as u32))
        }),
        case("counters wrap at 2^32", {
            counters(|k| {
                let wrap = |start: i64, step: i64| ((start + k * step) % (1 << 32)) as u32;
                (wrap((1 << 32) - 9000, 3), wrap((1 << 32) - 40, 1) / 40 * 40)
            })
        }),
        case("counters restart every hour", {
            counters(|k| ((k % 12 * 3) as u32, (k % 12 / 4) as u32))
        }),
        case("counters stand still", counters(|_| (77, 5))),
        case(
            "more errors than exchanges",
            counters(|k| (5, (k * 9 % 60_000) as u32)),
        ),
    ]
}

/// Numbers are numbers, instants in order, shares within 0 and 1.
#[track_caller]
fn sound(what: &str, a: &Assessment) {
    for row in &a.attention {
        assert!((0.0..=1.0).contains(&row.score), "{what}: {row:#?}");
        for f in &row.findings {
            assert!((0.0..=1.0).contains(&f.confidence), "{what}: {f:#?}");
            assert!(
                f.onset_low <= f.onset && f.onset <= f.onset_high,
                "{what}: {f:#?}"
            );
            assert!(f.ended.is_none_or(|e| e >= f.onset_low), "{what}: {f:#?}");
            for (name, v) in &f.evidence {
                let finite = match v {
                    Evidence::Number(v) => v.is_finite(),
                    Evidence::Numbers(v) => v.iter().all(|v| v.is_finite()),
                    _ => true,
                };
                assert!(finite, "{what}: {name} of {f:#?}");
            }
            assert!(
                !f.summary.contains("NaN") && !f.summary.contains("inf "),
                "{what}: {}",
                f.summary
            );
        }
    }
    for c in &a.common_causes {
        assert!(
            (0.0..=1.0).contains(&c.p_value) && c.affected <= c.members,
            "{what}: {c:#?}"
        );
    }
}

#[track_caller]
fn check(c: &Case, kind_of_entry: &str, entry: &LoopEntry, fleet: usize) {
    let what = format!("{} / {kind_of_entry} / {fleet}", c.name);
    let members: Vec<(LoopEntry, Columns)> = (0..fleet)
        .map(|i| {
            let mut e = entry.clone();
            e.tag = ingest_model::Tag::new(&format!("FT-{i}")).unwrap();
            (e, c.columns.clone())
        })
        .collect();
    let last = c.columns.time.last().map_or(0, |t| *t);
    let now = assess_fleet(&members, None, vec![]);
    let mut results = vec![now];
    if fleet > 1 {
        results.push(assess_fleet(
            &members,
            Some(UtcMicros(last + 3_600_000_000)),
            vec![],
        ));
        results.push(assess_packed(&members, None));
        let again = assess_packed(&members, None);
        assert_eq!(results[2], again, "{what}: equal input, another output");
    }
    if let Some(hourly) = assess_hourly(&members) {
        sound(&what, &hourly);
        let of = |a: &Assessment| -> Vec<Kind> {
            let rows = a.attention.iter();
            rows.flat_map(|r| &r.findings).map(|f| f.kind).collect()
        };
        let all = of(&results[0]);
        assert!(
            of(&hourly).iter().all(|k| all.contains(k)),
            "{what}: between full hours more is found than in all"
        );
    }
    for a in &results {
        sound(&what, a);
        // Values of 0..100 mean nothing on the odd ranges; there only soundness is asked.
        if !["linear", "wired", "unconfirmed"].contains(&kind_of_entry) {
            continue;
        }
        let found: Vec<_> = a
            .attention
            .iter()
            .flat_map(|r| &r.findings)
            .filter(|f| !c.shows.contains(&f.kind))
            .map(|f| (f.kind, &f.summary))
            .collect();
        assert!(found.is_empty(), "{what}: {found:#?}");
        for (kind, why) in &c.says {
            if kind_of_entry == "unconfirmed" && *kind == DRIFT {
                continue; // says "range not confirmed" first
            }
            assert!(
                a.not_judged
                    .iter()
                    .any(|n| n.what == *kind && n.why.starts_with(why)),
                "{what}: {kind} is not said to be {why}: {:#?}",
                a.not_judged
            );
        }
    }
}

fn run(cases: Vec<Case>) {
    for c in &cases {
        for (name, entry) in entries() {
            check(c, name, &entry, 1);
        }
        let wired = entries().into_iter().nth(1).unwrap();
        check(c, wired.0, &wired.1, 3);
    }
}

#[test]
fn sparse_and_short_records() {
    run(sparse_and_short());
}

#[test]
fn records_without_values() {
    run(without_values());
}

#[test]
fn records_without_movement() {
    run(without_movement());
}

#[test]
fn huge_and_strange_values() {
    run(huge_and_strange());
}

#[test]
fn clocks_that_jump_and_counters_that_wrap() {
    run(clocks_and_counters());
}

/// A fleet without loops, and reference times before, within and long after the record.
#[test]
fn no_fleet_and_odd_reference_times() {
    let none = assess_fleet(&[], None, vec![]);
    assert!(none.attention.is_empty() && none.not_judged.is_empty() && none.loops == 0);
    let members = [(percent_loop("FT-1"), moving(12 * DAY, 0, PERIOD_S))];
    for to_s in [
        -62_135_596_800_i64,
        -1,
        0,
        86_400,
        40 * 365 * 86_400,
        253_402_300_799,
    ] {
        let a = assess_fleet(&members, Some(UtcMicros(to_s * 1_000_000)), vec![]);
        sound(&format!("to {to_s}"), &a);
        assert!(
            a.attention
                .iter()
                .all(|r| r.findings.iter().all(|f| f.kind == Kind::NoReply))
        );
    }
}

/// Two of a kind: which of them departs cannot be told, and it is said.
#[test]
fn two_companions_are_not_judged() {
    let member = |tag: &str, group: &str| {
        let mut e = percent_loop(tag);
        e.redundancy_group = Some(group.into());
        (e, moving(12 * DAY, 0, PERIOD_S))
    };
    let mut other_unit = member("LT-3", "B");
    other_unit.0.pv_unit = "m".into();
    let members = [
        member("LT-1", "A"),
        member("LT-2", "A"),
        member("PT-1", "B"),
        member("PT-2", "B"),
        other_unit,
    ];
    let a = assess_fleet(&members, None, vec![]);
    let why = |tag: &str| -> Vec<&str> {
        a.not_judged
            .iter()
            .filter(|n| n.tag.as_str() == tag && n.what == "peer-disagreement")
            .map(|n| n.why.as_str())
            .collect()
    };
    assert!(why("LT-1")[0].contains("two"), "{:#?}", a.not_judged);
    assert!(why("LT-2").len() == 1 && why("PT-1")[0].contains("unit"));
}
