//! What killed runs leave behind, links out of a book, and text that would steer a terminal. The
//! faults of the machine itself are in `tests/reference/faults.py`.

use std::fs::{self, File, FileTimes};
use std::path::Path;
use std::time::{Duration, SystemTime};

use compband::trade::comp::COLUMNS;
use tempfile::TempDir;

use crate::runner::{compband, fails, out, run, stderr};

fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    dir
}

fn log(dir: &Path, price: &str) -> String {
    let sale = ["log", "--model", "Nulva 61K", "--sold-on", "2026-01-15"];
    out(dir, &[&sale[..], &["--price", price]].concat())
}

fn lines(path: &Path) -> usize {
    fs::read_to_string(path).unwrap().lines().count()
}

#[test]
fn a_book_half_made_is_made_on() {
    let dir = tempfile::tempdir().unwrap();
    let private = dir.path().join(".compband");
    fs::create_dir_all(&private).unwrap();
    fs::create_dir(dir.path().join("comps")).unwrap();
    fs::write(private.join(".gitignore"), "").unwrap();
    fails(dir.path(), 5, &["models"]);
    out(dir.path(), &["init"]);
    assert_eq!(
        fs::read_to_string(private.join(".gitignore")).unwrap(),
        "*\n"
    );
    assert!(private.join("README.txt").is_file());
    let listing = fs::read_dir(private.join("tmp")).unwrap();
    assert_eq!(listing.count(), 0);
    log(dir.path(), "12");
}

#[test]
fn an_undo_that_was_killed_half_way_is_finished() {
    let dir = book();
    log(dir.path(), "12");
    log(dir.path(), "13");
    let (comps, undone) = (dir.path().join("comps"), dir.path().join("undone"));
    let both = fs::read_to_string(comps.join("logged.csv")).unwrap();
    out(dir.path(), &["undo"]);
    assert_eq!(lines(&undone.join("logged.csv")), 2);
    fs::write(comps.join("logged.csv"), &both).unwrap();
    out(dir.path(), &["undo"]);
    assert_eq!(lines(&undone.join("logged.csv")), 2);
    assert_eq!(lines(&comps.join("logged.csv")), 2);
    // Cut off while it was added: what is left of the line is set aside.
    let taken = fs::read_to_string(undone.join("logged.csv")).unwrap();
    fs::write(undone.join("logged.csv"), &taken[..taken.len() - 9]).unwrap();
    fs::write(comps.join("logged.csv"), &both).unwrap();
    out(dir.path(), &["undo"]);
    assert_eq!(
        fs::read_to_string(undone.join("logged.csv")).unwrap(),
        taken
    );
    assert!(undone.join("logged-torn-1.txt").is_file());
    out(dir.path(), &["undo"]);
    assert_eq!(lines(&undone.join("logged.csv")), 3);
    assert_eq!(lines(&comps.join("logged.csv")), 1);
}

#[test]
fn a_sale_whose_comp_is_recorded_already_is_entered() {
    let dir = book();
    let day = ["--date", "2026-04-01"];
    let does = |words: &[&str]| out(dir.path(), &[words, &day].concat());
    does(&["ledger", "fund", "100"]);
    does(&["buy", "Nulva 61K", "--price", "40"]);
    let before = fs::read_to_string(dir.path().join("deals/ledger.csv")).unwrap();
    let sold = ["sold", "d1", "--price", "90", "--log-comp"];
    does(&sold);
    fs::write(dir.path().join("deals/ledger.csv"), &before).unwrap();
    does(&sold);
    assert_eq!(lines(&dir.path().join("comps/logged.csv")), 2);
    assert_eq!(
        lines(&dir.path().join("deals/ledger.csv")),
        before.lines().count() + 1
    );
    fails(dir.path(), 3, &[&sold[..], &day].concat());
}

