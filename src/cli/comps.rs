//! `compband comps`.

use std::collections::BTreeSet;
use std::io::{BufWriter, IsTerminal, Write};
use std::path::Path;

use chrono::NaiveDate;
use clap::Args;
use polars::prelude::*;

use super::terminal::steers;
use crate::app::error::unknown_model;
use crate::book::Book;
use crate::book::comps::frame::{FrameRows, short_ids};
use crate::book::csv::canonical::{OptionalColumn, Writer, check, optional_for};
use crate::cli::{CliError, SHORTEST_ID, count, empty_book, fitted, notice, parse_day, print};
use crate::render::table::{Grid, Kind, terminal_width};
use crate::settings::Settings;
use crate::settings::of_scale;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;
use crate::trade::{Attributes, Comp, Currency};

const EXAMPLES: &str = "\
Examples:
  compband comps --model \"Nerrow F4\" --grade B --since 2026-01-01
  compband comps --parts --limit 10
  compband comps --csv > all.csv        every comp, ready to be imported elsewhere";

/// Rows of the table where `--limit` does not say.
const LIMIT: usize = 50;

/// Bytes of comps from which identifiers are shortened against those of the model asked for only.
const LARGE: u64 = 8 << 20;

/// What stands before an amount that was converted from another currency.
const CONVERTED: &str = "*";

/// Most converted sales told of below the table.
const FOOTNOTES: usize = 10;

/// List the comps of the book, newest first, undated ones last
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompsArgs {
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
    /// Only sales of this day or later: YYYY-MM-DD, today, yesterday, monday or "3 days ago"
    #[arg(long, value_name = "DAY", value_parser = parse_day)]
    since: Option<NaiveDate>,
    /// Only sales of this day or earlier
    #[arg(long, value_name = "DAY", value_parser = parse_day)]
    until: Option<NaiveDate>,
    /// Only sales whose day is not recorded
    #[arg(long, conflicts_with_all = ["since", "until"])]
    undated: bool,
    /// Only identifiers that begin so
    #[arg(long, value_name = "BEGINNING")]
    id: Option<String>,
    /// Only units sold for parts
    #[arg(long)]
    parts: bool,
    /// Only this venue (case and spacing ignored)
    #[arg(long)]
    venue: Option<String>,
    /// Most rows [default: 50 in the table, all as CSV]
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Write CSV rows that `compband import` takes back as they are
    #[arg(long)]
    csv: bool,
}

/// Lists the comps.
///
/// # Errors
/// Where the book cannot be read, a filter names what does not exist, or output fails.
pub fn run(args: &CompsArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let settings = book.settings();
    let key = args.model.as_deref().map(|model| known_key(model, &book));
    let filters = filters(args, key.transpose()?, settings)?;
    let limit = args
        .limit
        .unwrap_or(if args.csv { usize::MAX } else { LIMIT });
    let mut add = |all: &mut Found, part| all.add(part, &filters, args.venue.as_deref(), limit);
    let found = match &args.model {
        Some(model) => {
            let mut found = Found::default();
            add(&mut found, book.frame_of_model(model, &mut notice)?)?;
            found
        }
        None => book.fold_models(&mut notice, &mut add)?,
    };
    let shown = match found.first {
        Some(rows) => newest(rows.lazy(), limit)?,
        None => return print(&empty_book()),
    };
    if args.csv {
        return write_csv(&shown, &settings.currency);
    }
    if found.matches == 0 {
        return print("No comps match.\n");
    }
    let mut text = table(&book, args.model.as_deref(), &shown)?;
    if found.matches > shown.height() {
        let more = count(found.matches - shown.height(), "more comp");
        text.push_str(&format!(
            "… and {more}; --limit {} shows all\n",
            found.matches
        ));
    }
    print(&text)
}

/// What was found among the comps.
#[derive(Default)]
struct Found {
    /// How many match.
    matches: usize,
    /// Those of them that may be shown; none where there are no comps at all.
    first: Option<DataFrame>,
}

impl Found {
    /// Takes in the comps of some models.
    fn add(
        &mut self,
        comps: DataFrame,
        filters: &Option<Expr>,
        venue: Option<&str>,
        limit: usize,
    ) -> PolarsResult<()> {
        if comps.height() == 0 {
            return Ok(());
        }
        let venue = venue.map(|venue| spelled_like("venue", venue, &comps));
        let all = filters.clone().into_iter().chain(venue.transpose()?);
        let filter = all.reduce(Expr::and).unwrap_or_else(|| lit(true));
        let found = comps.lazy().filter(filter).collect()?;
        self.matches += found.height();
        let found = newest(found.lazy(), limit)?;
        match &mut self.first {
            None => self.first = Some(found),
            Some(first) => {
                first.vstack_mut_owned(found)?;
                if first.height() / 8 > limit {
                    *first = newest(first.clone().lazy(), limit)?;
                }
            }
        }
        Ok(())
    }
}

