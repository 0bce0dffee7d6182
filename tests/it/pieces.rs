//! The same unit has the same price, however it and the comps are described.

use compband::trade;
use std::fs;
use std::path::Path;

use compband::band::{Estimate, estimate};
use compband::book::history::frame_of;
use compband::select::Selection;
use compband::select::pieces::{PACKAGING, SEAL, Wording};
use compband::select::plan::{Query, select};
use compband::select::widen::{Limits, widen};
use compband::settings::Kit;
use compband::settings::Settings;
use compband::trade::comp::PriceBasis;
use compband::trade::{Comp, HowSold, Items};
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rust_decimal::Decimal;
use serde_json::Value;

use crate::coverage::TODAY;
use crate::estimate::book_of;
use crate::runner::out;

const MODEL: &str = "Tumrik QN 948";

/// What is there of a unit: of each piece of the kit (or which level of the scale, where there is
/// no kit), of packaging, of the seal.
#[derive(Debug, Clone)]
struct Unit {
    /// Index in the scale: bare, usable, full; where there is no kit.
    base: usize,
    /// Count of each piece of the kit; where it is more than the kit has, the rest is extra.
    there: Vec<u32>,
    packaging: bool,
    seal: bool,
    /// A lens cap missing (1) or to spare (2).
    cap: u32,
}

/// A description: a word (or blank), what is missing, what is extra.
type Words = (String, Items, Items);

/// A kit: how many of each piece it ships, and how many of them make it usable.
type Pieces = Vec<(u32, u32)>;

fn piece(at: usize) -> String {
    format!("piece {at}")
}

fn settings_of(kit: Option<&Pieces>) -> Settings {
    let mut settings = Settings::default();
    if let Some(kit) = kit {
        let mut pieces = Kit::default();
        for (at, (shipped, needed)) in kit.iter().enumerate() {
            pieces.ships_with.add(&piece(at), *shipped);
            pieces.usable_needs.add(&piece(at), *needed);
        }
        settings.kits.insert(MODEL.into(), pieces);
    }
    settings
}

/// Describes a unit in one of the ways there are; by blank completeness too, where `blank` and the
/// names then tell.
fn describe(unit: &Unit, kit: Option<&Pieces>, blank: bool, rng: &mut StdRng) -> Words {
    let names = ["bare", "usable", "full", "boxed", "sealed"];
    let (mut missing, mut extras) = (Items::NONE, Items::NONE);
    let level = match kit {
        Some(_) => rng.random_range(0..names.len()),
        None if unit.base < 2 => unit.base,
        None => rng.random_range(2..names.len()),
    };
    let short = |kit: &Pieces| {
        unit.there
            .iter()
            .zip(kit)
            .any(|(there, (ships, _))| there < ships)
    };
    let (level, word) = match kit {
        Some(_) if blank && unit.seal && rng.random_bool(0.5) => {
            extras.add(SEAL, 1);
            (4, "")
        }
        Some(kit) if blank && !unit.seal && (unit.packaging || unit.cap == 1 || short(kit)) => {
            if unit.packaging {
                extras.add(PACKAGING, 1);
            }
            (if unit.packaging { 3 } else { 2 }, "")
        }
        _ => (level, names[level]),
    };
    for (at, (ships, needed)) in kit.into_iter().flatten().enumerate() {
        let by_word = [0, *needed, *ships, *ships, *ships][level];
        let there = unit.there[at];
        if there >= by_word {
            extras.add(&piece(at), there - by_word);
        } else {
            missing.add(&piece(at), by_word - there);
        }
        // None of it is there: to name all of it as missing says no more.
        if there == 0 && rng.random_bool(0.3) {
            missing.add(&piece(at), *ships);
        }
        // One lost and one added is none.
        if there >= by_word && there > 0 && by_word == *ships && rng.random_bool(0.2) {
            missing.add(&piece(at), 1);
            extras.add(&piece(at), 1);
        }
    }
    for (name, there, by_word) in [
        (PACKAGING, unit.packaging, level >= 3),
        (SEAL, unit.seal, level == 4),
    ] {
        let said = extras.count(name) > 0;
        if there && !said && (!by_word || rng.random_bool(0.2)) {
            extras.add(name, 1);
        }
        if !there && (by_word || rng.random_bool(0.2)) {
            missing.add(name, 1);
        }
    }
    match unit.cap {
        1 => missing.add("lens cap", 1),
        2 => extras.add("lens cap", 1),
        _ => {}
    }
    (word.into(), missing, extras)
}

