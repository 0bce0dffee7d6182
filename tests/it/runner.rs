//! Running the program.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use assert_cmd::cargo::CommandCargoExt;

/// The program, to be run in a folder, with no book named by the environment.
pub fn compband(dir: &Path) -> Command {
    let mut command = Command::cargo_bin("compband").unwrap();
    command
        .current_dir(dir)
        .env_remove("COMPBAND_BOOK")
        .stdin(Stdio::null());
    command
}

/// Runs a command to its end.
pub fn run(dir: &Path, args: &[&str]) -> Output {
    compband(dir).args(args).output().unwrap()
}

/// Runs a command that is to succeed and returns its standard output.
pub fn out(dir: &Path, args: &[&str]) -> String {
    let output = run(dir, args);
    assert!(output.status.success(), "{args:?}: {}", stderr(&output));
    String::from_utf8(output.stdout).unwrap()
}

/// Runs a command that is to fail with a code and returns its standard error.
pub fn fails(dir: &Path, code: i32, args: &[&str]) -> String {
    let output = run(dir, args);
    assert_eq!(
        output.status.code(),
        Some(code),
        "{args:?}: {}",
        stderr(&output)
    );
    stderr(&output)
}

/// What a run said on standard error.
pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A number that the environment says under this name.
pub fn said(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}
