//! Units that are watched, what moved them, and how they went.

use compband::trade::Unit;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use chrono::NaiveDate;
use compband::band::change::{At, Cause, Inputs, comp_changes, steps};
use compband::band::{Estimate, estimate};
use compband::book::history::frame_of;
use compband::select::Dropped;
use compband::select::pieces::Wording;
use compband::select::plan::{Query, select};
use compband::select::widen::{Limits, widen};
use compband::settings::Settings;
use compband::trade::Comp;
use compband::trade::comp::PriceBasis;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rust_decimal::Decimal;
use serde_json::Value;
use tempfile::TempDir;
use unicode_width::UnicodeWidthStr;

use crate::estimate::{DEMO_UNIT, conforms, demo, root};
use crate::runner::{compband, fails, out, run, stderr};

/// The unit without a day.
const UNIT: &[&str] = DEMO_UNIT.split_at(8).0;

fn watched() -> TempDir {
    let book = demo();
    out(book.path(), &[&["watch", "add", "61k"], UNIT].concat());
    book
}

fn refreshed(dir: &Path, day: &str) -> Value {
    let text = out(dir, &["refresh", "--as-of", day, "--json"]);
    let document = serde_json::from_str(&text).unwrap();
    keeps_to_schema(&document, "refresh");
    document
}

fn keeps_to_schema(document: &Value, name: &str) {
    let path = root().join(format!("data/{name}-1.schema.json"));
    let schema: Value = serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!(document["schema"], schema["title"]);
    conforms(document, &schema, name);
}

/// The one unit of [`watched`].
fn refresh(dir: &Path, day: &str) -> Value {
    refreshed(dir, day)["units"][0].clone()
}

fn fresh(dir: &Path, day: &str) -> Value {
    let args = [&["estimate", "--as-of", day, "--json"], UNIT].concat();
    serde_json::from_str(&out(dir, &args)).unwrap()
}

fn money(value: &Value) -> Decimal {
    let text = value
        .as_str()
        .unwrap_or_else(|| panic!("{value} is not money"));
    text.parse().unwrap()
}

/// Likely price and ends of the band.
fn prices(document: &Value) -> [String; 3] {
    let band = &document["band"];
    [&document["likely_price"], &band["low"], &band["high"]].map(|v| money(v).to_string())
}

fn log(dir: &Path, model: &str, price: &str, day: &str, more: &[&str]) {
    let args = ["log", "--model", model, "--price", price, "--sold-on", day];
    out(dir, &[&args, more].concat());
}

fn lines_of_history(dir: &Path) -> usize {
    let text = fs::read_to_string(dir.join("history/61k.csv")).unwrap();
    text.lines().count() - 1
}

/// The steps lead from the price before to the price now.
fn adds_up(unit: &Value) {
    let steps = unit["steps"].as_array().unwrap();
    let sum: Decimal = steps.iter().map(|step| money(&step["by"])).sum();
    let change = money(&unit["estimate"]["likely_price"]) - money(&unit["before"]["likely_price"]);
    assert_eq!(sum, change, "{unit:#}");
    assert_eq!(money(&unit["change"]), change);
}

/// Kinds of causes and, for comps, what became of them.
fn kinds(unit: &Value) -> Vec<String> {
    let steps = unit["steps"].as_array().unwrap();
    let causes = steps.iter().flat_map(|s| s["causes"].as_array().unwrap());
    causes
        .map(|cause| match cause["kind"].as_str().unwrap() {
            "comps" => cause["comps"][0]["what"].as_str().unwrap().to_string(),
            kind => kind.to_string(),
        })
        .collect()
}

#[test]
fn a_logged_sale_is_what_moves_the_price() {
    let book = watched();
    let dir = book.path();
    let first = refresh(dir, "2026-11-15");
    assert_eq!(first["state"], "first");
    assert_eq!(
        prices(&first["estimate"]),
        prices(&fresh(dir, "2026-11-15"))
    );
    let more = [
        "--grade",
        "B",
        "--completeness",
        "usable",
        "--id",
        "dear-one",
    ];
    log(dir, "Nulva 61K", "190", "2026-11-18", &more);
    let unit = refresh(dir, "2026-11-19");
    assert_eq!(unit["state"], "moved");
    adds_up(&unit);
    assert_eq!(prices(&unit["before"]), prices(&first["estimate"]));
    assert_eq!(prices(&unit["estimate"]), prices(&fresh(dir, "2026-11-19")));
    let step = unit["steps"].as_array().unwrap().last().unwrap();
    let comp = &step["causes"][0]["comps"][0];
    assert_eq!(comp["comp_id"], "dear-one");
    assert_eq!(comp["what"], "new");
    assert_eq!(money(&comp["paid"]), Decimal::from(190));
    assert!(comp["weight"].as_f64().unwrap() > 0.2, "{comp}");
    // A sale far above the band moves the price up, and most of the change is its own.
    let change = money(&unit["change"]);
    assert!(money(&step["by"]) > Decimal::ONE, "{unit:#}");
    assert!(money(&step["by"]) > change / Decimal::from(2), "{unit:#}");
    assert_eq!(lines_of_history(dir), 2);
}

