//! Reads a typed sale, cell by cell, into a comp.

use std::collections::BTreeSet;

use chrono::NaiveDate;

use super::AppError;
use super::attributes::read_attributes;
use super::describe::not_declared;
use super::record::{Outcome, append, sale_of};
use crate::book::csv::canonical::{self, CURRENCY, PARSED, PRICE, SOLD_ON};
use crate::book::rates::{Rates, no_day};
use crate::book::{Book, BookError};
use crate::parse::dates::day_typed;
use crate::parse::money::{other_currency_in, parse_amount};
use crate::parse::words::is_free;
use crate::select::pieces::PACKAGING;
use crate::settings::{Settings, Values};
use crate::trade::cells::{self, Wrong};
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::RATE_COLUMNS;
use crate::trade::money::money_text;
use crate::trade::names::{composed, match_key};
use crate::trade::text::{after, did_you_mean, line_ends};
use crate::trade::{Comp, Currency, HowSold, Problem, checks};

/// Typed for an unknown day; an empty answer is today.
pub const NOT_KNOWN: &str = "-";

/// Typed for an empty value instead of the offered one.
pub const NOTHING: &str = "-";

/// Typed cells, in the order of [`COLUMNS`]; `None` if not given.
pub type Cells<'a> = [Option<&'a str>; COLUMNS.len()];

/// Notices about the attributes of a comp that no family of its model declares.
pub fn undeclared_notes(comp: &Comp, settings: &Settings) -> Vec<String> {
    let model = comp.model.as_str();
    let names = comp.attributes.iter().map(|(name, _)| name);
    let names = names.filter(|name| settings.attribute(model, name).is_none());
    names
        .map(|name| {
            let near = did_you_mean(name, settings.attributes(model).map(|(known, _)| known));
            format!("{}{near}", not_declared(name, model))
        })
        .collect()
}

