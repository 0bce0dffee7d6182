//! Words that users see and type: old names of settings, names that are nearly known, pages of long output,
//! completions, explanations, and words that are out of use.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use compband::settings::Settings;
use serde_json::Value;

use crate::estimate::{demo, root};
use crate::runner::{compband, fails, out, run, stderr};

/// What `bid` answers, and its notes.
fn bid(dir: &Path) -> (Value, String) {
    let unit = ["bid", "--model", "Nulva 61K", "--grade", "B"];
    let args = [
        &unit[..],
        &["--outlet", "parcel", "--against", "110", "--json"],
    ]
    .concat();
    let output = run(dir, &args);
    let notes = stderr(&output);
    assert!(output.status.success(), "{notes}");
    (serde_json::from_slice(&output.stdout).unwrap(), notes)
}

#[test]
fn old_names_of_settings_count_and_are_noted_once() {
    let dir = demo();
    let file = dir.path().join("compband.toml");
    let before = fs::read_to_string(&file).unwrap();
    let with = |lines: &str| {
        assert!(before.contains("\n[deal]\n"), "{before}");
        let text = before.replacen("\n[deal]\n", &format!("\n[deal]\n{lines}"), 1);
        fs::write(&file, text).unwrap();
        bid(dir.path())
    };
    let (usual, _) = with("");
    let (new, none) = with("seller_discount = \"2 to 5\"\nbuyers_who_offer = 10\n");
    let (old, noted) = with("haggle = \"2 to 5\"\nhaggling = 10\n");
    assert_eq!(old, new);
    assert_ne!(old["sellers"], usual["sellers"]);
    assert!(!none.contains("is now"), "{none}");
    assert_eq!(noted.matches("note: compband.toml:").count(), 1, "{noted}");
    for name in [
        "haggle is now seller_discount",
        "haggling is now buyers_who_offer",
    ] {
        assert!(noted.contains(name), "{noted}");
    }
}

#[test]
fn a_year_is_four_digits() {
    let dir = demo();
    for wrong in ["20x6", "26", "99999999999"] {
        let said = fails(dir.path(), 2, &["ledger", "--year", wrong]);
        assert!(
            said.contains("expected a year from 1900 to 2999, such as 2026"),
            "{said}"
        );
    }
}

/// What a terminal of 10 lines shows of a command at which `typed` is typed; none if that cannot be tried here.
fn at_terminal(dir: &Path, command: &str, typed: &str, env: &[(&str, &str)]) -> Option<String> {
    let program = compband(dir).get_program().to_owned();
    let inside = format!("stty rows 10 cols 100; '{}' {command}", program.display());
    let mut script = Command::new("script");
    script
        .args(["-qec", &inside, "/dev/null"])
        .current_dir(dir)
        .env("TERM", "xterm")
        .env("SHELL", "/bin/sh")
        .env_remove("COMPBAND_BOOK")
        .env_remove("NO_COLOR")
        .envs(env.iter().copied())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    let Ok(mut running) = script.spawn() else {
        // Past the test harness, which keeps what passing tests print.
        let _ = std::io::stderr().write_all(b"\nLEFT OUT: `script` is not installed\n\n");
        return None;
    };
    let mut input = running.stdin.take().unwrap();
    input.write_all(typed.as_bytes()).unwrap();
    let done = running.wait_with_output().unwrap();
    drop(input);
    Some(String::from_utf8_lossy(&done.stdout).into_owned())
}

#[test]
fn a_model_that_is_nearly_known_is_asked_about() {
    // Without a terminal the deal is opened, and the note names the near model.
    let dir = demo();
    let typo = ["buy", "Nulba 61K", "--price", "40"];
    let noted = stderr(&run(dir.path(), &typo));
    assert!(
        noted.contains("the book has no model \"Nulba 61K\"; did you mean \"Nulva 61K\"? If so: compband ledger reverse 1"),
        "{noted}"
    );
    let model = || {
        let ledger: Value = serde_json::from_str(&out(dir.path(), &["ledger", "--json"])).unwrap();
        let deals = ledger["deals"].as_array().unwrap().clone();
        deals.last().unwrap()["model"].as_str().unwrap().to_string()
    };
    assert_eq!(model(), "Nulba 61K");
    out(dir.path(), &["ledger", "reverse", "1"]);
    // On one it asks first.
    for (answer, bought) in [
        ("y\n", "Nulva 61K"),
        ("\n", "Nulva 61K"),
        ("what\nn\n", "Nulba 61K"),
    ] {
        let Some(screen) = at_terminal(dir.path(), "buy 'Nulba 61K' --price 40", answer, &[])
        else {
            return;
        };
        assert!(screen.contains("Is it \"Nulva 61K\"?"), "{screen}");
        assert_eq!(model(), bought, "{answer:?}: {screen}");
    }
    // A known model, a new one, a watched unit: nothing to ask.
    for plain in ["nulva 61k", "Quolby 7R3"] {
        let said = stderr(&run(dir.path(), &["buy", plain, "--price", "40"]));
        assert!(!said.contains("did you mean"), "{said}");
    }
}

