//! Reports: the page, the workbook and the CSV as they are written. `tests/reference/check_report.sh`
//! opens the same in a browser and in a spreadsheet.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::estimate::{DEMO_UNIT as UNIT, demo, json};
use crate::runner::{fails, out, run, stderr};

fn page(dir: &Path, more: &[&str]) -> String {
    let args: Vec<&str> = ["report"]
        .into_iter()
        .chain(UNIT)
        .chain(["--out", "a.html"])
        .chain(more.iter().copied())
        .collect();
    out(dir, &args);
    fs::read_to_string(dir.join("a.html")).unwrap()
}

/// A page with plain spaces in the place of those that do not break.
fn plain(html: &str) -> String {
    html.replace(['\u{a0}', '\u{202f}'], " ")
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let rest = text
        .split_once(from)
        .unwrap_or_else(|| panic!("no {from}"))
        .1;
    rest.split_once(to).unwrap_or_else(|| panic!("no {to}")).0
}

#[test]
fn a_page_says_what_the_estimate_says() {
    let dir = demo();
    let estimate: Vec<&str> = ["estimate"].into_iter().chain(UNIT).collect();
    let told = json(dir.path(), &estimate);
    let html = plain(&page(dir.path(), &[]));
    for key in ["likely_price", "band/low", "band/high"] {
        let amount = told.pointer(&format!("/{key}")).unwrap().as_str().unwrap();
        assert!(html.contains(amount), "{key} {amount}");
    }
    let comps = between(&html, "<caption id=\"comps\">", "</table>");
    for comp in told["comps"].as_array().unwrap() {
        let used = comp["used"].as_bool().unwrap();
        let id = &comp["comp_id"].as_str().unwrap()[..6];
        let row = comps.lines().find(|line| line.contains(&format!(">{id}")));
        assert!(!used || row.is_some(), "{id} is missing");
        if let Some(row) = row {
            let row = row.replace(' ', "");
            assert_eq!(row.starts_with("<trclass=\"quiet\">"), !used, "{row}");
            assert!(row.contains(comp["paid"].as_str().unwrap()), "{row}");
        }
    }
    let adjustments = between(&html, "<caption id=\"adjustments\">", "</table>");
    for adjustment in told["adjustments"].as_array().unwrap() {
        let head = format!(
            "<th scope=\"row\">{}</th>",
            adjustment["what"].as_str().unwrap()
        );
        let row = adjustments
            .lines()
            .find(|line| line.contains(&head))
            .unwrap();
        let used = adjustment["used"]["value"]
            .as_str()
            .unwrap()
            .replace('-', "−");
        assert!(row.contains(&used), "{row}: {used}");
    }
    for warning in told["warnings"].as_array().unwrap() {
        assert!(html.contains(&plain(warning.as_str().unwrap())));
    }
    assert!(html.contains("not a promise; not tax or legal advice"));
    // The sections that were not asked for are not there.
    assert!(!html.contains("What to bid") && !html.contains("id=\"check\""));
}

