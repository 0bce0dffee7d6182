//! The outlet, terms and net of a sale.

use rust_decimal::Decimal;

use super::AppError;
use crate::deal::outlet::{Needed, Net, PostageFrom, Terms};
use crate::settings::Settings;
use crate::settings::selling::{self, Outlet};
use crate::trade::Currency;
use crate::trade::money::MOST_MONEY;
use crate::trade::text::nearest;

/// A sale through an outlet.
#[derive(Debug, Clone)]
pub struct Through<'a> {
    /// Name of the outlet.
    pub name: &'a str,
    /// Terms of the sale.
    pub terms: Terms<'a>,
}

/// Chooses the outlet: the given one, or the book's default, or the only one. `None` if the book has no outlet.
///
/// # Errors
/// If no outlet has the name, or there are several and none is named.
pub fn outlet<'a>(
    given: Option<&str>,
    settings: &'a Settings,
) -> Result<Option<(&'a str, &'a Outlet)>, AppError> {
    let names: Vec<&str> = settings.outlets.keys().map(String::as_str).collect();
    let usual = Some(settings.deal.outlet.as_str()).filter(|name| !name.is_empty());
    if let Some(name) = given.or(usual) {
        return selling::outlet(&settings.outlets, name)
            .map_or_else(|| Err(no_outlet(name, &names)), |found| Ok(Some(found)));
    }
    let mut all = settings.outlets.iter();
    match (all.next(), all.next()) {
        (Some(_), Some(_)) => Err(AppError::Usage(format!(
            "which outlet? Give --outlet ({}), or set outlet below [deal] in compband.toml",
            names.join(", ")
        ))),
        (one, _) => Ok(one.map(|(name, outlet)| (name.as_str(), outlet))),
    }
}

fn no_outlet(name: &str, known: &[&str]) -> AppError {
    let near = nearest(name, known.iter().copied())
        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
    let listed = if known.is_empty() {
        "compband.toml has none: write [outlets.NAME] there".to_string()
    } else {
        format!("compband.toml has {}", known.join(", "))
    };
    AppError::Absent {
        message: format!("no outlet {name:?}"),
        next: format!("{near}{listed}"),
    }
}

impl<'a> Through<'a> {
    /// A sale through an outlet; `weight` is that of the parcel in grams, `paid` the shipping paid by the
    /// buyer, if given.
    ///
    /// # Errors
    /// If the outlet or the settings rule it out.
    pub fn new(
        (name, outlet): (&'a str, &'a Outlet),
        settings: &Settings,
        weight: Option<Decimal>,
        paid: Option<Decimal>,
    ) -> Result<Self, AppError> {
        let terms = Terms::new(outlet, &settings.shipping, &settings.currency, weight, paid)?;
        Ok(Self { name, terms })
    }

    /// The net of a price.
    pub fn net(self, price: Decimal, currency: &'a Currency) -> Statement<'a> {
        Statement {
            currency,
            outlet: self.name,
            net: self.terms.net(price),
            terms: self.terms,
            wanted: None,
        }
    }

    /// The lowest price with a wanted net, and its net.
    ///
    /// # Errors
    /// If no price has that net.
    pub fn net_wanted(
        self,
        wanted: Decimal,
        currency: &'a Currency,
    ) -> Result<Statement<'a>, AppError> {
        let needed = self
            .terms
            .price_for(wanted)
            .ok_or_else(|| AppError::Refused {
                message: format!(
                    "no price up to {MOST_MONEY} {0} lets you keep {wanted} {0}",
                    currency.code
                ),
                next: "ask for less".into(),
            })?;
        Ok(Statement {
            wanted: Some((wanted, needed)),
            ..self.net(needed.least, currency)
        })
    }
}

/// The net of a price, with its terms.
#[derive(Debug)]
pub struct Statement<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// Name of the outlet.
    pub outlet: &'a str,
    /// Terms of the sale.
    pub terms: Terms<'a>,
    /// The net of the given or needed price.
    pub net: Net,
    /// The wanted net and the price needed for it.
    pub wanted: Option<(Decimal, Needed)>,
}

/// Error for a book without outlets.
pub fn no_outlet_yet() -> AppError {
    AppError::Absent {
        message: "compband.toml has no outlet".into(),
        next: "write one there, such as two lines: [outlets.parcel] and fee = { percent = 10 }; the template that `compband init` \
               writes shows every key"
            .into(),
    }
}

/// Unknown parts of the selling costs on these terms, if any.
pub fn unsure(terms: Option<&Terms<'_>>) -> Option<&'static str> {
    let Some(terms) = terms else {
        return Some("selling is assumed to cost nothing: compband.toml has no [outlets.NAME]");
    };
    match terms.postage_from {
        PostageFrom::AsPaid => Some(
            "shipping is assumed to cost what the buyer pays for it: the weight is not known, or [shipping] has no band for it",
        ),
        PostageFrom::Unknown => Some(
            "sending is not counted: that takes --weight and, in [shipping] of compband.toml, bands that say what it \
             costs by weight",
        ),
        PostageFrom::Weight | PostageFrom::Collected => None,
    }
}
