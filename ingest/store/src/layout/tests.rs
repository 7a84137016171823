//! Not a bit is lost: whatever the numbers, the compact layout reads back as the open one does.

use crate::dayfile::{DayFileWriter, Layout};
use crate::dayread::{Footers, PartStream, read_loop};
use crate::files::RealFiles;
use ingest_model::{Columns, Reading, Tag, UtcMicros};
use proptest::collection;
use proptest::prelude::*;
use std::path::Path;

/// A process at some noise, as a device of one kind and a card report it.
#[derive(Debug, Clone)]
enum Kind {
    /// Any bits at all.
    Bits(Vec<u64>),
    Single(Vec<f32>),
    Decimal(Vec<i32>, u8, bool),
    Steps(Vec<u16>, f64, f64),
    /// The process value's line, to four places, and some ten-thousandths beside it.
    Line(Vec<i8>),
    Constant(f64),
    Nothing,
}

fn kind(rows: usize) -> impl Strategy<Value = Kind> {
    prop_oneof![
        collection::vec(any::<u64>(), rows).prop_map(Kind::Bits),
        collection::vec(any::<f32>(), rows).prop_map(Kind::Single),
        (
            collection::vec(-99_999..99_999i32, rows),
            0..7u8,
            any::<bool>()
        )
            .prop_map(|(n, k, single)| Kind::Decimal(n, k, single)),
        (
            collection::vec(any::<u16>(), rows),
            -5.0..5.0f64,
            1e-5..0.01f64
        )
            .prop_map(|(n, base, step)| Kind::Steps(n, base, step)),
        collection::vec(any::<i8>(), rows).prop_map(Kind::Line),
        prop_oneof![Just(-0.0), Just(0.0), Just(f64::MIN_POSITIVE), any::<f64>()]
            .prop_map(Kind::Constant),
        Just(Kind::Nothing),
    ]
}

impl Kind {
    fn at(&self, row: usize, pv: f64) -> f64 {
        match self {
            Self::Bits(b) => f64::from_bits(b[row]),
            Self::Single(v) => f64::from(v[row]),
            Self::Decimal(n, k, single) => {
                let v = f64::from(n[row]) / 10f64.powi(i32::from(*k));
                if *single { f64::from(v as f32) } else { v }
            }
            Self::Steps(n, base, step) => f64::from((base + f64::from(n[row]) * step) as f32),
            Self::Line(beside) => {
                (((4.0 + pv / 100.0) * 1e4).round() + f64::from(beside[row])) / 1e4
            }
            Self::Constant(v) => *v,
            Self::Nothing => f64::NAN,
        }
    }
}

/// One loop's day: times in a grid with jitter and gaps, each column of a kind of its own, and values missing here and there.
fn day() -> impl Strategy<Value = Columns> {
    (1..200usize).prop_flat_map(|rows| {
        (
            collection::vec(kind(rows), 6),
            collection::vec((1..100_000_000i64, any::<u16>(), any::<i32>()), rows),
            (1..2_000i64, 0..4u32),
        )
            .prop_map(|(kinds, rows, (unit, missing))| {
                let mut out = Columns::default();
                let mut time = 20_000 * 86_400_000_000;
                for (n, (step, bits, far)) in rows.into_iter().enumerate() {
                    time += (step / unit).max(1) * unit;
                    let there = |k: usize| (u32::from(bits) >> k) % 4 >= missing.min(3);
                    let value = |k: usize, pv| match there(k) {
                        true => kinds[k].at(n, pv),
                        false => f64::NAN,
                    };
                    let pv = value(0, 0.0);
                    out.push(&Reading {
                        pv,
                        sv: value(1, pv),
                        tv: value(2, pv),
                        qv: value(3, pv),
                        reported_ma: value(4, pv),
                        analog_ma: value(5, pv),
                        analog_time: there(6).then_some(UtcMicros(time + i64::from(far))),
                        device_status: there(7).then_some(bits as u8),
                        exchanges: there(8).then_some(far as u32),
                        config_changes: there(9).then_some(bits),
                        ..Reading::empty(UtcMicros(time))
                    });
                }
                out
            })
    })
}

fn write(path: &Path, layout: Layout, loops: &[(Tag, Columns)]) -> u64 {
    let mut file = DayFileWriter::create_as(&RealFiles, path, layout).unwrap();
    for (tag, rows) in loops {
        file.start_loop(tag).unwrap();
        file.push_all(rows);
    }
    file.finish().unwrap().bytes
}

