//! Scores of ours kept in a file, so that two versions of the estimator can be compared on the
//! very same draws: a CSV with a column for each set and size, and a row for each draw.

use std::collections::BTreeMap;
use std::path::Path;

use super::draws::Cell;
use super::figure::Figure;
use super::report::Study;

/// Scores by draw, of each set and size.
pub struct Kept(BTreeMap<String, Vec<f64>>);

fn name(set: &str, n: usize) -> String {
    format!("{set} {n}")
}

impl Kept {
    pub fn of(studies: &[Study]) -> Self {
        let cells = studies.iter().flat_map(|study| {
            let scores = |cell: &Cell| cell.draws.iter().map(|d| d.ours.score).collect();
            let named = move |cell: &Cell| (name(study.name, cell.n), scores(cell));
            study.cells.iter().map(named)
        });
        Self(cells.collect())
    }

    pub fn write(&self, path: &Path) -> Result<(), String> {
        let fault = |e: csv::Error| format!("{}: {e}", path.display());
        let mut writer = csv::Writer::from_path(path).map_err(fault)?;
        writer.write_record(self.0.keys()).map_err(fault)?;
        let draws = self.0.values().map(Vec::len).max().unwrap_or(0);
        for draw in 0..draws {
            let row = self.0.values().map(|scores| format!("{:.4}", scores[draw]));
            writer.write_record(row).map_err(fault)?;
        }
        writer.flush().map_err(|e| fault(e.into()))
    }

    pub fn read(path: &Path) -> Result<Self, String> {
        let fault = |e: csv::Error| format!("{}: {e}", path.display());
        let mut reader = csv::Reader::from_path(path).map_err(fault)?;
        let header = reader.headers().map_err(fault)?.clone();
        let mut columns = vec![Vec::new(); header.len()];
        for record in reader.records() {
            for (column, cell) in columns.iter_mut().zip(&record.map_err(fault)?) {
                let score = cell.parse().map_err(|_| format!("{cell:?} is no score"))?;
                column.push(score);
            }
        }
        Ok(Self(header.iter().map(String::from).zip(columns).collect()))
    }

    /// Our score to the one kept, over the draws that both have; nothing where none was kept.
    pub fn to_kept(&self, set: &str, cell: &Cell) -> Figure {
        self.0.get(&name(set, cell.n)).map_or(Figure::NONE, |kept| {
            let ours = cell.draws.iter().map(|d| d.ours.score);
            Figure::ratio(ours.zip(kept.iter().copied()))
        })
    }
}
