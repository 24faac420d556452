//! Arguments in, exit code out; the library does the rest.

fn main() -> std::process::ExitCode {
    tilldawn::cli::run()
}