fn unit(kit: Option<Pieces>) -> impl Strategy<Value = Unit> {
    let most: Vec<u32> = kit.iter().flatten().map(|(ships, _)| ships + 1).collect();
    let there: Vec<_> = most.into_iter().map(|most| 0..=most).collect();
    (
        0..3usize,
        there,
        prop::bool::weighted(0.3),
        prop::bool::weighted(0.15),
        0..3u32,
    )
        .prop_map(|(base, there, packaging, seal, cap)| Unit {
            base,
            there,
            packaging,
            seal,
            cap,
        })
}

/// A market: a kit or none, the unit whose price is asked, and units that were sold.
#[derive(Debug, Clone)]
struct Market {
    kit: Option<Pieces>,
    asked: Unit,
    sold: Vec<Unit>,
    /// Whether of every third sale nothing is said of its pieces.
    silent: bool,
    prices: u64,
    enough: usize,
}

fn market() -> impl Strategy<Value = Market> {
    let piece = (1..3u32).prop_flat_map(|ships| (Just(ships), 0..=ships));
    prop::option::weighted(0.75, prop::collection::vec(piece, 0..4)).prop_flat_map(|kit| {
        let sold = prop::collection::vec(unit(kit.clone()), 6..40);
        let asked = unit(kit.clone());
        (
            Just(kit),
            asked,
            sold,
            any::<bool>(),
            any::<u64>(),
            4..40usize,
        )
            .prop_map(|(kit, asked, sold, silent, prices, enough)| Market {
                kit,
                asked,
                sold,
                silent,
                prices,
                enough,
            })
    })
}

/// The estimate of the market with everything described as the seed says.
fn described(market: &Market, seed: u64) -> (Estimate, Selection) {
    let settings = settings_of(market.kit.as_ref());
    let mut words = StdRng::seed_from_u64(seed);
    let mut prices = StdRng::seed_from_u64(market.prices);
    let kit = market.kit.as_ref();
    let comps: Vec<Comp> = market
        .sold
        .iter()
        .enumerate()
        .map(|(at, unit)| {
            let noise: f64 = StandardNormal.sample(&mut prices);
            let worth = unit.there.iter().sum::<u32>() as f64 + unit.base as f64;
            let log = 4.5 + 0.1 * worth + 0.05 * f64::from(unit.packaging) + 0.1 * noise;
            // Some comp's completeness is recorded in each description, or none is silent.
            let (completeness, missing, extras) = match at % 3 {
                2 if market.silent => (String::new(), Items::NONE, Items::NONE),
                rest => describe(unit, kit, rest == 1 || !market.silent, &mut words),
            };
            Comp {
                comp_id: format!("c{at:04}"),
                sold_on: Some(TODAY - chrono::Duration::days(prices.random_range(0..200))),
                model: MODEL.into(),
                grade: ["A", "B", "C"][prices.random_range(0..3)].into(),
                how_sold: Some(HowSold::Fixed),
                price: Decimal::from_f64_retain(log.exp()).unwrap().round_dp(2),
                completeness,
                missing,
                extras,
                ..Comp::blank("EUR")
            }
        })
        .collect();
    let (word, missing, extras) = describe(&market.asked, kit, true, &mut words);
    let subject = trade::Unit {
        completeness: (!word.is_empty()).then_some(word),
        missing,
        extras,
        grade: Some("B".into()),
        ..trade::Unit::blank(MODEL)
    };
    let query = Query {
        subject: &subject,
        wording: Wording::of(MODEL, &settings),
        as_of: TODAY,
        window_days: settings.estimate.window_days,
        basis: PriceBasis::Delivered,
        most: usize::MAX,
    };
    let mut selection = select(&frame_of(&comps).unwrap(), &query).unwrap();
    let limits = Limits {
        enough: if market.silent {
            usize::MAX
        } else {
            market.enough
        },
        most: settings.estimate.most_comps,
        keep: &[],
        drop: &[],
    };
    widen(&mut selection, &subject, &limits).unwrap();
    let made = estimate(selection.clone(), &subject, &settings, TODAY, 80).unwrap();
    (made, selection)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Any two descriptions of the same pieces, of the unit and of every comp, give the same price and
    /// band to the cent, from the same comps called in by the same steps, with the same adjustments
    /// and warnings.
    #[test]
    fn the_same_pieces_have_the_same_price(market in market(), seeds in any::<[u64; 2]>()) {
        let [(one, taken), (other, also)] = seeds.map(|seed| described(&market, seed));
        prop_assert_eq!(
            (one.median, one.low, one.high),
            (other.median, other.low, other.high)
        );
        prop_assert_eq!(&one.steps, &other.steps);
        let stages = |s: &Selection| -> Vec<_> {
            s.candidates.iter().map(|c| (c.comp_id.clone(), c.stage)).collect()
        };
        prop_assert_eq!(stages(&taken), stages(&also));
        prop_assert_eq!(&one.adjustments, &other.adjustments);
        prop_assert_eq!(&one.warnings, &other.warnings);
    }
}

