//! The process ends at every operation of the store's file access, before, in the middle of and after it, by a power cut, and
//! at any moment from outside. A log kept by another process says what had been accepted and seen: each of these readings
//! is there exactly once afterwards, with its values; nothing is there in part; going on works.
//!
//! `cargo test -p ingest-store --test kills -- --nocapture` prints the tables of docs/reading-safety.md.
#![allow(clippy::print_stdout)]

mod common;

use common::judge::*;
use common::script::*;
use common::trouble::*;
use common::*;
use ingest_store::Store;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

/// One test at a time: a process that is being started holds copies of this one's locks for a moment.
static ONE: std::sync::Mutex<()> = std::sync::Mutex::new(());

/// How a child learns what to do.
const ROLE: &str = "STORE_KILL_ROLE";

/// One line to the parent, in one write: the pipe keeps it, whatever happens to this process.
fn tell(line: &str) {
    let mut out = std::io::stdout().lock();
    out.write_all(format!("log:{line}\n").as_bytes()).unwrap();
    out.flush().unwrap();
}

/// Not a test by itself: the process that is killed.
#[test]
fn child() {
    let Ok(role) = std::env::var(ROLE) else {
        return;
    };
    let words: Vec<&str> = role.split('|').collect();
    let [what, store, site, n, stop] = words.as_slice() else {
        panic!("{role}");
    };
    let (store, site) = (Path::new(store), Path::new(site));
    let n: usize = n.parse().unwrap();
    if *what == "busy" {
        return live_on(store, site, n as i64);
    }
    if *what == "plain" {
        let files = Arc::new(ingest_store::files::RealFiles);
        return live(store, site, files, &BTreeSet::new(), &mut tell);
    }
    let stop = match *stop {
        "before" => Stop::Before,
        "middle" => Stop::Middle,
        "after" => Stop::After,
        _ => Stop::PowerCut,
    };
    let files = Trouble::with_last_words(Plan::Kill(n, stop), |op| tell(&format!("dies {op}")));
    live(store, site, Arc::new(files), &BTreeSet::new(), &mut tell);
}

fn start(what: &str, store: &Path, site: &Path, n: usize, stop: &str) -> Child {
    start_under(&[], what, store, site, n, stop)
}

/// Starts a child as the argument of another program.
fn start_under(
    under: &[String],
    what: &str,
    store: &Path,
    site: &Path,
    n: usize,
    stop: &str,
) -> Child {
    let role = format!("{what}|{}|{}|{n}|{stop}", store.display(), site.display());
    let own = std::env::current_exe().unwrap().display().to_string();
    let words: Vec<String> = under.iter().cloned().chain([own]).collect();
    Command::new(&words[0])
        .args(&words[1..])
        .args(["--exact", "child", "--nocapture", "--test-threads=1"])
        .env(ROLE, role)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Lines that a child told, to its end.
fn lines(child: &mut Child) -> impl Iterator<Item = String> + use<> {
    let out = BufReader::new(child.stdout.take().unwrap());
    // The test runner writes to the same pipe, sometimes before one of ours on the same line.
    out.lines()
        .map_while(Result::ok)
        .filter_map(|l| l.split_once("log:").map(|(_, line)| line.to_owned()))
}

fn word(stop: Stop) -> &'static str {
    match stop {
        Stop::Before => "before",
        Stop::Middle => "middle",
        Stop::After => "after",
        Stop::PowerCut => "power cut",
    }
}

/// Operations of the script on a copy of `base`, and the state it ends in.
fn undisturbed(dir: &Path, base: &Path, site: &Path) -> (Vec<Op>, State) {
    let store = dir.join("undisturbed/store");
    copy(base, &store);
    let files = Trouble::new(Plan::Nothing);
    let mut journal = Journal::of_base();
    let known = BTreeSet::new();
    live(&store, site, Arc::new(files.clone()), &known, &mut |l| {
        journal.note(l)
    });
    assert!(journal.failed.is_empty(), "{:?}", journal.failed);
    // One is what the base left lying.
    assert_eq!(check_stopped(&store, &journal, "undisturbed"), [""; 0]);
    assert_eq!(names(&store.join("set-aside")).len(), 1);
    (files.ops(), State::of(&store))
}

