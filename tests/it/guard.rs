//! What is in a book of a stranger's, or done to one behind a run's back, does no harm: nothing leads
//! out of the folder, no change is overlooked, and what is stopped half-way is finished by the next run.

use std::fs::{self, File, FileTimes};
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, SystemTime};

use compband::trade::comp::COLUMNS;
use tempfile::TempDir;

use crate::runner::{compband, fails, out, run, stderr};
#[cfg(unix)]
use crate::runner::{copied, ends, everything};

const SHEET: &str = "date,item,price\n2026-01-01,Nulva KT4,12\n";
/// Longest that a run may take where a pipe might hold it for ever.
#[cfg(unix)]
const TWENTY_SECONDS: Duration = Duration::from_secs(20);
const DAY: [&str; 2] = ["--as-of", "2026-03-01"];

fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    dir
}

/// A book with everything that can be in one.
#[cfg(unix)]
fn full_book() -> TempDir {
    let dir = book();
    let does = |words: &[&str]| out(dir.path(), words);
    for name in ["a.csv", "b.csv"] {
        let sheet = SHEET.replace("01-01", if name == "a.csv" { "01-02" } else { "01-03" });
        fs::write(dir.path().join(name), sheet).unwrap();
        does(&["import", name]);
    }
    does(&["undo"]);
    for price in ["11", "13", "14"] {
        does(&["log", "--model", "Nulva KT4", "--price", price]);
    }
    does(&["undo"]);
    does(&["ledger", "fund", "100"]);
    does(&["watch", "add", "61k", "--model", "Nulva KT4"]);
    does(&[&["refresh"], &DAY[..]].concat());
    dir
}

#[cfg(unix)]
fn pipe_at(path: &Path) {
    let made = std::process::Command::new("mkfifo").arg(path).status();
    assert!(made.unwrap().success());
}

/// Every file and folder that a book has is put elsewhere, one at a time, with a link in its place; or
/// a pipe is, at which a reader or writer would wait for ever.
#[cfg(unix)]
#[test]
fn whatever_leads_out_of_a_book_nothing_there_is_written() {
    use std::os::unix::fs::symlink;

    let full = full_book();
    let parts = everything(full.path());
    assert!(parts.contains_key(Path::new("history/61k.csv")));
    let later = ["--as-of", "2026-03-02"];
    let commands: [&[&str]; 6] = [
        &["log", "--model", "Nulva KT4", "--price", "9"],
        &[&["refresh"], &later[..]].concat(),
        &["import", "c.csv"],
        &["undo"],
        &["buy", "Nulva KT4", "--price", "9"],
        &["watch", "add", "g5", "--model", "Nulva KT4"],
    ];
    let mut refused = 0;
    for (part, bytes) in &parts {
        // What was imported from is no part of the book.
        if part.parent() == Some(Path::new("")) && part.extension().is_some_and(|e| e == "csv") {
            continue;
        }
        for how in ["link", "link to nothing", "pipe"] {
            let (dir, away) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
            copied(full.path(), dir.path());
            fs::write(dir.path().join("c.csv"), SHEET).unwrap();
            let (path, target) = (dir.path().join(part), away.path().join("there"));
            match (how, bytes) {
                ("link", _) => fs::rename(&path, &target).unwrap(),
                (_, Some(_)) => fs::remove_file(&path).unwrap(),
                (_, None) => fs::remove_dir_all(&path).unwrap(),
            }
            if how == "pipe" {
                pipe_at(&path);
            } else {
                symlink(&target, &path).unwrap();
            }
            let before = everything(away.path());
            for command in commands {
                let done = ends(dir.path(), command, TWENTY_SECONDS);
                let said = stderr(&done);
                assert_ne!(done.status.code(), Some(101), "{said}");
                assert!(done.status.code().is_some(), "{said}");
                refused += usize::from(
                    done.status.code() == Some(3)
                        && (said.contains("a link to another place") || said.contains("a pipe")),
                );
            }
            assert_eq!(everything(away.path()), before, "{how}: {}", part.display());
        }
    }
    assert!(refused > 100, "{refused}");
}

