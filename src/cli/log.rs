//! `compband log`.

mod enter;

use crate::trade::cells;
use std::path::Path;

use clap::Args;
use clap::builder::NonEmptyStringValueParser;
use polars::prelude::{IntoLazy, col, lit};

use super::undo::line;
use super::{CliError, changes, fitted, notice, parse_day, say, strong, today};
use crate::app::attributes::read_attributes;
use crate::book::comps::frame::FrameRows;
use crate::book::csv::canonical;
use crate::book::csv::canonical::{CURRENCY, PARSED, SOLD_ON};
use crate::book::rates::{Rates, no_day};
use crate::book::{Book, BookError, BookLock, Index};
use crate::parse::money::parse_amount;
use crate::settings::Settings;
use crate::trade::cells::Wrong;
use crate::trade::checks;
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::RATE_COLUMNS;
use crate::trade::money::{MINOR_SCALE, minor_units, money_text};
use crate::trade::names::match_key;
use crate::trade::near::KnownModels;
use crate::trade::text::line_ends;
use crate::trade::text::{nearest, shorten};
use crate::trade::{Comp, Currency, Foreign, Problem};

const EXAMPLES: &str = "\
Examples:
  compband log                                        ask for sales, field by field; Tab completes
  compband log --model \"Nerrow F4\" --price 120 --shipping 5.90 --grade B --completeness full
  compband log --model \"Tolvik Page 6\" --price 48 --sold-on yesterday --missing \"charger; cable x2\"
  compband log --model \"Brask M2\" --price 15 --parts --note \"no sound\"
  compband log --model \"Tolvik Page 6\" --price 48 --set storage=256 --set \"battery health=87 %\"
  compband log --model \"Brask M2\" --price 40 --undated
  compband log --model \"Brask M2\" --price 45 --currency XCU      by the rate of the day in rates.csv
  compband log --id vyq3c --update --grade C          change the grade of a sale, nothing else";

/// A price this many times the median of the model, or as many times below it, is remarked on.
const FAR: f64 = 4.0;

/// What is typed for a day that is not known; nothing typed is today.
const NOT_KNOWN: &str = "-";

/// Record one sale; without any option on a terminal, sales are asked for one after another
#[derive(Debug, Clone, Default, PartialEq, Args)]
#[command(after_help = EXAMPLES)]
pub struct LogArgs {
    /// Model that was sold
    #[arg(long)]
    model: Option<String>,
    /// Price of the item, shipping left out
    #[arg(long, allow_hyphen_values = true)]
    price: Option<String>,
    /// Shipping paid by the buyer [default: 0]
    #[arg(long, allow_hyphen_values = true)]
    shipping: Option<String>,
    /// Currency it was paid in, where not the book's: its code; converted by rates.csv
    #[arg(long, value_name = "CODE")]
    currency: Option<String>,
    /// Day of the sale: YYYY-MM-DD, today, yesterday, monday or "3 days ago" [default: today]
    #[arg(long, value_name = "DAY", value_parser = NonEmptyStringValueParser::new())]
    sold_on: Option<String>,
    /// The day of the sale is not known
    #[arg(long, conflicts_with = "sold_on")]
    undated: bool,
    /// Variant of the model: colour, storage, revision
    #[arg(long)]
    variant: Option<String>,
    /// How much came with it: bare, usable, full, boxed, sealed or your own scale
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Grade of wear: A, B, C, D or your own scale
    #[arg(long)]
    grade: Option<String>,
    /// Missing pieces, apart by `;`, with counts: "battery x2; strap"
    #[arg(long, value_name = "LIST")]
    missing: Option<String>,
    /// Things beyond what the completeness says
    #[arg(long, visible_alias = "extra", value_name = "LIST")]
    extras: Option<String>,
    /// Faults that do not stop it working
    #[arg(long, visible_alias = "defect", value_name = "LIST")]
    defects: Option<String>,
    /// A number that the unit has, such as storage=256; once for each
    #[arg(long, value_name = "NAME=NUMBER")]
    set: Vec<String>,
    /// It does not work: sold for parts
    #[arg(long)]
    parts: bool,
    /// How it was sold: auction, fixed or offer
    #[arg(long, value_name = "WAY")]
    how_sold: Option<String>,
    /// Where it was sold
    #[arg(long)]
    venue: Option<String>,
    /// Units sold for the price [default: 1]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    lot_size: Option<String>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
    /// Identifier of the sale [default: derived from what was sold, when and for how much]
    #[arg(long)]
    id: Option<String>,
    /// Record it although the book has the same sale: it is another one
    #[arg(long, conflicts_with_all = ["id", "update"])]
    again: bool,
    /// Change what is said of the sale that the book has; --id may name it by its beginning
    #[arg(long)]
    update: bool,
}

