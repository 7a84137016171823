//! A number for every silence: what it claims against faults that really come, and what a second run makes anew.
//!
//! The table of docs/detectable.md is the same trial on 50 fleets; here two others, so with wider bounds.

#[path = "../examples/detectable/trial.rs"]
mod trial;

use analytics_assess::{Engine, Settings, Watch, WatchReport};
use analytics_detect::sensitivity::{Fault, LoopWatch, WITHIN_DAYS};
use ingest_model::{Tag, UtcMicros};
use ingest_store::{Author, LoopAmendment, Store, WorkWindow};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

#[test]
fn nine_of_ten_faults_of_the_size_that_is_claimed_are_found() {
    let mut tallies = trial::Tallies::new();
    for seed in [9_001, 9_002] {
        let (_dir, snapshot) = trial::fleet(seed, 24, 300.0).unwrap();
        let mut of_fleet = trial::Tallies::new();
        trial::one_fleet(&snapshot, seed, 1.0, &mut of_fleet).unwrap();
        for (key, tally) in of_fleet {
            tallies.entry(key).or_default().add(tally);
        }
    }
    let (mut found, mut trials) = (0, 0);
    for ((fault, days), t) in &tallies {
        let what = format!("{fault:?} within {days} days: {t:?}");
        // Sound loops that run: blind, or noisy of themselves, is the exception.
        assert!(t.loops >= 36 && t.blind + t.noisy <= t.loops / 8, "{what}");
        assert!(t.sizes.iter().all(|s| s.is_finite() && *s > 0.0), "{what}");
        // Of 44 or so at 90 %: fewer than 33 is a chance of 1 in 1,000 (binomial).
        assert!(t.found * 4 >= t.trials * 3, "{what}");
        found += t.found;
        trials += t.trials;
    }
    // One loop's trials hang together: 85 to 95 % of some 700 is three standard errors of about 100 independent ones.
    let share = f64::from(found) / f64::from(trials);
    assert!((0.85..=0.95).contains(&share), "{found} of {trials}");
    let kinds: Vec<Fault> = tallies.keys().map(|k| k.0).collect();
    assert!(Fault::ALL.iter().all(|f| kinds.contains(f)));
}

/// A day of three loops at ten minutes, of those in `of`; of the last day only its first hours.
fn write_rows(dir: &Path, name: &str, of: &[usize], days: std::ops::Range<f64>) {
    std::fs::create_dir_all(dir.join("readings")).unwrap();
    let register = "tag,pv_unit,lrv,urv\nFT-1,m3/h,0,100\nFT-2,m3/h,0,100\nFT-3,m3/h,0,100\n";
    std::fs::write(dir.join("loops.csv"), register).unwrap();
    let mut csv = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    for k in (days.start * 144.0) as i64..(days.end * 144.0) as i64 {
        let time = UtcMicros((20_000 * 144 + k) * 600_000_000).to_rfc3339();
        for n in of {
            let pv = 50.0 + 30.0 * (k as f64 / 61.0 + *n as f64).sin();
            let wobble = 0.004 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
            let (r, m) = (4.0 + 0.16 * pv, 4.0 + 0.16 * pv + wobble);
            csv.push_str(&format!("{time},FT-{n},{pv:.4},{r:.4},{m:.4},0,0\n"));
        }
    }
    std::fs::write(dir.join(format!("readings/{name}.csv")), csv).unwrap();
}

fn night(store: &Store, watch: &mut Watch) -> WatchReport {
    let snapshot = store.reader().snapshot().unwrap();
    let assessed = Engine::new(Settings::default())
        .assess(&snapshot, None, &mut |_| {})
        .unwrap();
    watch.run(&assessed, &snapshot, &|| true)
}

