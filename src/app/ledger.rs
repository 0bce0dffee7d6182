//! The ledger of a book on some day, with estimates of its units in stock.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::funds::assumed;
use super::reader::{Asked, Reader};
use super::selling::{Through, outlet};
use crate::band::estimate::Estimate;
use crate::book::ledger::PUT_BACK;
use crate::book::{Book, BookError};
use crate::deal::ledger::{Deal, Later, Ledger, State, Summary};
use crate::settings::words::Words;
use crate::trade::cells::Wrong;
use crate::trade::entry::{Account, Foreseen};
use crate::trade::names::match_key;
use crate::trade::text::{excerpt, nearest_few};
use crate::trade::unit::Unit;

/// Most deals named in an error.
const NAMED: usize = 5;

/// Reads the ledger of a book.
///
/// # Errors
/// If it cannot be read, or an entry contradicts those before it.
pub fn read_ledger(book: &Book, notice: &mut dyn FnMut(&str)) -> Result<Ledger, AppError> {
    let mut ledger = Ledger::new(book.settings().currency.decimals());
    let words = &book.settings().words;
    for (row, mut entry) in book.ledger(notice)? {
        if let Some(unit) = &mut entry.unit {
            unit.model = words.model(&unit.model).to_string();
        }
        ledger.enter(entry).map_err(|refusal| {
            let expected = format!("an entry that fits those before it, but {refusal}");
            let file = book.display_name(&book.ledger_path());
            BookError::Rows(vec![Wrong::new(expected, PUT_BACK).at(&file, row, "", "")])
        })?;
    }
    Ok(ledger)
}

/// The ledger of a book at the end of a day.
///
/// # Errors
/// Those of [`read_ledger`].
pub fn ledger_on(
    book: &Book,
    day: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Ledger, AppError> {
    Ok(read_ledger(book, notice)?.up_to(day))
}

/// Error for a ledger without entries.
pub fn nothing_yet() -> AppError {
    AppError::Absent {
        message: "the ledger has no entries yet".into(),
        next: "record the money you pay in with `compband ledger fund`, and a purchase with `compband buy`".into(),
    }
}

/// Error for a ledger whose entries are all dated later than a day.
pub fn nothing_until(day: NaiveDate, later: Later) -> AppError {
    AppError::Absent {
        message: format!("the ledger has no entries up to {day}"),
        next: format!(
            "its first entry is of {}: give a later date with --as-of",
            later.from
        ),
    }
}

/// A ledger at the end of a day.
#[derive(Debug)]
pub struct Standing {
    /// Its entries and deals up to that day.
    pub ledger: Ledger,
    /// Its summary.
    pub summary: Summary,
    /// Money of the settings that counts as paid in, as the ledger has none paid in; else 0.
    pub assumed: Decimal,
    /// The entries that are left out of it because they are dated later.
    pub later: Option<Later>,
    /// The estimate of each deal in stock, or the reason why there is none.
    pub now: BTreeMap<u32, Result<Foreseen, String>>,
    /// Net of the likely price of each of these; empty if the book names no outlet.
    pub nets: Nets,
}

/// Nets of likely prices by deal, through the book's outlet.
#[derive(Debug, Clone, Default)]
pub struct Nets {
    /// Name of the outlet.
    pub outlet: String,
    /// Net of each deal.
    pub of_deal: BTreeMap<u32, Decimal>,
}

impl Nets {
    /// The nets of estimates; none if it is not clear how the units will be sold.
    fn of(book: &Book, now: &BTreeMap<u32, Result<Foreseen, String>>) -> Self {
        let settings = book.settings();
        let through = outlet(None, settings)
            .ok()
            .flatten()
            .and_then(|found| Through::new(found, settings, None, None).ok());
        let Some(Through { name, terms }) = through else {
            return Self::default();
        };
        let net = |made: &Foreseen| terms.net_of(made.likely, made.basis).net;
        Self {
            outlet: name.to_string(),
            of_deal: now
                .iter()
                .filter_map(|(id, made)| Some((*id, net(made.as_ref().ok()?))))
                .collect(),
        }
    }

    /// The profit of a deal in stock if it sells at the likely price.
    pub fn profit(&self, deal: &Deal) -> Option<Decimal> {
        let net = self.of_deal.get(&deal.id)?;
        Some(*net - deal.sum(Account::Stock) + deal.profit())
    }
}

/// The ledger of today, or at the end of the day `as_of`, with the estimates of that day.
///
/// # Errors
/// If the book cannot be read.
pub fn standing(
    book: &Book,
    as_of: Option<NaiveDate>,
    today: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Standing, AppError> {
    let today = as_of.unwrap_or(today);
    let whole = read_ledger(book, notice)?;
    let (ledger, later) = (whole.up_to(today), whole.later_than(today));
    let mut now = BTreeMap::new();
    for deal in ledger.deals().filter(|deal| deal.state == State::Open) {
        now.insert(deal.id, foresee(book, &deal.unit, today, notice)?);
    }
    Ok(Standing {
        summary: ledger.summary(today),
        assumed: assumed(&whole, book.settings().deal.bankroll),
        later,
        ledger,
        nets: Nets::of(book, &now),
        now,
    })
}

/// The estimate of a unit as of a day, or the reason why there is none.
///
/// # Errors
/// If the book cannot be read.
pub fn foresee(
    book: &Book,
    unit: &Unit,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Result<Foreseen, String>, AppError> {
    let reader = Reader::new(book, as_of, [unit.model.as_str()], notice)?;
    let unit = reader.unit(Asked {
        settings: book.settings().clone().into(),
        subject: unit.sold_at(
            outlet(None, book.settings())
                .ok()
                .flatten()
                .map(|(name, _)| name),
        ),
        keep: &[],
        drop: &[],
    })?;
    match unit.selection().and_then(|found| unit.estimate(found)) {
        Ok(made) => Ok(Ok(foreseen(&made))),
        Err(AppError::Absent { message, next }) => Ok(Err(format!("{message} ({next})"))),
        Err(other) => Err(other),
    }
}

/// The figures of an estimate that a book keeps.
pub(super) fn foreseen(made: &Estimate) -> Foreseen {
    Foreseen {
        likely: made.median,
        low: made.low,
        high: made.high,
        level: made.level,
        basis: made.basis,
    }
}

/// Kind of deals to search.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// Units in stock.
    InStock,
    /// Units sold.
    Sold,
    /// Any.
    Any,
}

/// Finds a deal by its number (`d7` or `7`) or as the only wanted one of a model, by any of its names.
///
/// # Errors
/// If there is none, or there are several.
pub fn find_deal<'a>(
    ledger: &'a Ledger,
    text: &str,
    wanted: Wanted,
    words: &Words,
) -> Result<&'a Deal, AppError> {
    let text = text.trim();
    let digits = text.strip_prefix(['d', 'D']).unwrap_or(text);
    let number = digits.parse().ok();
    if let Some(deal) = number.and_then(|id| ledger.deal(id)) {
        return Ok(deal);
    }
    let wanted: Vec<&Deal> = ledger
        .deals()
        .filter(|deal| match wanted {
            Wanted::InStock => deal.state == State::Open,
            Wanted::Sold => deal.state == State::Sold,
            Wanted::Any => true,
        })
        .collect();
    let of_model: Vec<&Deal> = wanted
        .iter()
        .copied()
        .filter(|deal| match_key(&deal.unit.model) == match_key(words.model(text)))
        .collect();
    match of_model.as_slice() {
        [deal] => Ok(deal),
        [] => Err(no_deal(text, &wanted)),
        several => Err(AppError::Refused {
            message: format!("there are {} deals of {}", several.len(), excerpt(text, 60)),
            next: format!("choose one: {}", listed(several)),
        }),
    }
}

