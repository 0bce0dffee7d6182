//! What was typed of a sale, read into a comp; and what is said of its recording.

use crate::app::attributes::read_attributes;
use crate::app::record::{Outcome, Recorded};
use crate::book::BookError;
use crate::book::csv::canonical::{self, CURRENCY, PARSED, SOLD_ON};
use crate::book::rates::{Rates, no_day};
use crate::cli::undo::line;
use crate::cli::{CliError, changes, fitted, notice, parse_day, print, strong, today};
use crate::parse::money::parse_amount;
use crate::settings::Settings;
use crate::trade::cells::{self, Wrong};
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::RATE_COLUMNS;
use crate::trade::money::money_text;
use crate::trade::names::composed;
use crate::trade::text::{line_ends, nearest, shorten};
use crate::trade::{Comp, Currency, Problem, checks};

/// What is typed for a day that is not known; nothing typed is today.
pub(super) const NOT_KNOWN: &str = "-";

/// Notes an attribute that no family of the model declares.
pub(super) fn note_undeclared(name: &str, model: &str, settings: &Settings) {
    if settings.attribute(model, name).is_none() {
        let near = nearest(name, settings.attributes(model).map(|(known, _)| known))
            .map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
        notice(&format!("{}{near}", crate::cli::not_declared(name, model)));
    }
}

pub(super) fn tell(comp: &Comp, outcome: Outcome) -> Result<(), CliError> {
    let id = &comp.comp_id;
    match outcome {
        Outcome::Recorded(entry, None) => print(&format!(
            "{} (entry {entry})\n  {}\n{}To take it back: compband undo\n",
            strong("Recorded"),
            line(comp),
            converted(comp)
        )),
        Outcome::Recorded(entry, Some(old)) => print(&format!(
            "{}\n{}To take that back: compband undo (entry {entry})\n",
            old_to_new(&old, comp),
            converted(comp)
        )),
        Outcome::Known => print(&format!(
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
pub(super) fn converted(comp: &Comp) -> String {
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
pub(super) fn old_to_new(old: &Comp, new: &Comp) -> String {
    let mut text = format!("Sale {}, old → new:", new.comp_id);
    for change in changes(old, new) {
        text.push_str(&format!("\n  {change}"));
    }
    text
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

/// Makes a comp of what was said, and for the rest, of the sale it changes; the identifier of
/// a new sale that was given none is still to be derived.
pub(super) fn read_comp(
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
pub(super) fn other_currency(text: &str, settings: &Settings) -> Option<Currency> {
    let ours = settings.currency.answers_to(text.trim()) == Some(true);
    Currency::of_code(text).filter(|_| !ours)
}

/// The cells of the rate of a sale on the day that a cell names: empty for one in the book's
/// currency, and where the day cannot be read, which is told elsewhere.
pub(super) fn rate_cells(
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
pub(super) fn normal(column: &str, text: &str, currency: &Currency) -> String {
    let text = text.trim();
    match column {
        "sold_on" if text == NOT_KNOWN => String::new(),
        "sold_on" => parse_day(text).map_or_else(|_| text.to_string(), |day| day.to_string()),
        "currency" => text.to_uppercase(),
        "price" | "shipping" => {
            parse_amount(text, currency).map_or_else(|_| text.to_string(), money_text)
        }
        "note" => line_ends(&composed(text)),
        _ => composed(text).into_owned(),
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
}
