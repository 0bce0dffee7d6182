//! One reader of values: sheets, listings, answers and flags take the same days, ways of selling, levels and lists.

use std::fs;

use assert_cmd::Command;
use tempfile::TempDir;

/// A book with two explained words and a kit.
fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    run(&dir, &["init"], 0);
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap()
        + "\n[kits.\"Harvane Tessel\"]\nships_with = [\"charger\", \"strap\"]\n\
           [words.grade]\ngood = \"B\"\n[words.how_sold]\nmarket = \"fixed\"\n";
    fs::write(path, text).unwrap();
    dir
}

fn run(dir: &TempDir, args: &[&str], code: i32) -> String {
    let mut command = Command::cargo_bin("compband").unwrap();
    command.env_remove("COMPBAND_BOOK").env("NO_COLOR", "1");
    let output = command.current_dir(dir.path()).args(args).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{args:?}\n{text}");
    text
}

/// Text with every run of white space as one blank.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

const MODEL: &str = "Harvane Tessel";

#[test]
fn every_flag_takes_every_style_of_day() {
    let dir = book();
    run(
        &dir,
        &[
            "log",
            "--model",
            MODEL,
            "--price",
            "50",
            "--sold-on",
            "2026-02-01",
        ],
        0,
    );
    let days = [
        "2026-02-03",
        "3.2.2026",
        "03/02/2026",
        "3 Feb 2026",
        "Feb 3, 2026",
        "20260203",
    ];
    let commands: [&[&str]; 5] = [
        &["estimate", MODEL, "--as-of"],
        &["comps", "--since"],
        &["ledger", "fund", "10", "--date"],
        &["part", "list", "--as-of"],
        &[
            "log",
            "--model",
            MODEL,
            "--price",
            "60",
            "--again",
            "--sold-on",
        ],
    ];
    for command in commands {
        let said: Vec<String> = days
            .iter()
            .map(|day| run(&dir, &[command, &[*day]].concat(), 0))
            .collect();
        if command[0] == "estimate" || command[0] == "ledger" {
            for (day, said) in days.iter().zip(&said) {
                assert!(said.contains("2026-02-03"), "{command:?} {day}: {said}");
                let two_ways = said.contains("is read day first, as 2026-02-03, not 2026-03-02");
                assert_eq!(two_ways, *day == "03/02/2026", "{said}");
            }
        }
    }
    let sold = run(&dir, &["comps", "--csv"], 0);
    assert_eq!(sold.matches(",2026-02-03,").count(), days.len(), "{sold}");
    // Relative days, the book's own order, and what is no day.
    run(&dir, &["estimate", MODEL, "--as-of", "yesterday"], 0);
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("dates = \"mdy\"\n{text}")).unwrap();
    let said = run(&dir, &["estimate", MODEL, "--as-of", "03/02/2026"], 0);
    assert!(said.contains("on 2026-03-02"), "{said}");
    let said = run(&dir, &["estimate", MODEL, "--as-of", "soon"], 2);
    assert!(said.contains("20.11.2026, 20 Nov 2026, today"), "{said}");
    let said = run(
        &dir,
        &["log", "--model", MODEL, "--price", "5", "--sold-on", "soon"],
        3,
    );
    assert!(
        said.contains("--sold-on: found \"soon\": expected a day, such as"),
        "{said}"
    );
}

