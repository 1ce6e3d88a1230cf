use std::process::ExitCode;

fn main() -> ExitCode {
    bismar::cli::main()
}
