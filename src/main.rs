//! The program: parse, dispatch, exit code.

fn main() -> std::process::ExitCode {
    taillamp::cli::main()
}