#[test]
fn what_killed_runs_have_left_goes_when_it_is_old() {
    let dir = book();
    log(dir.path(), "12");
    out(dir.path(), &["ledger", "fund", "5"]);
    let hours = |hours: u64| Duration::from_secs(hours * 3600);
    let now = SystemTime::now();
    fs::create_dir_all(dir.path().join(".compband/cache")).unwrap();
    for folder in ["", "comps", "deals", ".compband/cache"] {
        let folder = dir.path().join(folder);
        for (name, modified, stays) in [
            (".new-old", now - hours(2), false),
            (".new-ahead", now + hours(48), false),
            (".new-young", now, true),
            (".other", now - hours(2), true),
        ] {
            let path = folder.join(name);
            fs::write(&path, "left").unwrap();
            let file = File::options().write(true).open(&path).unwrap();
            file.set_times(FileTimes::new().set_modified(modified))
                .unwrap();
            out(dir.path(), &["undo", "--dry-run"]);
            assert_eq!(path.exists(), stays, "{}", path.display());
        }
    }
    let own = dir.path().join(".compband/tmp/.new-mine");
    fs::write(&own, "left").unwrap();
    out(dir.path(), &["undo", "--dry-run"]);
    assert!(!own.exists());
}

#[cfg(unix)]
#[test]
fn a_cache_that_leads_away_is_not_written_and_does_no_harm() {
    let (dir, away) = (book(), tempfile::tempdir().unwrap());
    log(dir.path(), "12");
    fs::remove_dir_all(dir.path().join(".compband/cache")).unwrap_or_default();
    std::os::unix::fs::symlink(away.path(), dir.path().join(".compband/cache")).unwrap();
    out(dir.path(), &["estimate", "--model", "Nulva 61K"]);
    assert_eq!(fs::read_dir(away.path()).unwrap().count(), 0);
}

#[cfg(unix)]
#[test]
fn settings_that_lead_away_are_read_but_not_written() {
    let (dir, away) = (book(), tempfile::tempdir().unwrap());
    let (settings, kept) = (dir.path().join("compband.toml"), away.path().join("s.toml"));
    fs::rename(&settings, &kept).unwrap();
    std::os::unix::fs::symlink(&kept, &settings).unwrap();
    let before = fs::read(&kept).unwrap();
    fs::write(
        dir.path().join("a.csv"),
        "day,thing,got\n2026-01-01,Nulva 61K,12\n",
    )
    .unwrap();
    let maps = ["--map", "day=sold_on", "--map", "thing=model", "--map"];
    let import = [
        &["import", "a.csv"][..],
        &maps,
        &["got=price", "--save-mapping", "mine"],
    ]
    .concat();
    let said = fails(dir.path(), 3, &import);
    assert!(
        said.contains("the mapping is not saved yet: run the same command again"),
        "{said}"
    );
    assert_eq!(fs::read(&kept).unwrap(), before);
    assert!(out(dir.path(), &["models"]).contains("Nulva 61K"));
    // Mended as it says, and the same command again.
    fs::remove_file(&settings).unwrap();
    fs::rename(&kept, &settings).unwrap();
    out(dir.path(), &import);
    let saved = fs::read_to_string(&settings).unwrap();
    assert!(saved.contains("[mappings.mine]"), "{saved}");
    // A link that leads nowhere is no place for a new book.
    let empty = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(&kept, empty.path().join("compband.toml")).unwrap();
    fails(empty.path(), 3, &["init"]);
    assert!(!kept.exists());
}

/// Sets a title, hides text, colours by an eight-bit control, turns the direction, rings, deletes.
const HOSTILE: &str =
    "\u{1b}]0;title\u{7}\u{1b}[8mhidden\u{1b}[0m\u{9b}31m\u{202e}\u{2066}\u{8}\u{7f}";

