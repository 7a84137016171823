//! What an assessment holds in memory is a setting, whatever the record's length and the fleet's size, and the setting
//! changes no byte of the result. Measured by the kernel, as the peak of a process of its own; Linux only.
#![cfg(target_os = "linux")]
#![allow(clippy::print_stdout)]

use analytics_assess::{Engine, Settings};
use ingest_model::UtcMicros;
use ingest_store::{Rollups, Store, StoreReader};
use std::fmt::Write as _;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::Path;
use std::process::Command;

const ROLE: &str = "ASSESS_MEMORY_ROLE";
const ROWS_A_DAY: i64 = 96;
const BOUND: u64 = 1 << 20;

/// Not a test by itself: the process that is measured. Says the result's hash, bytes of blocks, of these held, and peak.
#[test]
fn child() {
    let Ok(role) = std::env::var(ROLE) else {
        return;
    };
    let (dir, memory) = role.split_once('|').unwrap();
    let snapshot = StoreReader::open(Path::new(dir))
        .unwrap()
        .snapshot()
        .unwrap();
    let settings = Settings {
        memory_bytes: memory.parse().unwrap(),
        ..Settings::default()
    };
    let assessed = Engine::new(settings)
        .with_rollups(Rollups::new(Path::new(dir)).read_only())
        .assess(&snapshot, None, &mut |_| {})
        .unwrap();
    let mut hash = DefaultHasher::new();
    serde_json::to_string(&assessed.result)
        .unwrap()
        .hash(&mut hash);
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kb = peak.unwrap().trim().trim_end_matches(" kB");
    let (all, held) = (assessed.block_bytes(), assessed.held_bytes());
    println!("read:{} {all} {held} {kb}", hash.finish());
}

/// A store of `loops` loops over `days` days; every fifth loop drifts.
fn write_store(dir: &Path, loops: i64, days: i64) {
    let site = dir.join("site");
    std::fs::create_dir_all(site.join("readings")).unwrap();
    let mut register = "tag,pv_unit,lrv,urv,area\n".to_owned();
    for n in 0..loops {
        writeln!(register, "FT-{n:04},m3/h,0,100,A{}", n % 7).unwrap();
    }
    std::fs::write(site.join("loops.csv"), register).unwrap();
    for day in 0..days {
        let mut csv = String::from("time,tag,pv,sv,reported_ma,analog_ma,response_code\n");
        for k in day * ROWS_A_DAY..(day + 1) * ROWS_A_DAY {
            let time = UtcMicros((20_000 * ROWS_A_DAY + k) * (86_400_000_000 / ROWS_A_DAY));
            for n in 0..loops {
                let pv = 50.0 + 30.0 * (k as f64 / 61.0 + n as f64).sin();
                let drift = if n % 5 == 0 { 0.02 } else { 0.0 } * k as f64 / 24.0;
                let wobble = 0.004 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
                let (r, m) = (4.0 + 0.16 * pv, 4.0 + 0.16 * (pv + drift) + wobble);
                let sv = 20.0 + (k as f64 / 15.0).sin();
                let time = time.to_rfc3339();
                writeln!(csv, "{time},FT-{n:04},{pv:.3},{sv:.2},{r:.4},{m:.4},0").unwrap();
            }
        }
        std::fs::write(site.join(format!("readings/{day:04}.csv")), csv).unwrap();
    }
    let store = Store::open(&dir.join("store"), "test", UtcMicros(0)).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    std::fs::remove_dir_all(&site).unwrap();
}

/// Hash of the result, bytes of blocks, of these held, peak in kB.
fn measured(dir: &Path, memory: u64) -> [u64; 4] {
    let out = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "child", "--nocapture", "--test-threads=1"])
        .env(ROLE, format!("{}|{memory}", dir.join("store").display()))
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let told = text.lines().find_map(|l| l.split_once("read:"));
    let numbers = told.unwrap_or_else(|| panic!("{text}{}", String::from_utf8_lossy(&out.stderr)));
    let numbers: Vec<u64> = numbers.1.split(' ').map(|n| n.parse().unwrap()).collect();
    numbers.try_into().unwrap()
}

#[test]
fn ten_times_the_record_takes_no_more_memory() {
    let dir = tempfile::tempdir().unwrap();
    let store = |name: &str, loops, days| {
        let dir = dir.path().join(name);
        write_store(&dir, loops, days);
        dir
    };
    let small = measured(&store("small", 40, 16), BOUND);
    // Detectors see one loop's whole record at a time on each core, unpacked: about 30 kB a day of it stays.
    for (name, loops, days, most) in [("fleet", 400, 16, 1.4), ("record", 40, 160, 1.9)] {
        let dir = store(name, loops, days);
        let large = measured(&dir, BOUND);
        let free = measured(&dir, u64::MAX);
        let ratio = large[3] as f64 / small[3] as f64;
        println!(
            "{name}: blocks {} kB against {} kB; peak {} kB against {} kB, ratio {ratio:.2}; all held {} kB",
            large[1] >> 10,
            small[1] >> 10,
            large[3],
            small[3],
            free[3]
        );
        assert_eq!(large[0], free[0], "{name}: the bound changes the result");
        assert!(large[1] > 9 * small[1], "ten times the blocks");
        assert!(
            large[2] <= BOUND && free[2] == free[1],
            "{large:?} {free:?}"
        );
        assert!(ratio < most, "{name}: {small:?} {large:?}");
        assert!(
            large[3] + (large[1] >> 11) < free[3],
            "{name}: the blocks stay in files: {large:?} {free:?}"
        );
    }
}
