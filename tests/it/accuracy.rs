//! Least squares and the oracle of the accuracy benchmark, against statsmodels.

#[path = "../../benches/accuracy/regression.rs"]
mod regression;
#[path = "../../benches/accuracy/sets.rs"]
mod sets;

use regression::{least_squares, oracle};
use sets::{Row, sets};

use crate::reference::{close, json};

/// Leave-one-out scores of the whole sets, on the columns of the stated floor and on all: to three
/// digits those that the goals of the benchmark were stated with.
#[test]
fn the_floor() {
    let reference = &json("accuracy.json")["oracle"];
    for (set, stated) in sets().into_iter().zip([0.380, 0.492, 0.770]) {
        let rows = set.load();
        let every: Vec<usize> = (0..rows[0].design.len()).collect();
        let floor = oracle(&rows, &set.stated());
        assert_eq!((floor * 1e3).round() / 1e3, stated);
        let expected = &reference[set.name];
        close(floor, expected["stated"].as_f64().unwrap(), 1e-8);
        let full = oracle(&rows, &every);
        close(full, expected["all"].as_f64().unwrap(), 1e-8);
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
    assert!(fitted >= 40 && unfitted >= 5, "{fitted} and {unfitted}");
}
