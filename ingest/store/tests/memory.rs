//! What an import holds in memory is a setting, whatever the size and the order of the files. Measured by the kernel, as the
//! peak of a process of its own for each import; Linux only, elsewhere nothing is measured.
#![cfg(target_os = "linux")]
#![allow(clippy::print_stdout)]

mod common;

use arrow_array::{
    ArrayRef, Float64Array, RecordBatch, StringArray, TimestampMicrosecondArray, UInt8Array,
    UInt32Array,
};
use common::*;
use ingest_store::{ImportOptions, LEAST_IMPORT_MEMORY, Store};
use parquet::arrow::ArrowWriter;
use std::fs::{self, File};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

const ROLE: &str = "STORE_MEMORY_ROLE";
const LOOPS_N: usize = 200;
const PERIOD_US: i64 = 30_000_000;

/// Not a test by itself: the process that is measured.
#[test]
fn child() {
    let Ok(role) = std::env::var(ROLE) else {
        return;
    };
    let (site, dir) = role.split_once('|').unwrap();
    let store = Store::open(Path::new(dir), "test", now()).unwrap();
    let options = ImportOptions {
        memory_bytes: LEAST_IMPORT_MEMORY,
    };
    let report = store
        .import_site_with(Path::new(site), now(), options, &mut |_| {})
        .unwrap();
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kb = peak.unwrap().trim().trim_end_matches(" kB");
    println!("read:{} {} {kb}", report.rows_read, report.readings);
}

/// Order of the rows in the file.
#[derive(Debug, Clone, Copy)]
enum Order {
    /// As a recorder writes: time after time.
    Time,
    /// Each loop's whole time after the other: every chunk has rows of every day.
    Loop,
}

/// A site with one Parquet file of `rows` rows.
fn write_site(dir: &Path, rows: usize, order: Order) {
    let _ = fs::remove_dir_all(dir);
    fs::create_dir_all(dir.join("readings")).unwrap();
    let mut loops = String::from("tag,pv_unit,lrv,urv\n");
    for n in 0..LOOPS_N {
        loops += &format!("FT-{n},bar,0,10\n");
    }
    fs::write(dir.join("loops.csv"), loops).unwrap();
    let times = rows / LOOPS_N;
    let mut random = 1_u64;
    let mut noise = move || {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        (random >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut writer: Option<ArrowWriter<File>> = None;
    let all: Vec<usize> = (0..rows).collect();
    for part in all.chunks(50_000) {
        let place = |row: &usize| match order {
            Order::Time => (row % LOOPS_N, row / LOOPS_N),
            Order::Loop => (row / times, row % times),
        };
        let time = part.iter().map(|r| place(r).1 as i64 * PERIOD_US);
        let time: TimestampMicrosecondArray = time.map(Some).collect();
        let tags: StringArray = part
            .iter()
            .map(|r| Some(format!("FT-{}", place(r).0)))
            .collect();
        let pv: Float64Array = part.iter().map(|_| Some(5.0 + noise())).collect();
        let ma: Float64Array = part.iter().map(|_| Some(12.0 + noise())).collect();
        let code: UInt8Array = part.iter().map(|_| Some(0)).collect();
        let count: UInt32Array = part.iter().map(|r| Some(place(r).1 as u32)).collect();
        let columns: Vec<(&str, ArrayRef)> = vec![
            ("time", Arc::new(time.with_timezone("UTC"))),
            ("tag", Arc::new(tags)),
            ("pv", Arc::new(pv)),
            ("analog_ma", Arc::new(ma)),
            ("response_code", Arc::new(code)),
            ("exchanges", Arc::new(count)),
        ];
        let batch = RecordBatch::try_from_iter(columns).unwrap();
        let out = writer.get_or_insert_with(|| {
            let file = File::create(dir.join("readings/all.parquet")).unwrap();
            ArrowWriter::try_new(file, batch.schema(), None).unwrap()
        });
        out.write(&batch).unwrap();
    }
    writer.unwrap().close().unwrap();
}

/// Peak of the process that imports the site, in kB.
fn peak_kb(dir: &Path, rows: usize, order: Order) -> u64 {
    let (site, store) = (dir.join("site"), dir.join("store"));
    write_site(&site, rows, order);
    let _ = fs::remove_dir_all(&store);
    let out = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "child", "--nocapture", "--test-threads=1"])
        .env(ROLE, format!("{}|{}", site.display(), store.display()))
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let told = text.lines().find_map(|l| l.split_once("read:"));
    let numbers: Vec<u64> = told
        .unwrap_or_else(|| panic!("{text}{}", String::from_utf8_lossy(&out.stderr)))
        .1
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    assert_eq!(numbers[..2], [rows as u64, rows as u64]);
    numbers[2]
}

#[test]
fn ten_times_the_file_takes_no_more_memory() {
    let dir = fast_dir();
    for order in [Order::Time, Order::Loop] {
        let small = peak_kb(dir.path(), 400_000, order);
        let large = peak_kb(dir.path(), 4_000_000, order);
        let ratio = large as f64 / small as f64;
        println!("{order:?}: {small} kB, ten times the rows {large} kB, ratio {ratio:.2}");
        assert!(ratio < 1.25, "{order:?}: {small} kB, {large} kB");
        assert!(
            large << 10 < LEAST_IMPORT_MEMORY * 11 / 10,
            "{order:?}: {large} kB of {} kB",
            LEAST_IMPORT_MEMORY >> 10
        );
    }
}
