//! The `loopwitness` program; everything is in the library beside it.

fn main() -> std::process::ExitCode {
    loopwitness::cli::main()
}