/// All rows of a file and of each loop alone; floats by their bits.
fn read(path: &Path, loops: &[(Tag, Columns)], step: usize) -> Vec<String> {
    let text = |c: &Columns| {
        let bits = |v: &[f64]| v.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        let floats = [&c.pv, &c.sv, &c.tv, &c.qv, &c.reported_ma, &c.analog_ma];
        let floats: Vec<_> = floats.iter().map(|v| bits(v)).collect();
        format!("{floats:?} {c:?}")
    };
    let mut stream = PartStream::open(&RealFiles, path, step).unwrap();
    let mut out = Vec::new();
    while let Some(tag) = stream.peek().cloned() {
        let mut rows = Columns::default();
        stream.take(&mut rows).unwrap();
        out.push(format!("{tag} {}", text(&rows)));
    }
    let footers = Footers::default();
    for (tag, _) in loops {
        let mut rows = Columns::default();
        let place = (path, path.to_str().unwrap());
        read_loop(&RealFiles, &footers, place, tag, &mut rows).unwrap();
        out.push(format!("{tag} {}", text(&rows)));
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    #[test]
    fn both_layouts_read_back_the_same(days in collection::vec(day(), 1..4), step in 1..300usize) {
        let dir = tempfile::tempdir().unwrap();
        let loops: Vec<(Tag, Columns)> = days
            .into_iter()
            .enumerate()
            .map(|(n, rows)| (Tag::new(&format!("T-{n}")).unwrap(), rows))
            .collect();
        let [open, compact] = [Layout::Open, Layout::Compact].map(|layout| {
            let path = dir.path().join(format!("{layout:?}"));
            write(&path, layout, &loops);
            read(&path, &loops, step)
        });
        prop_assert_eq!(open, compact);
    }

    /// Whatever stands in a note, reading ends with rows or with an error.
    #[test]
    fn broken_notes_do_no_harm(at in 0..200usize, with in any::<u8>()) {
        let mut rows = Columns::default();
        for n in 0..40i64 {
            let pv = (n % 7) as f64 / 10.0;
            rows.push(&Reading { pv, reported_ma: 4.0 + pv, ..Reading::empty(UtcMicros(n * 60_000_000)) });
        }
        let mut packed = super::Packed::default();
        packed.push(&rows);
        if let Some(b) = packed.notes.first_mut().and_then(|n| n.get_mut(at)) {
            *b = with;
        }
        let batch = packed.to_batch(&[Tag::new("A").unwrap()], vec![0; 40], &rows).unwrap();
        let mut gathered = super::Gathered::default();
        let mut back = Columns::default();
        gathered.take(&batch, 0, 40, &Some, &mut back).unwrap();
        if gathered.decode(&mut back).is_ok() {
            prop_assert_eq!(back.pv.len(), 40);
            prop_assert_eq!(back.time.len(), 40);
        }
    }
}

/// A reading of a process that moves, with a card of 16 bits: what the layout is for.
#[test]
fn a_plain_loop_takes_little() {
    let dir = tempfile::tempdir().unwrap();
    let loops: Vec<(Tag, Columns)> = (0..20)
        .map(|l| {
            let mut rows = Columns::default();
            let mut state = 12_345u64 + l;
            let mut dice = || {
                // Numerical Recipes' quick generator (Press et al., section 7.1), from memory.
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / f64::from(1u32 << 24) - 0.5
            };
            for n in 0..1_440i64 {
                let x = 0.5 + 0.3 * (n as f64 / 200.0).sin() + 0.01 * dice();
                let pv = f64::from(((x * 2_500.0).round() / 10.0) as f32);
                let ma = 4.0 + 16.0 * pv / 250.0;
                let reported = f64::from(((ma * 1e4).round() / 1e4) as f32);
                let code = ((ma + 0.01 * dice()) * 65_535.0 / 22.0).round();
                rows.push(&Reading {
                    pv,
                    reported_ma: reported,
                    analog_ma: f64::from((code * 22.0 / 65_535.0) as f32),
                    device_status: Some(0),
                    exchanges: Some(n as u32),
                    ..Reading::empty(UtcMicros(n * 60_000_000 + (dice() * 200.0) as i64 * 1_000))
                });
            }
            rows.sort_and_keep_last();
            (Tag::new(&format!("FT-{l}")).unwrap(), rows)
        })
        .collect();
    let rows: usize = loops.iter().map(|l| l.1.len()).sum();
    let [open, compact] = [Layout::Open, Layout::Compact].map(|layout| {
        let path = dir.path().join(format!("{layout:?}"));
        write(&path, layout, &loops) as f64 / rows as f64
    });
    assert!(
        compact < 0.6 * open && compact < 6.5,
        "{compact:.2} of {open:.2} bytes a reading"
    );
}
