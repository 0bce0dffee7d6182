//! `compband pocket`: a page for the phone.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, day_or_today, notice, open, parse_day};
use crate::app::pocket::{Wanted, pocket};
use crate::app::selling::Through;
use crate::parse::dates::WrittenDate;

/// Write a page for the phone
#[derive(Debug, Args)]
pub struct PocketArgs {
    /// Models
    #[arg(value_name = "MODEL")]
    models: Vec<String>,
    /// The page
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Outlets
    #[arg(long, value_name = "NAME")]
    outlet: Vec<String>,
    /// Day
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read.
pub fn run(args: &PocketArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let settings = book.settings();
    let outlets: Vec<Through<'_>> = settings
        .outlets
        .iter()
        .filter_map(|(name, outlet)| Through::new((name, outlet), settings, None, None).ok())
        .collect();
    let wanted = Wanted {
        models: args.models.clone(),
        as_of: day_or_today(args.as_of, settings),
    };
    let start = std::time::Instant::now();
    let made = pocket(&book, &wanted, &outlets, &|_, _| {}, &mut notice)?;
    let count: usize = made.sheets.iter().map(|s| s.worked_out).sum();
    for s in &made.sheets {
        eprintln!("{} rows {} worked {} reach {} others {}", s.choices.model, s.figures.len(), s.worked_out, s.reach, s.others.len());
    }
    let t = start.elapsed().as_secs_f64();
    eprintln!("{count} in {t:.2}: {:.2} ms each", t*1000.0/count as f64);
    let _ = &args.out;
    let _ = &args.outlet;
    Ok(())
}