/// Makes a comp from the given cells and, for the others, from the sale that it changes. The identifier of a
/// new sale is derived later if not given.
///
/// # Errors
/// Every wrong value, by its flag.
pub fn read_comp(
    given: &Cells<'_>,
    set: &[String],
    old: Option<&Comp>,
    rates: &Rates,
    settings: &Settings,
    today: NaiveDate,
) -> Result<Comp, AppError> {
    let mut cells: [String; PARSED.len()] = Default::default();
    if let Some(old) = old {
        let known = old.cells().into_iter().chain(old.rate_cells());
        cells
            .iter_mut()
            .zip(known)
            .for_each(|(cell, known)| *cell = known);
    } else {
        cells[0] = "new".into();
        cells[SOLD_ON] = today.to_string();
    }
    let code = given[CURRENCY].map(str::to_string).or_else(|| {
        let other = other_currency_in(given[PRICE]?, &settings.currency)?;
        Some(other.code)
    });
    let other = other_currency(code.as_ref().unwrap_or(&cells[CURRENCY]), settings);
    let currency = other.as_ref().unwrap_or(&settings.currency);
    let values = Values::of(settings);
    let mut wrong: Vec<(usize, Wrong)> = Vec::new();
    for (at, text) in given.iter().enumerate() {
        let text = text.or(code.as_deref().filter(|_| at == CURRENCY));
        let Some(text) = text else { continue };
        match normal(COLUMNS[at], text, currency, &values, today) {
            Ok(text) => cells[at] = text,
            Err(why) => {
                cells[at] = text.trim().to_string();
                wrong.push((at, why));
                continue;
            }
        }
        let checked = checks::cell(COLUMNS[at], &cells[at], today);
        wrong.extend(checked.err().map(|why| (at, why)));
    }
    // Other changes keep the rate of the sale.
    if code.as_deref().or(given[SOLD_ON]).is_some() {
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
    let problem = |(at, why): (usize, Wrong)| {
        let flag = PARSED[at].replace('_', "-").replace("comp-id", "id");
        let value = given.get(at).copied().flatten().unwrap_or(cells[at]);
        why.at(&format!("--{flag}"), 0, "", value)
    };
    let mut problems: Vec<Problem> = wrong.into_iter().map(problem).collect();
    let given = read_attributes(set, cells[2], settings, &mut problems);
    let mut attributes = old.map_or_else(Default::default, |old| old.attributes.clone());
    for (name, value) in given.iter() {
        attributes.set(name, value);
    }
    match comp {
        Some(comp) if problems.is_empty() => Ok(Comp { attributes, ..comp }),
        _ => Err(BookError::Rows(problems).into()),
    }
}

/// Changes the given cells of the sale with this beginning of an identifier.
///
/// # Errors
/// If there is no such sale, a value is invalid, or the book cannot be changed.
pub fn update(
    book: &Book,
    id: &str,
    (mut given, set): (Cells<'_>, &[String]),
    today: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<(Comp, Outcome), AppError> {
    let lock = book.lock(notice)?;
    book.repair_log(&lock, notice)?;
    let old = sale_of(book, id.trim(), notice)?;
    given[0] = None;
    let rates = book.rates()?;
    let comp = read_comp(&given, set, Some(&old), &rates, book.settings(), today)?;
    let outcome = if comp.content_hash() == old.content_hash() {
        Outcome::Known
    } else {
        Outcome::Recorded(append(book, &lock, &comp, notice)?, Some(old))
    };
    Ok((comp, outcome))
}

/// The currency of a sale, if it is not the book's.
fn other_currency(text: &str, settings: &Settings) -> Option<Currency> {
    let ours = settings.currency.answers_to(text.trim()) == Some(true);
    Currency::of_code(text).filter(|_| !ours)
}

/// The cells of the rate of a sale on its day. They are empty in the book's currency, and if the day cannot be
/// read, which is reported elsewhere.
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

/// The canonical form of a typed cell.
///
/// # Errors
/// A text that is no day or no amount where one belongs; other errors are those of the canonical form.
fn normal(
    column: &str,
    text: &str,
    currency: &Currency,
    values: &Values<'_>,
    today: NaiveDate,
) -> Result<String, Wrong> {
    let text = text.trim();
    let or_text = |read: Option<String>| read.unwrap_or_else(|| text.to_string());
    Ok(match column {
        "sold_on" if text == NOT_KNOWN || text.is_empty() => String::new(),
        "sold_on" => day_typed(text, values.date_order(), today)
            .map_err(|expected| Wrong::new(expected, ""))?
            .to_string(),
        "currency" => text.to_uppercase(),
        "shipping" if !text.is_empty() && is_free(text) => "0".to_string(),
        "price" | "shipping" if text.is_empty() => String::new(),
        "price" | "shipping" => parse_amount(text, currency)
            .map(money_text)
            .map_err(|expected| Wrong::new(expected, ""))?,
        "grade" | "completeness" => or_text(values.on_scale(column, text).map(str::to_string)),
        "works" if !text.is_empty() => or_text(values.works(text).map(yes_or_no)),
        "how_sold" => {
            let how = values
                .how_sold(text)
                .map(|how| how.map_or("", HowSold::as_str));
            or_text(how.map(str::to_string))
        }
        "missing" | "extras" | "defects" => {
            let text = composed(text);
            let list = values.list(&text, |_| false).ok();
            list.map_or_else(|| text.to_string(), |list| list.items.to_string())
        }
        "model" | "variant" => composed(values.meaning(column, text)).into_owned(),
        "note" => line_ends(&composed(text)),
        _ => composed(text).into_owned(),
    })
}

fn yes_or_no(works: bool) -> String {
    if works { "yes" } else { "no" }.to_string()
}

/// Whether two texts are the same value of a column.
pub fn same(column: &str, one: &str, other: &str, settings: &Settings, today: NaiveDate) -> bool {
    let values = Values::of(settings);
    let normal = |text: &str| {
        let normal = normal(column, text, &settings.currency, &values, today);
        match_key(normal.as_deref().unwrap_or(text))
    };
    normal(one) == normal(other)
}

/// Checks an answer; the day of a sale is written out.
///
/// # Errors
/// The expected text.
pub fn answer(
    column: &str,
    text: &str,
    settings: &Settings,
    today: NaiveDate,
) -> Result<String, String> {
    let nothing = text == NOTHING;
    if column == "model" && (nothing || text.is_empty()) {
        return Ok(String::new());
    }
    // An unknown day differs from an empty answer, which is today.
    let text = if nothing && !matches!(column, "sold_on" | "price") {
        ""
    } else {
        text
    };
    let values = Values::of(settings);
    let currency = other_currency_in(text, &settings.currency).filter(|_| column == "price");
    let currency = currency.as_ref().unwrap_or(&settings.currency);
    let normal =
        normal(column, text, currency, &values, today).map_err(|wrong| expected(&wrong))?;
    let good = checks::cell(column, &normal, today)
        .and_then(|()| canonical::check(column, &normal, settings));
    match good {
        Ok(()) if column == "sold_on" && !normal.is_empty() => Ok(normal),
        Ok(()) => Ok(text.to_string()),
        Err(wrong) => Err(expected(&wrong)),
    }
}

fn expected(wrong: &Wrong) -> String {
    format!("expected {}{}", wrong.expected, after("; ", &wrong.fix))
}

/// The pieces of the model's kit, or of all kits if it has none.
pub fn pieces(model: &str, settings: &Settings) -> Vec<String> {
    let mut pieces: Vec<String> = match settings.kit(model) {
        Some(kit) => kit.ships_with.iter().map(|(p, _)| p.to_string()).collect(),
        None => all_pieces(settings).into_iter().collect(),
    };
    if !pieces.iter().any(|piece| piece == PACKAGING) {
        pieces.push(PACKAGING.to_string());
    }
    pieces
}

/// Names of the pieces of all kits.
pub fn all_pieces(settings: &Settings) -> BTreeSet<String> {
    let all = settings.kits.values().flat_map(|kit| kit.ships_with.iter());
    all.map(|(piece, _)| piece.to_string()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 11, 25).unwrap()
    }

    #[test]
    fn amounts_come_without_their_currency() {
        let settings = Settings::default();
        let values = Values::of(&settings);
        let normal = |column, text| super::normal(column, text, &settings.currency, &values, day());
        for text in ["12.50", "€12.50", "12,50 €", "EUR 12.5", "12.50 eur"] {
            assert_eq!(normal("price", text).as_deref(), Ok("12.50"), "{text}");
        }
        assert_eq!(normal("price", "").as_deref(), Ok(""));
        for (text, why) in [
            ("free", "an amount of EUR"),
            ("12.50 USD", "another currency"),
        ] {
            let wrong = normal("price", text).unwrap_err();
            assert!(wrong.expected.contains(why), "{wrong:?}");
        }
    }

    #[test]
    fn what_is_typed_is_read_as_in_sheets() {
        let text = "[words.grade]\ngood = \"B\"\n[kits.\"Nulva 61K\"]\nships_with = [\"battery\", \"strap\"]\n";
        let settings = Settings::parse(text, std::path::Path::new("a")).unwrap();
        let values = Values::of(&settings);
        let normal = |column, text| super::normal(column, text, &settings.currency, &values, day());
        for (column, text, kept) in [
            ("sold_on", "20.11.2026", "2026-11-20"),
            ("sold_on", "03/02/2026", "2026-02-03"),
            ("sold_on", "3 Feb 2026", "2026-02-03"),
            ("sold_on", "yesterday", "2026-11-24"),
            ("shipping", "free", "0"),
            ("grade", "Good", "B"),
            ("grade", "fair", "fair"),
            ("works", "fully working", "yes"),
            ("works", "spares", "no"),
            ("works", "", ""),
            ("how_sold", "haggled", "offer"),
            ("how_sold", "buy now", "fixed"),
            ("how_sold", "bid", "auction"),
            ("how_sold", "raffle", "raffle"),
            ("missing", "strap/2x battery", "battery x2; strap"),
            ("missing", "strap/hood", "strap/hood"),
        ] {
            let read = normal(column, text);
            assert_eq!(read.as_deref(), Ok(kept), "{column} {text}");
        }
        let wrong = normal("sold_on", "soon").unwrap_err();
        assert!(wrong.expected.contains("20.11.2026"), "{wrong:?}");
    }

    #[test]
    fn answers_are_checked_and_cleared() {
        let settings = Settings::default();
        let answer = |column, text| super::answer(column, text, &settings, day());
        for (column, text, kept) in [
            ("model", "-", ""),
            ("model", "Bolv 83V", "Bolv 83V"),
            ("grade", "-", ""),
            ("venue", "-", ""),
            ("sold_on", "2026-11-2", "2026-11-02"),
            ("sold_on", "-", "-"),
            ("shipping", "", ""),
            ("price", "12,50 €", "12,50 €"),
        ] {
            assert_eq!(answer(column, text), Ok(kept.into()), "{column} {text}");
        }
        for (column, text) in [
            ("price", "-"),
            ("price", ""),
            ("price", "12 USD or so"),
            ("price", "free"),
            ("grade", "E"),
            ("sold_on", "soon"),
            ("sold_on", "2026-12-25"),
            ("missing", "charger x0"),
        ] {
            let why = answer(column, text).unwrap_err();
            assert!(why.starts_with("expected "), "{column} {text}: {why}");
        }
    }
}
