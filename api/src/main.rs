//! The `loopwitness` program; everything is in the library beside it.

/// The system's allocator keeps what it once had: over half an hour of steady work the program's memory doubled while the
/// bytes in use stayed the same (docs/hostile-gateways.md). This one gives it back.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> std::process::ExitCode {
    loopwitness::cli::main()
}