#[test]
fn killed_at_every_operation() {
    let _one = ONE.lock();
    let dir = fast_dir();
    let (first, site) = (dir.path().join("base"), site_of_script(dir.path()));
    base(&first);
    let (ops, reference) = undisturbed(dir.path(), &first, &site);
    let mut points = Vec::new();
    for (n, op) in ops.iter().enumerate() {
        points.push((n, Stop::Before));
        if op.what == "write" {
            points.push((n, Stop::Middle));
        }
        if op.unsynced {
            points.push((n, Stop::PowerCut));
        }
    }
    // After an operation is before the next one: in between nothing is written, transactions being operations too.
    points.push((ops.len() - 1, Stop::After));
    let next = std::sync::atomic::AtomicUsize::new(0);
    let table = std::sync::Mutex::new(BTreeMap::new());
    std::thread::scope(|scope| {
        for worker in 0..2 {
            let (points, next, table) = (&points, &next, &table);
            let (first, site, reference, ops) = (&first, &site, &reference, &ops);
            let store = dir.path().join(format!("{worker}/store"));
            scope.spawn(move || {
                while let Some((n, stop)) =
                    points.get(next.fetch_add(1, std::sync::atomic::Ordering::SeqCst))
                {
                    let row = kill_at(&store, first, site, reference, &ops[*n], *n, *stop);
                    let mut table = table.lock().unwrap();
                    let counts: &mut BTreeMap<Stop, usize> = table.entry(row).or_default();
                    *counts.entry(*stop).or_default() += 1;
                }
            });
        }
    });
    let table = table.into_inner().unwrap();
    println!("| step | operation | before | middle | power cut |");
    println!("| --- | --- | --- | --- | --- |");
    let mut sum = 0;
    for ((step, op), counts) in &table {
        let of = |stop| counts.get(&stop).map_or(String::new(), usize::to_string);
        sum += counts.values().sum::<usize>();
        println!(
            "| {step} | {op} | {} | {} | {} |",
            of(Stop::Before),
            of(Stop::Middle),
            of(Stop::PowerCut)
        );
    }
    println!(
        "{sum} kills at {} operations, one of them after the last",
        ops.len()
    );
    assert_eq!(sum, points.len());
}

/// Returns the step that was under way and the operation.
fn kill_at(
    store: &Path,
    base: &Path,
    site: &Path,
    reference: &State,
    op: &Op,
    n: usize,
    stop: Stop,
) -> (String, String) {
    let what = format!("operation {n} ({op:?}), {}", word(stop));
    copy(base, store);
    let mut child = start("kill", store, site, n, word(stop));
    let mut journal = Journal::of_base();
    let mut died = None;
    for line in lines(&mut child) {
        match line.strip_prefix("dies ") {
            Some(at) => died = Some(at.to_owned()),
            None => journal.note(&line),
        }
    }
    assert!(!child.wait().unwrap().success(), "{what}: was not killed");
    assert_eq!(died, Some(format!("{} {}", op.what, op.place)), "{what}");
    assert!(journal.failed.is_empty(), "{what}: {:?}", journal.failed);
    check_stopped(store, &journal, &what);
    check_going_on(store, site, reference, &what);
    let step = journal.last.split(' ').next().unwrap_or("").to_owned();
    (step, format!("{} {}", op.what, op.place))
}

/// Hands in batches from `first` on, seals, imports and reads, each on its own thread, until killed.
fn live_on(dir: &Path, site: &Path, first: i64) {
    tell("try open");
    let store = Store::open(dir, "test", now()).unwrap();
    tell("done open");
    // The first child of all has no register yet.
    store.register_apply(LOOPS, now()).unwrap();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for b in first.. {
                tell(&format!("try append {b}"));
                store.landing().append(batch(b)).unwrap();
                tell(&format!("done append {b}"));
            }
        });
        scope.spawn(|| {
            let mut later = 0.0;
            loop {
                // Replaced files go at once: every seal removes some.
                later += 601.0;
                store.seal(now().plus_s(later)).unwrap();
            }
        });
        scope.spawn(|| {
            let mut seen = (0..first).collect();
            loop {
                look(dir, &mut seen, &mut |line| {
                    // A long reading loses its files to the hurried removal above; that is told to it.
                    if !line.starts_with("blind") {
                        tell(line);
                    }
                });
            }
        });
        if first > 0 {
            tell("try import");
            store.import_site(site, now(), &mut |_| {}).unwrap();
            tell("done import");
        }
    });
}