/// Without other models, on the same day, a sale is all that there is to tell: what was kept of the
/// last estimate gives that very estimate again.
#[test]
fn nothing_else_is_blamed() {
    let book = watched();
    let dir = book.path();
    let path = dir.join("compband.toml");
    let toml = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{toml}\n[estimate]\npool = \"none\"\n")).unwrap();
    refresh(dir, "2026-11-19");
    log(dir, "Nulva 61K", "150", "2026-11-18", &["--id", "n1"]);
    let unit = refresh(dir, "2026-11-19");
    adds_up(&unit);
    assert_eq!(kinds(&unit), ["new"]);
    // A correction, and a day later nothing but the day.
    out(dir, &["log", "--id", "n1", "--update", "--price", "120"]);
    let unit = refresh(dir, "2026-11-19");
    adds_up(&unit);
    assert_eq!(kinds(&unit), ["corrected"]);
    assert!(money(&unit["change"]) < Decimal::ZERO);
    let unit = refresh(dir, "2026-12-24");
    adds_up(&unit);
    assert_eq!(kinds(&unit), ["day"]);
    // The correction and then the sale taken back.
    out(dir, &["undo"]);
    out(dir, &["undo"]);
    let unit = refresh(dir, "2026-12-24");
    adds_up(&unit);
    assert_eq!(kinds(&unit), ["removed"]);
    // A change of the settings that matters.
    let changed = toml + "\n[estimate]\npool = \"none\"\nhalf_life_days = 30\n";
    fs::write(&path, changed).unwrap();
    let unit = refresh(dir, "2026-12-24");
    adds_up(&unit);
    assert_eq!(kinds(&unit), ["rest"]);
    assert_eq!(unit["steps"][0]["causes"][0]["may_be"][0], "the settings");
    assert_eq!(prices(&unit["estimate"]), prices(&fresh(dir, "2026-12-24")));
    // A lot says nothing, and is told to.
    log(dir, "Nulva 61K", "300", "2026-11-18", &["--lot-size", "2"]);
    let unit = refresh(dir, "2026-12-24");
    let comp = &unit["steps"][0]["causes"][0]["comps"][0];
    assert_eq!(money(&unit["change"]), Decimal::ZERO);
    assert_eq!(comp["not_used"], "lot of 2");
}

/// Whatever changes, what refresh says is what a fresh estimate says; what did not change is not
/// estimated again.
#[test]
fn a_refresh_equals_a_fresh_estimate() {
    let book = watched();
    let dir = book.path();
    let day = "2026-11-19";
    let mut lines = 0;
    let mut check = |what: &str, anew: bool| {
        let unit = refresh(dir, day);
        assert_eq!(
            prices(&unit["estimate"]),
            prices(&fresh(dir, day)),
            "{what}"
        );
        lines += usize::from(anew);
        assert_eq!(lines_of_history(dir), lines, "{what}");
        assert_eq!(unit["state"] == "unchanged", !anew, "{what}");
        if unit["state"] == "moved" {
            adds_up(&unit);
        }
    };
    check("first", true);
    check("nothing", false);
    let path = dir.join("compband.toml");
    let toml = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("# a remark\n{toml}")).unwrap();
    check("a remark in the settings", false);
    log(
        dir,
        "Tumrik QN 948",
        "40",
        "2026-11-18",
        &["--grade", "D", "--defect", "dent"],
    );
    check("another model", true);
    out(dir, &["comps"]);
    check("a look", false);
    log(dir, "Nulva 61K", "99", "2026-11-20", &[]);
    check("a sale of after the day", true);
    out(dir, &["undo"]);
    check("that taken back", true);
    fs::write(&path, format!("{toml}\n[estimate]\nspread = 0.25\n")).unwrap();
    check("a setting", true);
    let watch = dir.join("watch.toml");
    let text = fs::read_to_string(&watch).unwrap();
    fs::write(&watch, text + "# a remark\n").unwrap();
    check("a remark in watch.toml", false);
}

