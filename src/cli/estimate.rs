//! `compband estimate`: the predicted price of a unit.

use std::path::{Path, PathBuf};

use clap::Args;

use super::unit::MeantArgs;
use super::{CliError, notice, open, print};
use crate::app::describe;
use crate::render::chart::{self, BandChart};
use crate::render::sheet::{Listing, sheet};
use crate::render::table::terminal_width;
use crate::render::{document, short};

/// Most comps on a sheet: used ones, and unused ones for each reason.
const LISTED: (usize, usize) = (40, 4);

const EXAMPLES: &str = "\
Examples:
  compband estimate --model \"Nulva 61K\" --grade B --completeness usable --missing charger
  compband estimate --model \"Tumrik QN 948\" --grade C --defect \"dead pixels\" --chart qn948.png
  compband estimate --model \"Tumrik QN 948\" --set storage=32
  compband estimate --model \"Bolv 83V\" --parts --band 50 --json
  compband estimate d7                   the unit of a deal, as described in the ledger
  compband estimate d7 --grade A         the same with grade A
  compband estimate qn948                a watched unit
  compband estimate qn948 --why          how its price was worked out, with every sale used

What you leave out about the unit stays open: it can be anything that the sales used are. That makes
the range wider, and the sheet says how much narrower it gets once you look. The estimate is not a promise, and not tax or legal advice.";

/// Estimate what a unit will sell for: the likely price and a range
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct EstimateArgs {
    #[command(flatten)]
    unit: MeantArgs,
    /// Draw a chart into FILE (.png or .svg); repeat it for both
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
    /// Print the whole sheet: the evidence, every adjustment, the comps
    #[arg(long)]
    why: bool,
    /// Print the whole sheet with every comp
    #[arg(long)]
    all_comps: bool,
    /// Print how the sales are looked up, instead of an estimate
    #[arg(long, conflicts_with_all = ["json", "chart"])]
    show_plan: bool,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a value is not of the book's scales, or the unit cannot be
/// estimated.
pub fn run(args: &EstimateArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = open(book)?;
    let given = args.unit.meant(&book)?.description;
    let unit = describe::unit(&book, &given, args.unit.day(book.settings()), &mut notice)?;
    let selection = unit.selection()?;
    if args.show_plan {
        return print(&format!("{}\n", unit.plan()?.trim_end()));
    }
    let made = unit.estimate(selection)?;
    if !args.chart.is_empty() {
        super::draw(&BandChart::of(&made), &args.chart)?;
    }
    if args.json {
        return print(&document::text(&document::estimate::document(&made))?);
    }
    if !args.why && !args.all_comps {
        return print(&short::estimate::sheet(&made, terminal_width()));
    }
    let ids = unit.short_ids(&made)?;
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
