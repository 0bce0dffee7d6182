//! The sale of a unit of the ledger as typed, before it is recorded.

use rust_decimal::Decimal;

use super::AppError;
use super::amounts::{minutes, money_if, shipping_if};
use super::deals::SaleGiven;
use super::describe::how_sold;
use super::listed::Stocked;
use super::offering::SaleTyped;
use crate::settings::Settings;

/// The sale of a unit as typed; what is none was left out.
#[derive(Debug, Clone, Default)]
pub struct Typed<'t> {
    /// The deal: its number, or a model.
    pub deal: &'t str,
    /// Price without shipping; none is the asking price.
    pub price: Option<&'t String>,
    /// Where and how; an outlet that is none is that of the listing or the usual one.
    pub sale: SaleTyped,
    /// All fees; none is those of the outlet.
    pub fees: Option<&'t String>,
    /// Cost of shipping and packing; none is that by the weight.
    pub sending: Option<&'t String>,
    /// How it was sold.
    pub how_sold: Option<&'t str>,
    /// Number of offers; none is those noted.
    pub offers: Option<u32>,
    /// Minutes of work.
    pub minutes: Option<&'t str>,
    /// Whether the sale is recorded as a comp too.
    pub log_comp: bool,
}

impl Typed<'_> {
    /// Reads the figures of the sale. If fees and the cost of sending are given, no outlet is needed.
    ///
    /// # Errors
    /// Invalid values, an outlet that does not exist or is not clear, or an asking price that is not known.
    pub fn read<'a>(
        &self,
        settings: &'a Settings,
        stocked: Option<&Stocked>,
    ) -> Result<SaleGiven<'a>, AppError> {
        let currency = &settings.currency;
        let up = stocked.and_then(|stocked| stocked.up.as_ref());
        let price = money_if("--price", self.price, currency)?;
        let fees = money_if("--fees", self.fees, currency)?;
        let postage = money_if("--sending", self.sending, currency)?;
        let shipping = shipping_if("--shipping", self.sale.shipping.as_ref(), currency)?;
        let sale = self.sale.at_listing(up);
        let all_stated = fees.is_some() && postage.is_some() && sale.outlet.is_none();
        let through = if all_stated {
            None
        } else {
            sale.read(settings)?
        };
        let price = match (price, up.and_then(|up| up.ask)) {
            (Some(price), _) => price,
            (None, Some(ask)) => through.as_ref().map_or_else(
                || (ask - shipping.unwrap_or_default()).max(Decimal::ZERO),
                |through| through.terms.price_in(ask, settings.price_basis),
            ),
            (None, None) => return Err(no_asking_price(self.deal, stocked)),
        };
        Ok(SaleGiven {
            price,
            shipping,
            through,
            fees,
            postage,
            how_sold: how_sold(self.how_sold, settings)?,
            offers: self.offers,
            minutes: minutes("--minutes", self.minutes)?,
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
