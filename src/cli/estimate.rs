//! `compband estimate`: what this unit will sell for.

use std::path::{Path, PathBuf};

use clap::Args;

use super::unit::UnitArgs;
use super::{CliError, SHORTEST_ID, print};
use crate::band::estimate::Estimate;
use crate::book::BookError;
use crate::book::comps::frame::short_ids;
use crate::book::store::Book;
use crate::render::chart::{self, BandChart, ChartError, Dot};
use crate::render::document;
use crate::render::sheet::{Listing, sheet};
use crate::render::table::terminal_width;
use crate::select::Dropped;
use crate::select::plan::describe;

/// Most comps on a sheet: used, and not used for one reason.
const LISTED: (usize, usize) = (40, 4);

const EXAMPLES: &str = "\
Examples:
  compband estimate --model \"Nerrow F4\" --grade B --completeness usable --missing charger
  compband estimate --model \"Tolvik Page 6\" --grade C --defect \"dead pixels\" --chart page6.png
  compband estimate --model \"Tolvik Page 6\" --set storage=32
  compband estimate --model \"Brask M2\" --parts --band 50 --json

What is not said of the unit stays open: it may be anything that the comps used are. The band is
wider for it, and the sheet says how much narrower it gets once you look. The estimate is not a promise, and not tax or legal advice.";

/// Estimate what a unit will sell for, with a band
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct EstimateArgs {
    #[command(flatten)]
    unit: UnitArgs,
    /// Draw a chart into FILE (.png or .svg); can be given twice
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
    /// List every comp on the sheet
    #[arg(long)]
    all_comps: bool,
    /// Print the query plan instead of an estimate
    #[arg(long, conflicts_with_all = ["json", "chart"])]
    show_plan: bool,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, a value is not of the book's scales, or nothing speaks of
/// the unit.
pub fn run(args: &EstimateArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = Book::open(book)?;
    let unit = args.unit.read(&book)?;
    let selection = unit.selection()?;
    if args.show_plan {
        return print(&format!(
            "{}\n",
            describe(&unit.comps, &unit.query())?.trim_end()
        ));
    }
    let made = unit.estimate(selection)?;
    if !args.chart.is_empty() {
        super::draw(&band_chart(&made), &args.chart)?;
    }
    if args.json {
        return print(&document::text(&document::estimate::document(&made))?);
    }
    let ids: Vec<&str> = made
        .comps
        .iter()
        .map(|line| line.comp.comp_id.as_str())
        .collect();
    let ids = short_ids(&unit.comps, &ids, SHORTEST_ID)?;
    let (used, dropped) = if args.all_comps {
        (usize::MAX, usize::MAX)
    } else {
        LISTED
    };
    print(&sheet(
        &made,
        &Listing {
            used,
            dropped,
            ids: &ids,
        },
        terminal_width(),
    ))
}

impl From<ChartError> for CliError {
    fn from(error: ChartError) -> Self {
        match error {
            ChartError::Io { path, source } => Self::Book(BookError::Io {
                path,
                doing: "write",
                source,
            }),
            other => Self::Refused {
                message: other.to_string(),
                next: String::new(),
            },
        }
    }
}

/// The chart of an estimate.
pub(super) fn band_chart(made: &Estimate) -> BandChart {
    let float = |money| rust_decimal::prelude::ToPrimitive::to_f64(&money).unwrap_or(f64::NAN);
    BandChart {
        title: crate::render::sheet::unit(&made.subject),
        subtitle: format!(
            "{}, from {}; {}",
            made.as_of,
            super::count(made.evidence.used, "comp"),
            crate::render::sheet::basis(made.basis)
        ),
        currency: made.currency.clone(),
        level: made.level,
        median: float(made.median),
        low: float(made.low),
        high: float(made.high),
        density: made.density(),
        dots: made
            .comps
            .iter()
            .filter(|line| line.comp.dropped.is_none_or(Dropped::is_looked_at))
            .filter_map(|line| {
                Some(Dot {
                    adjusted: line.adjusted?,
                    at_date: line.at_date?,
                    sold_on: line.comp.sold_on,
                    weight: line.weight,
                    used: line.comp.dropped.is_none(),
                })
            })
            .collect(),
        trend: made.trend.clone(),
    }
}