/// What would steer a terminal in what a command says to one.
fn steering(dir: &Path, args: &[&str]) -> (Vec<char>, String) {
    let output = compband(dir)
        .args(args)
        .env("CLICOLOR_FORCE", "1")
        .output()
        .unwrap();
    let said = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        stderr(&output)
    );
    let mut plain = said.clone();
    for style in ["0", "1", "2", "4", "31", "32", "33", "36"] {
        plain = plain.replace(&format!("\u{1b}[{style}m"), "");
    }
    let steers = |c: &char| {
        (c.is_control() && *c != '\n')
            || matches!(*c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    (plain.chars().filter(steers).collect(), said)
}

#[test]
fn nothing_in_a_book_or_on_the_command_line_steers_the_terminal() {
    let dir = book();
    fs::create_dir_all(dir.path().join("deals")).unwrap();
    // Columns beyond the model are read leniently, for old books.
    let mut cells = vec![String::new(); COLUMNS.len()];
    let mut set = |column: &str, text: &str| {
        cells[COLUMNS.iter().position(|&name| name == column).unwrap()] = text.into();
    };
    for (column, text) in [
        ("comp_id", "a1"),
        ("sold_on", "2026-01-01"),
        ("model", "Nulva 61K"),
        ("variant", HOSTILE),
        ("works", "yes"),
        ("price", "12.00"),
        ("shipping", "0.00"),
        ("currency", "EUR"),
        ("venue", HOSTILE),
        ("lot_size", "1"),
        ("note", HOSTILE),
    ] {
        set(column, text);
    }
    let import = |name: &str, cells: &[String]| {
        let text = format!("{}\n{}\n", COLUMNS.join(","), cells.join(","));
        fs::write(dir.path().join("comps").join(name), text).unwrap();
    };
    import("000001-a.csv", &cells);
    let sheet = format!(
        "date,item,price,note\n2026-01-01,X{HOSTILE},1,\n2026-01-02,Y,{HOSTILE},{HOSTILE}\n"
    );
    fs::write(dir.path().join("h.csv"), sheet).unwrap();
    let model = format!("X{HOSTILE}");
    let drawn = format!("x: from drawer {HOSTILE}, success 1");
    let commands: Vec<Vec<&str>> = vec![
        vec!["comps"],
        vec!["comps", "--model", "Nulva 61K"],
        vec!["models"],
        vec!["estimate", "--model", "Nulva 61K"],
        vec!["estimate", "--model", "Nulva 61K", "--json"],
        vec!["estimate", "--model", &model],
        vec!["check"],
        vec!["check", "--json"],
        vec!["undo", "--dry-run"],
        vec!["log", "--id", "a1", "--update", "--price", "13"],
        vec![
            "log", "--model", &model, "--price", HOSTILE, "--grade", HOSTILE,
        ],
        vec!["buy", &model, "--price", "1"],
        vec!["spend", HOSTILE, "1"],
        vec!["part", "add", HOSTILE, "--cost", "1"],
        vec!["part", "add", "lid", "--fits", HOSTILE, "--cost", "1"],
        vec!["part", "use", "d1", HOSTILE],
        vec!["part", "drop", HOSTILE],
        vec!["harvest", "d1", HOSTILE],
        vec!["bid", "--model", "Nulva 61K", "--repair", &drawn],
        vec!["import", "h.csv"],
        vec!["import", &model],
        vec!["import", "h.csv", "--map", HOSTILE],
        vec!["comps", HOSTILE],
        vec![HOSTILE],
        vec!["--book", HOSTILE, "models"],
    ];
    let check = |when: &str| {
        for command in &commands {
            let (found, said) = steering(dir.path(), command);
            assert!(found.is_empty(), "{when}, {command:?}: {found:?} in {said}");
        }
    };
    check("a row that reads");
    let shown = out(dir.path(), &["estimate", "--model", "Nulva 61K", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert!(json.to_string().contains('\u{202e}'), "{json}");
    let exact = out(dir.path(), &["comps", "--csv"]);
    assert!(exact.contains(HOSTILE), "{exact}");
    let price = COLUMNS.iter().position(|&name| name == "price").unwrap();
    cells[price] = HOSTILE.into();
    import(&format!("000002-{HOSTILE}.csv"), &cells);
    check("a row that does not");
    import(&format!("{HOSTILE}.csv"), &cells);
    fs::write(
        dir.path().join("deals/ledger.csv"),
        format!("{HOSTILE}\n{HOSTILE}\n"),
    )
    .unwrap();
    let (found, said) = steering(dir.path(), &["ledger"]);
    assert!(found.is_empty(), "{found:?} in {said}");
    for toml in [
        "currency = \"\\u001b[8m\\u202e\"\n".to_string(),
        "\"a\\u001b[8m\\u202e\" = 1\n".to_string(),
        format!("x = {HOSTILE}\n"),
    ] {
        fs::write(dir.path().join("compband.toml"), toml).unwrap();
        check("settings that are wrong");
        assert_eq!(run(dir.path(), &["models"]).status.code(), Some(4));
    }
}
