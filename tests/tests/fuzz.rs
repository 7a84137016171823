//! The fuzz targets for seconds: every input of the corpus, then mutations of it from a fixed seed, without coverage.
//! The long runs with coverage are `make fuzz`.

#[path = "../fuzz/src/targets.rs"]
#[allow(unreachable_pub)]
mod targets;

use std::path::PathBuf;

fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let dir: PathBuf = loopwitness_tests::root()
        .join("tests/fuzz/corpus")
        .join(target);
    let mut found: Vec<(String, Vec<u8>)> = std::fs::read_dir(&dir)
        .unwrap_or_else(|e| panic!("{}: {e}", dir.display()))
        .map(|e| {
            let path = e.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, std::fs::read(&path).unwrap())
        })
        .collect();
    found.sort();
    assert!(!found.is_empty(), "{target} has no corpus");
    found
}

/// One to four changes: a bit, a byte, a part doubled, a part left out, a part of another input.
fn mutated(random: &mut fastrand::Rng, of: &[u8], other: &[u8]) -> Vec<u8> {
    let mut out = of.to_vec();
    for _ in 0..random.u8(1..=4) {
        let at = random.usize(0..=out.len());
        let to = (at + random.usize(0..=8)).min(out.len());
        match random.u8(0..6) {
            0 if at < out.len() => out[at] ^= 1 << random.u8(0..8),
            1 if at < out.len() => {
                out[at] = *random.choice(&[0, 1, 0x7F, 0x80, 0xFE, 0xFF]).unwrap()
            }
            2 if at < out.len() => out[at] = random.u8(..),
            3 => {
                let part = out[at..to].to_vec();
                out.splice(at..at, part);
            }
            4 => drop(out.drain(at..to)),
            _ => {
                let from = random.usize(0..=other.len());
                let part = &other[from..(from + random.usize(0..=32)).min(other.len())];
                out.splice(at..at, part.iter().copied());
            }
        }
    }
    out
}

fn run(name: &str) {
    let target = targets::ALL.iter().find(|t| t.name == name).unwrap();
    let corpus = corpus(name);
    for (file, bytes) in &corpus {
        // The name stands in the output of a failing test.
        eprintln!("{name}/{file}");
        (target.run)(bytes);
    }
    let mut random = fastrand::Rng::with_seed(0x10_09);
    for n in 0..target.short {
        let of = &corpus[random.usize(0..corpus.len())].1;
        let other = &corpus[random.usize(0..corpus.len())].1;
        let bytes = mutated(&mut random, of, other);
        let done = std::panic::catch_unwind(|| (target.run)(&bytes));
        if let Err(e) = done {
            eprintln!("mutation {n}: {bytes:02x?}");
            std::panic::resume_unwind(e);
        }
    }
}

#[test]
fn frame() {
    run("frame");
}

#[test]
fn stream() {
    run("stream");
}

#[test]
fn session() {
    run("session");
}

#[test]
fn import() {
    run("import");
}

#[test]
fn dayfile() {
    run("dayfile");
}

#[test]
fn blocks() {
    run("blocks");
}

#[test]
fn decode_command() {
    run("decode");
}

/// The first corpus, from vectors and our own writers: `LOOPWITNESS_UPDATE=1` writes it; what fuzzing added stays.
#[test]
fn the_corpus_has_its_seeds() {
    let root = loopwitness_tests::root().join("tests/fuzz/corpus");
    for (target, name, bytes) in seeds() {
        let path = root.join(target).join(format!("seed-{name}"));
        if std::env::var_os("LOOPWITNESS_UPDATE").is_some() {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, &bytes).unwrap();
        }
        assert!(path.is_file(), "{} is missing", path.display());
    }
}

fn seeds() -> Vec<(&'static str, String, Vec<u8>)> {
    let mut all = Vec::new();
    let text = include_str!("../vectors/hart-frames.json");
    let vectors: Vec<serde_json::Value> = serde_json::from_str(text).unwrap();
    let mut joined = vec![0x25];
    for v in &vectors {
        let name = v["name"].as_str().unwrap().to_owned();
        let bytes = targets::decode::parse_hex(v["hex"].as_str().unwrap()).unwrap();
        joined.extend(&bytes);
        all.push(("decode", name.clone(), bytes.clone()));
        let at = bytes.iter().take_while(|b| **b == 0xFF).count();
        let bare = match bytes.get(at..) {
            Some([1 | 2, _, 3, _, _, _, _, _, pdu @ ..]) => pdu.to_vec(),
            Some(rest) => rest.to_vec(),
            None => continue,
        };
        if name.len() % 3 == 0 {
            all.push(("frame", name, bare));
        }
    }
    all.push(("stream", "vectors".to_owned(), joined.clone()));
    joined[0] = 0xA5;
    all.push(("stream", "vectors-udp".to_owned(), joined));
    all.push((
        "session",
        "polling".to_owned(),
        vec![
            0, 1, 0, 3, 0, 4, 0, 2, 9, 3, 0, 3, 0, 4, 1, 4, 128, 5, 1, 17,
        ],
    ));
    all.push((
        "session",
        "trouble".to_owned(),
        vec![
            1, 0, 0, 9, 4, 1, 0, 3, 0, 2, 200, 8, 9, 2, 250, 11, 255, 2, 60,
        ],
    ));
    let csv = b"\0time,tag,pv,analog_ma,response_code,exchanges\n2026-03-02T00:00:00Z,FT-1,5.5,12.1,0,7\n2026-03-02T00:00:30Z,FT-1,,,,8\n2026-03-02T00:00:00Z,FT-2,nan,inf,256,-1\nx,FT-9,1,2,3,4\n";
    all.push(("import", "csv".to_owned(), csv.to_vec()));
    let dir = tempfile::tempdir().unwrap();
    let day = targets::day_store(dir.path());
    all.push(("import", "parquet".to_owned(), [&[1], &day[..]].concat()));
    all.push(("dayfile", "day".to_owned(), day));
    let columns = {
        let mut c = ingest_model::Columns::default();
        for k in 0..120_i64 {
            c.push(&ingest_model::Reading {
                pv: 50.0 + 20.0 * (k as f64 / 9.0).sin(),
                reported_ma: 12.0 + 3.2 * (k as f64 / 9.0).sin(),
                analog_ma: 12.01 + 3.2 * (k as f64 / 9.0).sin(),
                response_code: Some(0),
                device_status: Some(if k % 40 == 7 { 4 } else { 0 }),
                exchanges: Some(k as u32),
                comm_errors: Some(k as u32 / 50),
                ..ingest_model::Reading::empty(ingest_model::UtcMicros(k * 60_000_000))
            });
        }
        c
    };
    let entry = ingest_model::LoopEntry::new(
        ingest_model::Tag::new("FT-1").unwrap(),
        "bar",
        ingest_model::Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: ingest_model::Transfer::Linear,
        },
    );
    let blocks = analytics_detect::day_blocks(&entry, &columns.slice(0, columns.len()));
    all.push((
        "blocks",
        "hours".to_owned(),
        analytics_detect::pack(&blocks),
    ));
    all.push((
        "blocks",
        "day".to_owned(),
        analytics_detect::DayBlock::of(&blocks).unwrap().pack(),
    ));
    all
}