#[test]
fn a_long_ledger_is_shown_a_screen_at_a_time() {
    let dir = demo();
    out(dir.path(), &["ledger", "fund", "300"]);
    for _ in 0..12 {
        out(dir.path(), &["ledger", "draw", "1"]);
    }
    let pager = dir.path().join("pager");
    fs::write(&pager, "#!/bin/sh\ncat > \"$1\"\necho paged\n").unwrap();
    let page = format!("sh '{}'", pager.display()).replace('\'', "");
    let (paged, plain) = (dir.path().join("paged"), dir.path().join("plain"));
    let with = |file: &Path| format!("{page} {}", file.display());
    let Some(screen) = at_terminal(
        dir.path(),
        "ledger entries",
        "",
        &[("PAGER", &with(&paged))],
    ) else {
        return;
    };
    assert!(
        screen.contains("paged") && !screen.contains("capital"),
        "{screen}"
    );
    let text = fs::read_to_string(&paged).unwrap();
    assert!(
        text.lines().count() > 10 && text.contains('\u{1b}'),
        "{text}"
    );
    // Without colour if there is to be none.
    let no_color = [("PAGER", with(&plain)), ("NO_COLOR", "1".into())];
    let no_color = no_color
        .each_ref()
        .map(|(name, value)| (*name, value.as_str()));
    at_terminal(dir.path(), "ledger entries", "", &no_color);
    let text = fs::read_to_string(&plain).unwrap();
    assert!(!text.contains('\u{1b}'), "{text}");
    // Not where the pager is missing, turned off, not needed, or the output goes elsewhere.
    for (command, pager) in [
        ("ledger entries", "no-such-pager"),
        ("ledger entries", ""),
        ("ledger --help", &with(&plain)),
        ("ledger entries | cat", &with(&plain)),
    ] {
        fs::remove_file(&plain).ok();
        let screen = at_terminal(dir.path(), command, "", &[("PAGER", pager)]).unwrap();
        assert!(
            !plain.exists() && !screen.contains("paged"),
            "{command}, {pager}: {screen}"
        );
        assert!(
            screen.contains("capital") || command.contains("help"),
            "{screen}"
        );
    }
}

/// The completions that bash gets.
fn complete(dir: &Path, words: &[&str]) -> Vec<String> {
    let output = compband(dir)
        .env("COMPBAND_COMPLETE", "bash")
        .env("_CLAP_COMPLETE_INDEX", (words.len() - 1).to_string())
        .env("_CLAP_IFS", "\n")
        .arg("--")
        .args(words)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(str::to_string).collect()
}

#[test]
fn shells_complete_parts_sales_outlets_and_names() {
    let dir = demo();
    let path = dir.path();
    out(path, &["part", "add", "screws", "--cost", "1"]);
    out(path, &["buy", "Nulva 61K", "--price", "40"]);
    out(path, &["scrap", "d1"]);
    out(path, &["watch", "add", "kept", "--model", "Nulva 61K"]);
    out(
        path,
        &[
            "log",
            "--model",
            "Nulva 61K",
            "--price",
            "120",
            "--id",
            "mine-1",
        ],
    );
    let of = |words: &[&str]| {
        let all = complete(path, &[&["compband"], words].concat());
        all.into_iter()
            .filter(|word| !word.starts_with("--"))
            .collect::<Vec<_>>()
    };
    assert_eq!(of(&["part", "use", "d1", "scr"]), ["screws"]);
    assert_eq!(of(&["part", "drop", ""]), ["screws"]);
    assert!(of(&["harvest", "d1", ""]).contains(&"charger".into()));
    assert!(of(&["part", "add", "--fits", "nul"]).contains(&"Nulva\\ 61K".into()));
    assert!(of(&["sold", "d"]).contains(&"d1".into()));
    assert_eq!(of(&["buy", "d"]), ["d1"]);
    assert_eq!(of(&["history", ""]), ["kept"]);
    assert_eq!(of(&["report", "k"]), ["kept"]);
    assert!(of(&["comps", "--venue", ""]).contains(&"parcel".into()));
    for command in [
        &["estimate", "--keep"][..],
        &["estimate", "--drop"],
        &["comps", "--id"],
    ] {
        assert_eq!(
            of(&[command, &["mine"]].concat()),
            ["mine-1"],
            "{command:?}"
        );
        // Those that were imported too, but no more than a screen holds.
        let all = of(&[command, &[""]].concat()).len();
        assert!((2..=100).contains(&all), "{command:?}: {all}");
    }
    // Only logged sales can be removed one by one.
    assert_eq!(of(&["undo", "--sale", ""]), ["mine-1"]);
    assert!(of(&["import", "--mapping", ""]).contains(&"sheet".into()));
    assert!(of(&["explain", "likely"]).contains(&"likely\\ price".into()));
}

