//! The cells of a row of a canonical file, checked one by one, and the resulting comp.

use rust_decimal::Decimal;

use crate::settings::{Settings, of_scale};
use crate::trade::attributes::plain_number;
use crate::trade::cells::{Wrong, amount, day_if_any, named};
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::{Foreign, RATE_COLUMNS, Rate};
use crate::trade::money::{MINOR_SCALE, MOST_MONEY};
use crate::trade::problem::SHOWN;
use crate::trade::text::excerpt;
use crate::trade::{Attributes, Comp, Currency, HowSold, Items};

/// Columns that [`parse_cells`] reads: those of [`COLUMNS`], then those of [`RATE_COLUMNS`].
pub const PARSED: [&str; COLUMNS.len() + RATE_COLUMNS.len()] = {
    let mut columns = [""; COLUMNS.len() + RATE_COLUMNS.len()];
    let mut at = 0;
    while at < columns.len() {
        columns[at] = if at < COLUMNS.len() {
            COLUMNS[at]
        } else {
            RATE_COLUMNS[at - COLUMNS.len()]
        };
        at += 1;
    }
    columns
};

fn price(text: &str) -> Result<Decimal, Wrong> {
    amount(text).and_then(|value| {
        if value.is_zero() {
            Err(Wrong::new(
                "a price above 0",
                "leave out what was given away",
            ))
        } else {
            Ok(value)
        }
    })
}

fn on_scale<'a>(text: &str, names: impl Iterator<Item = &'a str> + Clone) -> Result<String, Wrong> {
    if text.is_empty() {
        return Ok(String::new());
    }
    let found = of_scale(names.clone(), text).map(|(_, name)| name.to_string());
    found.ok_or_else(|| {
        let all: Vec<&str> = names.collect();
        Wrong::new(
            format!("one of {} or nothing", all.join(", ")),
            "the settings hold the scale",
        )
    })
}

/// Reads a grade: a name of the scale (returned in its spelling), or an empty text.
///
/// # Errors
/// A name that is not in the scale.
pub fn grade(text: &str, settings: &Settings) -> Result<String, Wrong> {
    on_scale(text, settings.grade_names())
}

/// Reads a completeness level: a name of the scale (returned in its spelling), or an empty text.
///
/// # Errors
/// A name that is not in the scale.
pub fn completeness(text: &str, settings: &Settings) -> Result<String, Wrong> {
    on_scale(text, settings.completeness_names())
}

/// Reads a list cell.
///
/// # Errors
/// An entry with an invalid count or without a name.
pub fn items(text: &str) -> Result<Items, Wrong> {
    Items::parse(text).map_err(|entry| {
        Wrong::new(
            format!(
                "names separated by ; with counts from 1 to {}",
                crate::trade::items::MOST
            ),
            format!("fix {}, such as \"battery x2\"", excerpt(&entry, SHOWN)),
        )
    })
}

pub(crate) fn works(text: &str) -> Result<bool, Wrong> {
    match text {
        "" => Ok(true),
        _ if text.eq_ignore_ascii_case("yes") => Ok(true),
        _ if text.eq_ignore_ascii_case("no") => Ok(false),
        _ => Err(Wrong::new("yes or no", "no means for parts only")),
    }
}

/// Reads a currency: the code of a currency other than the book's, or an empty text for the book's.
fn other_currency(text: &str, settings: &Settings) -> Result<Option<Currency>, Wrong> {
    let ours = &settings.currency.code;
    if text.is_empty() || text.eq_ignore_ascii_case(ours) {
        return Ok(None);
    }
    Currency::of_code(text).map(Some).ok_or_else(|| {
        Wrong::new(
            format!("{ours}, the code of another currency, or nothing"),
            "write three letters, such as EUR",
        )
    })
}

/// The exchange rate of a row: required if it was paid in the `other` currency, refused if not.
fn rate(
    cells: [&str; 3],
    other: Option<&Currency>,
    settings: &Settings,
    report: &mut dyn FnMut(usize, Wrong),
) -> Option<Option<Rate>> {
    let ours = &settings.currency.code;
    let first = COLUMNS.len();
    match other {
        None => match cells.iter().position(|cell| !cell.is_empty()) {
            None => Some(None),
            Some(at) => {
                let expected = format!("nothing, since the amounts are in {ours}");
                let fix =
                    "remove it, or put the code of the other currency into the column currency";
                report(first + at, Wrong::new(expected, fix));
                None
            }
        },
        Some(other) if cells.iter().all(|cell| cell.is_empty()) => {
            let expected = format!("{ours}, or the rate by which {} was converted", other.code);
            let fix = format!(
                "fill {}, as `compband import` does by rates.csv, or convert the amounts to {ours}",
                RATE_COLUMNS.join(", ")
            );
            report(CURRENCY, Wrong::new(expected, fix));
            None
        }
        Some(_) => {
            let rate = Rate::parse(cells, &mut |at, wrong| report(first + at, wrong));
            rate.map(Some)
        }
    }
}

/// Position of the day of the sale in [`COLUMNS`].
pub const SOLD_ON: usize = 1;
/// Position of the price.
pub const PRICE: usize = 10;
/// Position of the currency.
pub const CURRENCY: usize = 12;

