//! `compband net`: the net of a price, and the price needed for a net.

use std::path::Path;

use clap::{ArgGroup, Args};

use super::{CliError, notice, open, print};
use crate::app::amounts::money_if;
use crate::app::offering::SaleTyped;
use crate::app::selling::{Through, no_outlet_yet, unsure};
use crate::render::document;
use crate::render::net::statement;
use crate::render::table::terminal_width;
use crate::settings::Settings;

const EXAMPLES: &str = "\
Examples:
  compband net --price 140 --outlet parcel --weight 600
  compband net --price 140 --shipping 5
  compband net --want 110 --outlet parcel

Each line is rounded to the smallest coin, as the outlet rounds, so the lines add up to what you
keep. Set outlets, shipping and packing in compband.toml. Not tax or legal advice.";

/// Work out what you keep of a price, or the price you need to keep so much
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, group = ArgGroup::new("amount").required(true))]
pub struct NetArgs {
    /// Price, without the shipping that the buyer pays on top
    #[arg(long, value_name = "AMOUNT", group = "amount")]
    price: Option<String>,
    /// What you want to keep: works out the lowest price for it
    #[arg(long, value_name = "AMOUNT", group = "amount")]
    want: Option<String>,
    #[command(flatten)]
    sale: SaleArgs,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// How a unit is sold and sent.
#[derive(Debug, Clone, Default, PartialEq, Args)]
pub struct SaleArgs {
    /// Outlet it is sold through [default: the one set, or the only one]
    #[arg(long, value_name = "NAME")]
    pub outlet: Option<String>,
    /// Weight of the parcel in grams [default: as set]
    #[arg(long, value_name = "GRAMS")]
    pub weight: Option<String>,
    /// Shipping the buyer pays on top of the price [default: by the outlet and the weight]
    #[arg(long, value_name = "AMOUNT")]
    pub shipping: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a value is invalid, there is no such outlet, or no price has the
/// wanted net.
pub fn run(args: &NetArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let settings = book.settings();
    let currency = &settings.currency;
    let sale = args.sale.read(settings)?.ok_or_else(no_outlet_yet)?;
    let unsure = unsure(Some(&sale.terms));
    let wanted = money_if("--want", args.want.as_ref(), currency)?;
    let price = money_if("--price", args.price.as_ref(), currency)?;
    let found = match wanted {
        Some(wanted) => sale.net_wanted(wanted, currency)?,
        None => sale.net(price.unwrap_or_default(), currency),
    };
    if args.json {
        return print(&document::text(&document::net::document(&found))?);
    }
    print(&statement(&found, terminal_width()))?;
    unsure.into_iter().for_each(notice);
    Ok(())
}

impl SaleArgs {
    /// The typed values.
    pub fn typed(&self) -> SaleTyped {
        SaleTyped {
            outlet: self.outlet.clone(),
            weight: self.weight.clone(),
            shipping: self.shipping.clone(),
        }
    }

    /// The sale of the unit; none if the book has no outlet.
    ///
    /// # Errors
    /// A name that no outlet has, several outlets without a choice, invalid values, and those that
    /// the outlet or the settings exclude.
    pub fn read<'a>(&self, settings: &'a Settings) -> Result<Option<Through<'a>>, CliError> {
        Ok(self.typed().read(settings)?)
    }
}
