//! The default sheets as they are seen on screens of three widths.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use unicode_width::UnicodeWidthStr;

use crate::estimate::{demo, root};
use crate::runner::{compband, out, stderr};

/// Widths of the screens, in columns.
const WIDTHS: [&str; 3] = ["48", "80", "120"];

/// Most lines of a default sheet at 80 columns.
const MOST_LINES: usize = 14;

const UNIT: [&str; 8] = [
    "--model",
    "Nulva 61K",
    "--grade",
    "B",
    "--completeness",
    "usable",
    "--as-of",
    "2026-11-20",
];

/// What a command prints on a screen of this width.
fn screen(dir: &Path, width: &str, args: &[&str]) -> String {
    let output = compband(dir)
        .env("COLUMNS", width)
        .args(args)
        .output()
        .unwrap();
    assert!(output.status.success(), "{args:?}: {}", stderr(&output));
    let text = String::from_utf8(output.stdout).unwrap();
    let columns: usize = width.parse().unwrap();
    for line in text.lines() {
        assert!(
            line.width() <= columns,
            "{args:?} at {width}: {line:?}\n{text}"
        );
    }
    text
}

/// A default sheet at 80 columns, which has at most 14 lines.
fn short(dir: &Path, args: &[&str]) -> String {
    let text = screen(dir, "80", args);
    let lines = text.lines().count();
    assert!(lines <= MOST_LINES, "{lines} lines, {args:?}:\n{text}");
    text
}

/// What a command prints at all widths.
fn at_widths(dir: &Path, args: &[&str]) -> String {
    let one = |width: &&str| format!("{width} columns\n\n{}", screen(dir, width, args));
    WIDTHS.iter().map(one).collect::<Vec<_>>().join("\n")
}

fn of_unit<'a>(command: &[&'a str], more: &[&'a str]) -> Vec<&'a str> {
    [command, &UNIT, more].concat()
}

#[test]
fn the_default_sheets_at_three_widths() {
    let dir = demo();
    let repaired = [
        "--repair",
        "new battery: parts 14, minutes 30, success 0.9",
        "--inbound",
        "6",
        "--against",
        "88",
    ];
    for (name, args) in [
        (
            "estimate",
            of_unit(
                &["estimate"],
                &["--missing", "charger", "--extra", "spare battery"],
            ),
        ),
        (
            "estimate_model_alone",
            vec!["estimate", "--model", "Nulva 61K", "--as-of", "2026-11-20"],
        ),
        ("bid", of_unit(&["bid"], &["--against", "88"])),
        ("bid_with_a_repair", of_unit(&["bid"], &repaired)),
        ("ask", of_unit(&["ask"], &[])),
        (
            "ask_at_one_outlet",
            of_unit(&["ask"], &["--outlet", "parcel"]),
        ),
        ("offer", of_unit(&["offer", "131"], &[])),
        ("offer_accepted", of_unit(&["offer", "160"], &[])),
        ("check", vec!["check"]),
        ("check_by_grade", vec!["check", "--by", "grade"]),
    ] {
        insta::assert_snapshot!(name, at_widths(dir.path(), &args));
    }
    for (name, args) in [
        ("estimate_why", of_unit(&["estimate"], &["--why"])),
        (
            "bid_why",
            of_unit(&["bid"], &[&repaired[..], &["--why"]].concat()),
        ),
    ] {
        insta::assert_snapshot!(name, screen(dir.path(), "80", &args));
    }
}

/// All units of the demo by grade and completeness, as a whole and for parts.
#[test]
fn no_default_sheet_is_longer_than_fourteen_lines() {
    let dir = demo();
    let day = ["--as-of", "2026-11-20"];
    for model in ["Nulva 61K", "Tumrik QN 948", "Bolv 83V"] {
        for grade in ["A", "B", "C", "D"] {
            for completeness in ["bare", "usable", "full", "boxed", "sealed"] {
                let unit = [
                    "estimate",
                    model,
                    "--grade",
                    grade,
                    "--completeness",
                    completeness,
                ];
                let text = short(dir.path(), &[&unit[..], &day].concat());
                assert!(text.contains("Likely price  "), "{text}");
                assert!(
                    text.contains("4 in 5 such units should sell in this range"),
                    "{text}"
                );
            }
        }
        for more in [
            &[][..],
            &["--parts"],
            &["--band", "95", "--defect", "a dent in its side"],
        ] {
            let unit = [&["estimate", model][..], &day, more].concat();
            short(dir.path(), &unit);
        }
        for command in [
            &["bid", model, "--against", "60"][..],
            &["ask", model],
            &["offer", "60", "--model", model],
        ] {
            short(dir.path(), &[command, &day].concat());
        }
    }
    let long = [
        "--missing",
        "charger, strap, case, wind screen, manual in seven languages, warranty card",
        "--extra",
        "spare battery, memory card x2, leather holster, foot switch, window mount",
        "--defect",
        "worn buttons, loose jack, cracked display, faded print, sticky wheel",
    ];
    let unit = [&["estimate", "Nulva 61K", "--grade", "B"][..], &long, &day].concat();
    let text = short(dir.path(), &unit);
    assert!(text.contains("more warnings: --why"), "{text}");
    out(
        dir.path(),
        &[
            "watch",
            "add",
            "mine",
            "--model",
            "Nulva 61K",
            "--grade",
            "C",
        ],
    );
    assert!(
        short(dir.path(), &[&["estimate", "mine"][..], &day].concat())
            .starts_with("Nulva 61K, grade C\n")
    );
}

/// A book whose settings name a price for a model without sales, in a currency without minor units.
fn book_of_rules() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let settings = fs::read_to_string(root().join("demo/compband.toml")).unwrap();
    let settings = settings.replacen("\"EUR\"", "\"JPY\"", 1);
    let settings = settings.replace(
        "[rules.extras]\n",
        "[rules.extras]\nlens = \"1000 to 3000\"\n",
    );
    fs::write(
        dir.path().join("compband.toml"),
        format!("{settings}\n[kits.\"Orvane TT 5502\"]\nships_with = [\"hood\"]\nprice = \"1200000 to 2200000\"\n"),
    )
    .unwrap();
    dir
}