/// Weeks of made-up sales: the steps add up to the cent every time.
#[test]
fn random_weeks_add_up() {
    for seed in 0..3 {
        let book = watched();
        let dir = book.path();
        let mut random = StdRng::seed_from_u64(seed);
        let mut day: NaiveDate = "2026-10-01".parse().unwrap();
        refresh(dir, &day.to_string());
        for _ in 0..4 {
            let mut logged = Vec::new();
            for _ in 0..random.random_range(0..4) {
                let model = ["Nulva 61K", "Nulva 61K", "Bolv 83V"][random.random_range(0..3)];
                let price = format!("{:.2}", random.random_range(40.0..260.0));
                let ago = chrono::Duration::days(random.random_range(-2..30));
                let grade = ["A", "B", "C", "D"][random.random_range(0..4)];
                log(
                    dir,
                    model,
                    &price,
                    &(day - ago).to_string(),
                    &["--grade", grade],
                );
                logged.push(model);
            }
            if random.random_bool(0.3) {
                out(dir, &["undo"]);
            }
            day += chrono::Duration::days(random.random_range(1..9));
            let unit = refresh(dir, &day.to_string());
            adds_up(&unit);
            let steps = unit["steps"].as_array().unwrap();
            let told = steps.iter().flat_map(|s| s["causes"].as_array().unwrap());
            let told = told.filter(|cause| cause["kind"] == "comps").count();
            assert!(told <= logged.len() + 1, "{unit:#}");
            assert_eq!(
                prices(&unit["estimate"]),
                prices(&fresh(dir, &day.to_string()))
            );
        }
    }
}

const TODAY: i32 = 20_700;

fn subject() -> Unit {
    Unit {
        completeness: Some("usable".into()),
        grade: Some("B".into()),
        ..Unit::blank("m")
    }
}

fn day(ago: i32) -> NaiveDate {
    NaiveDate::from_epoch_days(TODAY - ago).unwrap()
}

/// The estimate from these comps alone.
fn alone(as_of: NaiveDate, comps: &[Comp]) -> Option<Estimate> {
    let settings = Settings::default();
    let query = Query {
        subject: &subject(),
        wording: Wording::of("m", &settings),
        as_of,
        window_days: settings.estimate.window_days,
        basis: PriceBasis::Delivered,
        most: usize::MAX,
    };
    let mut selection = select(&frame_of(comps).unwrap(), &query).ok()?;
    let limits = Limits {
        enough: settings.estimate.enough,
        most: settings.estimate.most_comps,
        keep: &[],
        drop: &[],
    };
    widen(&mut selection, &subject(), &limits).unwrap();
    estimate(selection, &subject(), &settings, as_of, 80).ok()
}

fn at(made: &Estimate) -> At {
    let tested = |d| matches!(d, Dropped::GrossError(_));
    let lines = made.comps.iter();
    let trimmed = lines.filter(|line| line.comp.dropped.is_some_and(tested));
    At {
        likely: made.median,
        trimmed: trimmed.map(|line| line.comp.comp_id.clone()).collect(),
    }
}