#[cfg(unix)]
#[test]
fn the_lock_of_the_cache_leads_nowhere() {
    let away = tempfile::tempdir().unwrap();
    for pipe in [false, true] {
        let dir = large_book();
        let cache = dir.path().join(".compband/cache");
        fs::create_dir_all(&cache).unwrap();
        if pipe {
            pipe_at(&cache.join("lock"));
        } else {
            std::os::unix::fs::symlink(away.path().join("made"), cache.join("lock")).unwrap();
        }
        let said = ends(dir.path(), &["models"], TWENTY_SECONDS);
        assert!(said.status.success(), "{}", stderr(&said));
        assert!(
            stderr(&said).contains("cache of this book cannot be written"),
            "{}",
            stderr(&said)
        );
        assert_eq!(fs::read_dir(away.path()).unwrap().count(), 0);
    }
}

#[cfg(unix)]
#[test]
fn a_sale_goes_with_the_book_when_the_folder_is_renamed_in_mid_run() {
    let parent = tempfile::tempdir().unwrap();
    let (was, is) = (parent.path().join("was"), parent.path().join("is"));
    fs::create_dir(&was).unwrap();
    out(&was, &["init"]);
    out(&was, &["log", "--model", "Nulva KT4", "--price", "11"]);
    let held = File::options()
        .write(true)
        .open(was.join(".compband/lock"))
        .unwrap();
    held.lock().unwrap();
    let named = was.to_str().unwrap();
    let log = ["--book", named, "log", "--model", "Nulva KT4", "--price"];
    let mut running = compband(parent.path())
        .args(log)
        .arg("12")
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    // It says that it waits.
    let mut said = [0; 1];
    std::io::Read::read_exact(running.stderr.as_mut().unwrap(), &mut said).unwrap();
    fs::rename(&was, &is).unwrap();
    drop(held);
    assert!(running.wait().unwrap().success());
    let logged = fs::read_to_string(is.join("comps/logged.csv")).unwrap();
    assert_eq!(logged.lines().count(), 3, "{logged}");
    assert!(!was.exists());
}

fn row(id: usize, price: u32) -> String {
    format!(
        "a{id:07},2026-01-01,Nulva KT{},,full,B,,,,yes,{price}.00,4.90,EUR,fixed,fair,1,\n",
        id % 90
    )
}

/// Over a megabyte of comps in one import.
fn large_book() -> TempDir {
    let dir = book();
    let rows: String = (0..18_000)
        .map(|id| row(id, 60 + id as u32 / 90 % 30))
        .collect();
    let text = format!("{}\n{rows}", COLUMNS.join(","));
    fs::write(dir.path().join("comps/000001-a.csv"), text).unwrap();
    dir
}

/// Over a megabyte of sales recorded one at a time.
fn large_log() -> TempDir {
    let dir = book();
    let rows: String = (0..18_000)
        .map(|id| format!("{},{}", id + 1, row(id, 60 + id as u32 / 90 % 30)))
        .collect();
    let text = format!("entry,{}\n{rows}", COLUMNS.join(","));
    fs::write(dir.path().join("comps/logged.csv"), text).unwrap();
    dir
}

fn cached(dir: &Path) -> Option<Vec<u8>> {
    fs::read(dir.join(".compband/cache/comps.json")).ok()
}

#[cfg(unix)]
#[test]
fn a_change_that_keeps_size_and_time_is_seen() {
    let dir = large_book();
    let comps = dir.path().join("comps/000001-a.csv");
    let set = |time: SystemTime| {
        let file = File::options().write(true).open(&comps).unwrap();
        file.set_times(FileTimes::new().set_modified(time)).unwrap();
    };
    let old = SystemTime::now() - Duration::from_secs(3600);
    set(old);
    std::thread::sleep(Duration::from_millis(50));
    let estimate = [&["estimate", "--model", "Nulva KT4"], &DAY[..]].concat();
    let before = out(dir.path(), &estimate);
    assert!(cached(dir.path()).is_some());
    assert_eq!(out(dir.path(), &estimate), before);
    let text = fs::read_to_string(&comps).unwrap();
    let changed = text.replace("yes,6", "yes,9").replace("yes,7", "yes,9");
    assert_eq!(changed.len(), text.len());
    fs::write(&comps, changed).unwrap();
    set(old);
    assert_ne!(out(dir.path(), &estimate), before);
}