/// The first comps as they are listed: the newest first, undated ones last.
fn newest(comps: LazyFrame, limit: usize) -> PolarsResult<DataFrame> {
    let order = SortMultipleOptions::new()
        .with_order_descending_multi([true, false])
        .with_nulls_last(true);
    let sorted = comps.sort(["sold_on", "comp_id"], order).collect()?;
    Ok(sorted.head(Some(limit.min(sorted.height()))))
}

/// All filters but that by venue as one expression; `key` is that of the model.
fn filters(
    args: &CompsArgs,
    key: Option<String>,
    settings: &Settings,
) -> Result<Option<Expr>, CliError> {
    let mut all: Vec<Expr> = Vec::new();
    all.extend(key.map(|key| col("model_key").eq(lit(key))));
    if let Some(variant) = &args.variant {
        all.push(col("variant_key").eq(lit(match_key(variant))));
    }
    for (column, asked) in [("grade", &args.grade), ("completeness", &args.completeness)] {
        if let Some(asked) = asked {
            all.push(col(column).eq(lit(on_scale(column, asked, settings)?)));
        }
    }
    if let Some(day) = args.since {
        all.push(col("sold_on").gt_eq(lit(day.to_epoch_days())));
    }
    if let Some(day) = args.until {
        all.push(col("sold_on").lt_eq(lit(day.to_epoch_days())));
    }
    if args.undated {
        all.push(col("sold_on").is_null());
    }
    if let Some(id) = &args.id {
        // Texts that begin so are those from it up to it with the last character behind it.
        let end = format!("{id}{}", char::MAX);
        all.push(
            col("comp_id")
                .gt_eq(lit(id.as_str()))
                .and(col("comp_id").lt_eq(lit(end))),
        );
    }
    if args.parts {
        all.push(col("works").not());
    }
    Ok(all.into_iter().reduce(Expr::and))
}

/// Key of a model that the book has.
fn known_key(model: &str, book: &Book) -> Result<String, CliError> {
    let key = match_key(model);
    let names = book.models()?;
    if names.iter().any(|known| match_key(known) == key) {
        return Ok(key);
    }
    let names: BTreeSet<&str> = names.iter().map(String::as_str).collect();
    Err(unknown_model(model, names).into())
}

/// A name as the scale spells it.
fn on_scale(column: &str, asked: &str, settings: &Settings) -> Result<String, CliError> {
    let name = match column {
        "grade" => of_scale(settings.grade_names(), asked),
        _ => of_scale(settings.completeness_names(), asked),
    };
    let name = name.map(|(_, name)| name.to_string());
    name.ok_or_else(|| CliError::Refused {
        message: match check(column, asked, settings) {
            Err(wrong) => format!("--{column}: found {asked:?}: expected {}", wrong.expected),
            Ok(()) => format!("--{column}: found nothing: expected a name of the scale"),
        },
        next: String::new(),
    })
}

/// Rows whose text is the same but for case and spacing.
fn spelled_like(column: &str, asked: &str, frame: &DataFrame) -> PolarsResult<Expr> {
    let key = match_key(asked);
    let spellings: BTreeSet<&str> = frame
        .column(column)?
        .str()?
        .iter()
        .flatten()
        .filter(|text| match_key(text) == key)
        .collect();
    let same = spellings.into_iter().map(|text| col(column).eq(lit(text)));
    Ok(same.reduce(Expr::or).unwrap_or_else(|| lit(false)))
}

/// For each identifier, as much of it as no other of the book begins with; in a large book, no
/// other of the model that was asked for.
fn shortened<'a>(
    book: &Book,
    model: Option<&str>,
    ids: Vec<&'a str>,
) -> Result<Vec<&'a str>, CliError> {
    let mut longest = |all: &mut Vec<&'a str>, part: DataFrame| {
        let short = short_ids(&part, &ids, SHORTEST_ID)?;
        all.resize(ids.len(), "");
        for (longest, short) in all.iter_mut().zip(short) {
            *longest = if short.len() > longest.len() {
                short
            } else {
                longest
            };
        }
        Ok(())
    };
    match model {
        Some(model) if book.size()? > LARGE => {
            let mut all = Vec::new();
            longest(&mut all, book.frame_of_model(model, &mut |_| {})?)?;
            Ok(all)
        }
        _ => Ok(book.fold_models(&mut |_| {}, &mut longest)?),
    }
}

