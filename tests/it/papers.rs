//! The README and the pages beside it say what the program says.

use std::fs;
use std::path::Path;

use crate::estimate::{demo, root};
use crate::ledger::words;
use crate::runner::compband;

fn page(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap()
}

/// The blocks of a page between lines of three backticks.
fn blocks(text: &str) -> Vec<Vec<&str>> {
    let mut found = Vec::new();
    let mut open: Option<Vec<&str>> = None;
    for line in text.lines() {
        if line.starts_with("```") {
            match open.take() {
                Some(block) => found.push(block),
                None => open = Some(Vec::new()),
            }
        } else if let Some(block) = &mut open {
            block.push(line);
        }
    }
    assert!(open.is_none());
    found
}

/// The command that a block begins with, its continued lines joined, and the lines printed.
fn command<'a>(block: &'a [&'a str]) -> Option<(String, &'a [&'a str])> {
    let mut line = block.first()?.strip_prefix("$ compband ")?.to_string();
    let mut at = 1;
    while line.ends_with('\\') {
        line.pop();
        line.push_str(block[at].trim_start());
        at += 1;
    }
    Some((line.replace('"', "'"), &block[at..]))
}

/// What a command prints, on both streams, its lines of standard error last.
fn prints(dir: &Path, line: &str) -> String {
    let output = compband(dir)
        .args(words(line))
        .env("COLUMNS", "80")
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].concat();
    String::from_utf8(said).unwrap()
}

/// Whether a text has these lines in their order, one after another but where "…" stands.
fn has(text: &str, shown: &[&str]) -> bool {
    let lines: Vec<&str> = text.lines().map(str::trim_end).collect();
    let mut at = 0;
    let mut skips = false;
    for line in shown {
        if *line == "…" {
            skips = true;
            continue;
        }
        let Some(found) = lines[at..].iter().position(|l| l == line) else {
            return false;
        };
        if !skips && found > 0 {
            return false;
        }
        at += found + 1;
        skips = false;
    }
    skips || lines[at..].iter().all(|l| l.is_empty())
}

#[test]
fn the_readme_shows_what_the_program_prints() {
    let readme = page("README.md");
    let resale = tempfile::tempdir().unwrap();
    let own = resale.path().join("resale");
    compband(resale.path())
        .args(["init", "resale", "--currency", "EUR"])
        .output()
        .unwrap();
    let book = demo();
    let sheet = resale.path().join("sales.csv");
    let mut shown = 0;
    for block in blocks(&readme) {
        if block[0].starts_with("Date sold,") {
            fs::write(&sheet, block.join("\n") + "\n").unwrap();
        }
        let Some((line, lines)) = command(&block) else {
            continue;
        };
        if line.starts_with("import") && line.contains("--value") {
            // The letter in a price is replaced in between, as the page says.
            let text = fs::read_to_string(&sheet).unwrap();
            assert!(text.contains("1l9,00"));
            fs::write(&sheet, text.replace("1l9,00", "119,00")).unwrap();
        }
        let dir = if line.starts_with("import") {
            &own
        } else {
            book.path()
        };
        let text = prints(dir, &line);
        assert!(has(&text, lines), "README.md: {line}\nprints\n{text}");
        shown += 1;
    }
    assert!(shown >= 5, "{shown}");
}

#[test]
fn the_readme_is_short_and_its_links_lead_somewhere() {
    let readme = page("README.md");
    assert!(readme.lines().count() <= 250);
    let mut links = 0;
    for name in ["README.md", "data/README.md"] {
        let text = page(name);
        let folder = root().join(name).parent().unwrap().to_path_buf();
        for (at, _) in text.match_indices("](") {
            let target = text[at + 2..].split(')').next().unwrap();
            let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
            let path = if file.is_empty() {
                root().join(name)
            } else {
                folder.join(file)
            };
            assert!(path.exists(), "{name}: {target}");
            let heading = |line: &str| {
                let letters = line.trim_start_matches('#').trim().to_lowercase();
                let kept = letters
                    .chars()
                    .filter(|c| c.is_alphanumeric() || " -".contains(*c));
                kept.collect::<String>().replace(' ', "-")
            };
            if !anchor.is_empty() {
                let text = fs::read_to_string(&path).unwrap();
                let there = text.lines().filter(|l| l.starts_with('#'));
                assert!(there.map(heading).any(|h| h == anchor), "{name}: {target}");
            }
            links += 1;
        }
    }
    assert!(links > 20, "{links}");
}
