//! `compband history`: earlier estimates of a watched unit.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, draw, notice, open, print};
use crate::app::watch::history;
use crate::render::chart::{self, HistoryChart};
use crate::render::table::terminal_width;
use crate::render::{change, document};

const EXAMPLES: &str = "\
Examples:
  compband history qn948
  compband history qn948 --chart qn948.png
  compband history qn948 --json";

/// Show how the price of a watched unit has moved
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct HistoryArgs {
    /// Name of the watched unit
    #[arg(value_name = "NAME")]
    watched: String,
    /// Draw a chart into FILE (.png or .svg); repeat it for both
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// If there is no history with this name, or it cannot be read.
pub fn run(args: &HistoryArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = open(book)?;
    let records = history(&book, &args.watched, &mut notice)?;
    let currency = &book.settings().currency;
    if !args.chart.is_empty() {
        draw(
            &HistoryChart::of(&args.watched, &records, currency),
            &args.chart,
        )?;
    }
    if args.json {
        let document = document::refresh::history_document(&args.watched, &records);
        return print(&document::text(&document)?);
    }
    print(&change::history_table(
        &args.watched,
        &records,
        terminal_width(),
    ))
}