#[cfg(unix)]
#[test]
fn files_dated_in_the_future_are_cached() {
    let dir = large_book();
    let comps = dir.path().join("comps/000001-a.csv");
    let file = File::options().write(true).open(&comps).unwrap();
    let ahead = SystemTime::now() + Duration::from_secs(86_400);
    file.set_times(FileTimes::new().set_modified(ahead))
        .unwrap();
    out(dir.path(), &["models"]);
    assert!(cached(dir.path()).is_some());
}

#[test]
fn what_a_killed_build_has_left_goes_with_the_next_run() {
    let dir = large_book();
    let cache = dir.path().join(".compband/cache");
    fs::create_dir_all(&cache).unwrap();
    let aged = |name: &str| {
        fs::write(cache.join(name), "left").unwrap();
        let file = File::options().write(true).open(cache.join(name)).unwrap();
        let time = SystemTime::now() - Duration::from_secs(60);
        file.set_times(FileTimes::new().set_modified(time)).unwrap();
        file
    };
    let (_left, used) = (aged(".new-left"), aged(".new-used"));
    used.lock().unwrap();
    out(dir.path(), &["models"]);
    assert!(!cache.join(".new-left").exists());
    assert!(cache.join(".new-used").exists());
}

#[test]
fn a_rejects_file_that_is_there_is_told_before_anything_is_read() {
    let dir = book();
    let wrong = "2026-01-01,Nulva KT4,none\n".repeat(5);
    fs::write(dir.path().join("a.csv"), format!("{SHEET}{wrong}")).unwrap();
    fs::write(dir.path().join("r.csv"), "mine").unwrap();
    let import = ["import", "a.csv", "--keep-good", "--rejects"];
    let said = fails(dir.path(), 2, &[&import[..], &["r.csv"]].concat());
    assert!(
        said.contains("r.csv is there already: choose another name"),
        "{said}"
    );
    assert!(!said.contains("row 3"), "{said}");
    assert_eq!(
        fs::read_to_string(dir.path().join("r.csv")).unwrap(),
        "mine"
    );
    let said = run(dir.path(), &[&import[..], &["s.csv"]].concat());
    assert!(said.status.success(), "{}", stderr(&said));
    let rejected = fs::read_to_string(dir.path().join("s.csv")).unwrap();
    assert_eq!(rejected.lines().count(), 6, "{rejected}");
    assert_eq!(
        fs::read_dir(dir.path().join(".compband/tmp"))
            .unwrap()
            .count(),
        0
    );
}

#[test]
fn an_import_killed_half_way_is_done_again() {
    let dir = book();
    let good = "2026-01-01,Nulva KT4,12\n".repeat(200_000);
    let sheet = format!("date,item,price\n2026-01-01,Nulva KT4,none\n{good}");
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let import = ["import", "a.csv", "--keep-good", "--rejects", "r.csv"];
    let (rejects, tmp) = (dir.path().join("r.csv"), dir.path().join(".compband/tmp"));
    let mut running = compband(dir.path())
        .args(import)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // The rows that are taken and those that are not have a file by now.
    let begun = || fs::read_dir(&tmp).is_ok_and(|tmp| tmp.count() > 1);
    while !rejects.exists() && !begun() && running.try_wait().unwrap().is_none() {
        std::thread::yield_now();
    }
    running.kill().unwrap();
    assert!(!running.wait().unwrap().success());
    out(dir.path(), &import);
    assert_eq!(fs::read_to_string(&rejects).unwrap().lines().count(), 2);
    assert!(out(dir.path(), &["models"]).contains("200"));
}

#[test]
fn a_unit_that_cannot_be_recorded_does_not_hide_the_others() {
    let dir = book();
    fs::write(dir.path().join("a.csv"), SHEET).unwrap();
    out(dir.path(), &["import", "a.csv"]);
    for name in ["a", "b", "c"] {
        out(dir.path(), &["watch", "add", name, "--model", "Nulva KT4"]);
    }
    // In the way of what is kept of the second.
    fs::create_dir_all(dir.path().join("history/comps/b-1.csv/x")).unwrap();
    let refresh = [&["refresh"], &DAY[..]].concat();
    let done = run(dir.path(), &refresh);
    let told = String::from_utf8_lossy(&done.stdout).into_owned();
    assert_eq!(done.status.code(), Some(1));
    assert!(stderr(&done).contains("b-1.csv"), "{}", stderr(&done));
    for (name, recorded) in [("a", true), ("b", false), ("c", true)] {
        let line = |line: &str| line.starts_with(&format!("{name}: "));
        assert_eq!(told.lines().any(line), recorded, "{name}: {told}");
        let history = dir.path().join(format!("history/{name}.csv"));
        assert_eq!(history.exists(), recorded, "{name}");
    }
    fs::remove_dir_all(dir.path().join("history/comps/b-1.csv")).unwrap();
    out(dir.path(), &refresh);
    assert!(dir.path().join("history/b.csv").exists());
}

