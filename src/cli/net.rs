//! `compband net`: what is left of a price, and the price needed.

use std::path::Path;

use clap::{ArgGroup, Args};
use rust_decimal::Decimal;

use super::{CliError, notice, print};
use crate::app::amounts::{money, money_if, quantity};
use crate::book::store::Book;
use crate::deal::outlet::{Needed, Terms};
use crate::render::document;
use crate::render::net::{Statement, statement, unsure};
use crate::render::table::terminal_width;
use crate::settings::Settings;
use crate::settings::selling::{self, Outlet};
use crate::trade::Currency;
use crate::trade::money::MOST_MONEY;
use crate::trade::text::nearest;

const EXAMPLES: &str = "\
Examples:
  compband net --price 140 --outlet parcel --weight 600
  compband net --price 140 --shipping 5
  compband net --want 110 --outlet parcel

Every line is rounded to the minor unit by itself, as the outlet rounds, so the net is the sum of
what is shown. Outlets, shipping and packing stand in compband.toml. Not tax or legal advice.";

/// Work out what is left of a price, or the price needed for a net
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, group = ArgGroup::new("amount").required(true))]
pub struct NetArgs {
    /// Price, without shipping that the buyer pays beside it
    #[arg(long, value_name = "AMOUNT", group = "amount")]
    price: Option<String>,
    /// Net wanted: the least price that leaves it is worked out
    #[arg(long, value_name = "AMOUNT", group = "amount")]
    want: Option<String>,
    #[command(flatten)]
    sale: SaleArgs,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// How a unit is sold and sent.
#[derive(Debug, Default, PartialEq, Args)]
pub struct SaleArgs {
    /// Outlet it is sold through [default: the book's, or the only one]
    #[arg(long, value_name = "NAME")]
    pub outlet: Option<String>,
    /// Weight of the parcel in grams [default: the book's]
    #[arg(long, value_name = "GRAMS")]
    pub weight: Option<String>,
    /// What the buyer pays for shipping beside the price [default: by the outlet and the weight]
    #[arg(long, value_name = "AMOUNT")]
    pub shipping: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, a value is wrong, there is no such outlet, or no price leaves
/// what is wanted.
pub fn run(args: &NetArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let settings = book.settings();
    let currency = &settings.currency;
    let (name, outlet) = args.sale.outlet(settings)?.ok_or_else(|| CliError::Absent {
        message: "compband.toml has no outlet".into(),
        next: "write one there: [outlets.NAME] with its fee; the template that `compband init` writes shows every key"
            .into(),
    })?;
    let terms = args.sale.terms(outlet, settings)?;
    let wanted = money_if("--want", args.want.as_ref(), currency)?;
    let needed = wanted
        .map(|wanted| needed(&terms, wanted, currency))
        .transpose()?;
    let price = match (&args.price, needed) {
        (Some(text), _) => money("--price", text, currency)?,
        (None, Some(needed)) => needed.least,
        (None, None) => Decimal::ZERO,
    };
    let statement_of = Statement {
        currency,
        outlet: name,
        terms: &terms,
        net: terms.net(price),
        wanted: wanted.zip(needed),
    };
    if args.json {
        return print(&document::text(&document::net::document(&statement_of))?);
    }
    print(&statement(&statement_of, terminal_width()))?;
    tell_unsure(Some(&terms));
    Ok(())
}

fn needed(terms: &Terms<'_>, wanted: Decimal, currency: &Currency) -> Result<Needed, CliError> {
    terms.price_for(wanted).ok_or_else(|| CliError::Refused {
        message: format!(
            "no price up to {MOST_MONEY} {0} leaves {wanted} {0}",
            currency.code
        ),
        next: "ask for less".into(),
    })
}

/// Tells what is not known of the costs of selling.
pub fn tell_unsure(terms: Option<&Terms<'_>>) {
    unsure(terms).into_iter().for_each(notice);
}

impl SaleArgs {
    /// The outlet meant, with its name; `None` where the book has none.
    ///
    /// # Errors
    /// A name that no outlet has, or several outlets and none said.
    pub fn outlet<'a>(
        &self,
        settings: &'a Settings,
    ) -> Result<Option<(&'a str, &'a Outlet)>, CliError> {
        let names: Vec<&str> = settings.outlets.keys().map(String::as_str).collect();
        let said = self.outlet.as_deref();
        let usual = Some(settings.deal.outlet.as_str()).filter(|name| !name.is_empty());
        if let Some(name) = said.or(usual) {
            return selling::outlet(&settings.outlets, name)
                .map_or_else(|| Err(no_outlet(name, &names)), |found| Ok(Some(found)));
        }
        let mut all = settings.outlets.iter();
        match (all.next(), all.next()) {
            (Some(_), Some(_)) => Err(CliError::Usage(format!(
                "which outlet? Say --outlet ({}), or set [deal] outlet in compband.toml",
                names.join(", ")
            ))),
            (one, _) => Ok(one.map(|(name, outlet)| (name.as_str(), outlet))),
        }
    }

    /// The terms of a sale through an outlet.
    ///
    /// # Errors
    /// Values that are wrong, or that the outlet or the settings rule out.
    pub fn terms<'a>(
        &self,
        outlet: &'a Outlet,
        settings: &Settings,
    ) -> Result<Terms<'a>, CliError> {
        let currency = &settings.currency;
        let weight = self
            .weight
            .as_ref()
            .map(|text| quantity("--weight", text, "g", selling::weight))
            .transpose()?;
        let paid = money_if("--shipping", self.shipping.as_ref(), currency)?;
        Ok(Terms::new(
            outlet,
            &settings.shipping,
            currency,
            weight,
            paid,
        )?)
    }
}

fn no_outlet(name: &str, known: &[&str]) -> CliError {
    let near = nearest(name, known.iter().copied())
        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
    let listed = if known.is_empty() {
        "compband.toml has none: write [outlets.NAME] there".to_string()
    } else {
        format!("compband.toml has {}", known.join(", "))
    };
    CliError::Absent {
        message: format!("no outlet {name:?}"),
        next: format!("{near}{listed}"),
    }
}
