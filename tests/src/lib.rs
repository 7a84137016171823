//! Checks that cross crates: structure, whole-program scenarios, published references.
//!
//! Whole-program tests run the built `loopwitness` binary and look only at what a user sees: files, exit
//! codes, HTTP.

pub mod census;
pub mod pcap;
pub mod proxy;

use std::path::{Path, PathBuf};

/// Root of the workspace.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .map_or_else(PathBuf::new, Path::to_path_buf)
}

/// The built binary: `LOOPWITNESS_BIN`, else the one beside this test's own target folder.
///
/// # Errors
/// When it was not built (`cargo build --workspace` does).
pub fn binary() -> anyhow::Result<PathBuf> {
    if let Some(path) = std::env::var_os("LOOPWITNESS_BIN") {
        return Ok(path.into());
    }
    let exe = std::env::current_exe()?;
    // target/<profile>/deps/<test>
    let path = exe
        .parent()
        .and_then(Path::parent)
        .map(|p| p.join("loopwitness"));
    path.filter(|p| p.is_file()).ok_or_else(|| {
        anyhow::anyhow!(
            "no loopwitness binary beside {}: run `cargo build --workspace` first",
            exe.display()
        )
    })
}