#[test]
fn a_page_needs_nothing_beside_it_and_can_be_made_again() {
    let dir = demo();
    let html = page(dir.path(), &[]);
    for outward in [
        "http:", "https:", "src=", "@import", "url(", "<link", "<iframe",
    ] {
        let found = html
            .match_indices(outward)
            .filter(|(at, _)| !html[..*at].ends_with("xmlns=\""))
            .count();
        assert_eq!(found, 0, "{outward}");
    }
    assert!(html.contains("default-src 'none'"));
    let command = between(&html, "<pre><code>", "</code>");
    assert_eq!(
        command,
        "compband report --model 'Nulva 61K' --grade B --completeness usable --missing charger \
         --as-of 2026-11-20 --out report.html"
    );
    let words: Vec<&str> = vec!["report", "--model", "Nulva 61K"];
    let rest = command.split_once("'Nulva 61K' ").unwrap().1.split(' ');
    let words: Vec<&str> = words.into_iter().chain(rest).collect();
    out(dir.path(), &words);
    let again = fs::read_to_string(dir.path().join("report.html")).unwrap();
    assert_eq!(again, html);
    // Another book makes another page, and says that it is another.
    let hash = |html: &str| between(html, "<dt>Book</dt><dd>", ",").to_string();
    let settings = dir.path().join("compband.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(&settings, format!("{text}\n# changed\n")).unwrap();
    assert_ne!(hash(&page(dir.path(), &[])), hash(&html));
}

#[test]
fn every_colour_of_the_chart_has_a_dark_one() {
    let dir = demo();
    let html = page(dir.path(), &[]);
    let (style, chart) = (
        between(&html, "<style>", "</style>"),
        between(&html, "<svg", "</svg>"),
    );
    let mut seen = BTreeSet::new();
    for kind in ["fill", "stroke"] {
        for (at, _) in chart.match_indices(&format!("{kind}=\"#")) {
            let colour = &chart[at..at + kind.len() + 10];
            seen.insert(colour);
            assert!(style.contains(&format!(".chart [{colour}]")), "{colour}");
        }
    }
    assert!(seen.len() > 8, "{seen:?}");
}

#[test]
fn bid_and_check_are_told_where_they_are_asked_for() {
    let dir = demo();
    let bid = [
        "--bid",
        "--against",
        "88",
        "--repair",
        "new <cell>: parts 14, minutes 30, success 0.9",
    ];
    let html = plain(&page(dir.path(), &[&bid[..], &["--check"]].concat()));
    let args: Vec<&str> = ["bid"]
        .into_iter()
        .chain(UNIT)
        .chain(bid[1..].iter().copied())
        .collect();
    let told = json(dir.path(), &args);
    let most = told["most"].as_str().unwrap();
    assert!(
        html.contains(&format!("Bid at most {most} EUR. Limited by: ")),
        "{most}"
    );
    assert!(html.contains("1. new &lt;cell&gt;: spare parts 14.00"));
    assert!(html.contains("Cells: keep a swollen or dented one apart"));
    let held = json(dir.path(), &["check", "--model", "Nulva 61K"]);
    let group = &held["groups"][0];
    let table = between(&html, "<caption id=\"check\">", "</table>");
    for band in group["coverage"].as_array().unwrap() {
        let row = format!(
            "<tr><th scope=\"row\">{} %</th><td class=\"number\">{}</td><td class=\"number\">{}</td>",
            band["chance_percent"], band["of"], band["held"]
        );
        assert!(table.contains(&row), "{row}\n{table}");
    }
    for verdict in group["verdicts"].as_array().unwrap() {
        let says = verdict["says"].as_str().unwrap();
        assert!(html.contains(says), "{says}");
    }
    // What a repair costs is part of a bid, with or without saying so.
    let alone = page(dir.path(), &["--repair", "clean: parts 0, success 1"]);
    assert!(alone.contains("What to bid"));
}

/// A demo book that watches two units.
fn watching() -> tempfile::TempDir {
    let dir = demo();
    let (unit, _day) = UNIT.split_at(UNIT.len() - 2);
    out(dir.path(), &[&["watch", "add", "61k"], unit].concat());
    let qn948 = ["--model", "Tumrik QN 948", "--grade", "C"];
    out(
        dir.path(),
        &[&["watch", "add", "qn948"][..], &qn948].concat(),
    );
    dir
}

/// The values of an attribute, in the order of the page.
fn values<'a>(html: &'a str, attribute: &str) -> Vec<&'a str> {
    let begin = format!(" {attribute}=\"");
    let pieces = html.split(begin.as_str()).skip(1);
    pieces
        .map(|piece| piece.split('"').next().unwrap())
        .collect()
}

