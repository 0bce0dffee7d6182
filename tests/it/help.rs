//! What the program says of itself and of the commonest mistakes, as its users see it.

use std::fs;
use std::path::Path;

use crate::estimate::demo;
use crate::runner::compband;

/// What a command prints, standard output before standard error, with its exit code.
fn told(dir: &Path, args: &[&str]) -> String {
    let output = compband(dir)
        .env_remove("COLUMNS")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    // Paths of the folder of a run are its own.
    let said = (text(&output.stdout) + &text(&output.stderr))
        .replace(&dir.canonicalize().unwrap().display().to_string(), "FOLDER")
        .replace(&dir.display().to_string(), "FOLDER");
    format!(
        "$ compband {}\n{said}exit {}\n",
        args.join(" "),
        output.status.code().unwrap()
    )
}

/// The commands that a help names, without the one that only prints helps.
fn commands(help: &str) -> Vec<String> {
    let listed = help
        .split_once("\nCommands:\n")
        .map_or("", |(_, rest)| rest);
    listed
        .lines()
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .map(str::to_string)
        .collect()
}

/// The helps of a command and of all below it.
fn helps(dir: &Path, path: &[String], all: &mut Vec<String>) {
    let mut args: Vec<&str> = path.iter().map(String::as_str).collect();
    args.push("--help");
    let help = told(dir, &args);
    let below = commands(&help);
    all.push(help);
    for name in below {
        helps(dir, &[path, &[name]].concat(), all);
    }
}

#[test]
fn every_help() {
    let dir = tempfile::tempdir().unwrap();
    let mut all = Vec::new();
    helps(dir.path(), &[], &mut all);
    assert!(all.len() > 25, "{}", all.len());
    insta::assert_snapshot!(all.join("\n"));
}

#[test]
fn the_commonest_mistakes() {
    let nowhere = tempfile::tempdir().unwrap();
    let book = demo();
    let dir = book.path();
    fs::write(dir.join("headless.csv"), "Nulva 61K,B,full,120.00\n").unwrap();
    fs::write(
        dir.join("odd.csv"),
        "sold_on,model,grade,completeness,works,price,currency\n\
         2026-02-30,Nulva 61K,B,full,yes,120.00,EUR\n\
         2026-02-03,Nulva 61K,Q,full,yes,120.00,EUR\n\
         2026-02-03,Nulva 61K,B,full,yes,12o.00,EUR\n\
         2026-02-03,,B,full,yes,120.00,EUR\n",
    )
    .unwrap();
    let mut all = vec![told(nowhere.path(), &["estimate", "--model", "Nulva 61K"])];
    let mistakes: &[&[&str]] = &[
        &["estimate"],
        &["estimat", "--model", "Nulva 61K"],
        &["estimate", "--model", "Nula 61K"],
        &["estimate", "--model", "Nulva 61K", "--grade", "Z"],
        &["estimate", "--model", "Nulva 61K", "--as-of", "soon"],
        &["estimate", "--model", "Nulva 61K", "--band", "120"],
        &["import", "no-such-file.csv"],
        &["import", "headless.csv"],
        &["import", "odd.csv"],
        &["log", "--model", "Nulva 61K", "--price", "many"],
        &["buy", "--price", "40"],
        &["sold", "7", "--price", "100"],
        &["bid", "--model", "Nulva 61K", "--outlet", "nowhere"],
        &["init"],
    ];
    all.extend(mistakes.iter().map(|args| told(dir, args)));
    assert!(all.iter().all(|said| !said.ends_with("exit 0\n")));
    insta::assert_snapshot!(all.join("\n"));
}
