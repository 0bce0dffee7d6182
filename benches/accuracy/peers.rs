//! Peers that need Python: the draws of a set go to `peers.py`, the bands come back.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::json;

use super::draws::{Cell, Data, Peer, drawn};
use super::regression::{Band, Tried};

pub const BAYESIAN_RIDGE: &str = "Bayesian ridge";

/// Names of the peers, in the order of the tables.
const NAMES: [&str; 5] = [
    "quantile regression",
    BAYESIAN_RIDGE,
    "Gaussian process",
    "quantile forest",
    "jackknife+ ridge",
];

/// By peer, of each draw its band, or none where it could not be fitted.
type Bands = BTreeMap<String, Vec<Option<Band>>>;

/// Adds the peers on the first draws of each cell; an error where the script does not run or
/// answers out of step.
pub fn add(python: &str, most: usize, data: &Data, cells: &mut [Cell]) -> Result<(), String> {
    let samples: Vec<Vec<Vec<usize>>> = cells
        .iter()
        .map(|cell| {
            let draws = 0..most.min(cell.draws.len());
            draws.map(|d| drawn(data.rows.len(), cell.n, d).1).collect()
        })
        .collect();
    let bands = bands(python, data, &samples.iter().flatten().collect::<Vec<_>>())?;
    for name in NAMES {
        let found = bands.get(name).ok_or(format!("peers.py has no {name}"))?;
        let mut at = 0;
        for (cell, samples) in cells.iter_mut().zip(&samples) {
            let found = &found[at..at + samples.len()];
            at += samples.len();
            let tried = found.iter().zip(samples).map(|(band, chosen)| {
                band.map(|band| Tried::of(band, data.rows[chosen[0]].log_price))
            });
            let tried = tried.collect();
            cell.peers.push(Peer { name, tried });
        }
    }
    Ok(())
}

/// The bands of the draws (row numbers, the target first).
fn bands(python: &str, data: &Data, draws: &[&Vec<usize>]) -> Result<Bands, String> {
    let file = tempfile::NamedTempFile::new().map_err(|e| format!("a temporary file: {e}"))?;
    let given = json!({
        "rows": data.rows.iter().map(|r| &r.design).collect::<Vec<_>>(),
        "log_prices": data.rows.iter().map(|r| r.log_price).collect::<Vec<_>>(),
        "draws": draws,
    });
    std::fs::write(file.path(), given.to_string()).map_err(|e| format!("writing draws: {e}"))?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/accuracy/peers.py");
    let answer = Command::new(python)
        .arg(script)
        .arg(file.path())
        .stderr(Stdio::inherit())
        .output()
        .map_err(|e| format!("cannot run {python}: {e}; name the interpreter with --python"))?;
    if !answer.status.success() {
        return Err(format!(
            "peers.py ended with {}; it needs the packages of tests/reference/requirements.txt",
            answer.status
        ));
    }
    let bands: Bands = serde_json::from_slice(&answer.stdout)
        .map_err(|e| format!("the answer of peers.py: {e}"))?;
    let whole = |found: &Vec<Option<Band>>| found.len() == draws.len();
    if bands.values().all(whole) {
        Ok(bands)
    } else {
        Err("peers.py has not a band for each draw".into())
    }
}
