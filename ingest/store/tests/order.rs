//! Order of rows, split into files and repetition change nothing; of equal tag and time the last one stands.

mod common;

use common::*;
use ingest_model::UtcMicros;
use proptest::prelude::*;
use std::collections::BTreeMap;

/// (tag, time, value): few of each, so that repeats happen; times around a midnight.
fn rows() -> impl Strategy<Value = Vec<(usize, i64, i32)>> {
    prop::collection::vec((0..3usize, -6..6i64, -99..99i32), 0..60)
}

const TAGS: [&str; 3] = ["FT-1", "PT-2", "TT-3"];

fn text(rows: &[(usize, i64, i32)]) -> String {
    let mut out = "tag,pv,time\n".to_owned();
    for (t, time, pv) in rows {
        let time = UtcMicros(86_400_000_000 * 3 + time * 250_000);
        out.push_str(&format!("{},{pv},{time}\n", TAGS[*t]));
    }
    out
}

/// Imports the rows as so many files; `steps` imports, one file more each.
fn store_of(
    rows: &[(usize, i64, i32)],
    files: usize,
    one_by_one: bool,
) -> Vec<(String, i64, String)> {
    let dir = tempfile::tempdir().unwrap();
    let site = site(dir.path(), &[("loops.csv", LOOPS)]);
    let store = open(dir.path());
    let size = rows.len().div_ceil(files).max(1);
    for (n, part) in rows.chunks(size).enumerate() {
        std::fs::write(site.join(format!("readings/{n:03}.csv")), text(part)).unwrap();
        if one_by_one {
            import(&store, &site).unwrap();
        }
    }
    import(&store, &site).unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let found = flat(&snapshot);
    for t in TAGS {
        let one = snapshot
            .read_loop(&tag(t), UtcMicros(0), UtcMicros(i64::MAX))
            .unwrap();
        let of: Vec<i64> = found.iter().filter(|r| r.0 == t).map(|r| r.1).collect();
        assert_eq!(one.time, of);
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn the_last_row_stands_however_the_rows_are_split(rows in rows(), files in 1..12usize, one_by_one: bool) {
        let mut model = BTreeMap::new();
        for (t, time, pv) in &rows {
            let time = 86_400_000_000 * 3 + time * 250_000;
            model.insert((time.div_euclid(86_400_000_000), TAGS[*t].to_owned(), time), pv.to_string());
        }
        let expected: Vec<_> = model.into_iter().map(|((_, t, time), pv)| (t, time, pv)).collect();
        prop_assert_eq!(&store_of(&rows, files, one_by_one), &expected);
    }

    #[test]
    fn without_repeats_order_changes_nothing(rows in rows(), turn in 0..60usize, files in 1..5usize) {
        let unique: BTreeMap<(usize, i64), i32> = rows.iter().map(|(t, time, pv)| ((*t, *time), *pv)).collect();
        let mut rows: Vec<_> = unique.into_iter().map(|((t, time), pv)| (t, time, pv)).collect();
        let one = store_of(&rows, 1, false);
        rows.reverse();
        let middle = turn.min(rows.len());
        rows.rotate_left(middle);
        prop_assert_eq!(store_of(&rows, files, true), one);
    }
}
