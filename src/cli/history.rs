//! `compband history`: what was said of a watched unit before.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, draw, notice, print};
use crate::book::Book;
use crate::book::history::Record;
use crate::book::watch::{name_fault, no_such_watch};
use crate::render::change;
use crate::render::chart::{self, HistoryChart, HistoryPoint};
use crate::render::document;
use crate::render::table::terminal_width;
use crate::trade::Currency;

const EXAMPLES: &str = "\
Examples:
  compband history page6
  compband history page6 --chart page6.png
  compband history page6 --json";

/// Show how the price of a watched unit went
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct HistoryArgs {
    /// Name of the watched unit
    #[arg(value_name = "NAME")]
    watched: String,
    /// Draw a chart into FILE (.png or .svg); can be given twice
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// Where there is no history of this name, or it cannot be read.
pub fn run(args: &HistoryArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = Book::open(book)?;
    let records = match name_fault(&args.watched) {
        None => book.history(&args.watched, &mut notice)?,
        Some(_) => Vec::new(),
    };
    if records.is_empty() {
        return Err(absent(&book, &args.watched)?);
    }
    let currency = &book.settings().currency;
    if !args.chart.is_empty() {
        draw(
            &history_chart(&args.watched, &records, currency),
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

fn absent(book: &Book, name: &str) -> Result<CliError, CliError> {
    let watches = book.watched()?;
    Ok(if watches.contains_key(name) {
        CliError::Absent {
            message: format!("{name:?} has not been estimated yet"),
            next: format!("`compband refresh {name}` makes the first estimate"),
        }
    } else {
        CliError::Absent {
            message: no_such_watch(name, watches.keys()),
            next: "`compband watch list` shows what is watched".into(),
        }
    })
}

/// The chart of what was said in the book's currency.
fn history_chart(name: &str, records: &[Record], currency: &Currency) -> HistoryChart {
    let float = |money| rust_decimal::prelude::ToPrimitive::to_f64(&money).unwrap_or(f64::NAN);
    let points: Vec<HistoryPoint> = records
        .iter()
        .filter(|record| record.currency == currency.code)
        .map(|record| HistoryPoint {
            on: record.as_of,
            likely: float(record.foreseen.likely),
            low: float(record.foreseen.low),
            high: float(record.foreseen.high),
        })
        .collect();
    let chances: Vec<u8> = records.iter().map(|record| record.foreseen.level).collect();
    let chance = match chances[..] {
        [first, ..] if chances.iter().all(|chance| *chance == first) => format!("{first} % band"),
        _ => "band as asked for each time".into(),
    };
    HistoryChart {
        title: format!("Likely price of {name}"),
        subtitle: format!("{}, {chance}", super::count(points.len(), "estimate")),
        currency: currency.clone(),
        points,
    }
}
