//! `compband check`: backtests the estimates on the book's sales.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::output::progress;
use super::unit::model_of;
use super::{CliError, notice, open, print, today};
use crate::app::AppError;
use crate::app::check::{self, By, LEVEL, groups, mistyped, predicted, undated};
use crate::app::ledger::ledger_on;
use crate::app::undeclared::{any_helps, columns};
use crate::render::check::{self as sheet, Sheet};
use crate::render::document::{check as document, text};
use crate::render::ledger::OwnCheck;
use crate::render::prose::prose_width;
use crate::render::table::terminal_width;
use crate::render::{chart, contradicted, short, undeclared};

const EXAMPLES: &str = "\
Examples:
  compband check
  compband check --model \"Nulva 61K\" --by grade
  compband check --chart check.png --chart check.svg
  compband check --by month --json

Each sale is estimated from earlier sales only, and compared with what was paid. A sale without a
date is estimated from all others of its model, as of the newest date. Other models count with
their sales before that month. Not checked: lots, and sales with none before them.";

/// Check past estimates against what was paid
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CheckArgs {
    /// Only sales of the model of this unit: a deal (d7), a watched unit by name, or a model
    #[arg(value_name = "UNIT", conflicts_with = "model")]
    unit: Option<String>,
    /// Only sales of this model
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    /// Show each of these groups too, besides all sales
    #[arg(long, value_name = "GROUP", value_enum)]
    by: Option<By>,
    /// Draw a chart of all the sales into FILE (.png or .svg); repeat it for both
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print all figures and verdicts: COD, PRD, PRB, the score, and what to declare
    #[arg(long)]
    figures: bool,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

impl ValueEnum for By {
    fn value_variants<'a>() -> &'a [Self] {
        &[
            Self::Model,
            Self::Grade,
            Self::Completeness,
            Self::Month,
            Self::Price,
        ]
    }

    fn to_possible_value(&self) -> Option<clap::builder::PossibleValue> {
        Some(clap::builder::PossibleValue::new(match self {
            Self::Model => "model",
            Self::Grade => "grade",
            Self::Completeness => "completeness",
            Self::Month => "month",
            Self::Price => "price",
        }))
    }
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, has no such model, or nothing can be predicted; if a chart cannot be
/// written.
pub fn run(args: &CheckArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = open(book)?;
    let settings = book.settings();
    let model = model_of(&book, args.unit.as_deref(), args.model.as_deref())?;
    let model = model.as_deref();
    let checked = check::check(&book, model, &mut notice, &progress())?;
    let sales = predicted(&checked.past);
    let Some(groups) = groups(&sales, args.by, settings) else {
        return Err(AppError::Absent {
            message: "no sale has an earlier one to predict it from".into(),
            next: "record more sales with `compband log` or `compband import`; `compband models` lists what the book has".into(),
        }
        .into());
    };
    let of = checked.past.len();
    if !args.chart.is_empty() {
        let model = model.map(|_| sales[0].0.model.as_str());
        let chart = sheet::chart(&sales, &groups[0].1, of, model, settings);
        super::draw(&chart, &args.chart)?;
    }
    let columns = columns(&checked.past, settings);
    let helps = any_helps(&columns);
    let own = OwnCheck::of(&ledger_on(&book, today(), &mut notice)?, model);
    if args.json {
        let (all, undated) = (groups[0].1.sales, undated(&sales));
        let document = document::Check {
            schema: "compband.check/1",
            sales: of,
            predicted: all,
            predicted_from_earlier_sales: all - undated,
            predicted_from_all_others: undated,
            mistyped: mistyped(&sales)
                .map(|(past, _)| past.sale.comp_id.as_str())
                .collect(),
            interval_chance: LEVEL,
            groups: groups
                .iter()
                .map(|(name, figures)| document::Group::of(name, figures, helps))
                .collect(),
            undeclared: undeclared::document(&columns, settings),
            contradicted: document::Contradicted::of(&checked.conflicts, settings),
            own_sales: own.document(),
        };
        return print(&text(&document)?);
    }
    let width = terminal_width();
    let sheet = Sheet {
        groups: &groups,
        sales: &sales,
        of,
        helps,
    };
    if !args.figures {
        let notes = [
            contradicted::note(&checked.conflicts, "--figures says"),
            undeclared::note(&columns, "--figures says"),
        ];
        let notes: Vec<String> = notes.into_iter().flatten().collect();
        print(&short::check::sheet(&sheet, &notes, settings, width))?;
        return print(&own.sheet(width));
    }
    print(&sheet.text(settings, width))?;
    let prose = prose_width(width);
    let section = undeclared::section(&columns, settings, prose);
    let wrong_rules = contradicted::section(&checked.conflicts, settings, prose);
    for section in [section, wrong_rules].iter().filter(|s| !s.is_empty()) {
        print(&format!("\n{section}"))?;
    }
    print(&own.sheet(width))
}