#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_opened_is_no_missing_book() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;

    let dir = book();
    fs::set_permissions(dir.path(), fs::Permissions::from_mode(0o000)).unwrap();
    let mut models = compband(Path::new("/"));
    models.arg("--book").arg(dir.path()).arg("models");
    if fs::read_dir(dir.path()).is_ok() {
        // Nothing is denied to root.
        models.uid(65_534);
    }
    let done = models.output().unwrap();
    fs::set_permissions(dir.path(), fs::Permissions::from_mode(0o700)).unwrap();
    assert_eq!(done.status.code(), Some(1), "{}", stderr(&done));
    assert!(
        stderr(&done).contains("Permission denied"),
        "{}",
        stderr(&done)
    );
}

#[test]
fn a_large_log_is_read_once_and_added_to() {
    let dir = large_log();
    let models = out(dir.path(), &["models"]);
    assert!(cached(dir.path()).is_some());
    assert_eq!(out(dir.path(), &["models"]), models);
    let log = |words: &[&str]| {
        let sale = ["log", "--model", "Nulva KT4", "--sold-on", "2026-01-15"];
        run(dir.path(), &[&sale[..], words].concat())
    };
    let said = log(&["--price", "70"]);
    assert!(stderr(&said).is_empty(), "{}", stderr(&said));
    let told = String::from_utf8_lossy(&said.stdout).into_owned();
    assert!(told.contains("(sale record 18001)"), "{told}");
    // The same again is known from what was added, and an old one from what is in the cache.
    assert_eq!(log(&["--price", "70"]).status.code(), Some(3));
    let known = log(&["--price", "70", "--id", "a0000004"]);
    assert!(
        stderr(&known).contains("with other details"),
        "{}",
        stderr(&known)
    );
    let update = ["log", "--id", "a0000004", "--update", "--note", "two"];
    out(dir.path(), &update);
    let count = |dir: &Path| out(dir, &["comps", "--model", "Nulva KT4", "--csv"]);
    let with = count(dir.path());
    assert_eq!(with.lines().count(), 1 + 200 + 1, "{with}");
    // What the files say without the cache.
    let plain = |dir: &Path| {
        let copy = tempfile::tempdir().unwrap();
        fs::create_dir(copy.path().join("comps")).unwrap();
        for name in ["compband.toml", "comps/logged.csv"] {
            fs::copy(dir.join(name), copy.path().join(name)).unwrap();
        }
        (count(copy.path()), copy)
    };
    assert_eq!(with, plain(dir.path()).0);
    // Lines are counted from the beginning of the file.
    let path = dir.path().join("comps/logged.csv");
    let good = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{good}18003,x,2026-13-01\n")).unwrap();
    let said = fails(dir.path(), 3, &["models"]);
    assert!(said.contains("logged.csv, row 18004"), "{said}");
    // A number that an entry of the cached part has, and a line of that part changed by hand.
    fs::write(&path, format!("{good}7,{}", row(900_000, 70))).unwrap();
    let said = fails(dir.path(), 3, &["models"]);
    assert!(
        said.contains("row 18004") && said.contains("row 8"),
        "{said}"
    );
    let changed = good.replacen("a0000094,2026-01-01", "a0000094,2026-01-02", 1);
    assert_ne!(changed, good);
    fs::write(&path, &changed).unwrap();
    assert_eq!(count(dir.path()), plain(dir.path()).0);
    assert!(count(dir.path()) != with);
    // Torn off in the middle of what was added: told, and repaired by the next.
    fs::write(&path, &good[..good.len() - 9]).unwrap();
    let said = log(&["--price", "71"]);
    assert!(
        stderr(&said).contains("was cut off and removed"),
        "{}",
        stderr(&said)
    );
    assert_eq!(count(dir.path()), plain(dir.path()).0);
    out(dir.path(), &["undo"]);
    assert_eq!(count(dir.path()), plain(dir.path()).0);
}
