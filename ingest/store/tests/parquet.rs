//! Parquet in: every type that the contract allows, errors for others, broken files.

mod common;

use arrow_array::types::Int32Type;
use arrow_array::{
    ArrayRef, DictionaryArray, Float32Array, Float64Array, Int16Array, Int64Array,
    LargeStringArray, RecordBatch, StringArray, TimestampMillisecondArray,
    TimestampNanosecondArray, TimestampSecondArray, UInt8Array, UInt64Array,
};
use common::*;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, GzipLevel, ZstdLevel};
use parquet::file::properties::WriterProperties;
use std::fs::{self, File};
use std::path::Path;
use std::sync::Arc;

fn write(path: &Path, columns: Vec<(&str, ArrayRef)>, compression: Compression) {
    let batch =
        RecordBatch::try_from_iter_with_nullable(columns.into_iter().map(|(n, a)| (n, a, true)))
            .unwrap();
    let properties = WriterProperties::builder()
        .set_compression(compression)
        .build();
    let mut out = ArrowWriter::try_new(
        File::create(path).unwrap(),
        batch.schema(),
        Some(properties),
    )
    .unwrap();
    out.write(&batch).unwrap();
    out.close().unwrap();
}

fn strings(v: [Option<&str>; 3]) -> ArrayRef {
    Arc::new(StringArray::from(v.to_vec()))
}

#[test]
fn all_types_of_time_tag_float_and_integer_read_the_same() {
    let tags = [Some("FT-1"), Some("PT-2"), None];
    let dictionary: DictionaryArray<Int32Type> = tags.into_iter().collect();
    let times: Vec<ArrayRef> = vec![
        Arc::new(TimestampSecondArray::from(vec![Some(7), Some(8), Some(9)]).with_timezone("UTC")),
        Arc::new(
            TimestampMillisecondArray::from(vec![Some(7000), Some(8000), None])
                .with_timezone("UTC"),
        ),
        Arc::new(TimestampNanosecondArray::from(vec![
            7_000_000_999,
            8_000_000_000,
            9,
        ])),
    ];
    let names: Vec<ArrayRef> = vec![
        strings(tags),
        Arc::new(LargeStringArray::from(tags.to_vec())),
        Arc::new(dictionary),
    ];
    let floats: Vec<ArrayRef> = vec![
        Arc::new(Float32Array::from(vec![1.5, f32::NAN, 2.0])),
        Arc::new(Float64Array::from(vec![Some(1.5), None, Some(2.0)])),
        Arc::new(Float64Array::from(vec![1.5, f64::INFINITY, 2.0])),
    ];
    let integers: Vec<ArrayRef> = vec![
        Arc::new(UInt8Array::from(vec![Some(32), None, None])),
        Arc::new(Int16Array::from(vec![Some(32), None, Some(-5)])),
        Arc::new(UInt64Array::from(vec![Some(32), None, Some(u64::MAX)])),
    ];
    let compressions = [
        Compression::SNAPPY,
        Compression::GZIP(GzipLevel::default()),
        Compression::LZ4_RAW,
    ];
    for n in 0..3 {
        let dir = tempfile::tempdir().unwrap();
        let site = site(dir.path(), &[("loops.csv", LOOPS)]);
        let columns = vec![
            ("response_code", integers[n].clone()),
            ("something_else", strings(tags)),
            ("pv", floats[n].clone()),
            ("tag", names[n].clone()),
            ("time", times[n].clone()),
        ];
        write(&site.join("readings/a.parquet"), columns, compressions[n]);
        let store = open(dir.path());
        let report = import(&store, &site).unwrap();
        assert_eq!((report.rows_read, report.rejects), (3, 1));
        let rows = all(&store.reader().snapshot().unwrap());
        assert_eq!(rows.len(), 2);
        assert_eq!(
            (
                rows[0].1.time[0],
                rows[0].1.pv[0],
                rows[0].1.response_code[0]
            ),
            (7_000_000, 1.5, 32)
        );
        assert_eq!(
            (
                rows[1].1.time[0],
                rows[1].1.pv[0].is_nan(),
                rows[1].1.response_code[0]
            ),
            (8_000_000, true, -1)
        );
    }
}

#[test]
fn numbers_beyond_their_type_reject_the_row_alone() {
    let dir = tempfile::tempdir().unwrap();
    let site = site(dir.path(), &[("loops.csv", LOOPS)]);
    let columns = |codes: ArrayRef| {
        vec![
            (
                "time",
                Arc::new(TimestampSecondArray::from(vec![1, 2, i64::MAX / 2])) as ArrayRef,
            ),
            ("tag", strings([Some("FT-1"); 3])),
            ("device_status", codes),
        ]
    };
    write(
        &site.join("readings/a.parquet"),
        columns(Arc::new(Int64Array::from(vec![255, 256, 0]))),
        Compression::UNCOMPRESSED,
    );
    write(
        &site.join("readings/b.parquet"),
        columns(Arc::new(UInt64Array::from(vec![255, u64::MAX, 0]))),
        Compression::UNCOMPRESSED,
    );
    let store = open(dir.path());
    let report = import(&store, &site).unwrap();
    assert_eq!((report.rejects, report.readings, report.repeats), (4, 1, 1));
}

