//! What other models say: against references, and through the command line.

use std::fmt::Write;
use std::path::Path;

use std::sync::Arc;

use compband::band::estimate::Context;
use compband::band::estimate_with;
use compband::band::related::learn;
use compband::fit::pool::{ModelEstimate, Pool, mean_given, one_more};
use compband::fit::prior::Prior;
use compband::settings::Settings;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

use crate::coverage::{TODAY, comp, like, selection};

use crate::estimate::json as run_json;
use crate::reference::{close, json, numbers};
use crate::runner::out;

fn estimate(of: &Value) -> Vec<ModelEstimate> {
    let pairs = numbers(&of["mean"]).into_iter().zip(numbers(&of["sd"]));
    pairs.map(|(mean, sd)| ModelEstimate { mean, sd }).collect()
}

/// *Bayesian Data Analysis*, 3rd edition, section 5.5: the mean over eight schools, as printed
/// where they do not differ, and as statsmodels has it where they differ by a given spread.
#[test]
fn eight_schools() {
    let schools = &json("pool.json")["schools"];
    let nothing = Prior {
        mean: 0.0,
        sd: f64::INFINITY,
    };
    let given = |tau| mean_given(&estimate(schools), tau, nothing);
    assert_eq!(
        format!("{:.1} {:.1}", given(0.0).mean, given(0.0).sd),
        "7.7 4.1"
    );
    let cases = schools["mean_given"].as_array().unwrap();
    for case in cases {
        let ours = given(case["spread"].as_f64().unwrap());
        close(ours.mean, case["mean"].as_f64().unwrap(), 1e-8);
        close(ours.sd, case["sd"].as_f64().unwrap(), 1e-8);
    }
    assert_eq!(cases.len(), 5);
}

/// The grid over the spread against adaptive quadrature (scipy), in units of the rule of thumb: each
/// normal of the belief about one more model, and the mixture of them, within a few ten-thousandths
/// of the rule's scale.
#[test]
fn one_more_model() {
    let cases = json("pool.json")["one_more"].as_array().unwrap().clone();
    let near = |ours: f64, theirs: f64| assert!((ours - theirs).abs() < 3e-4, "{ours} {theirs}");
    for case in &cases {
        let ours = one_more(&estimate(case));
        let expected = |key: &str| case[key].as_f64().unwrap();
        near(ours.mean(), expected("pooled_mean"));
        near(ours.variance().sqrt(), expected("pooled_sd"));
        let parts = case["parts"].as_array().unwrap();
        for (ours, expected) in ours.parts().iter().zip(parts) {
            near(ours.weight, expected["weight"].as_f64().unwrap());
            near(ours.mean, expected["mean"].as_f64().unwrap());
            near(ours.sd, expected["sd"].as_f64().unwrap());
        }
        assert_eq!(parts.len(), ours.parts().len());
    }
    assert_eq!(cases.len(), 6);
}

/// Sales of a model in grades A and B in turn, B fetching `share` of A, on days of one month of 2026.
fn sales(model: &str, month: u32, count: usize, price: f64, share: f64) -> String {
    let mut rows = String::new();
    for k in 0..count {
        let (grade, factor) = [("A", 1.0), ("B", share)][k % 2];
        // Single sales scatter by a few per cent.
        let paid = price * factor * (1.0 + 0.02 * ((k * 7 % 5) as f64 - 2.0));
        let day = 1 + k % 28;
        writeln!(
            rows,
            "2026-{month:02}-{day:02},{model},{grade},full,fixed,{paid:.2}"
        )
        .unwrap();
    }
    rows
}

fn book(dir: &Path, rows: &str) {
    let header = "sold_on,model,grade,completeness,how_sold,price\n";
    std::fs::write(dir.join("sales.csv"), format!("{header}{rows}")).unwrap();
    out(dir, &["init"]);
    out(dir, &["import", "sales.csv"]);
}

fn set_pool(dir: &Path, word: &str) {
    let text = format!("[estimate]\npool = \"{word}\"\n");
    std::fs::write(dir.join("compband.toml"), text).unwrap();
}

const UNIT: [&str; 7] = [
    "estimate",
    "--model",
    "Tumrik QN 948",
    "--grade",
    "B",
    "--as-of",
    "2026-07-01",
];

fn step(document: &Value) -> Value {
    let all = document["adjustments"].as_array().unwrap();
    all.iter()
        .find(|a| a["what"] == "grade A to B")
        .unwrap()
        .clone()
}

fn money(value: &Value) -> f64 {
    value.as_str().unwrap().parse().unwrap()
}

