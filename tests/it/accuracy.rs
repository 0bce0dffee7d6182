//! Least squares, the oracle and the bound of the accuracy benchmark, against statsmodels.

#[path = "../../benches/accuracy/bound.rs"]
mod bound;
#[path = "../../benches/accuracy/regression.rs"]
mod regression;
#[path = "../../benches/accuracy/sets.rs"]
mod sets;

use std::collections::BTreeSet;

use bound::{Best, Known, grid};
use regression::{Oracle, least_squares};
use sets::{Row, sets};

use crate::reference::{close, json, numbers};

/// The league is as its issue wants it: at least ten sets of at least four kinds of goods, some of
/// which only judge, and each is taken apart into models by a column that it has.
#[test]
fn the_league() {
    let sets = sets();
    let goods: BTreeSet<&str> = sets.iter().map(|set| set.goods).collect();
    assert!(sets.len() >= 10 && goods.len() >= 4);
    let judges = sets.iter().filter(|set| set.judges).count();
    assert!(judges >= 4 && sets.len() - judges == 6);
    for set in &sets {
        let has = |by: &str| set.columns.iter().any(|column| column.name == by);
        assert!(set.models.is_none_or(has), "{}", set.name);
    }
}

/// Leave-one-out scores of the whole sets.
#[test]
fn the_oracle() {
    let reference = &json("accuracy.json")["oracle"];
    for set in sets() {
        let floor = Oracle::of(&set.load()).floor();
        close(floor, reference[set.name].as_f64().unwrap(), 1e-8);
    }
}

/// 80 % prediction intervals of seeded draws, and which draws have none.
#[test]
fn prediction_intervals() {
    let reference = json("accuracy.json");
    let draws = reference["draws"].as_array().unwrap();
    let (mut fitted, mut unfitted) = (0, 0);
    for set in sets() {
        let rows = set.load();
        let row = |at: &serde_json::Value| &rows[at.as_u64().unwrap() as usize];
        for draw in draws.iter().filter(|draw| draw["set"] == set.name) {
            let comps = draw["comps"].as_array().unwrap();
            let comps: Vec<&Row> = comps.iter().map(row).collect();
            match least_squares(&comps, row(&draw["target"])) {
                Some((low, high)) => {
                    close(low, draw["band"][0].as_f64().unwrap(), 1e-8);
                    close(high, draw["band"][1].as_f64().unwrap(), 1e-8);
                    fitted += 1;
                }
                None => {
                    assert!(draw["band"].is_null(), "{}", draw["target"]);
                    unfitted += 1;
                }
            }
        }
    }
    assert_eq!(fitted + unfitted, draws.len());
    assert!(fitted >= 60 && unfitted >= 8, "{fitted} and {unfitted}");
}

/// The best prior of the grid over the stored draws of a set, and how it did on each of them.
#[test]
fn the_bound() {
    let reference = json("accuracy.json");
    let draws = reference["draws"].as_array().unwrap();
    for set in sets().iter().filter(|set| !set.judges) {
        let rows = set.load();
        let oracle = Oracle::of(&rows);
        let known = Known::of(set, &rows, &oracle);
        let row = |at: &serde_json::Value| &rows[at.as_u64().unwrap() as usize];
        let tries: Vec<_> = draws
            .iter()
            .filter(|draw| draw["set"] == set.name)
            .map(|draw| {
                let comps = draw["comps"].as_array().unwrap();
                let comps: Vec<&Row> = comps.iter().map(row).collect();
                known.tries(&comps, row(&draw["target"]))
            })
            .collect();
        assert!(tries.iter().all(|tried| tried.len() == grid().len()));

        let Best { prior, tried } = Best::of(&tries);
        let expected = &reference["bounds"][set.name];
        let number = |name: &str| expected[name].as_f64().unwrap();
        assert_eq!(prior.unit.to_string(), expected["unit"].as_str().unwrap());
        assert_eq!((prior.mean, prior.sd), (number("mean"), number("sd")));
        let scores = numbers(&expected["scores"]);
        assert_eq!(tried.len(), scores.len());
        for (tried, score) in tried.iter().zip(scores) {
            close(tried.score, score, 1e-8);
        }
        let covered: Vec<bool> = tried.iter().map(|tried| tried.covered).collect();
        assert_eq!(serde_json::json!(covered), expected["covered"]);
    }
}
