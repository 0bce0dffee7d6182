//! Quantile regression by statsmodels: the draws go to `quantile.py`, the bands come back.

use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::json;

use super::regression::Band;
use super::sets::Row;

/// One band per draw (row numbers, the target first), none where it could not be fitted; an error
/// where the script does not run or answers out of step.
pub fn bands(
    python: &str,
    exact: bool,
    rows: &[Row],
    draws: &[Vec<usize>],
) -> Result<Vec<Option<Band>>, String> {
    let file = tempfile::NamedTempFile::new().map_err(|e| format!("a temporary file: {e}"))?;
    let given = json!({
        "rows": rows.iter().map(|r| &r.design).collect::<Vec<_>>(),
        "log_prices": rows.iter().map(|r| r.log_price).collect::<Vec<_>>(),
        "draws": draws,
    });
    std::fs::write(file.path(), given.to_string()).map_err(|e| format!("writing draws: {e}"))?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/accuracy/quantile.py");
    let answer = Command::new(python)
        .arg(script)
        .args(exact.then_some("--exact"))
        .arg(file.path())
        .stderr(Stdio::inherit())
        .output()
        .map_err(|e| format!("cannot run {python}: {e}; name the interpreter with --python"))?;
    if !answer.status.success() {
        return Err(format!(
            "quantile.py ended with {}; it needs the packages of tests/reference/requirements.txt",
            answer.status
        ));
    }
    let bands: Vec<Option<Band>> = serde_json::from_slice(&answer.stdout)
        .map_err(|e| format!("the answer of quantile.py: {e}"))?;
    if bands.len() != draws.len() {
        return Err(format!(
            "{} bands for {} draws from quantile.py",
            bands.len(),
            draws.len()
        ));
    }
    Ok(bands)
}
