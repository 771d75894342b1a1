//! Arguments in, exit code out; nothing else.

use std::process::ExitCode;

fn main() -> ExitCode {
    spanhold::commands::run(std::env::args_os())
}
