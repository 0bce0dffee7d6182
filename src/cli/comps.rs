//! `compband comps`.

use std::io::{BufWriter, IsTerminal, Write};
use std::path::Path;

use clap::Args;

use super::terminal::steers;
use super::unit::model_of;
use super::{CliError, count, day_of, empty_book, notice, open, page, parse_day, print};
use crate::app::comps::{Filter, Listed, comps};
use crate::parse::dates::WrittenDate;
use crate::render::comps::table;
use crate::render::table::terminal_width;
use crate::settings::Settings;

const EXAMPLES: &str = "\
Examples:
  compband comps --model \"Nulva 61K\" --grade B --since 2026-01-01
  compband comps d7                     sales of the model of a deal
  compband comps --parts --limit 10
  compband comps --csv > all.csv        every sale, ready to import elsewhere";

/// Default number of rows of the table.
const LIMIT: usize = 50;

/// List the sales in the book, newest first, undated ones last
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompsArgs {
    /// Only the model of this unit: a deal (d7), a watched unit by name, or a model
    #[arg(value_name = "UNIT", conflicts_with = "model")]
    unit: Option<String>,
    /// Only this model (case and spacing ignored)
    #[arg(long)]
    model: Option<String>,
    /// Only this variant (case and spacing ignored)
    #[arg(long)]
    variant: Option<String>,
    /// Only this grade
    #[arg(long)]
    grade: Option<String>,
    /// Only this level of completeness
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Only sales on this date or later: 2026-11-20, 20.11.2026, yesterday, monday, "3 days ago"
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    since: Option<WrittenDate>,
    /// Only sales on this date or earlier
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    until: Option<WrittenDate>,
    /// Only sales without a date
    #[arg(long, conflicts_with_all = ["since", "until"])]
    undated: bool,
    /// Only sales whose id begins like this
    #[arg(long, value_name = "BEGINNING")]
    id: Option<String>,
    /// Only units sold for parts
    #[arg(long)]
    parts: bool,
    /// Only sales at this outlet or place (case and spacing ignored)
    #[arg(long)]
    venue: Option<String>,
    /// Show at most this many [default: 50 in the table, all as CSV]
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Print CSV that `compband import` reads as it is
    #[arg(long)]
    csv: bool,
}

/// Lists the comps.
///
/// # Errors
/// If the book cannot be read, a filter names what does not exist, or output fails.
pub fn run(args: &CompsArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let limit = args
        .limit
        .unwrap_or(if args.csv { usize::MAX } else { LIMIT });
    let model = model_of(&book, args.unit.as_deref(), args.model.as_deref())?;
    let filter = Filter {
        model: model.as_deref(),
        ..args.filter(book.settings())
    };
    let Some(found) = comps(&book, &filter, limit, &mut notice)? else {
        return print(&empty_book());
    };
    if args.csv {
        return write_csv(&found);
    }
    if found.matches == 0 {
        return print("No sales match.\n");
    }
    let ids = found.short_ids(&book, model.as_deref())?;
    let mut text = table(found.comps()?, &ids, book.settings(), terminal_width());
    if found.matches > found.shown {
        let more = count(found.matches - found.shown, "more sale");
        text.push_str(&format!(
            "… and {more}; --limit {} shows all\n",
            found.matches
        ));
    }
    page(&text)
}

impl CompsArgs {
    fn filter(&self, settings: &Settings) -> Filter<'_> {
        let day = |given: Option<WrittenDate>| given.map(|given| day_of(given, settings));
        Filter {
            model: None,
            variant: self.variant.as_deref(),
            grade: self.grade.as_deref(),
            completeness: self.completeness.as_deref(),
            since: day(self.since),
            until: day(self.until),
            undated: self.undated,
            id: self.id.as_deref(),
            parts: self.parts,
            venue: self.venue.as_deref(),
        }
    }
}

fn write_csv(comps: &Listed) -> Result<(), CliError> {
    let output = std::io::stdout().lock();
    // The content of an old file must not control the terminal; a file gets it unchanged.
    let output: Box<dyn Write> = if output.is_terminal() {
        Box::new(Tamed(output))
    } else {
        Box::new(output)
    };
    Ok(comps.write_csv(BufWriter::with_capacity(1 << 16, output))??)
}

/// Shows control characters, except line ends and tabs, as `�`.
struct Tamed<W>(W);

impl<W: Write> Write for Tamed<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let tame = |c: char| {
            if steers(c) {
                char::REPLACEMENT_CHARACTER
            } else {
                c
            }
        };
        let text: String = String::from_utf8_lossy(bytes).chars().map(tame).collect();
        self.0.write_all(text.as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_control_character_reaches_a_terminal() {
        let mut tamed = Tamed(Vec::new());
        tamed
            .write_all("a,\u{1b}[2J\u{9b}é\r\tb\n".as_bytes())
            .unwrap();
        assert_eq!(
            String::from_utf8(tamed.0).unwrap(),
            "a,\u{fffd}[2J\u{fffd}é\u{fffd}\tb\n"
        );
    }
}