#[test]
fn flags_take_the_words_of_the_book() {
    let dir = book();
    let log = [
        "log",
        "--model",
        MODEL,
        "--price",
        "110",
        "--shipping",
        "free",
    ];
    let words = [
        "--grade",
        "Good",
        "--how-sold",
        "haggled",
        "--missing",
        "charger/strap",
    ];
    run(&dir, &[&log[..], &words].concat(), 0);
    let row = run(&dir, &["comps", "--csv"], 0);
    assert!(
        row.contains(",B,charger; strap,") && row.contains(",110.00,0.00,EUR,offer,"),
        "{row}"
    );
    let said = run(&dir, &["comps", "--grade", "good"], 0);
    assert!(said.contains("110.00"), "{said}");
    let unit = [
        "estimate",
        MODEL,
        "--grade",
        "good",
        "--how-sold",
        "market",
        "--missing",
        "strap and charger",
    ];
    let said = run(&dir, &unit, 0);
    assert!(said.contains("grade B"), "{said}");
    assert!(
        said.contains("--missing \"strap and charger\" is read as charger; strap"),
        "{said}"
    );
    let said = run(&dir, &[&unit[..], &["--json"]].concat(), 0);
    assert!(said.contains("\"how_sold\": \"fixed\""), "{said}");
    for how in ["bid", "fixed price", "auction", "Best Offer"] {
        run(&dir, &["estimate", MODEL, "--how-sold", how], 0);
    }
    let said = run(&dir, &["estimate", MODEL, "--how-sold", "raffle"], 3);
    assert!(
        said.contains("expected one of bid, fixed price, haggled"),
        "{said}"
    );
    let said = run(&dir, &["estimate", MODEL, "--grade", "fair"], 3);
    assert!(said.contains("The scale is A, B, C, D"), "{said}");
    run(&dir, &["net", "--price", "100", "--shipping", "free"], 5);
    // A watched unit keeps what was said.
    run(
        &dir,
        &[
            "watch",
            "add",
            "mine",
            MODEL,
            "--grade",
            "good",
            "--how-sold",
            "bid",
        ],
        0,
    );
    let kept = fs::read_to_string(dir.path().join("watch.toml")).unwrap();
    assert!(kept.contains("how_sold = \"auction\""), "{kept}");
    let said = run(&dir, &["estimate", "mine"], 0);
    assert!(said.contains("grade B"), "{said}");
    let said = run(&dir, &["log", "--model", MODEL, "--price", "110.00 GBP"], 3);
    assert!(said.contains("a rate of GBP"), "{said}");
}

#[test]
fn what_a_sheet_leaves_open_is_said_once() {
    let dir = book();
    let sheet = "day,thing,price,Post paid by buyer,missing,defects,Buyer,Town\n\
                 03/02/2026,Harvane Tessel,110.00,4.90,charger/strap,scratch,x,y\n\
                 04/02/2026,Harvane Tessel,120.00,free,charger and strap,scratch / dent,x,y\n\
                 05/02/2026,Harvane Tessel,111.00,5,charger/hood,dent,x,y\n\
                 06/02/2026,Harvane Tessel,99.00,5,strap,,x,y\n";
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let raw = run(&dir, &["import", "a.csv"], 0);
    assert!(raw.lines().all(|line| line.chars().count() <= 80), "{raw}");
    let said = flat(&raw);
    for told in [
        "4 dates could be read two ways and were read day first, as is usual for EUR: 03/02/2026 in row 2 is 2026-02-03; \
         also in rows 3, 4, 5 (--dates mdy reads them the other way)",
        "lists split at a slash or \"and\" in 2 rows, a guess: \"charger/strap\" in row 2 is charger; strap",
        "column \"Post paid by buyer\" is not used: shipping counts as 0; if the buyer paid this for it, say --map \
         \"Post paid by buyer=shipping\"",
        "columns not used: \"Buyer\", \"Town\" (--map \"Buyer=…\" takes one in",
    ] {
        assert_eq!(said.matches(told).count(), 1, "{told}\n{said}");
    }
    let rows = run(&dir, &["comps", "--csv"], 0);
    for lists in [
        ",charger; strap,,scratch,",
        // `scratch` and `dent` stand alone elsewhere in the sheet.
        ",charger; strap,,dent; scratch,",
        // Nobody knows a hood.
        ",charger/hood,,dent,",
    ] {
        assert!(rows.contains(lists), "{lists}\n{rows}");
    }
    // Once more is known, the same sheet gives the same sales, changed, and no others.
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(
        &path,
        text.replace("[\"charger\"", "[\"hood\", \"charger\""),
    )
    .unwrap();
    let said = flat(&run(&dir, &["import", "a.csv"], 0));
    assert!(said.contains("Sales: 1 changed, 3 unchanged."), "{said}");
    let rows = run(&dir, &["comps", "--csv"], 0);
    assert!(rows.contains(",charger; hood,,dent,"), "{rows}");
    assert_eq!(rows.lines().count(), 5, "{rows}");
    let said = run(
        &dir,
        &[
            "import",
            "a.csv",
            "--map",
            "Post paid by buyer=shipping",
            "--dry-run",
        ],
        0,
    );
    assert!(!said.contains("Post paid by buyer\" is not used"), "{said}");
    // A day that depends on when the sheet is read.
    fs::write(
        dir.path().join("b.csv"),
        "date,model,price\nyesterday,Harvane Tessel,5\n",
    )
    .unwrap();
    let said = run(&dir, &["import", "b.csv"], 3);
    assert!(
        said.contains("expected a date that stays the same day"),
        "{said}"
    );
}