#[test]
fn a_second_run_makes_anew_only_what_changed() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("site");
    let store = Store::open(&dir.path().join("store"), "test", UtcMicros(0)).unwrap();
    let import = |name: &str, of: &[usize], days: std::ops::Range<f64>| {
        write_rows(&site, name, of, days);
        store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    };
    let all: [usize; 3] = [1, 2, 3];
    import("a", &all, 0.0..20.1);
    let mut watch = Watch::default();
    let renewed = |r: &WatchReport| r.renewed;
    let same = |a: &BTreeMap<Tag, Arc<LoopWatch>>, b: &BTreeMap<Tag, Arc<LoopWatch>>| {
        serde_json::to_string(&a.values().map(|w| &**w).collect::<Vec<_>>()).unwrap()
            == serde_json::to_string(&b.values().map(|w| &**w).collect::<Vec<_>>()).unwrap()
    };
    let mut watch_kept = Watch::kept_in(store.numbers(), "build-1");
    let first = night(&store, &mut watch_kept);
    assert_eq!((renewed(&first), first.loops.len()), (3, 3));
    // After a restart the numbers are those that were kept, to the bit; another build makes its own, and so does one
    // whose file is damaged.
    let same_after = |maker: &str| {
        let report = night(&store, &mut Watch::kept_in(store.numbers(), maker));
        assert!(same(&first.loops, &report.loops));
        report.renewed
    };
    assert_eq!(same_after("build-1"), 0);
    assert_eq!((same_after("build-2"), same_after("build-2")), (3, 0));
    let folder = dir.path().join("store/numbers");
    let files: Vec<_> = std::fs::read_dir(&folder).unwrap().collect();
    let file = files.into_iter().next().unwrap().unwrap().path();
    let whole = std::fs::read(&file).unwrap();
    std::fs::write(&file, &whole[..whole.len() - 9]).unwrap();
    assert_eq!((same_after("build-2"), same_after("build-2")), (3, 0));
    let mut damaged = whole.clone();
    damaged[12] ^= 0x55;
    std::fs::write(&file, &damaged).unwrap();
    assert_eq!((same_after("build-2"), same_after("build-2")), (1, 0));
    assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 1);
    let first = night(&store, &mut watch);
    assert_eq!(renewed(&first), 3);
    assert_eq!(first.as_of, Some(UtcMicros::from_day(20_020)));
    let again = night(&store, &mut watch);
    assert_eq!(renewed(&again), 0);
    assert!(same(&first.loops, &again.loops));

    // More rows of the day that goes on change nothing; another tolerance and announced work, the loops that they are of.
    import("b", &all, 20.1..20.3);
    assert_eq!(renewed(&night(&store, &mut watch)), 0);
    let author = Author {
        by: "A. Roca".into(),
        why: "known better".into(),
    };
    let now = UtcMicros::from_day(20_021);
    let amendment = LoopAmendment {
        cells: [("tolerance_pct".to_owned(), Some("0.8".to_owned()))].into(),
        valid_from: Some(UtcMicros::from_day(20_005)),
        ..LoopAmendment::default()
    };
    let ft3 = Tag::new("FT-3").unwrap();
    store.amend_loop(&ft3, &amendment, &author, now).unwrap();
    let work = WorkWindow {
        tag: Some(Tag::new("FT-1").unwrap()),
        from: UtcMicros::from_day(20_010),
        to: UtcMicros::from_day(20_011),
        note: "calibration".into(),
    };
    store.announce(&work, "A. Roca", now).unwrap();
    let night2 = night(&store, &mut watch);
    assert_eq!(
        renewed(&night2),
        2,
        "FT-1 by its work, FT-3 by its register"
    );
    assert!(Arc::ptr_eq(
        &first.loops[&Tag::new("FT-2").unwrap()],
        &night2.loops[&Tag::new("FT-2").unwrap()]
    ));
    // A whole day more: every loop has one more day.
    import("c", &all, 20.3..21.1);
    let next = night(&store, &mut watch);
    assert_eq!((renewed(&next), next.as_of), (3, Some(now)));
    // What was kept is what a fresh one makes.
    assert!(same(
        &next.loops,
        &night(&store, &mut Watch::default()).loops
    ));
    for w in next.loops.values() {
        for n in WITHIN_DAYS {
            assert!(w.numbers.iter().any(|d| d.within_days == n), "{n}");
        }
        assert!(
            w.numbers
                .iter()
                .all(|d| d.size.is_some() != d.blind.is_some())
        );
    }
}
