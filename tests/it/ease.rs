//! What makes the tool easy to begin with: the first run, explanations, completions, pages.

use std::fs;
use std::io::Write;
use std::process::Stdio;

use chrono::{Days, Local};

use crate::estimate::demo;
use crate::runner::{compband, fails, out, run, stderr};

#[test]
fn a_first_run_says_where_to_begin() {
    let nowhere = tempfile::tempdir().unwrap();
    let said = run(nowhere.path(), &[]);
    assert_eq!(said.status.code(), Some(2));
    let text = String::from_utf8(said.stdout).unwrap();
    assert_eq!(text.lines().count(), 5, "{text}");
    assert!(text.contains("compband init"));
    // In a book the commands are shown.
    let dir = demo();
    let said = run(dir.path(), &[]);
    assert!(stderr(&said).contains("Commands:"), "{}", stderr(&said));
}

#[test]
fn words_are_explained() {
    let dir = tempfile::tempdir().unwrap();
    let band = out(dir.path(), &["explain", "80", "%", "range"]);
    assert!(band.starts_with("range\n") && band.lines().all(|l| l.chars().count() <= 80));
    assert_eq!(out(dir.path(), &["explain", "Band"]), band);
    let all = out(dir.path(), &["explain"]);
    assert!(all.contains("kelly") && all.contains("outlier"));
    let unknown = fails(dir.path(), 5, &["explain", "outliner"]);
    assert!(unknown.contains("outlier"), "{unknown}");
}

#[test]
fn a_page_for_every_command() {
    let dir = tempfile::tempdir().unwrap();
    let told = run(dir.path(), &["man", "pages"]);
    assert!(told.status.success(), "{}", stderr(&told));
    for name in ["compband", "compband-estimate", "compband-ledger-reverse"] {
        let page = fs::read_to_string(dir.path().join(format!("pages/{name}.1"))).unwrap();
        assert!(page.contains(".TH"), "{name}");
    }
    assert!(stderr(&told).contains("pages written to pages"));
}

/// The question as bash puts it: the words typed, and the place of the one to complete.
#[test]
fn a_shell_completes_what_the_book_knows() {
    let dir = demo();
    let complete = |words: &[&str]| -> Vec<String> {
        let output = compband(dir.path())
            .env("COMPBAND_COMPLETE", "bash")
            .env("_CLAP_COMPLETE_INDEX", (words.len() - 1).to_string())
            .env("_CLAP_COMPLETE_COMP_TYPE", "9")
            .env("_CLAP_COMPLETE_SPACE", "true")
            .env("_CLAP_IFS", "\n")
            .arg("--")
            .args(words)
            .output()
            .unwrap();
        String::from_utf8(output.stdout)
            .unwrap()
            .lines()
            .map(str::to_string)
            .collect()
    };
    assert_eq!(
        complete(&["compband", "estimate", "--model", "nul"]),
        ["Nulva\\ 61K"]
    );
    assert!(complete(&["compband", "bid", "--missing", ""]).contains(&"charger".into()));
    assert!(complete(&["compband", "net", "--outlet", ""]).contains(&"parcel".into()));
    assert_eq!(complete(&["compband", "estimate", "--grade", "b"]), ["B"]);
    assert!(complete(&["compband", "es"]).contains(&"estimate".into()));
    // Deals and watched units, where they are accepted.
    out(dir.path(), &["buy", "Nulva 61K", "--price", "40"]);
    out(dir.path(), &["buy", "Bolv 83V", "--price", "3"]);
    out(dir.path(), &["scrap", "d2"]);
    out(
        dir.path(),
        &[
            "watch", "add", "dark", "--model", "Bolv 83V", "--grade", "B",
        ],
    );
    assert_eq!(complete(&["compband", "estimate", "d"]), ["d1", "dark"]);
    assert_eq!(complete(&["compband", "list", "d"]), ["d1", "d2"]);
    assert_eq!(complete(&["compband", "ask", "nul"]), ["Nulva\\ 61K"]);
    assert!(complete(&["compband", "list", "d1", "--outlet", ""]).contains(&"parcel".into()));
    for shell in ["bash", "zsh", "fish"] {
        let script = out(dir.path(), &["completions", shell]);
        assert!(script.contains("COMPBAND_COMPLETE"), "{script}");
    }
}

/// The prompt itself is typed at by `tests/reference/check_prompt.py`.
#[test]
fn without_a_terminal_the_prompt_says_what_to_write_instead() {
    let dir = demo();
    let mut command = compband(dir.path());
    command
        .arg("log")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let mut running = command.spawn().unwrap();
    // It may be gone before it is told anything.
    let _ = running
        .stdin
        .take()
        .unwrap()
        .write_all(b"Nulva 61K\n\n12\n");
    let said = running.wait_with_output().unwrap();
    assert_eq!(said.status.code(), Some(2));
    let text = stderr(&said);
    assert!(text.contains("--model and --price"), "{text}");
    assert!(!dir.path().join("comps/logged.csv").exists());
}

#[test]
fn a_day_is_taken_as_it_is_said() {
    let dir = demo();
    let today = Local::now().date_naive();
    let sale = ["log", "--model", "Nulva 61K", "--price", "5", "--sold-on"];
    for (back, said) in [
        (0, "today".to_string()),
        (1, "Yesterday".into()),
        (3, "3 days ago".into()),
        (7, today.format("%A").to_string()),
        (4, format!("last {}", (today - Days::new(4)).format("%a"))),
    ] {
        let told = out(dir.path(), &[&sale[..], &[said.as_str()]].concat());
        let day = today - Days::new(back);
        assert!(
            told.contains(&format!("sold {day} for 5.00")),
            "{said}: {told}"
        );
    }
    let wrong = fails(dir.path(), 3, &[&sale[..], &["some day"]].concat());
    assert!(wrong.contains("found \"some day\""), "{wrong}");
}