/// Finds the number of a deal, even if its purchase was reversed.
///
/// # Errors
/// Those of [`find_deal`].
pub fn any_deal(ledger: &Ledger, text: &str, words: &Words) -> Result<u32, AppError> {
    let number = text.trim().trim_start_matches(['d', 'D']).parse().ok();
    let known = |id: &u32| ledger.entries().iter().any(|entry| entry.deal == Some(*id));
    match number.filter(known) {
        Some(id) => Ok(id),
        None => find_deal(ledger, text, Wanted::Any, words).map(|deal| deal.id),
    }
}

/// `d3 (Nulva 61K), d5 (Bolv 83V)`.
fn listed(deals: &[&Deal]) -> String {
    let shown = deals.iter().take(NAMED);
    let mut text = shown
        .map(|deal| format!("{} ({})", deal.name(), deal.unit.model))
        .collect::<Vec<_>>()
        .join(", ");
    if deals.len() > NAMED {
        text.push_str(", …");
    }
    text
}

fn no_deal(asked: &str, wanted: &[&Deal]) -> AppError {
    let models = wanted.iter().map(|deal| deal.unit.model.as_str());
    let near = nearest_few(asked, models, NAMED);
    let of_near: Vec<&Deal> = wanted
        .iter()
        .copied()
        .filter(|deal| near.contains(&deal.unit.model.as_str()))
        .collect();
    let shown = if of_near.is_empty() { wanted } else { &of_near };
    AppError::Absent {
        message: format!("there is no deal {}", excerpt(asked, 60)),
        next: if shown.is_empty() {
            "there is no deal it could be; `compband buy` opens one, `compband ledger` shows all"
                .into()
        } else {
            format!("there is {}", listed(shown))
        },
    }
}