fn asked(dir: &Path, model: &str, more: &[&str]) -> Value {
    let unit = ["estimate", "--json", "--model", model, "--grade", "B"];
    let day = ["--how-sold", "fixed", "--as-of", "2026-06-30"];
    serde_json::from_str(&out(dir, &[&unit[..], &day, more].concat())).unwrap()
}

fn price(made: &Value) -> (String, String) {
    (made["likely_price"].to_string(), made["band"].to_string())
}

fn with_kit(dir: &Path, kit: &str) {
    fs::write(dir.join("compband.toml"), kit).unwrap();
}

/// Twelve comps of blank completeness, of which six lack the charger: to say that the charger is
/// missing and to say that there is what makes it usable is the same, and the comps tell of it.
#[test]
fn what_a_kit_lacks_is_the_same_by_word_and_by_name() {
    let rows: Vec<String> = (0..12)
        .map(|at| {
            let (missing, price) = [("", 97 + at % 5), ("charger", 78 + at % 4)][at % 2];
            format!(
                "2026-0{}-1{at},{MODEL},,{missing},B,fixed,{price}",
                1 + at % 6
            )
            .replace("-110,", "-20,")
            .replace("-111,", "-21,")
        })
        .collect();
    let book = book_of(
        "sold_on,model,completeness,missing,grade,how_sold,price",
        &rows,
    );
    with_kit(
        book.path(),
        &format!(
            "[kits.\"{MODEL}\"]\nships_with = [\"charger\", \"cable\"]\nusable_needs = [\"cable\"]\n"
        ),
    );
    let named = asked(book.path(), MODEL, &["--missing", "charger"]);
    for words in [
        &["--completeness", "usable"][..],
        &["--completeness", "full", "--missing", "charger"],
        &["--completeness", "bare", "--extra", "cable"],
        &["--completeness", "boxed", "--missing", "packaging, charger"],
        &[
            "--completeness",
            "sealed",
            "--missing",
            "packaging, charger, seal",
        ],
    ] {
        let other = asked(book.path(), MODEL, words);
        assert_eq!(price(&other), price(&named), "{words:?}");
        assert_eq!(other["warnings"], named["warnings"], "{words:?}");
        assert!(
            !other["warnings"].to_string().contains("charger"),
            "{words:?}"
        );
    }
    let whole = asked(book.path(), MODEL, &["--completeness", "full"]);
    let likely = |made: &Value| {
        made["likely_price"]
            .as_str()
            .unwrap()
            .parse::<f64>()
            .unwrap()
    };
    assert!(likely(&named) < 0.88 * likely(&whole));
    assert_eq!(
        price(&asked(book.path(), MODEL, &["--extra", "packaging"])),
        price(&asked(book.path(), MODEL, &["--completeness", "boxed"]))
    );
}

