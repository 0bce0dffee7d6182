//! The `compband` program: everything is in the library of the same name.

#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    compband::cli::run(std::env::args_os())
}
