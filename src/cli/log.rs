//! `compband log`.

mod enter;
mod fields;
mod line;
mod words;

pub use words::report_recorded;

use std::ffi::OsString;
use std::path::Path;
use words::report_outcome;

use clap::Args;
use clap::builder::NonEmptyStringValueParser;

use super::{CliError, notice, print, today};
use crate::app::Book;
use crate::app::record::{Writing, record};
use crate::app::typed::{Cells, NOT_KNOWN, read_comp, undeclared_notes, update};

const EXAMPLES: &str = "\
Examples:
  compband log                                        ask for sales, one after another
  compband log Bolv 83V B usable -charger +battery 120+4.90 yesterday
  compband log \"Nulva 61K full fixed 150 20.11. x2\" --note \"as a pair\"
  compband log --model \"Nulva 61K\" --price 120 --shipping 5.90 --grade B --completeness full
  compband log --model \"Tumrik QN 948\" --price 48 --sold-on yesterday --missing \"charger; cable x2\"
  compband log --model \"Bolv 83V\" --price 15 --parts --note \"no sound\"
  compband log --model \"Tumrik QN 948\" --price 48 --set storage=256 --set \"battery health=87 %\"
  compband log --model \"Bolv 83V\" --price 40 --undated
  compband log --model \"Bolv 83V\" --price 45 --currency XCU      by the rate of the day in rates.csv
  compband log --id vyq3c --update --grade C          change the grade of a sale, nothing else

A sale in one line: its words are a model, grade, completeness, variant or venue that the book
knows, -piece (missing), +piece (extra), the price (120, 120 EUR, 120+4.90 with shipping),
shipping 4.90, a date (yesterday, 3 days ago, friday, 20.11., 2026-11-20), bid, fixed or haggled,
parts, x3 for three units; any other value as name=value, such as venue=\"flea market\". What is not
understood, or can be read in two ways, is asked on a terminal and refused elsewhere.";

/// Record one sale, said in one line or by flags; with neither, a terminal is asked for sales
#[derive(Debug, Clone, Default, PartialEq, Args)]
#[command(after_help = EXAMPLES)]
pub struct LogArgs {
    /// The sale in one line, such as Bolv 83V B usable -charger +battery 120 yesterday
    #[arg(value_name = "SALE")]
    words: Vec<String>,
    /// Model that was sold
    #[arg(long)]
    model: Option<String>,
    /// Price of the item, without shipping
    #[arg(long, allow_hyphen_values = true)]
    price: Option<String>,
    /// Shipping paid by the buyer [default: 0]
    #[arg(long, allow_hyphen_values = true)]
    shipping: Option<String>,
    /// Code of the currency it was paid in, if not yours; converted by rates.csv
    #[arg(long, value_name = "CODE")]
    currency: Option<String>,
    /// Date of the sale, such as 2026-11-20, 20.11.2026, yesterday, monday or "3 days ago" [default: today]
    #[arg(long, value_name = "DATE", value_parser = NonEmptyStringValueParser::new())]
    sold_on: Option<String>,
    /// The date of the sale is not known
    #[arg(long, conflicts_with = "sold_on")]
    undated: bool,
    /// Variant of the model: colour, storage, revision
    #[arg(long)]
    variant: Option<String>,
    /// How complete it was: bare, usable, full, boxed, sealed, or a level of your own scale
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Grade of wear: A, B, C, D, or a grade of your own scale
    #[arg(long)]
    grade: Option<String>,
    /// Pieces missing from that level, separated by `;` or commas, with counts: "battery x2; strap"
    #[arg(long, value_name = "LIST")]
    missing: Option<String>,
    /// Pieces beyond that level
    #[arg(long, visible_alias = "extra", value_name = "LIST")]
    extras: Option<String>,
    /// Faults that do not stop it working
    #[arg(long, visible_alias = "defect", value_name = "LIST")]
    defects: Option<String>,
    /// A number of the unit, such as storage=256; repeat it for more
    #[arg(long, value_name = "NAME=NUMBER")]
    set: Vec<String>,
    /// It did not work: sold for parts
    #[arg(long)]
    parts: bool,
    /// How it was sold: bid, fixed price or haggled
    #[arg(long, value_name = "WAY")]
    how_sold: Option<String>,
    /// Outlet or other place where it was sold
    #[arg(long)]
    venue: Option<String>,
    /// Number of units sold for the price [default: 1]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    lot_size: Option<String>,
    /// A note to keep with it
    #[arg(long)]
    note: Option<String>,
    /// Id of the sale [default: made from what was sold, when and for how much]
    #[arg(long)]
    id: Option<String>,
    /// Record it even though the book has the same sale: this is another one
    #[arg(long, conflicts_with_all = ["id", "update"])]
    again: bool,
    /// Change a sale that the book has; --id names it, or how its id begins
    #[arg(long)]
    update: bool,
}

impl LogArgs {
    /// The given cells.
    fn cells(&self) -> Cells<'_> {
        [
            self.id.as_deref(),
            self.sold_on
                .as_deref()
                .or(self.undated.then_some(NOT_KNOWN)),
            self.model.as_deref(),
            self.variant.as_deref(),
            self.completeness.as_deref(),
            self.grade.as_deref(),
            self.missing.as_deref(),
            self.extras.as_deref(),
            self.defects.as_deref(),
            self.parts.then_some("no"),
            self.price.as_deref(),
            self.shipping.as_deref(),
            self.currency.as_deref(),
            self.how_sold.as_deref(),
            self.venue.as_deref(),
            self.lot_size.as_deref(),
            self.note.as_deref(),
        ]
    }
}