pub(crate) fn how_sold(text: &str) -> Result<Option<HowSold>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    HowSold::parse(text)
        .map(Some)
        .ok_or_else(|| Wrong::new(format!("one of {}, or nothing", HowSold::words()), ""))
}

fn lot_size(text: &str) -> Result<u32, Wrong> {
    let size = if text.is_empty() {
        Some(1)
    } else {
        text.parse().ok()
    };
    size.filter(|n| (1..=1_000_000).contains(n))
        .ok_or_else(|| Wrong::new("a whole number from 1 to 1000000", "1 is a single unit"))
}

/// Checks one cell of the column, as [`parse_cells`] does.
///
/// # Errors
/// If it is invalid.
pub fn check(column: &str, text: &str, settings: &Settings) -> Result<(), Wrong> {
    let text = text.trim();
    match column {
        "comp_id" => named(text, "an identifier", "").map(drop),
        "sold_on" => day_if_any(text).map(drop),
        "model" => named(text, "a model", "").map(drop),
        "completeness" => completeness(text, settings).map(drop),
        "grade" => grade(text, settings).map(drop),
        "missing" | "extras" | "defects" => items(text).map(drop),
        "works" => works(text).map(drop),
        "price" => price(text).map(drop),
        "shipping" if text.is_empty() => Ok(()),
        "shipping" => amount(text).map(drop),
        "currency" => other_currency(text, settings).map(drop),
        "how_sold" => how_sold(text).map(drop),
        "lot_size" => lot_size(text).map(drop),
        _ => Ok(()),
    }
}

/// Makes a comp from the cells in the order of [`PARSED`], without attributes. Passes the error of
/// every invalid cell to `report`, with its position.
pub fn parse_cells(
    cells: &[&str; PARSED.len()],
    settings: &Settings,
    report: &mut dyn FnMut(usize, Wrong),
) -> Option<Comp> {
    fn keep<T>(
        at: usize,
        parsed: Result<T, Wrong>,
        report: &mut dyn FnMut(usize, Wrong),
    ) -> Option<T> {
        parsed.map_err(|wrong| report(at, wrong)).ok()
    }
    let cells = cells.map(str::trim);
    let id_lost =
        "put the one it had back; new sales are added with `compband import` or `compband log`";
    let comp_id = keep(0, named(cells[0], "an identifier", id_lost), report);
    let sold_on = keep(1, day_if_any(cells[1]), report);
    let model = keep(
        2,
        named(cells[2], "a model", "write which model was sold"),
        report,
    );
    let completeness = keep(4, completeness(cells[4], settings), report);
    let grade = keep(5, grade(cells[5], settings), report);
    let missing = keep(6, items(cells[6]), report);
    let extras = keep(7, items(cells[7]), report);
    let defects = keep(8, items(cells[8]), report);
    let works = keep(9, works(cells[9]), report);
    let price = keep(10, price(cells[10]), report);
    let shipping = keep(
        11,
        if cells[11].is_empty() {
            Ok(Decimal::ZERO)
        } else {
            amount(cells[11])
        },
        report,
    );
    let other = keep(CURRENCY, other_currency(cells[CURRENCY], settings), report);
    let rate_cells = [cells[17], cells[18], cells[19]];
    let rate = other
        .as_ref()
        .and_then(|other| rate(rate_cells, other.as_ref(), settings, report));
    let how_sold = keep(13, how_sold(cells[13]), report);
    let lot_size = keep(15, lot_size(cells[15]), report);
    let comp = Comp {
        comp_id: comp_id?,
        sold_on: sold_on?,
        model: model?,
        variant: cells[3].to_string(),
        completeness: completeness?,
        grade: grade?,
        missing: missing?,
        extras: extras?,
        defects: defects?,
        attributes: Attributes::NONE,
        works: works?,
        price: price?,
        shipping: shipping?,
        currency: settings.currency.code.clone(),
        foreign: None,
        how_sold: how_sold?,
        venue: cells[14].to_string(),
        lot_size: lot_size?,
        note: cells[16].to_string(),
    };
    let (Some(other), Some(rate)) = (other?, rate?) else {
        return Some(comp);
    };
    let converted = in_force(comp, other, rate, &settings.currency);
    keep(PRICE, converted, report)
}

/// The comp after conversion of its amounts from another currency.
fn in_force(mut comp: Comp, paid: Currency, rate: Rate, ours: &Currency) -> Result<Comp, Wrong> {
    let foreign = Foreign {
        currency: paid.code,
        price: comp.price,
        shipping: comp.shipping,
        rate,
    };
    comp.set_foreign(foreign, ours).map(|()| comp)
}

/// Reads the cell of an attribute: a number, or an empty text.
pub(super) fn attribute(text: &str) -> Result<Option<Decimal>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    plain_number(text).map(Some).ok_or_else(|| {
        Wrong::new(
            format!("a number up to {MOST_MONEY} with at most {MINOR_SCALE} decimals, or nothing"),
            "write digits and a decimal point only, such as 87.5",
        )
    })
}
