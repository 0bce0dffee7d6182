//! Running the program.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use assert_cmd::cargo::CommandCargoExt;

/// The program, to be run in a folder, with no book named by the environment.
pub fn compband(dir: &Path) -> Command {
    let mut command = Command::cargo_bin("compband").unwrap();
    command
        .current_dir(dir)
        .env_remove("COMPBAND_BOOK")
        .env_remove("COLUMNS")
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

/// Runs a command that has to end by itself within this time.
pub fn ends(dir: &Path, args: &[&str], within: Duration) -> Output {
    let mut running = compband(dir)
        .args(args)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let begun = Instant::now();
    while running.try_wait().unwrap().is_none() {
        if begun.elapsed() > within {
            running.kill().unwrap();
            panic!("{args:?} does not end");
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    running.wait_with_output().unwrap()
}

/// All that is in a folder by its path within: the bytes of files, nothing for folders.
pub fn everything(dir: &Path) -> BTreeMap<PathBuf, Option<Vec<u8>>> {
    let mut found = BTreeMap::new();
    let mut waiting = vec![dir.to_path_buf()];
    while let Some(folder) = waiting.pop() {
        for item in fs::read_dir(&folder).unwrap() {
            let path = item.unwrap().path();
            let kind = fs::symlink_metadata(&path).unwrap().file_type();
            let bytes = kind.is_file().then(|| fs::read(&path).unwrap());
            if kind.is_dir() {
                waiting.push(path.clone());
            }
            found.insert(path.strip_prefix(dir).unwrap().to_path_buf(), bytes);
        }
    }
    found
}

/// Copies all that is in a folder into another.
pub fn copied(from: &Path, to: &Path) {
    let mut all: Vec<_> = everything(from).into_iter().collect();
    all.sort();
    for (path, bytes) in all {
        match bytes {
            Some(bytes) => fs::write(to.join(path), bytes).unwrap(),
            None => fs::create_dir_all(to.join(path)).unwrap(),
        }
    }
}