/// Records the sale.
///
/// # Errors
/// If a value is invalid, the book already has the sale, or the book cannot be changed.
pub fn run(args: &LogArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    if *args == LogArgs::default() {
        return enter::run(&book);
    }
    let Some(values) = line::values(&args.words, &args.cells(), &args.set, &book)? else {
        return print("Nothing was recorded.\n");
    };
    let given = (values.cells(), values.set.as_slice());
    if let (Some(id), true) = (&args.id, args.update) {
        let (comp, outcome) = update(&book, id, given, today(), &mut notice)?;
        return report_outcome(&comp, outcome);
    }
    if ["model", "price"]
        .iter()
        .any(|column| values.get(column).is_none())
    {
        return Err(CliError::usage(
            "a sale needs a model and a price, in the line or with --model and --price (--id and --update change one)",
        ));
    }
    let (settings, rates) = (book.settings(), book.rates()?);
    let comp = read_comp(&given.0, given.1, None, &rates, settings, today())?;
    let notes = undeclared_notes(&comp, book.settings());
    notes.iter().for_each(|note| notice(note));
    let writing = Writing {
        named: args.id.is_some(),
        again: args.again,
        update: args.update,
    };
    let lock = book.lock(&mut notice)?;
    let (comp, outcome) = record(&book, &lock, comp, writing, &mut notice)?;
    report_outcome(&comp, outcome)
}

/// The arguments with each piece behind a hyphen (`-charger`) as a word of the sale: clap would take it for options
/// of one letter.
pub fn pieces_as_words(mut args: Vec<OsString>, command: &clap::Command) -> Vec<OsString> {
    let log = command.find_subcommand("log");
    let takes_value = |name: &str| {
        let mut known = log.iter().flat_map(|log| log.get_arguments());
        let is = |arg: &clap::Arg| {
            let aliases = arg.get_all_aliases().unwrap_or_default();
            arg.get_long() == Some(name) || aliases.contains(&name)
        };
        name == "book" || known.any(|arg| is(arg) && arg.get_action().takes_values())
    };
    let mut in_log = false;
    let mut value_next = false;
    for arg in args.iter_mut().skip(1) {
        let Some(text) = arg.to_str() else {
            value_next = false;
            continue;
        };
        let is_value = std::mem::take(&mut value_next);
        match (text.strip_prefix("--"), text.strip_prefix('-')) {
            _ if is_value => {}
            (Some(""), _) => break,
            (Some(name), _) => value_next = takes_value(name),
            (None, Some(piece)) if in_log => {
                let letter = piece.starts_with(char::is_alphabetic);
                if letter && piece.chars().nth(1).is_some() && piece != "help" {
                    *arg = format!("\u{2212}{piece}").into();
                }
            }
            (None, Some(_)) => {}
            (None, None) if !in_log && text != "log" => break,
            (None, None) => in_log = true,
        }
    }
    args
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::rates::Rates;
    use crate::settings::Settings;

    #[test]
    fn every_wrong_value_is_named_by_its_option() {
        let args = LogArgs {
            model: Some("Bolv 83V".into()),
            price: Some("free".into()),
            grade: Some("E".into()),
            lot_size: Some("0".into()),
            set: vec![
                "storage".into(),
                "storage=1".into(),
                "Storage=2".into(),
                "memory=8/16".into(),
            ],
            ..LogArgs::default()
        };
        let settings = Settings::default();
        let rates = Rates::none(&settings);
        let wrong = read_comp(&args.cells(), &args.set, None, &rates, &settings, today());
        let wrong = wrong.unwrap_err();
        let problems = wrong.problems();
        let named: Vec<&str> = problems.iter().map(|p| p.file.as_str()).collect();
        assert_eq!(
            named,
            [
                "--grade",
                "--price",
                "--lot-size",
                "--set",
                "--set",
                "--set"
            ]
        );
        assert!(
            problems[0]
                .to_string()
                .starts_with("--grade: found \"E\": expected one of A, B, C, D"),
            "{}",
            problems[0]
        );
    }
    #[test]
    fn a_piece_behind_a_hyphen_is_a_word() {
        let command = clap::Command::new("compband")
            .subcommand(LogArgs::augment_args(clap::Command::new("log")));
        let after = |args: &str| {
            let args = args.split(' ').map(OsString::from).collect();
            let args = pieces_as_words(args, &command);
            let args: Vec<String> = args
                .iter()
                .map(|arg| arg.to_string_lossy().into())
                .collect();
            args.join(" ")
        };
        for (given, expected) in [
            (
                "c log Bolv -charger --note -x1 -pouch",
                "c log Bolv \u{2212}charger --note -x1 \u{2212}pouch",
            ),
            (
                "c --book d log --parts -charger",
                "c --book d log --parts \u{2212}charger",
            ),
            (
                "c log --extra -a1 --note=b -charger",
                "c log --extra -a1 --note=b \u{2212}charger",
            ),
            ("c log -h -5 -V -help", "c log -h -5 -V -help"),
            ("c log -- -charger", "c log -- -charger"),
            ("c import log -charger", "c import log -charger"),
        ] {
            assert_eq!(after(given), expected, "{given}");
        }
    }
}
