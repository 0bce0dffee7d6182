//! A unit on offer as typed: how and where it is sold, how long that may take, and what the ledger knows of its
//! listing; and the asking price of it.

use rust_decimal::Decimal;

use super::AppError;
use super::amounts::{money_if, quantity, shipping_if};
use super::ask::{Asking, OwnListing, Waiting, ask, ask_beside};
use super::listed::Up;
use super::selling::{Through, outlet};
use super::unit::AskedUnit;
use crate::book::Book;
use crate::settings::{Settings, selling};

/// How and where a unit is sold, in the words of the flags.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SaleTyped {
    /// The outlet.
    pub outlet: Option<String>,
    /// Weight of the parcel in grams.
    pub weight: Option<String>,
    /// Shipping that the buyer pays on top of the price.
    pub shipping: Option<String>,
}

impl SaleTyped {
    /// Reads the sale of the unit; none if the book has no outlet.
    ///
    /// # Errors
    /// A name that no outlet has, several outlets without a choice, invalid values, and those that
    /// the outlet or the settings exclude.
    pub fn read<'a>(&self, settings: &'a Settings) -> Result<Option<Through<'a>>, AppError> {
        let Some(outlet) = outlet(self.outlet.as_deref(), settings)? else {
            return Ok(None);
        };
        let weight = self.weight()?;
        let paid = shipping_if("--shipping", self.shipping.as_ref(), &settings.currency)?;
        Ok(Some(Through::new(outlet, settings, weight, paid)?))
    }

    fn weight(&self) -> Result<Option<Decimal>, AppError> {
        let weight = self.weight.as_ref();
        let weight = weight.map(|text| quantity("--weight", text, "g", selling::weight));
        weight.transpose()
    }

    /// The sale of the unit at each outlet of the book that can take it, if there are several and none is given;
    /// none if a given value is about one of them.
    ///
    /// # Errors
    /// Invalid values; and if no outlet can take it, the reason of one.
    pub fn beside<'a>(&self, settings: &'a Settings) -> Result<Option<Vec<Through<'a>>>, AppError> {
        if self.outlet.is_some() || self.shipping.is_some() || settings.outlets.len() < 2 {
            return Ok(None);
        }
        let weight = self.weight()?;
        let all = settings
            .outlets
            .iter()
            .map(|(name, outlet)| Through::new((name.as_str(), outlet), settings, weight, None));
        let (can, cannot): (Vec<_>, Vec<_>) = all.partition(Result::is_ok);
        if let (true, Some(Err(error))) = (can.is_empty(), cannot.into_iter().next()) {
            return Err(error);
        }
        Ok(Some(can.into_iter().flatten().collect()))
    }

    /// The sale at the outlet of the listing, unless another is given.
    #[must_use]
    pub fn at_listing(&self, up: Option<&Up>) -> Self {
        let listed = up.map(|up| up.outlet.clone());
        let listed = listed.filter(|outlet| !outlet.is_empty());
        Self {
            outlet: self.outlet.clone().or(listed),
            ..self.clone()
        }
    }
}

/// Costs and limits of waiting for buyers, as the flags of `compband ask` name them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WaitingTyped {
    /// Weeks within which it is to be sold.
    pub deadline: Option<u16>,
    /// Net of the unit if it has not sold by then.
    pub exit: Option<String>,
    /// Cost of keeping the unit for a week.
    pub cost_per_week: Option<String>,
    /// Alternative return on money per year, in per cent.
    pub return_per_year: Option<String>,
    /// Asking price to judge.
    pub asking: Option<String>,
    /// Number of offers so far.
    pub offers: Option<u16>,
    /// Weeks in which those came.
    pub over: Option<String>,
}

impl WaitingTyped {
    /// Reads what waiting comes to; the settings give the rest.
    ///
    /// # Errors
    /// Invalid values, by flag.
    pub fn read(&self, settings: &Settings) -> Result<Waiting, AppError> {
        let currency = &settings.currency;
        let deal = &settings.deal;
        let exit = money_if("--exit", self.exit.as_ref(), currency)?;
        let over = self
            .over
            .as_ref()
            .map(|text| quantity("--over", text, "weeks", selling::weeks));
        Ok(Waiting {
            deadline: self.deadline.map(|weeks| (weeks, exit)),
            cost: money_if("--cost-per-week", self.cost_per_week.as_ref(), currency)?
                .unwrap_or(deal.cost_per_week),
            per_year: self
                .return_per_year
                .as_ref()
                .map(|text| quantity("--return-per-year", text, "%", selling::return_percent))
                .transpose()?
                .or(deal.return_per_year),
            asking: money_if("--asking", self.asking.as_ref(), currency)?,
            seen: self.offers.zip(over.transpose()?),
            listing: None,
        })
    }
}

/// The given inputs of waiting, and the listing's asking price, weeks and offers where none are given; `also` counts an offer
/// that is not noted yet.
pub fn with_listing(given: Waiting, up: Option<&Up>, also: u16) -> Waiting {
    let Some(up) = up else { return given };
    Waiting {
        asking: given.asking.or(up.ask),
        seen: given.seen.or_else(|| Some(up.seen(also))),
        listing: Some(OwnListing {
            at: up.at,
            ask: up.ask,
            counted: given.seen.is_none(),
        }),
        ..given
    }
}

/// Asking prices for a unit: at the given outlet or where it is listed, or else at each of the book's.
///
/// # Errors
/// Invalid values; if there is no evidence for the unit, or the ledger cannot be read.
pub fn asking<'a>(
    book: &'a Book,
    unit: &AskedUnit<'_>,
    (sale, waiting): (&SaleTyped, Waiting),
    up: Option<&Up>,
    notice: &mut dyn FnMut(&str),
) -> Result<Asking<'a>, AppError> {
    let waiting = with_listing(waiting, up, 0);
    // A present listing and its offers are about one outlet.
    let alone = up.is_some() || waiting.asking.is_some() || waiting.seen.is_some();
    let beside = if alone {
        None
    } else {
        sale.beside(book.settings())?
    };
    match beside {
        Some(sales) => ask_beside(book, unit, sales, &waiting, notice),
        None => {
            let sale = sale.at_listing(up).read(book.settings())?;
            ask(book, unit, sale, waiting, notice)
        }
    }
}