#[test]
fn problems_are_counted_by_what_they_are() {
    let dir = book();
    let mut sheet = "date,model,price,shipping,grade\n".to_string();
    for day in 10..20 {
        let grade = ["vg", "fair"][day % 2];
        sheet.push_str(&format!(
            "2026-01-{day},Harvane Tessel,$1{day},$4.90,{grade}\n"
        ));
    }
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let said = run(&dir, &["import", "a.csv"], 3);
    assert!(
        said.contains("3 kinds of problem in 30 cells; nothing was imported"),
        "{said}"
    );
    assert_eq!(said.matches("currency = \"USD\"").count(), 1, "{said}");
    assert!(
        said.contains("a.csv: found \"$110\" in 20 cells, first in row 2"),
        "{said}"
    );
    fs::write(
        dir.path().join("b.csv"),
        "Sold\n\nwhen it went,which,how much\n1 Jan 2026,x,5\n",
    )
    .unwrap();
    let said = run(&dir, &["import", "b.csv"], 3);
    assert!(said.contains("row 3 looks most like a header"), "{said}");
}

#[test]
fn listings_with_odd_headings() {
    let dir = book();
    for day in 1..9 {
        let (price, sold_on) = (format!("{}", 100 + day), format!("2026-02-0{day}"));
        run(
            &dir,
            &[
                "log",
                "--model",
                MODEL,
                "--price",
                &price,
                "--sold-on",
                &sold_on,
                "--grade",
                "B",
            ],
            0,
        );
    }
    let table = "Seen on Sunday\n\nTitle;Thing;Wanted;Postage;Condition;Missing;How;Town;URL;Remarks\n\
                 red one;Harvane Tessel;60;free;good;strap/charger;haggled;here;http://x.test/1;loud fan\n\
                 blue one;Harvane Tessel;75,50;4.90;C;;market;there;http://x.test/2;\n";
    fs::write(dir.path().join("l.csv"), table).unwrap();
    let compare = ["compare", "l.csv", "--budget", "200", "--as-of", "1.3.2026"];
    let said = run(&dir, &compare, 3);
    assert!(
        said.contains("row 3 looks most like a header: say which column it is with --map"),
        "{said}"
    );
    let compare = [&compare[..], &["--map", "Wanted=asked"]].concat();
    let raw = run(&dir, &compare, 0);
    let said = flat(&raw);
    for told in [
        "Title = listing, Thing = model, Wanted = asked, Postage = inbound, Condition = grade, How = how_sold, URL = link",
        "columns not used: \"Town\"",
        "red one: loud fan; http://x.test/1",
        "blue one: http://x.test/2",
    ] {
        assert_eq!(said.matches(told).count(), 1, "{told}\n{raw}");
    }
    let json = run(&dir, &[&compare[..], &["--json"]].concat(), 0);
    let json: serde_json::Value =
        serde_json::from_str(&json[json.find('{').unwrap()..json.rfind('}').unwrap() + 1]).unwrap();
    let first = &json["listings"][0];
    assert_eq!(
        (first["listing"].as_str(), first["link"].as_str()),
        (Some("red one"), Some("http://x.test/1"))
    );
    // From a pipe, and with a value in another currency.
    let piped = |table: String| {
        let mut command = Command::cargo_bin("compband").unwrap();
        command
            .env_remove("COMPBAND_BOOK")
            .env("NO_COLOR", "1")
            .current_dir(dir.path());
        let args = [&["compare", "-"], &compare[2..]].concat();
        command.args(args).write_stdin(table).output().unwrap()
    };
    let output = piped(table.to_string());
    assert!(output.status.success());
    assert_eq!(
        flat(&String::from_utf8_lossy(&output.stdout)),
        flat(&raw[..raw.find("note:").unwrap_or(raw.len())])
    );
    let output = piped(table.replace(";60;", ";60 GBP;"));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.code() == Some(3) && said.contains("write what it comes to in EUR"),
        "{said}"
    );
    // A spreadsheet.
    let sheet =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/sheets/months.xlsx");
    let map = ["--map", "Sold for=asked", "--budget", "900"];
    let said = run(
        &dir,
        &[&["compare", sheet.to_str().unwrap()], &map[..]].concat(),
        3,
    );
    assert!(
        said.contains("months.xlsx, row") && !said.contains("a header with"),
        "{said}"
    );
}