#[test]
fn several_watched_units_are_parts_of_one_page() {
    let dir = watching();
    let day = ["--as-of", "2026-11-20"];
    let of = |names: &[&str], file: &str| {
        out(
            dir.path(),
            &[
                &["report"],
                names,
                &day,
                &["--check", "--bid", "--ask", "--out", file],
            ]
            .concat(),
        );
        plain(&fs::read_to_string(dir.path().join(file)).unwrap())
    };
    let html = of(&["qn948", "61k", "qn948"], "two.html");
    // Contents lead to each part, with the figures of the estimate.
    let contents = between(&html, "<nav", "</nav>");
    let unit = json(dir.path(), &[&["estimate"][..], &UNIT].concat());
    let line = format!(
        "<a href=\"#part2-name\">61k: {}</a> <b>{} EUR</b> <span>80 % range {} to {}</span>",
        "Nulva 61K, grade B, usable, charger missing",
        unit["likely_price"].as_str().unwrap(),
        unit["band"]["low"].as_str().unwrap(),
        unit["band"]["high"].as_str().unwrap()
    );
    assert!(contents.contains(&line), "{line}\n{contents}");
    assert_eq!(contents.matches("<li>").count(), 2);
    let ids = values(&html, "id");
    let unique: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(unique.len(), ids.len(), "{ids:?}");
    for link in values(&html, "href") {
        assert!(unique.contains(link.strip_prefix('#').unwrap()), "{link}");
    }
    for labels in values(&html, "aria-labelledby") {
        assert!(labels.split(' ').all(|id| unique.contains(id)), "{labels}");
    }
    // Regions are told apart by their names.
    let regions = values(&html, "aria-labelledby");
    let apart: BTreeSet<&str> = regions.iter().copied().collect();
    assert_eq!(apart.len(), regions.len(), "{regions:?}");
    assert!(html.contains("\"Chart of 61k\"") && html.contains("\"Chart of qn948\""));
    // Headings go down a level at a time.
    let mut before = 0;
    for (at, _) in html.match_indices("<h") {
        let Some(level) = html[at + 2..].chars().next().unwrap().to_digit(10) else {
            continue;
        };
        assert!(
            level <= before + 1,
            "h{level} below h{before}: {}",
            &html[at..at + 60]
        );
        before = level;
    }
    assert!(html.find("qn948: Tumrik").unwrap() < html.find("61k: Nulva").unwrap());
    assert!(between(&html, "<style>", "</style>").contains("article { break-before: page; }"));
    // What is told of a unit is what is told of it alone, and the page can be made again.
    let alone = of(&["61k"], "one.html");
    let section = |html: &str, heading: &str| {
        let rest = html.rsplit_once(&format!(">{heading}</h")).unwrap().1;
        let rest = rest.split_once('>').unwrap().1;
        let rest = rest.split("</section>").next().unwrap();
        let rest = rest.replace("part2-name ", "").replace("part2-", "");
        rest.replace("h4>", "h3>")
    };
    for heading in [
        "What to bid",
        "What to ask",
        "Comps",
        "How past estimates held",
    ] {
        assert_eq!(section(&html, heading), section(&alone, heading));
    }
    assert!(alone.contains("<h1 dir=\"auto\">Nulva 61K") && !alone.contains("Contents"));
    assert!(alone.contains("<dt>Described by</dt><dd>--model 'Nulva 61K' --completeness usable"));
    let all = of(&["--all"], "all.html");
    assert!(all.find("61k: Nulva").unwrap() < all.find("qn948: Tumrik").unwrap());
    let command = between(&all, "<pre><code>", "</code>");
    assert_eq!(
        command,
        "compband report --all --check --bid --ask --as-of 2026-11-20 --out report.html"
    );
    let again = of(&["--all"], "again.html");
    assert_eq!(all, again);
}

#[test]
fn what_cannot_be_told_is_named_on_the_page_and_is_an_error() {
    let dir = watching();
    let path = dir.path().join("watch.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(
        &path,
        format!("{text}\n[gone]\nmodel = \"No <such> thing\"\n"),
    )
    .unwrap();
    let day = ["--as-of", "2026-11-20", "--out", "a.html"];
    let said = fails(dir.path(), 5, &[&["report", "--all"][..], &day].concat());
    assert!(
        said.contains("watched unit \"gone\": no comps of"),
        "{said}"
    );
    let html = fs::read_to_string(dir.path().join("a.html")).unwrap();
    assert!(
        html.contains("Not on this page")
            && html.contains("gone: no comps of &quot;No &lt;such&gt;")
    );
    assert_eq!(html.matches("<article>").count(), 2);
    fs::remove_file(dir.path().join("a.html")).unwrap();
    fails(dir.path(), 5, &[&["report", "gone"][..], &day].concat());
    let unknown = fails(dir.path(), 5, &[&["report", "qn947"][..], &day].concat());
    assert!(unknown.contains("the nearest names: qn948"), "{unknown}");
    for (words, told) in [
        (
            vec!["report", "61k", "qn948", "--grade", "A"],
            "describe one unit",
        ),
        (
            vec!["report", "--all", "--model", "Nulva 61K"],
            "describe one unit",
        ),
        (
            vec!["report", "--grade", "A"],
            "names of watched units, deals, or --all",
        ),
        (vec!["report", "--all", "61k"], "--all"),
    ] {
        let wrong = fails(dir.path(), 2, &[&words[..], &day].concat());
        assert!(wrong.contains(told), "{words:?}: {wrong}");
    }
    assert!(!dir.path().join("a.html").exists());
}