fn table(book: &Book, model: Option<&str>, shown: &DataFrame) -> Result<String, CliError> {
    let settings = book.settings();
    let currency = &settings.currency;
    let rows = FrameRows::new(shown, currency)?;
    let ids: Vec<&str> = (0..rows.len()).map(|at| rows.comp_id(at)).collect();
    let ids = shortened(book, model, ids)?;
    let mut sheet = Grid::ranked(&[
        ("id", Kind::Fixed, 0),
        ("sold on", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("complete", Kind::Fixed, 1),
        ("grade", Kind::Fixed, 1),
        ("condition", Kind::Text, 2),
        ("price", Kind::Number, 0),
        ("+ship", Kind::Number, 3),
        ("sold by", Kind::Fixed, 4),
        ("venue", Kind::Text, 5),
        ("note", Kind::Text, 6),
    ]);
    let mut converted = Vec::new();
    for (at, id) in ids.into_iter().enumerate() {
        let comp = rows.comp(at);
        let mark = if comp.foreign.is_some() {
            CONVERTED
        } else {
            ""
        };
        converted.extend(
            comp.foreign
                .as_ref()
                .map(|foreign| (id, foreign.in_words())),
        );
        sheet.push(vec![
            id.to_string(),
            comp.sold_on.map_or("–".into(), |day| day.to_string()),
            if comp.variant.is_empty() {
                comp.model.clone()
            } else {
                format!("{}, {}", comp.model, comp.variant)
            },
            comp.completeness.clone(),
            comp.grade.clone(),
            condition(&comp, settings),
            format!("{mark}{}", currency.exact(comp.price)),
            currency.exact(comp.shipping),
            comp.how_sold.map_or(String::new(), |how| how.to_string()),
            comp.venue,
            comp.note,
        ]);
    }
    Ok(format!(
        "Amounts in {}\n\n{}{}",
        currency.code,
        sheet.render(terminal_width()),
        footnotes(&converted)
    ))
}

/// What the marked amounts were converted from, a line each, and how many more there are.
fn footnotes(converted: &[(&str, String)]) -> String {
    let mut text = String::new();
    for (id, paid) in converted.iter().take(FOOTNOTES) {
        let line = format!("{CONVERTED} {id}: paid {paid}");
        text.push_str(&(fitted(&line, "") + "\n"));
    }
    let more = converted.len().saturating_sub(FOOTNOTES);
    if more > 0 {
        let more = count(more, "more converted sale");
        text.push_str(&format!("{CONVERTED} {more}; --csv tells of all\n"));
    }
    text
}

/// What is missing, more, wrong or otherwise particular about a unit.
fn condition(comp: &Comp, settings: &Settings) -> String {
    let mut parts = Vec::new();
    if !comp.works {
        parts.push("parts only".to_string());
    }
    if comp.lot_size != 1 {
        parts.push(format!("lot of {}", comp.lot_size));
    }
    for (name, value) in comp.attributes.iter() {
        let unit = settings
            .attribute(&comp.model, name)
            .map_or("", |declared| declared.unit.as_str());
        parts.push(format!("{name} {value} {unit}").trim_end().to_string());
    }
    for (what, items) in [
        ("missing", &comp.missing),
        ("with", &comp.extras),
        ("defects:", &comp.defects),
    ] {
        if !items.is_empty() {
            parts.push(format!("{what} {}", items.to_string().replace("; ", ", ")));
        }
    }
    parts.join("; ")
}

/// The columns behind the fixed ones that the rows need, in order.
fn optional_in(frame: &DataFrame) -> Result<Vec<OptionalColumn>, CliError> {
    let words = |column: &str| -> Result<BTreeSet<&str>, CliError> {
        Ok(frame.column(column)?.str()?.iter().flatten().collect())
    };
    let converted = words("foreign")?.iter().any(|text| !text.is_empty());
    let mut needed: BTreeSet<OptionalColumn> = optional_for(converted, &Attributes::NONE).collect();
    for attributes in words("attributes")?.into_iter().map(Attributes::parse) {
        needed.extend(optional_for(false, &attributes.unwrap_or_default()));
    }
    Ok(needed.into_iter().collect())
}

fn write_csv(frame: &DataFrame, currency: &Currency) -> Result<(), CliError> {
    let rows = FrameRows::new(frame, currency)?;
    let output = std::io::stdout().lock();
    // What an old file holds shall not steer the terminal; a file gets it letter for letter.
    let output: Box<dyn Write> = if output.is_terminal() {
        Box::new(Tamed(output))
    } else {
        Box::new(output)
    };
    let output = BufWriter::with_capacity(1 << 16, output);
    let mut writer = Writer::with_header(output, &COLUMNS, optional_in(frame)?)?.neutral();
    for at in 0..rows.len() {
        writer.comp(&rows.comp(at))?;
    }
    Ok(writer.finish()?.flush()?)
}

/// Shows control characters, line ends and tabs apart, as `�`.
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
