//! libFuzzer's entry: the target is named by the environment variable `FUZZ_TARGET`.
#![no_main]

#[path = "targets.rs"]
mod targets;

use libfuzzer_sys::fuzz_target;
use std::sync::OnceLock;

static TARGET: OnceLock<targets::Target> = OnceLock::new();

fn chosen() -> targets::Target {
    let name = std::env::var("FUZZ_TARGET").unwrap_or_default();
    let Some(t) = targets::ALL.iter().find(|t| t.name == name) else {
        let names: Vec<&str> = targets::ALL.iter().map(|t| t.name).collect();
        eprintln!("FUZZ_TARGET `{name}` is none of {names:?}");
        std::process::exit(2);
    };
    // libFuzzer's own hook aborts at every panic. Those of the Parquet decoder on broken bytes are caught by the store and
    // become errors of the file; should one not be caught, the target still ends with it.
    let abort = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let file = info.location().map_or("", |l| l.file());
        if !["/parquet-", "/arrow-"].iter().any(|c| file.contains(c)) {
            abort(info);
        }
    }));
    *t
}

fuzz_target!(|data: &[u8]| {
    (TARGET.get_or_init(chosen).run)(data);
});