#[test]
fn what_to_ask_is_what_ask_says() {
    let dir = demo();
    let said = ["--deadline", "6", "--exit", "90"];
    let html = plain(&page(dir.path(), &said));
    let told = json(dir.path(), &[&["ask"][..], &UNIT, &said].concat());
    let section = between(&html, "<h2>What to ask</h2>", "</section>");
    let usual = &told["usual"];
    for wanted in [
        format!("Ask {} EUR (", usual["ask"].as_str().unwrap()),
        format!(
            "Accept {} EUR or more at once.",
            usual["take_at_once"].as_str().unwrap()
        ),
        "If it has not sold after 6 weeks, you keep 90.00.".into(),
        "When to stop".into(),
    ] {
        assert!(section.contains(&wanted), "{wanted}\n{section}");
    }
    let weeks = told["weeks"].as_array().unwrap();
    assert!(weeks.len() >= 4);
    for week in weeks {
        let row = format!(
            "<tr><th scope=\"row\">{}</th><td class=\"number\">{}</td><td class=\"number\">{}</td>",
            week["week"],
            week["ask"].as_str().unwrap_or("–"),
            week["lowest_to_take"].as_str().unwrap()
        );
        assert!(section.contains(&row), "{row}\n{section}");
    }
    // Options of the sale go with what is asked for; alone, they are those of a bid.
    assert!(!html.contains("What to bid"));
    let both = page(dir.path(), &["--ask", "--bid", "--outlet", "parcel"]);
    assert!(both.contains("What to bid") && both.contains("What to ask"));
    let bid = page(dir.path(), &["--outlet", "parcel"]);
    assert!(bid.contains("What to bid") && !bid.contains("What to ask"));
    let ask = page(dir.path(), &["--outlet", "parcel", "--ask"]);
    assert!(!ask.contains("What to bid") && ask.contains("What to ask"));
    fails(
        dir.path(),
        2,
        &[
            "report",
            "--model",
            "Nulva 61K",
            "--csv",
            "a.csv",
            "--deadline",
            "4",
        ],
    );
}

#[test]
fn spreadsheets_of_several_units_name_them() {
    let dir = watching();
    let files = [
        "--csv",
        "a.csv",
        "--csv-adjustments",
        "b.csv",
        "--xlsx",
        "a.xlsx",
    ];
    out(
        dir.path(),
        &[
            &["report", "qn948", "61k", "--as-of", "2026-11-20"][..],
            &files,
        ]
        .concat(),
    );
    let unit = json(dir.path(), &[&["estimate"][..], &UNIT].concat());
    for (file, key, id) in [
        ("a.csv", "comps", "comp_id"),
        ("b.csv", "adjustments", "what"),
    ] {
        let mut csv = csv::Reader::from_path(dir.path().join(file)).unwrap();
        assert_eq!(&csv.headers().unwrap()[0], "unit");
        let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
        assert_eq!(&rows[0][0], "qn948");
        let written: BTreeSet<&str> = rows
            .iter()
            .filter(|row| &row[0] == "61k")
            .map(|row| &row[1])
            .collect();
        let told = unit[key].as_array().unwrap();
        let told: BTreeSet<&str> = told.iter().map(|row| row[id].as_str().unwrap()).collect();
        assert_eq!(written, told, "{file}");
    }
    assert!(
        fs::read(dir.path().join("a.xlsx"))
            .unwrap()
            .starts_with(b"PK")
    );
}

#[test]
fn nothing_that_was_typed_is_markup_or_a_formula() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let hostile = [
        "<script>alert(1)</script>",
        "\"><img src=x onerror=alert(2)>",
        "</style><svg onload=alert(3)>",
        "=1+1",
        "+2",
        "-3",
        "@4",
    ];
    let mut csv = String::from("sold_on,model,variant,grade,defects,price,currency,note\n");
    for at in 0..21 {
        let text = hostile[at % hostile.len()].replace('"', "\"\"");
        csv += &format!(
            "2026-0{}-11,<i>83V</i>,\"{text}\",A,\"{text}\",{},EUR,\"{text}\"\n",
            1 + at % 9,
            90 + at % 5
        );
    }
    fs::write(dir.path().join("hostile.csv"), csv).unwrap();
    out(dir.path(), &["import", "hostile.csv"]);
    out(
        dir.path(),
        &[
            "report",
            "--model",
            "<i>83V</i>",
            "--variant",
            "\u{202e}<script>'\u{7}",
            "--defect",
            "<b onclick=alert(5)>",
            "--repair",
            "<script>: success 1",
            "--as-of",
            "2026-11-20",
            "--out",
            "a.html",
            "--csv",
            "a.csv",
            "--csv-adjustments",
            "b.csv",
            "--xlsx",
            "a.xlsx",
        ],
    );
    let html = fs::read_to_string(dir.path().join("a.html")).unwrap();
    assert_eq!(html.matches("<script").count(), 1, "our own script alone");
    assert_eq!(html.matches("<svg").count(), 1, "our own chart alone");
    for markup in ["<img", "<b ", "<i>", "\u{202e}", "\u{7}"] {
        assert!(!html.contains(markup), "{markup:?}");
    }
    assert!(html.contains("&lt;i&gt;83V&lt;/i&gt;, \\u{202e}&lt;script&gt;'\\u{7}"));
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    for name in ["a.csv", "b.csv"] {
        let mut csv = csv::Reader::from_path(dir.path().join(name)).unwrap();
        let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
        let texts = rows
            .iter()
            .flatten()
            .filter(|cell| cell.parse::<f64>().is_err());
        let acts = |cell: &str| cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
        assert_eq!(texts.filter(|cell| acts(cell)).count(), 0, "{name}");
        let marked = rows
            .iter()
            .flatten()
            .filter(|cell| cell.starts_with('\''))
            .count();
        assert_eq!(marked > 8, name == "a.csv", "{name}: {marked}");
    }
}

