//! Makes sure that the folder of the built page exists, so that the binary builds before the page was.

use std::path::Path;

fn main() {
    let dist = Path::new("../dashboards/web/dist");
    if !dist.exists() {
        // A failure shows at once in the embedding step, which names the folder.
        let _made = std::fs::create_dir_all(dist);
    }
    println!("cargo:rerun-if-changed=../dashboards/web/dist");
    println!("cargo:rerun-if-changed=build.rs");
}