/// Words that stand on sheets, tables, charts and in messages, from their snapshots and headings.
const PRINTED: &[&str] = &[
    "likely price",
    "range",
    "adjusted",
    "weight",
    "trend",
    "rule of thumb",
    "rule",
    "others",
    "comps",
    "mistyped",
    "not used",
    "odd",
    "parts-only",
    "for parts",
    "lot",
    "step",
    "other models",
    "grade",
    "completeness",
    "kit",
    "variant",
    "extras",
    "defects",
    "how sold",
    "venue",
    "outlet",
    "fees",
    "you keep",
    "net",
    "limited by",
    "sets the limit",
    "aim",
    "expected profit",
    "bad case",
    "worst case",
    "good case",
    "chance of a loss",
    "profit on money invested",
    "paid in",
    "invested",
    "bankroll",
    "cash",
    "stock",
    "kelly",
    "asking price",
    "lowest to accept",
    "accept",
    "quick sale",
    "deadline",
    "up for sale",
    "time on the market",
    "hit rate",
    "overheads",
    "ledger entry",
    "sale record",
    "harvest",
    "spare parts",
    "watched",
    "rate",
    "seller discount",
];

#[test]
fn every_word_of_the_sheets_is_explained() {
    let dir = tempfile::tempdir().unwrap();
    for word in PRINTED {
        let said = run(dir.path(), &["explain", word]);
        assert!(said.status.success(), "{word}: {}", stderr(&said));
    }
}

/// Words and phrases that helps, manual pages, settings and explanations do without.
const OUT_OF_USE: &[&str] = &[
    " mend",
    "foretold",
    "their say",
    " dear ",
    " dearer",
    "called in",
    "say anew",
    " anew",
    "apart by",
    " told ",
    "what is left of it",
    "reckon",
    "nought",
    "thereof",
    "whereof",
    " lest ",
    "as it were",
    "brought to",
    "put in ",
    "is put in",
    "money put in",
    "learnt",
    "held by another",
];

/// Prints of commands over the demo's book with a deal of each state, by the words that label them: the
/// headings of tables (the line above a rule) and, on the short sheets, the words before the answers.
fn labels(dir: &Path) -> BTreeMap<String, String> {
    let listings = root().join("demo/listings.csv");
    let listings = listings.to_str().unwrap();
    let unit = "--model|Nulva 61K|--grade|B|--completeness|usable|--as-of|2026-11-20";
    let repair = "new battery: parts 14, minutes 30, success .9";
    for entry in [
        "ledger|fund|600|--date|2026-10-01",
        "buy|Bolv 83V|--price|45|--grade|B|--date|2026-10-02",
        "buy|Bolv 83V|--price|40|--grade|C|--date|2026-10-03",
        "list|d1|--ask|75|--outlet|parcel|--date|2026-10-05",
        "offer|d1|60|--date|2026-10-06",
        "sold|d2|--price|70|--outlet|parcel|--date|2026-10-20",
        "part|add|battery|--cost|9|--date|2026-10-03",
        "watch|add|61k|--model|Nulva 61K|--grade|B",
        "refresh|--as-of|2026-11-19",
    ] {
        out(dir, &entry.split('|').collect::<Vec<_>>());
    }
    let mut found = BTreeMap::new();
    for (command, short) in [
        (format!("estimate|{unit}"), true),
        (format!("estimate|{unit}|--why"), false),
        (format!("bid|{unit}|--asked|88|--repair|{repair}"), true),
        (
            format!("bid|{unit}|--asked|88|--why|--repair|{repair}"),
            false,
        ),
        (format!("ask|{unit}"), true),
        (format!("ask|{unit}|--why"), false),
        (format!("offer|131|{unit}"), true),
        ("check|--figures|--by|grade".into(), false),
        ("models".into(), false),
        ("comps|--model|Nulva 61K".into(), false),
        ("ledger".into(), false),
        ("ledger|--year|2026".into(), false),
        ("part|list".into(), false),
        ("refresh|--as-of|2026-11-20".into(), false),
        ("history|61k".into(), false),
        (
            format!("compare|{listings}|--budget|300|--as-of|2026-11-20"),
            false,
        ),
    ] {
        let text = out(dir, &command.split('|').collect::<Vec<_>>());
        let lines: Vec<&str> = text.lines().collect();
        for pair in lines.windows(2) {
            let rule = pair[1].trim();
            if !rule.is_empty() && rule.chars().all(|c| c == '─') {
                let cells = pair[0].split("  ").map(str::trim);
                // A column of one outlet, week or bid is named after it.
                let words = cells.map(|cell| cell.rsplit(": ").next().unwrap_or(cell));
                for word in words.filter(|word| !word.is_empty()) {
                    found.entry(word.to_string()).or_insert(command.clone());
                }
            }
        }
        for line in lines.iter().skip(1).filter(|_| short) {
            let label = line.get(..14).unwrap_or_default();
            if label.starts_with(|c: char| c.is_uppercase()) && label.ends_with(' ') {
                let label = label.trim().to_string();
                found.entry(label).or_insert(command.clone());
            }
        }
    }
    found.retain(|word, _| !word.starts_with("at ") && !word.starts_with("At "));
    // Amounts, and a caution that begins a line of its own.
    found.retain(|word, _| word.parse::<f64>().is_err() && !word.contains(':'));
    found
}