#[test]
fn files_that_cannot_be_are_refused_before_the_work() {
    let dir = demo();
    let with = |more: &[&'static str]| -> Vec<&'static str> {
        ["report", "--model", "Nulva 61K"]
            .iter()
            .chain(more)
            .copied()
            .collect()
    };
    let none = run(dir.path(), &with(&[]));
    assert_eq!(none.status.code(), Some(2), "{}", stderr(&none));
    let wrong = fails(dir.path(), 3, &with(&["--out", "a.pdf"]));
    assert!(
        wrong.contains("--out a.pdf: expected a file name that ends in .html"),
        "{wrong}"
    );
    let twice = fails(
        dir.path(),
        2,
        &with(&["--csv", "a.csv", "--csv-adjustments", "a.csv"]),
    );
    assert!(twice.contains("a.csv is named for two files"), "{twice}");
    let bid = fails(dir.path(), 2, &with(&["--csv", "a.csv", "--against", "5"]));
    assert!(bid.contains("--out FILE"), "{bid}");
    let nowhere = fails(dir.path(), 1, &with(&["--xlsx", "none/a.xlsx"]));
    assert!(nowhere.contains("none/a.xlsx"), "{nowhere}");
    assert!(!dir.path().join("a.csv").exists() && !dir.path().join("a.pdf").exists());
}

#[test]
fn spreadsheets_hold_every_comp_and_are_the_same_each_time() {
    let dir = demo();
    let args: Vec<&str> = ["report"]
        .into_iter()
        .chain(UNIT)
        .chain([
            "--csv",
            "a.csv",
            "--csv-adjustments",
            "b.csv",
            "--xlsx",
            "a.xlsx",
        ])
        .collect();
    out(dir.path(), &args);
    let estimate: Vec<&str> = ["estimate"].into_iter().chain(UNIT).collect();
    let told = json(dir.path(), &estimate);
    let rows = |name: &str| -> Vec<csv::StringRecord> {
        let mut csv = csv::Reader::from_path(dir.path().join(name)).unwrap();
        csv.records().map(Result::unwrap).collect()
    };
    let comps = told["comps"].as_array().unwrap();
    let written = rows("a.csv");
    assert_eq!(written.len(), comps.len());
    for row in &written {
        let comp = comps.iter().find(|comp| comp["comp_id"] == row[0]).unwrap();
        assert_eq!(&row[12], comp["paid"].as_str().unwrap());
        assert_eq!(&row[13], comp["adjusted"].as_str().unwrap_or_default());
        assert_eq!(&row[15] == "yes", comp["used"].as_bool().unwrap());
    }
    let adjustments = told["adjustments"].as_array().unwrap();
    let written = rows("b.csv");
    assert_eq!(written.len(), adjustments.len());
    for (row, adjustment) in written.iter().zip(adjustments) {
        assert_eq!(&row[0], adjustment["what"].as_str().unwrap());
        assert_eq!(&row[3], adjustment["used"]["value"].as_str().unwrap());
    }
    let first = fs::read(dir.path().join("a.xlsx")).unwrap();
    assert!(first.starts_with(b"PK"));
    out(dir.path(), &args);
    assert_eq!(fs::read(dir.path().join("a.xlsx")).unwrap(), first);
}

/// A model may be named with or without its flag, and flags say what the unit is.
#[test]
fn a_model_with_flags() {
    let dir = demo();
    let page = |name: &[&str]| {
        let facts = [
            "--grade",
            "B",
            "--as-of",
            "2026-11-20",
            "--out",
            "page.html",
        ];
        out(dir.path(), &[&["report"], name, &facts].concat());
        let html = fs::read_to_string(dir.path().join("page.html")).unwrap();
        // The page states its own command.
        between(&html, "<main", "</main>").replace("--model ", "")
    };
    assert_eq!(page(&["Nulva 61K"]), page(&["--model", "Nulva 61K"]));
}