#[test]
fn killed_at_any_moment() {
    let _one = ONE.lock();
    let kills = std::env::var("STORE_KILLS").map_or(25, |n| n.parse().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let site = site_of_script(dir.path());
    let store = dir.path().join("store");
    let mut random = 0x5EED_u64;
    let mut journal = Journal::default();
    let (mut counts, mut set_aside) = (BTreeMap::new(), 0);
    for n in 0..kills {
        // xorshift64: any sequence does, the same in every run.
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let wait = std::time::Duration::from_micros(random % 120_000);
        let next = journal.offered.last().map_or(0, |b| b + 1);
        let mut child = start("busy", &store, &site, next as usize, "");
        let lines = lines(&mut child);
        let log = std::thread::spawn(move || lines.collect::<Vec<String>>());
        std::thread::sleep(wait);
        child.kill().unwrap();
        child.wait().unwrap();
        let before = journal.clone();
        for line in log.join().unwrap() {
            journal.note(&line);
        }
        let accepted = journal.accepted.len() - before.accepted.len();
        let what = format!("kill {n} after {wait:?}");
        set_aside += check_stopped(&store, &journal, &what).len();
        let state = if journal.last == "open" && accepted == 0 {
            "while opening"
        } else {
            "at work"
        };
        *counts.entry(state).or_insert(0) += 1;
    }
    println!(
        "{kills} kills: {counts:?}; {} batches offered, {} accepted, {} seen, {set_aside} files set aside",
        journal.offered.len(),
        journal.accepted.len(),
        journal.seen.len()
    );
    assert!(journal.accepted.len() > kills, "{}", journal.accepted.len());
}

/// SQLite's own file access does not go through the store's interface. With `STORE_STRACE=strace` (the program's name or
/// path) the child is killed at the k-th system call that writes or syncs one of the databases, for every k.
#[test]
fn killed_inside_sqlite() {
    let Ok(strace) = std::env::var("STORE_STRACE") else {
        println!("not run: set STORE_STRACE to the strace program");
        return;
    };
    let _one = ONE.lock();
    let dir = fast_dir();
    let (first, site) = (dir.path().join("base"), site_of_script(dir.path()));
    base(&first);
    let (_, reference) = undisturbed(dir.path(), &first, &site);
    let store = dir.path().join("0/store");
    let mut sum = 0;
    println!("| file | system call | kills |");
    println!("| --- | --- | --- |");
    for file in [
        "landing.sqlite-wal",
        "state.sqlite-wal",
        "landing.sqlite",
        "state.sqlite",
    ] {
        for call in ["pwrite64", "fdatasync", "fsync", "ftruncate"] {
            let mut kills = 0;
            loop {
                copy(&first, &store);
                let under = [
                    strace.clone(),
                    "-f".into(),
                    "-o".into(),
                    "/dev/null".into(),
                    "-P".into(),
                    store.join(file).display().to_string(),
                    "-e".into(),
                    format!("inject={call}:signal=SIGKILL:when={}", kills + 1),
                ];
                let mut child = start_under(&under, "plain", &store, &site, 0, "");
                let mut journal = Journal::of_base();
                for line in lines(&mut child) {
                    journal.note(&line);
                }
                if child.wait().unwrap().success() {
                    assert!(journal.done.contains("close"), "{:?}", journal.last);
                    break;
                }
                kills += 1;
                let what = format!("{call} {kills} of {file}");
                check_stopped(&store, &journal, &what);
                check_going_on(&store, &site, &reference, &what);
            }
            if kills > 0 {
                println!("| {file} | {call} | {kills} |");
            }
            sum += kills;
        }
    }
    println!("{sum} kills inside SQLite");
    assert!(sum > 50);
}