/// A model with 3 comps in a book where another, dearer one has 40 that put the step from A to B
/// at 25 %: its own step moves towards that, and the sheet and the JSON say from where.
#[test]
fn a_model_with_few_comps_leans_on_another() {
    let dir = tempfile::tempdir().unwrap();
    let rows = sales("Tumrik QN 948", 6, 3, 100.0, 0.9) + &sales("Nulva 61K", 5, 40, 320.0, 0.75);
    book(dir.path(), &rows);
    let pooled = run_json(dir.path(), &UNIT);
    set_pool(dir.path(), "none");
    let alone = run_json(dir.path(), &UNIT);
    let (with, without) = (step(&pooled), step(&alone));

    assert!(without["from_other_models"].is_null());
    assert_eq!(alone["evidence"]["other_models"], 0);
    assert_eq!(pooled["evidence"]["other_models"], 1);
    assert_eq!(pooled["evidence"]["other_models_comps"], 40);
    assert_eq!(with["from_other_models"]["models"], 1);
    let used = |row: &Value| row["used_percent"].as_f64().unwrap();
    assert!(used(&with) < used(&without) - 1.0, "{with} {without}");
    assert!(used(&with) > -25.0, "{with}");
    // What the other model says lies between the rule and the step that it shows.
    let of = |row: &Value, key: &str| money(&row[key]["low"]) + money(&row[key]["high"]);
    let others = &with["from_other_models"]["money"];
    let others = money(&others["low"]) + money(&others["high"]);
    assert!(others < of(&with, "rule_of_thumb"), "{with}");

    std::fs::write(dir.path().join("compband.toml"), "").unwrap();
    let sheet = out(dir.path(), &[&UNIT[..], &["--why"]].concat());
    assert!(
        sheet.contains("Some adjustments also use 1 other model (40 sales)."),
        "{sheet}"
    );
    assert!(sheet.contains("others"), "{sheet}");
}

/// Only models of the same declared family speak where the settings say so.
#[test]
fn a_family_keeps_to_itself() {
    let dir = tempfile::tempdir().unwrap();
    let rows = sales("Tumrik QN 948", 6, 3, 100.0, 0.9)
        + &sales("Tumrik QN 949", 5, 12, 140.0, 0.8)
        + &sales("Nulva 61K", 5, 40, 320.0, 0.75);
    book(dir.path(), &rows);
    let settings = "[estimate]\npool = \"family\"\n[families.readers]\n\
                    models = [\"Tumrik QN 948\", \"tumrik qn 949\"]\n";
    std::fs::write(dir.path().join("compband.toml"), settings).unwrap();
    let document = run_json(dir.path(), &UNIT);
    assert_eq!(document["evidence"]["other_models"], 1);
    assert_eq!(document["evidence"]["other_models_comps"], 12);
}

/// A check knows nothing of another model's sales of the month of a sale, or later.
#[test]
fn a_check_hears_nothing_of_later_sales() {
    let earlier = sales("Tumrik QN 948", 6, 9, 100.0, 0.9) + &sales("Nulva 61K", 5, 20, 320.0, 0.8);
    let check = |rows: &str| {
        let dir = tempfile::tempdir().unwrap();
        book(dir.path(), rows);
        run_json(dir.path(), &["check", "--model", "Tumrik QN 948"])
    };
    let known = check(&earlier);
    let later = sales("Nulva 61K", 6, 20, 320.0, 0.5) + &sales("Nulva 61K", 7, 20, 320.0, 0.4);
    assert_eq!(check(&(earlier.clone() + &later)), known);
    // Of sales before the month it does.
    let before = sales("Nulva 61K", 4, 20, 320.0, 0.5);
    assert_ne!(check(&(earlier + &before)), known);
}

/// Share of 400 markets whose last sale falls in the 80 % band: single sales of spread `own` (log
/// price), n comps, and two other models of 30 comps whose sales spread `ratio` times as much.
fn covered_beside(own: f64, n: usize, ratio: f64) -> f64 {
    const MARKETS: usize = 400;
    let settings = Settings::default();
    let mut rng = StdRng::seed_from_u64(20_261_126);
    let mut sales = |level: f64, n: usize, spread: f64| -> Vec<_> {
        let price = |i| {
            let z: f64 = StandardNormal.sample(&mut rng);
            comp(i, (level.ln() + spread * z).exp(), 10)
        };
        (0..n).map(price).collect()
    };
    let held = (0..MARKETS).filter(|_| {
        let others: Vec<_> = [60.0, 240.0]
            .into_iter()
            .filter_map(|level| learn(selection(sales(level, 30, own * ratio)), true, &settings))
            .collect();
        assert_eq!(others.len(), 2);
        let context = Context {
            pool: Arc::new(Pool::of(&others, None)),
            ..Context::default()
        };
        let mut comps = sales(120.0, n + 1, own);
        let target = comps.pop().unwrap();
        let made = estimate_with(
            &context,
            selection(comps),
            &like(&target),
            &settings,
            TODAY,
            80,
        );
        let (low, high) = made.unwrap().outcome.band(0.8);
        let y = f64::try_from(target.paid).unwrap().ln();
        low <= y && y <= high
    });
    held.count() as f64 / MARKETS as f64
}

/// The spread learnt from other models makes bands of few comps true where it is like theirs, at any
/// size of it; where all the others differ the same way, it misleads within bounds, the less the more
/// comps the model has of its own.
#[test]
fn the_spread_is_learnt_from_other_models() {
    for own in [0.06, 0.15, 0.40] {
        let like = covered_beside(own, 4, 1.0);
        assert!((0.75..0.86).contains(&like), "{own}: {like}");
    }
    for (n, least, most) in [(6, 0.62, 0.95), (25, 0.72, 0.88)] {
        for ratio in [0.5, 2.0] {
            let held = covered_beside(0.15, n, ratio);
            assert!((least..most).contains(&held), "{n} comps, {ratio}: {held}");
        }
    }
}
