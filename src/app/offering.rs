//! A unit on offer as typed: how and where it is sold, how long that may take, and what the ledger knows of its
//! listing; the asking price of it, and its sale.

use rust_decimal::Decimal;

use super::AppError;
use super::amounts::{money_if, quantity, shipping_if};
use super::ask::{Asking, OwnListing, Waiting, ask, ask_beside};
use super::deals::SaleSaid;
use super::listed::{Stocked, Up};
use super::selling::{Through, outlet};
use super::unit::AskedUnit;
use crate::book::Book;
use crate::settings::{Settings, selling};
use crate::trade::HowSold;

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

    /// The sale of the unit at each outlet of the book that can take it, if there are several and none is said;
    /// none if what is said is about one of them.
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

    /// The sale at the outlet of the listing, unless another is said.
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

/// What waiting for buyers comes to, in the words of the flags of `compband ask`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WaitingTyped {
    /// Weeks within which it is to be sold.
    pub deadline: Option<u16>,
    /// What is kept if it has not sold by then.
    pub exit: Option<String>,
    /// Cost of keeping the unit for a week.
    pub cost_per_week: Option<String>,
    /// What money would earn elsewhere in a year, in per cent.
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

/// What is said of waiting, and the listing's asking price, weeks and offers where nothing is; `also` counts an offer
/// that is not noted yet.
pub fn with_listing(said: Waiting, up: Option<&Up>, also: u16) -> Waiting {
    let Some(up) = up else { return said };
    Waiting {
        asking: said.asking.or(up.ask),
        seen: said.seen.or_else(|| Some(up.seen(also))),
        listing: Some(OwnListing {
            at: up.at,
            ask: up.ask,
            counted: said.seen.is_none(),
        }),
        ..said
    }
}

/// Asking prices for a unit: at the outlet that is said or where it is listed, or else at each of the book's.
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
    // What is up already, and how it went, is about one outlet.
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

/// The sale of a deal, in the words of the flags of `compband sold`.
#[derive(Debug, Clone, Default)]
pub struct SoldTyped {
    /// The price; the asking price if it is not said.
    pub price: Option<String>,
    /// How and where it was sold.
    pub sale: SaleTyped,
    /// Fees in all.
    pub fees: Option<String>,
    /// What shipping and packing cost.
    pub sending: Option<String>,
    /// How it was sold.
    pub how_sold: Option<HowSold>,
    /// Number of offers, the accepted one included.
    pub offers: Option<u32>,
    /// Minutes spent on listing and packing.
    pub minutes: Decimal,
    /// Whether to record the sale as a comp too.
    pub log_comp: bool,
}

impl SoldTyped {
    /// Reads the figures of the sale of a deal. If fees and postage are given, no outlet is needed.
    ///
    /// # Errors
    /// Invalid values, by flag; no price where none is asked either.
    pub fn read<'a>(
        &self,
        deal: &str,
        settings: &'a Settings,
        stocked: Option<&Stocked>,
    ) -> Result<SaleSaid<'a>, AppError> {
        let currency = &settings.currency;
        let up = stocked.and_then(|stocked| stocked.up.as_ref());
        let price = money_if("--price", self.price.as_ref(), currency)?;
        let fees = money_if("--fees", self.fees.as_ref(), currency)?;
        let postage = money_if("--sending", self.sending.as_ref(), currency)?;
        let shipping = shipping_if("--shipping", self.sale.shipping.as_ref(), currency)?;
        let sale = self.sale.at_listing(up);
        let all_said = fees.is_some() && postage.is_some() && sale.outlet.is_none();
        let through = if all_said { None } else { sale.read(settings)? };
        let price = match (price, up.and_then(|up| up.ask)) {
            (Some(price), _) => price,
            (None, Some(ask)) => through.as_ref().map_or_else(
                || (ask - shipping.unwrap_or_default()).max(Decimal::ZERO),
                |through| through.terms.price_in(ask, settings.price_basis),
            ),
            (None, None) => return Err(no_asking_price(deal, stocked)),
        };
        Ok(SaleSaid {
            price,
            shipping,
            through,
            fees,
            postage,
            how_sold: self.how_sold,
            offers: self.offers,
            minutes: self.minutes,
            log_comp: self.log_comp,
        })
    }
}

/// The error where a unit is sold for an asking price that is not known.
fn no_asking_price(deal: &str, stocked: Option<&Stocked>) -> AppError {
    let name = stocked.map_or_else(|| deal.to_string(), |stocked| stocked.deal.name());
    AppError::Refused {
        message: format!("{name} has no asking price: it is not up for sale there on that date"),
        next: "give the price with --price".into(),
    }
}