#[test]
fn wrong_types_and_missing_columns_name_file_column_and_type() {
    let time = || Arc::new(TimestampSecondArray::from(vec![1, 2, 3])) as ArrayRef;
    let numbers = || Arc::new(Int64Array::from(vec![1, 2, 3])) as ArrayRef;
    let cases = [
        (
            vec![("tag", strings([Some("FT-1"); 3]))],
            "needed column `time` is missing",
        ),
        (
            vec![("time", numbers()), ("tag", strings([Some("FT-1"); 3]))],
            "column `time` has type Int64, wanted is TIMESTAMP",
        ),
        (
            vec![("time", time()), ("tag", numbers())],
            "column `tag` has type Int64, wanted is a string",
        ),
        (
            vec![
                ("time", time()),
                ("tag", strings([None; 3])),
                ("pv", strings([Some("1"); 3])),
            ],
            "column `pv` has type Utf8, wanted is a float",
        ),
        (
            vec![
                ("time", time()),
                ("tag", strings([None; 3])),
                (
                    "exchanges",
                    Arc::new(Float32Array::from(vec![1.0, 2.0, 3.0])) as ArrayRef,
                ),
            ],
            "column `exchanges` has type Float32, wanted is an integer",
        ),
    ];
    for (columns, wanted) in cases {
        let dir = tempfile::tempdir().unwrap();
        let site = site(dir.path(), &[("loops.csv", LOOPS)]);
        write(
            &site.join("readings/a.parquet"),
            columns,
            Compression::UNCOMPRESSED,
        );
        let store = open(dir.path());
        let error = import(&store, &site).unwrap_err().to_string();
        assert!(
            error.contains("a.parquet") && error.contains(wanted),
            "{error}"
        );
        assert!(store.reader().snapshot().unwrap().register().is_empty());
    }
}

#[test]
fn a_file_cut_or_flipped_anywhere_is_an_error_or_read_but_never_a_panic() {
    let dir = tempfile::tempdir().unwrap();
    let site = site(dir.path(), &[("loops.csv", LOOPS)]);
    let rows = 3000;
    let columns = vec![
        (
            "time",
            Arc::new(TimestampSecondArray::from((0..rows).collect::<Vec<i64>>())) as ArrayRef,
        ),
        (
            "tag",
            Arc::new(StringArray::from(vec!["FT-1"; rows as usize])) as ArrayRef,
        ),
        (
            "pv",
            Arc::new(Float64Array::from(
                (0..rows).map(|n| (n as f64).sin()).collect::<Vec<_>>(),
            )) as ArrayRef,
        ),
    ];
    let path = site.join("readings/a.parquet");
    write(&path, columns, Compression::ZSTD(ZstdLevel::default()));
    let whole = fs::read(&path).unwrap();
    let store = open(dir.path());
    for part in [
        0,
        3,
        4,
        11,
        whole.len() / 2,
        whole.len() - 9,
        whole.len() - 1,
    ] {
        fs::write(&path, &whole[..part]).unwrap();
        let error = import(&store, &site).unwrap_err().to_string();
        assert!(error.contains("a.parquet"), "{error}");
        assert!(store.reader().snapshot().unwrap().days().is_empty());
    }
    // Deterministic single-byte damage, in the data and mostly in the footer.
    for n in 0..120 {
        let at = if n % 4 == 0 {
            n * 7919 % whole.len()
        } else {
            whole.len() - 1 - n * 13 % 900
        };
        let mut broken = whole.clone();
        broken[at] ^= 0x41 + n as u8;
        fs::write(&path, &broken).unwrap();
        match import(&store, &site) {
            Ok(_) => {}
            Err(e) => assert!(e.to_string().contains("a.parquet"), "{e}"),
        }
    }
}

#[test]
fn our_own_day_files_are_readings_files_and_broken_ones_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let head = "time,tag,pv,reported_ma,analog_ma,analog_time,pv_status,exchanges,comm_errors,config_changes\n";
    let body = "2026-03-02T00:00:00.123456Z,FT-1,0.1,4.001,4.002,2026-03-02T00:00:00.1Z,192,65535,0,65535\n\
        2026-03-02T00:00:01Z,TT-3,,,,,,,,\n";
    let first = site(
        dir.path(),
        &[
            ("loops.csv", LOOPS),
            ("readings/a.csv", &format!("{head}{body}")),
        ],
    );
    let store = open(dir.path());
    import(&store, &first).unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let rows = format!("{:?}", all(&snapshot));
    let file = fs::read_dir(dir.path().join("store/history"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();

    let other = tempfile::tempdir().unwrap();
    let second = site(other.path(), &[("loops.csv", LOOPS)]);
    fs::copy(&file, second.join("readings/a.parquet")).unwrap();
    let copy = open(other.path());
    import(&copy, &second).unwrap();
    assert_eq!(
        format!("{:?}", all(&copy.reader().snapshot().unwrap())),
        rows
    );

    let bytes = fs::read(&file).unwrap();
    fs::write(&file, &bytes[..bytes.len() / 2]).unwrap();
    let day = snapshot.days()[0].day;
    let error = snapshot
        .read_day(day, &mut |_, _| Ok(()))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("damaged") && error.contains("2026-03-02"),
        "{error}"
    );
    fs::remove_file(&file).unwrap();
    assert!(snapshot.read_day(day, &mut |_, _| Ok(())).is_err());
}