#[test]
fn a_unit_known_by_rules_alone_says_so() {
    let dir = book_of_rules();
    let unit = ["--model", "Orvane TT 5502", "--as-of", "2026-11-20"];
    let text = short(dir.path(), &[&["estimate"][..], &unit].concat());
    assert!(
        text.contains("No sale was used: this is your rule of thumb"),
        "{text}"
    );
    assert!(text.contains(" JPY"), "{text}");
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("Assumed       grade "), "{text}");
    assert!(
        words.contains("(stated neither by you nor by a sale used)"),
        "{text}"
    );
    screen(dir.path(), "48", &[&["estimate"][..], &unit].concat());
    for command in [
        &["bid", "--against", "900000"][..],
        &["ask"],
        &["offer", "900000"],
    ] {
        short(dir.path(), &[command, &unit].concat());
    }
}

/// Safety is said where the repair calls for it, whole, and once.
#[test]
fn cautions_stand_where_the_work_calls_for_them() {
    let dir = demo();
    let bid = |more: &[&str]| short(dir.path(), &of_unit(&["bid"], more));
    assert!(!bid(&[]).contains("Cells:"));
    let cells = "Cells: keep a swollen or dented one apart, hand it in; fit only the right kind.\n";
    let text = bid(&["--repair", "new battery: parts 14, success 0.9"]);
    assert_eq!(text.matches(cells).count(), 1, "{text}");
    assert!(
        !text.contains("Mains:") && !text.contains("Locks:"),
        "{text}"
    );
    let general = bid(&["--repair", "clean jack: success 95 %"]);
    assert!(general.contains("Before opening it:"), "{general}");
    let outside = bid(&["--repair", "new strap: parts 4, success 1"]);
    assert!(!outside.contains("Before opening it:"), "{outside}");
}

/// What stands in the short sheet is in the whole one.
#[test]
fn why_prints_the_whole() {
    let dir = demo();
    let brief = short(dir.path(), &of_unit(&["estimate"], &[]));
    let whole = screen(dir.path(), "80", &of_unit(&["estimate"], &["--why"]));
    assert!(whole.lines().count() > 60 && whole.contains("Sales included, closest first"));
    let price = brief
        .lines()
        .nth(1)
        .unwrap()
        .split_whitespace()
        .nth(2)
        .unwrap();
    assert!(whole.contains(price), "{price}\n{whole}");
    // Pieces that the completeness implies have a mark of their own.
    assert!(
        whole.contains("◦  case missing") && whole.contains("•  grade A to B"),
        "{whole}"
    );
    let figures = screen(dir.path(), "80", &["check", "--figures"]);
    assert!(figures.contains("COD") && figures.contains("PRB"));
    assert!(!screen(dir.path(), "80", &["check"]).contains("COD"));
}
