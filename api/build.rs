//! Makes sure that the folder of the built page exists, so that the binary builds before the page was, and has the linker
//! pack what the start of the program reads through.

use std::path::Path;
use std::process::Command;

fn main() {
    let dist = Path::new("../dashboards/web/dist");
    if !dist.exists() {
        // A failure shows at once in the embedding step, which names the folder.
        let _made = std::fs::create_dir_all(dist);
    }
    if start_reads_packed_relocations() {
        println!("cargo:rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
    println!("cargo:rerun-if-changed=../dashboards/web/dist");
    println!("cargo:rerun-if-changed=build.rs");
}

/// The addresses that the start of the program puts right are 650,000: as a plain table 16 MB, all read and so in memory from
/// the first moment on, packed 0.1 MB. The C library knows the packed form since 2.36; with an older one, another one, or when
/// building for elsewhere, the table stays plain.
fn start_reads_packed_relocations() -> bool {
    let of = |name| std::env::var(name).unwrap_or_default();
    if of("HOST") != of("TARGET") || of("CARGO_CFG_TARGET_ENV") != "gnu" {
        return false;
    }
    let told = Command::new("getconf").arg("GNU_LIBC_VERSION").output();
    let told = told.map(|out| String::from_utf8_lossy(&out.stdout).into_owned());
    let version = told.unwrap_or_default();
    let mut numbers = version
        .trim()
        .trim_start_matches("glibc ")
        .split('.')
        .map(|n| n.parse::<u32>().unwrap_or_default());
    let version = (
        numbers.next().unwrap_or_default(),
        numbers.next().unwrap_or_default(),
    );
    version >= (2, 36)
}