impl LogArgs {
    /// Cells as typed, in the order of [`COLUMNS`]; `None` where nothing was said.
    fn cells(&self) -> [Option<&str>; COLUMNS.len()] {
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

/// What came of an attempt to record a sale.
enum Outcome {
    /// It is in the book under this entry; with the sale it changes, if any.
    Recorded(u64, Option<Comp>),
    /// The book has it, letter for letter, under the identifier given.
    Known,
    /// The book has such a sale, and nobody said that this is another one.
    Same,
    /// The book has this other content under the identifier, and nobody said to change it.
    Differs(Comp),
}

/// Records the sale.
///
/// # Errors
/// Where a value is wrong, the sale is in the book already, or the book cannot be changed.
pub fn run(args: &LogArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    if *args == LogArgs::default() {
        return enter::run(&book);
    }
    if let (Some(id), true) = (&args.id, args.update) {
        let (comp, outcome) = update(&book, id, args)?;
        return tell(&comp, outcome);
    }
    if args.model.is_none() || args.price.is_none() {
        return Err(CliError::Usage(
            "--model and --price are needed to record a sale (or --id and --update to change one)"
                .into(),
        ));
    }
    let comp = read_comp(
        &args.cells(),
        &args.set,
        None,
        &book.rates()?,
        book.settings(),
    )?;
    for (name, _) in comp.attributes.iter() {
        note_undeclared(name, &comp.model, book.settings());
    }
    let writing = Writing {
        named: args.id.is_some(),
        again: args.again,
        update: args.update,
    };
    let lock = book.lock(&mut notice)?;
    let (comp, outcome) = record(&book, &lock, comp, writing)?;
    tell(&comp, outcome)
}

/// Notes an attribute that no family of the model declares.
fn note_undeclared(name: &str, model: &str, settings: &Settings) {
    if settings.attribute(model, name).is_none() {
        let near = nearest(name, settings.attributes(model).map(|(known, _)| known))
            .map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
        notice(&format!("{}{near}", super::not_declared(name, model)));
    }
}

fn tell(comp: &Comp, outcome: Outcome) -> Result<(), CliError> {
    let id = &comp.comp_id;
    match outcome {
        Outcome::Recorded(entry, None) => say(&format!(
            "{} (entry {entry})\n  {}\n{}To take it back: compband undo\n",
            strong("Recorded"),
            line(comp),
            converted(comp)
        )),
        Outcome::Recorded(entry, Some(old)) => say(&format!(
            "{}\n{}To take that back: compband undo (entry {entry})\n",
            old_to_new(&old, comp),
            converted(comp)
        )),
        Outcome::Known => say(&format!(
            "{id} is in the book already with the same content; nothing was changed\n"
        )),
        Outcome::Same => Err(CliError::Refused {
            message: format!("the book has this very sale: {}", line(comp)),
            next: "add --again where this was another one".into(),
        }),
        Outcome::Differs(old) => Err(CliError::Refused {
            message: format!(
                "the book has this sale with other content. {}",
                old_to_new(&old, comp)
            ),
            next: "add --update to change it, or record another sale (--again, or another --id)"
                .into(),
        }),
    }
}

/// How what was paid in another currency came to the book's, as a line.
fn converted(comp: &Comp) -> String {
    comp.foreign.as_ref().map_or(String::new(), |foreign| {
        let line = format!(
            "{} {}",
            foreign.worked_out(comp.price, comp.shipping),
            comp.currency
        );
        fitted(&line, "  ") + "\n"
    })
}

/// Old and new cells of a sale, one change a line.
fn old_to_new(old: &Comp, new: &Comp) -> String {
    let mut text = format!("Sale {}, old → new:", new.comp_id);
    for change in changes(old, new) {
        text.push_str(&format!("\n  {change}"));
    }
    text
}

/// Changes what was said of the sale whose identifier begins so; all else stays.
fn update(book: &Book, id: &str, args: &LogArgs) -> Result<(Comp, Outcome), CliError> {
    let lock = book.lock(&mut notice)?;
    book.repair_log(&lock, &mut notice)?;
    let old = sale_of(book, id.trim())?;
    let mut said = args.cells();
    said[0] = None;
    let rates = book.rates()?;
    let comp = read_comp(&said, &args.set, Some(&old), &rates, book.settings())?;
    let outcome = if comp.content_hash() == old.content_hash() {
        Outcome::Known
    } else {
        Outcome::Recorded(append(book, &lock, &comp)?, Some(old))
    };
    Ok((comp, outcome))
}

/// The sale of this identifier, or the only one whose identifier begins so.
fn sale_of(book: &Book, id: &str) -> Result<Comp, CliError> {
    let frame = book.frame(&mut notice)?;
    let rows = FrameRows::new(&frame, &book.settings().currency)?;
    let begins = |at: &usize| !id.is_empty() && rows.comp_id(*at).starts_with(id);
    let mut found: Vec<usize> = (0..rows.len()).filter(begins).collect();
    found.sort_unstable_by_key(|at| rows.comp_id(*at));
    let whole = found.iter().find(|at| rows.comp_id(**at) == id);
    match (whole, found.as_slice()) {
        (Some(at), _) | (None, [at]) => Ok(rows.comp(*at)),
        (None, []) => Err(CliError::Refused {
            message: format!("--id: the book has no sale whose identifier begins with {id:?}"),
            next: "`compband comps` lists the identifiers; leave --update out to record a new sale"
                .into(),
        }),
        (None, several) => {
            let shown: Vec<&str> = several.iter().take(5).map(|at| rows.comp_id(*at)).collect();
            let more = if several.len() > shown.len() {
                ", …"
            } else {
                ""
            };
            Err(CliError::Refused {
                message: format!(
                    "--id: the identifiers of {} sales begin with {id:?}: {}{more}",
                    several.len(),
                    shown.join(", ")
                ),
                next: "write as much of it as one of them alone begins with".into(),
            })
        }
    }
}

/// How a comp is written down.
#[derive(Clone, Copy, Default)]
struct Writing {
    /// It has an identifier of the user's.
    named: bool,
    /// It is another sale, though the book has the same.
    again: bool,
    /// It takes the place of what the book has under its identifier.
    update: bool,
}

/// A sale made elsewhere in the program, and what came of recording it.
pub struct Recorded(Comp, Outcome);

/// Records a sale made elsewhere in the program, unless the book has the very same.
///
/// # Errors
/// Where it cannot be written.
pub fn record_sale(book: &Book, lock: &BookLock, comp: Comp) -> Result<Recorded, CliError> {
    let (comp, outcome) = record(book, lock, comp, Writing::default())?;
    Ok(Recorded(comp, outcome))
}

/// Tells whether the sale was recorded or was in the book already.
///
/// # Errors
/// Where it cannot be written.
pub fn tell_recorded(recorded: Recorded) -> Result<(), CliError> {
    match (recorded.0, recorded.1) {
        (comp, Outcome::Same | Outcome::Known | Outcome::Differs(_)) => {
            notice(&format!(
                "the comps have this very sale already, so it is not recorded again: {}",
                line(&comp)
            ));
            Ok(())
        }
        (comp, outcome) => tell(&comp, outcome),
    }
}

/// Records a comp, its identifier derived where none was given.
fn record(
    book: &Book,
    lock: &BookLock,
    mut comp: Comp,
    writing: Writing,
) -> Result<(Comp, Outcome), CliError> {
    book.repair_log(lock, &mut notice)?;
    let index = book.index()?;
    if !writing.named {
        comp.comp_id = comp.derive_id(0);
        if writing.again {
            comp.comp_id = free_id(&comp, &index);
        }
    }
    if !writing.update {
        keep_rate(book, &mut comp)?;
    }
    let outcome = match index.get(&comp.comp_id) {
        None => Outcome::Recorded(append(book, lock, &comp)?, None),
        Some(hash) if hash == comp.content_hash() => {
            if writing.named || writing.update {
                Outcome::Known
            } else {
                Outcome::Same
            }
        }
        Some(_) => {
            let ids = [comp.comp_id.clone()].into();
            let old = book.comps_by_id(&ids)?.remove(&comp.comp_id);
            match old {
                Some(old) if !writing.update => Outcome::Differs(old),
                old => Outcome::Recorded(append(book, lock, &comp)?, old),
            }
        }
    };
    Ok((comp, outcome))
}

/// Gives a sale that the book has already the rate it has there, as an import does.
fn keep_rate(book: &Book, comp: &mut Comp) -> Result<(), CliError> {
    let Some(paid) = comp.foreign.as_deref() else {
        return Ok(());
    };
    let old = book.comps_by_id(&[comp.comp_id.clone()].into())?;
    let kept = old
        .get(&comp.comp_id)
        .filter(|old| old.sold_on == comp.sold_on);
    let kept = kept.and_then(|old| old.foreign.as_deref());
    if let Some(old) = kept.filter(|old| old.currency == paid.currency) {
        let rate = old.rate.clone();
        let paid = paid.clone();
        // An amount for which that rate will not do keeps the one found now, and differs by it.
        let _ = comp.set_foreign(Foreign { rate, ..paid }, &book.settings().currency);
    }
    Ok(())
}

/// Appends the sale and tells what may be a slip in it.
fn append(book: &Book, lock: &BookLock, comp: &Comp) -> Result<u64, CliError> {
    let doubts = [misspelt(book, comp)?, far_off(book, comp)?];
    let entry = book.append(lock, comp, &mut notice)?;
    doubts.iter().flatten().for_each(|doubt| notice(doubt));
    Ok(entry)
}

/// What to say of a new model that comes near to one of the book.
fn misspelt(book: &Book, comp: &Comp) -> Result<Option<String>, CliError> {
    let models = book.models()?;
    let known = KnownModels::new(models.iter().map(String::as_str));
    let near = known.near(&comp.model);
    Ok(near.map(|near| new_model(&comp.model, near)))
}

/// `new model "Quolbi R7"; did you mean "Quolby R7"?`
pub fn new_model(model: &str, near: &str) -> String {
    format!("new model {model:?}; did you mean {near:?}?")
}

/// What to say of a price that is over [`FAR`] times, or under that share of, the median of
/// the other single working units of the model.
fn far_off(book: &Book, comp: &Comp) -> Result<Option<String>, CliError> {
    let priced = minor_units(comp.price).filter(|_| comp.works && comp.lot_size == 1);
    let Some(price) = priced else {
        return Ok(None);
    };
    let alike = col("model_key")
        .eq(lit(match_key(&comp.model)))
        .and(col("works"))
        .and(col("lot_size").eq(lit(1_i64)))
        .and(col("comp_id").neq(lit(comp.comp_id.as_str())));
    let table = book
        .frame_of_model(&comp.model, &mut |_| {})?
        .lazy()
        .filter(alike)
        .select([col("price_minor").median()])
        .collect()?;
    let Some(median) = table.column("price_minor")?.f64()?.get(0) else {
        return Ok(None);
    };
    let times = price as f64 / median;
    let how = if times > FAR {
        format!("over {FAR} times")
    } else if times * FAR < 1.0 {
        format!("under 1/{FAR} of")
    } else {
        return Ok(None);
    };
    let currency = &book.settings().currency;
    let median = currency.from_statistics(median / 10_f64.powi(MINOR_SCALE as i32));
    Ok(Some(format!(
        "the price of {} is {how} the median of this model, {} {}; if that is a slip, `compband undo` takes the sale back",
        money_text(comp.price),
        median.map_or(String::new(), |median| currency.plain(median)),
        currency.code
    )))
}

/// The derived identifier of the first occurrence that the book does not have.
fn free_id(comp: &Comp, index: &Index) -> String {
    (0..)
        .map(|occurrence| comp.derive_id(occurrence))
        .find(|id| index.get(id).is_none())
        .unwrap_or_default()
}

/// Makes a comp of what was said, and for the rest, of the sale it changes; the identifier of
/// a new sale that was given none is still to be derived.
fn read_comp(
    said: &[Option<&str>; COLUMNS.len()],
    set: &[String],
    old: Option<&Comp>,
    rates: &Rates,
    settings: &Settings,
) -> Result<Comp, CliError> {
    let mut cells: [String; PARSED.len()] = Default::default();
    if let Some(old) = old {
        let known = old.cells().into_iter().chain(old.rate_cells());
        cells
            .iter_mut()
            .zip(known)
            .for_each(|(cell, known)| *cell = known);
    } else {
        cells[0] = "new".into();
        cells[SOLD_ON] = today().to_string();
    }
    let other = other_currency(said[CURRENCY].unwrap_or(&cells[CURRENCY]), settings);
    let currency = other.as_ref().unwrap_or(&settings.currency);
    let mut wrong: Vec<(usize, Wrong)> = Vec::new();
    for (at, text) in said.iter().enumerate() {
        let Some(text) = text else { continue };
        cells[at] = normal(COLUMNS[at], text, currency);
        let checked = checks::cell(COLUMNS[at], &cells[at], today());
        wrong.extend(checked.err().map(|why| (at, why)));
    }
    // A change of something else leaves the sale the rate that it has.
    if said[CURRENCY].or(said[SOLD_ON]).is_some() {
        match rate_cells(other.as_ref(), &cells[SOLD_ON], rates) {
            Ok(rate) => cells[COLUMNS.len()..].clone_from_slice(&rate),
            Err(why) => wrong.push((CURRENCY, why)),
        }
    }
    let cells = cells.each_ref().map(String::as_str);
    let comp = canonical::parse_cells(&cells, settings, &mut |at, why| {
        if wrong.iter().all(|(known, _)| *known != at) {
            wrong.push((at, why));
        }
    });
    wrong.sort_by_key(|(at, _)| *at);
    let problem = |(at, why): (usize, Wrong)| Problem {
        file: format!(
            "--{}",
            PARSED[at].replace('_', "-").replace("comp-id", "id")
        ),
        row: 0,
        column: String::new(),
        value: shorten(said.get(at).copied().flatten().unwrap_or(cells[at]), 60),
        expected: why.expected,
        mend: why.mend,
    };
    let mut problems: Vec<Problem> = wrong.into_iter().map(problem).collect();
    let said = read_attributes(set, cells[2], settings, &mut problems);
    let mut attributes = old.map_or_else(Default::default, |old| old.attributes.clone());
    for (name, value) in said.iter() {
        attributes.set(name, value);
    }
    match comp {
        Some(comp) if problems.is_empty() => Ok(Comp { attributes, ..comp }),
        _ => Err(BookError::Rows(problems).into()),
    }
}

/// The currency that a sale was paid in, where it is another than the book's.
fn other_currency(text: &str, settings: &Settings) -> Option<Currency> {
    let ours = settings.currency.answers_to(text.trim()) == Some(true);
    Currency::of_code(text).filter(|_| !ours)
}

/// The cells of the rate of a sale on the day that a cell names: empty for one in the book's
/// currency, and where the day cannot be read, which is told elsewhere.
fn rate_cells(
    other: Option<&Currency>,
    sold_on: &str,
    rates: &Rates,
) -> Result<[String; RATE_COLUMNS.len()], Wrong> {
    let (Some(other), Ok(day)) = (other, cells::day_if_any(sold_on)) else {
        return Ok(Default::default());
    };
    let day = day.ok_or_else(|| no_day(&other.code))?;
    Ok(rates.on(&other.code, day)?.cells())
}

/// A cell as typed brought to the canonical form, where the two differ.
fn normal(column: &str, text: &str, currency: &Currency) -> String {
    let text = text.trim();
    match column {
        "sold_on" if text == NOT_KNOWN => String::new(),
        "sold_on" => parse_day(text).map_or_else(|_| text.to_string(), |day| day.to_string()),
        "currency" => text.to_uppercase(),
        "price" | "shipping" => {
            parse_amount(text, currency).map_or_else(|_| text.to_string(), money_text)
        }
        "note" => line_ends(text),
        _ => text.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_come_without_their_currency() {
        let settings = Settings::default();
        for text in ["12.50", "€12.50", "12,50 €", "EUR 12.5", "12.50 eur"] {
            assert_eq!(normal("price", text, &settings.currency), "12.50", "{text}");
        }
        for text in ["", "free", "12.50 USD"] {
            assert_eq!(normal("price", text, &settings.currency), text);
        }
    }

    #[test]
    fn every_wrong_value_is_named_by_its_option() {
        let args = LogArgs {
            model: Some("Brask M2".into()),
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
        let Err(CliError::Book(BookError::Rows(problems))) =
            read_comp(&args.cells(), &args.set, None, &rates, &settings)
        else {
            panic!("wrong values were taken");
        };
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
}