/// A unit without any piece is `bare`, and comps described so come before others, whether the kit is
/// said by its word or by naming all that is missing. Bare units sell at a price of their own here, so
/// that it shows which comps were called in.
#[test]
fn a_kit_of_which_all_is_missing_is_bare() {
    let rows: Vec<String> = (0..60)
        .map(|at| {
            let (words, price) = [
                ("bare,", 80),
                ("full,battery; strap", 84),
                ("usable,", 150),
                ("full,", 170),
                ("boxed,strap; packaging", 152),
            ][at % 5];
            let grade = ["A", "B", "C"][at / 5 % 3];
            let day = format!("2026-0{}-{:02}", 1 + at / 12, 1 + at % 12 * 2);
            format!("{day},Nulva 61K,{words},{grade},fixed,{}", price + at % 7)
        })
        .collect();
    let book = book_of(
        "sold_on,model,completeness,missing,grade,how_sold,price",
        &rows,
    );
    let kit = "[kits.\"Nulva 61K\"]\nships_with = [\"battery\", \"strap\"]\nusable_needs = [\"battery\"]\n";
    with_kit(book.path(), kit);
    let bare = ["--completeness", "bare", "--enough", "8"];
    let bare = asked(book.path(), "Nulva 61K", &bare);
    assert_eq!(bare["evidence"]["widening"][0]["brought"], 8, "{bare:#}");
    for words in [
        &["--completeness", "full", "--missing", "battery, strap"][..],
        &["--missing", "strap, battery"],
        &["--completeness", "usable", "--missing", "battery"],
        &[
            "--completeness",
            "boxed",
            "--missing",
            "packaging, battery, strap",
        ],
    ] {
        let other = asked(
            book.path(),
            "Nulva 61K",
            &[words, &["--enough", "8"]].concat(),
        );
        assert_eq!(price(&other), price(&bare), "{words:?}");
        assert_eq!(other["evidence"], bare["evidence"], "{words:?}");
    }
}

/// Without a kit, packaging and seal are what the words `boxed` and `sealed` add.
#[test]
fn packaging_and_seal_are_the_same_by_word_and_by_name() {
    let rows: Vec<String> = (0..30)
        .map(|at| {
            let (words, price) = [
                ("full,,", 100),
                ("boxed,packaging,", 101),
                ("boxed,,", 112),
                ("full,,packaging", 111),
                ("sealed,,", 130),
                ("usable,,", 90),
            ][at % 6];
            format!(
                "2026-05-{:02},Bolv 83V,{words},B,fixed,{}",
                1 + at % 28,
                price + at / 6
            )
        })
        .collect();
    let book = book_of(
        "sold_on,model,completeness,missing,extras,grade,how_sold,price",
        &rows,
    );
    let same = |ways: &[&[&str]]| {
        let made: Vec<Value> = ways
            .iter()
            .map(|way| asked(book.path(), "Bolv 83V", way))
            .collect();
        for other in &made[1..] {
            assert_eq!(price(other), price(&made[0]), "{ways:?}");
            assert_eq!(other["adjustments"], made[0]["adjustments"], "{ways:?}");
        }
    };
    same(&[
        &["--completeness", "full"],
        &["--completeness", "boxed", "--missing", "packaging"],
        &["--completeness", "full", "--missing", "packaging"],
        &["--completeness", "sealed", "--missing", "packaging, seal"],
    ]);
    same(&[
        &["--completeness", "boxed"],
        &["--completeness", "full", "--extra", "packaging"],
        &["--completeness", "sealed", "--missing", "seal"],
    ]);
    same(&[
        &["--completeness", "sealed"],
        &["--completeness", "boxed", "--extra", "seal"],
        &["--completeness", "full", "--extra", "packaging, seal"],
        &["--extra", "seal"],
    ]);
}
