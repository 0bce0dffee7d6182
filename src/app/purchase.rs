//! A considered purchase as typed: its costs and its aims; the settings give the rest.

use rust_decimal::Decimal;

use super::AppError;
use super::amounts::{money_if, quantity, refused};
use super::bid::{AimsGiven, Buying, Costs};
use crate::parse::repairs::{chance, minutes};
use crate::settings::{Settings, selling};
use crate::trade::Currency;
use crate::trade::repair::Repair;

/// Costs of buying, repairing and selling a unit besides the repairs, in the words of the flags of `compband bid`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CostsTyped {
    /// Price of the unit if a repair fails, as a share of its repaired price.
    pub salvage: Option<String>,
    /// Minutes of other work.
    pub minutes: Option<String>,
    /// Cost of an hour of work.
    pub wage: Option<String>,
    /// Cost of getting the unit here.
    pub inbound: Option<String>,
    /// Buyer's premium in per cent of the bid.
    pub premium: Option<String>,
    /// Fixed part of the buyer's premium.
    pub premium_fixed: Option<String>,
    /// Tax on the bid and the premium, in per cent.
    pub tax: Option<String>,
    /// Weeks from paying for it until the proceeds arrive.
    pub weeks: Option<String>,
}

/// Aims of a purchase, as the flags of `compband bid` name them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AimsTyped {
    /// Lowest expected profit.
    pub profit: Option<String>,
    /// Lowest expected profit in per cent of the money invested.
    pub returned: Option<String>,
    /// Highest chance of a loss, in per cent.
    pub loss: Option<String>,
    /// The bankroll.
    pub bankroll: Option<String>,
}

impl CostsTyped {
    /// Reads the costs; the repairs are in the order in which they are tried.
    ///
    /// # Errors
    /// Invalid values, by flag.
    pub fn read(&self, repairs: Vec<Repair>, settings: &Settings) -> Result<Costs, AppError> {
        let currency = &settings.currency;
        let deal = &settings.deal;
        let amount = |flag, given: &Option<String>| {
            Ok::<_, AppError>(money_if(flag, given.as_ref(), currency)?.unwrap_or_default())
        };
        let weeks = self.weeks.as_ref();
        Ok(Costs {
            repairs,
            salvage: read_if("--salvage", &self.salvage, chance)?,
            minutes: read_if("--minutes", &self.minutes, minutes)?.unwrap_or_default(),
            wage: money_if("--wage", self.wage.as_ref(), currency)?.unwrap_or(deal.wage),
            buying: Buying {
                premium_percent: percent_if("--premium", &self.premium)?.unwrap_or_default(),
                premium: amount("--premium-fixed", &self.premium_fixed)?,
                tax_percent: percent_if("--tax", &self.tax)?.unwrap_or_default(),
                inbound: amount("--inbound", &self.inbound)?,
            },
            weeks: weeks
                .map(|text| quantity("--weeks", text, "weeks", selling::weeks))
                .transpose()?
                .or(deal.weeks),
            donor: None,
        })
    }
}

impl AimsTyped {
    /// Reads the aims.
    ///
    /// # Errors
    /// Invalid values, by flag.
    pub fn read(&self, currency: &Currency) -> Result<AimsGiven, AppError> {
        let returned = self.returned.as_ref();
        Ok(AimsGiven {
            profit: money_if("--profit", self.profit.as_ref(), currency)?,
            returned: returned
                .map(|text| quantity("--return", text, "%", selling::return_percent))
                .transpose()?,
            loss: percent_if("--loss", &self.loss)?,
            bankroll: money_if("--bankroll", self.bankroll.as_ref(), currency)?,
        })
    }
}

fn percent_if(flag: &str, given: &Option<String>) -> Result<Option<Decimal>, AppError> {
    given
        .as_ref()
        .map(|text| quantity(flag, text, "%", selling::percent))
        .transpose()
}

fn read_if<T>(
    flag: &str,
    given: &Option<String>,
    reader: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, AppError> {
    let read = |text: &String| reader(text).map_err(|expected| refused(flag, text, &expected));
    given.as_ref().map(read).transpose()
}