#[test]
fn every_heading_and_label_is_explained() {
    let dir = demo();
    let labels = labels(dir.path());
    for known in ["Likely price", "Bid at most", "median ratio", "adjusted"] {
        assert!(labels.contains_key(known), "{known}: {labels:?}");
    }
    assert!(labels.len() > 60, "{labels:?}");
    let unknown: Vec<_> = labels
        .iter()
        .filter(|(word, _)| !run(dir.path(), &["explain", word]).status.success())
        .collect();
    assert!(unknown.is_empty(), "{unknown:?}");
}

#[test]
fn texts_use_plain_words() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init", "."]);
    out(dir.path(), &["man", "pages"]);
    let mut texts = vec![(
        "the settings".to_string(),
        fs::read_to_string(dir.path().join("compband.toml")).unwrap(),
    )];
    for page in fs::read_dir(dir.path().join("pages")).unwrap() {
        let path = page.unwrap().path();
        texts.push((
            path.display().to_string(),
            fs::read_to_string(&path).unwrap(),
        ));
    }
    assert!(texts.len() > 30, "{}", texts.len());
    for term in out(dir.path(), &["explain"])
        .split(['·', '\n'])
        .map(str::trim)
    {
        if let Some(text) = Some(run(dir.path(), &["explain", term])).filter(|o| o.status.success())
        {
            texts.push((term.into(), String::from_utf8(text.stdout).unwrap()));
        }
    }
    for (name, text) in &texts {
        let plain = text.replace('\n', " ").to_lowercase();
        for word in OUT_OF_USE {
            assert!(!plain.contains(word), "{name}: {word:?}");
        }
    }
}

/// A help quotes the defaults of the settings as they are.
#[test]
fn helps_quote_the_defaults() {
    let dir = tempfile::tempdir().unwrap();
    let help = out(dir.path(), &["report", "--help"]);
    let help = help.split_whitespace().collect::<Vec<_>>().join(" ");
    let Settings { estimate, deal, .. } = Settings::default();
    for (flag, number) in [
        ("--band <PERCENT>", estimate.band.to_string()),
        ("--enough <N>", estimate.enough.to_string()),
        ("--window <DAYS>", estimate.window_days.to_string()),
        ("--wage <AMOUNT>", deal.wage.to_string()),
        ("--profit <AMOUNT>", deal.least_profit.to_string()),
        ("--return <PERCENT>", deal.least_return.to_string()),
        ("--loss <PERCENT>", deal.most_loss.to_string()),
        ("--cost-per-week <AMOUNT>", deal.cost_per_week.to_string()),
    ] {
        let (_, of_flag) = help.split_once(flag).unwrap();
        let (_, default) = of_flag.split_once("[default: ").unwrap();
        let said = format!("{number}, unless set]");
        assert!(
            default.starts_with(&said),
            "{flag}: {said} not in {of_flag:.120}"
        );
    }
    let quick = format!(
        "a quick sale at {} % of the likely price, unless set",
        deal.quick_sale
    );
    assert!(help.contains(&quick), "{quick}");
}