/// Logs of sales by number: price, age in days, grade, whether it works.
fn logs() -> impl Strategy<Value = Vec<Comp>> {
    let sale = (
        20i64..40_000,
        0..500i32,
        0..4usize,
        prop::bool::weighted(0.9),
    );
    prop::collection::btree_map(0..60u32, sale, 1..25).prop_map(|sales| {
        let comp = |(id, (price, ago, grade, works)): (u32, (i64, i32, usize, bool))| Comp {
            comp_id: format!("c{id}"),
            model: "m".into(),
            sold_on: Some(day(ago)),
            grade: ["A", "B", "C", "D"][grade].into(),
            completeness: "usable".into(),
            works,
            price: Decimal::new(price, 2),
            ..Comp::blank("EUR")
        };
        sales.into_iter().map(comp).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Between any two logs on any two days the steps add up, to the cent; and of the same log on
    /// the same day there is nothing to tell.
    #[test]
    fn steps_between_random_logs_add_up(old in logs(), new in logs(), ago in (0..60i32, 0..60i32)) {
        let (Some(was), Some(is)) = (alone(day(ago.0), &old), alone(day(ago.1), &new)) else {
            return Ok(());
        };
        let mut made = |as_of, comps: &[Comp]| alone(as_of, comps).map(|made| at(&made));
        let ends = |ago, comps| Inputs { as_of: day(ago), comps };
        let told = steps(
            (&at(&was), ends(ago.0, &old)),
            (&at(&is), ends(ago.1, &new)),
            &|_| 1.0,
            &mut made,
        );
        let sum: Decimal = told.iter().map(|step| step.by).sum();
        prop_assert_eq!(sum, is.median - was.median);
        prop_assert!(told.iter().all(|step| step.by.scale() <= 2));
        let rest = told.iter().filter(|step| step.causes == [Cause::Rest]);
        prop_assert_eq!(rest.count(), 0, "the same comps on the same day gave another price");
        let named: usize = told.iter().map(|step| step.comps().count()).sum();
        prop_assert_eq!(named, comp_changes(&old, &new).len());
        let same = steps((&at(&is), ends(ago.1, &new)), (&at(&is), ends(ago.1, &new)), &|_| 1.0, &mut made);
        prop_assert!(same.is_empty());
    }
}

#[test]
fn the_sheet_fits_a_terminal_and_says_why() {
    let book = watched();
    let dir = book.path();
    out(
        dir,
        &["watch", "add", "83v", "--model", "Bolv 83V", "--parts"],
    );
    refreshed(dir, "2026-11-15");
    log(
        dir,
        "Nulva 61K",
        "1190",
        "2026-11-17",
        &["--shipping", "10", "--id", "odd"],
    );
    let text = out(dir, &["refresh", "--as-of", "2026-11-19"]);
    assert!(text.lines().all(|line| line.width() <= 80), "{text}");
    let flat: Vec<&str> = text.split_whitespace().collect();
    let flat = flat.join(" ");
    for said in [
        "61k: Nulva 61K, grade B, usable, charger missing",
        "since 2026-11-15",
        "the date, 2026-11-15 to 2026-11-19: sales get older, the trend goes on",
        "new sale of 2026-11-17 for 1 200.00 (odd), not used (",
        "83v: Bolv 83V",
        "the steps add up",
    ] {
        assert!(flat.contains(said), "{said}:\n{text}");
    }
    let text = out(dir, &["refresh", "61k", "--as-of", "2026-11-19"]);
    assert!(text.contains("nothing changed since 2026-11-19"), "{text}");
    assert!(!text.contains("83v"), "{text}");
    let text = out(dir, &["watch", "list"]);
    assert!(text.contains("2026-11-19"), "{text}");
}

#[test]
fn histories_are_shown_drawn_and_outlive_the_watching() {
    let book = watched();
    let dir = book.path();
    let error = fails(dir, 5, &["history", "61k"]);
    assert!(error.contains("compband refresh 61k"), "{error}");
    let likely: Vec<Value> = ["2026-11-15", "2026-11-19", "2026-12-01"]
        .iter()
        .map(|day| refresh(dir, day)["estimate"]["likely_price"].clone())
        .collect();
    out(dir, &["watch", "remove", "61k"]);
    assert!(out(dir, &["watch", "list"]).contains("No unit is watched"));
    let text = out(dir, &["history", "61k", "--json"]);
    let document: Value = serde_json::from_str(&text).unwrap();
    let all = document["estimates"].as_array().unwrap();
    let told: Vec<Value> = all.iter().map(|e| e["likely_price"].clone()).collect();
    assert_eq!(told, likely);
    let used = all[2]["comps"].as_array().unwrap();
    assert_eq!(all[2]["comps_used"], used.len());
    assert!(used.iter().any(|comp| comp["weight"] == 1.0));
    keeps_to_schema(&document, "history");
    let table = out(dir, &["history", "61k"]);
    for likely in &likely {
        assert!(table.contains(likely.as_str().unwrap()), "{table}");
    }
    out(
        dir,
        &["history", "61k", "--chart", "a.svg", "--chart", "a.png"],
    );
    assert!(
        fs::read_to_string(dir.join("a.svg"))
            .unwrap()
            .contains("3 estimates, 80 % range")
    );
    assert!(fs::metadata(dir.join("a.png")).unwrap().len() > 1000);
    for name in ["f5", "../compband", ""] {
        let error = fails(dir, 5, &["history", name]);
        assert!(error.contains("no watched unit is named"), "{error}");
    }
}

#[test]
fn what_is_wrong_with_a_watched_unit_is_told_and_the_others_are_estimated() {
    let book = watched();
    let dir = book.path();
    let path = dir.join("watch.toml");
    let good = fs::read_to_string(&path).unwrap();
    fs::write(
        &path,
        format!("{good}\n[odd]\nmodel = \"Bolv 83V\"\ngrade = \"Q\"\n"),
    )
    .unwrap();
    let output = run(dir, &["refresh", "--as-of", "2026-11-19"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&output.stdout).contains("61k: Nulva 61K"));
    let error = stderr(&output);
    assert!(
        error.contains("watched unit \"odd\": --grade \"Q\" is not on"),
        "{error}"
    );
    fs::write(&path, format!("{good}colour = \"red\"\n")).unwrap();
    let error = fails(dir, 4, &["refresh"]);
    assert!(
        error.contains("watch.toml, line") && error.contains("\"colour\" is not a setting"),
        "{error}"
    );
    fs::write(&path, &good).unwrap();
    assert!(fails(dir, 5, &["refresh", "61kk"]).contains("did you mean \"61k\"?"));
    fails(dir, 3, &[&["watch", "add", "61K"], UNIT].concat());
    fails(dir, 3, &[&["watch", "add", "a/b"], UNIT].concat());
    fails(dir, 3, &["watch", "remove", "f5"]);
    fails(dir, 5, &["watch", "add", "x", "--model", "Nula 61K"]);
    let as_of = ["--as-of", "2026-11-19"];
    fails(dir, 2, &[&["watch", "add", "x"], UNIT, &as_of].concat());
    assert_eq!(fs::read_to_string(&path).unwrap(), good);
}

/// Without what was kept of the old comps, the change is still told whole, in one step.
#[test]
fn a_change_from_what_is_not_known_is_one_step() {
    let book = watched();
    let dir = book.path();
    refresh(dir, "2026-11-15");
    fs::remove_dir_all(dir.join("history/comps")).unwrap();
    log(dir, "Nulva 61K", "190", "2026-11-18", &[]);
    let unit = refresh(dir, "2026-11-19");
    adds_up(&unit);
    assert_eq!(unit["steps"].as_array().unwrap().len(), 1);
    assert_eq!(kinds(&unit), ["rest", "day"]);
    log(dir, "Nulva 61K", "190", "2026-11-19", &[]);
    assert!(kinds(&refresh(dir, "2026-11-19")).contains(&"new".to_string()));
}

/// A hundred sales at once: a dozen steps, of which one stands for the rest.
#[test]
fn many_sales_at_once_share_a_step() {
    let book = watched();
    let dir = book.path();
    refresh(dir, "2026-11-19");
    let mut text = "sold_on,model,grade,completeness,price,id\n".to_string();
    for at in 0..100 {
        text.push_str(&format!(
            "2026-0{}-11,Nulva 61K,B,usable,{}.50,many-{at}\n",
            1 + at % 9,
            130 + at % 17
        ));
    }
    fs::write(dir.join("many.csv"), text).unwrap();
    out(dir, &["import", "many.csv"]);
    let unit = refresh(dir, "2026-11-19");
    adds_up(&unit);
    let told: BTreeMap<usize, usize> = unit["steps"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|step| step["causes"][0]["comps"].as_array())
        .fold(BTreeMap::new(), |mut counts, comps| {
            *counts.entry(comps.len()).or_default() += 1;
            counts
        });
    assert_eq!(told, BTreeMap::from([(1, 11), (89, 1)]), "{unit:#}");
}

/// `--follow` says again what moved when a sale is logged, and an interrupt leaves a whole history.
#[cfg(unix)]
#[test]
fn following_tells_of_a_logged_sale() {
    use std::io::{BufRead, BufReader};
    use std::os::unix::process::ExitStatusExt;
    use std::process::Stdio;
    let book = watched();
    let dir = book.path();
    let mut child = compband(dir)
        .args(["refresh", "--follow", "--as-of", "2026-11-19"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The notice comes when the first estimates are told and the book is looked at.
    let mut notices = BufReader::new(child.stderr.take().unwrap()).lines();
    assert!(notices.any(|line| line.unwrap().contains("watching the book")));
    log(dir, "Nulva 61K", "190", "2026-11-18", &["--id", "seen"]);
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut lines = lines.map(Result::unwrap);
    assert!(lines.any(|line| line.contains("new sale of 2026-11-18")));
    let number = child.id().to_string();
    let killed = std::process::Command::new("kill")
        .args(["-INT", &number])
        .status();
    assert!(killed.unwrap().success());
    let status = child.wait().unwrap();
    assert_eq!(status.signal(), Some(2));
    assert_eq!(lines_of_history(dir), 2);
    assert_eq!(refresh(dir, "2026-11-19")["state"], "unchanged");
}

/// A new name of the model is no change of its sales.
#[test]
fn a_renamed_model_moves_nothing() {
    let book = watched();
    let dir = book.path();
    refresh(dir, "2026-11-19");
    out(dir, &["models", "rename", "Nulva 61K", "Nulvo"]);
    let after = refresh(dir, "2026-11-19");
    let steps = after["steps"].as_array();
    assert!(steps.is_none_or(Vec::is_empty), "{after:#}");
}
