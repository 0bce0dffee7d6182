//! `compband bid`: the highest bid for a unit, and the result at an asking price.

use std::path::Path;

use clap::Args;
use rust_decimal::Decimal;

use super::net::SaleArgs;
use super::{CliError, notice, print};
use crate::app::amounts::{money_if, quantity, refused};
use crate::app::bid::{AimsSaid, Buying, Costs, Purchase, bid};
use crate::app::{Book, describe};
use crate::cli::unit::MeantArgs;
use crate::parse::repairs::{chance, minutes, repair};
use crate::render::bid::sheet;
use crate::render::document;
use crate::render::short;
use crate::render::table::terminal_width;
use crate::settings::{Settings, selling};
use crate::trade::Currency;

const EXAMPLES: &str = "\
Examples:
  compband bid --model \"Nulva 61K\" --grade B --completeness usable --against 88
  compband bid --model \"Nulva 61K\" --grade B --inbound 6 --outlet parcel --weight 700 \\
      --repair \"new battery: parts 14, minutes 30, success 0.9\" --repair \"clean jack: success 95 %\"
  compband bid --model \"Tumrik QN 948\" --grade B --repair \"display: from drawer, success 0.8, spoils 0.5\"
  compband bid --model \"Bolv 83V\" --premium 15 --premium-fixed 2 --loss 10 --profit 15
  compband bid qn948 --against 40         a watched unit
  compband bid d7                         another unit like that of a deal

Describe the unit as it will be sold, mended and complete. Repairs are tried in the order given;
the first that fails ends them, and the unit then sells for parts: for what parts-only sales of
the model say, or the share of the price that --salvage says. Without --salvage it is taken apart
where its other parts are worth more ([parts.MODEL] in compband.toml, or what such parts last cost).
A part that is there already, \"display: from drawer, success 0.8\", counts as what it takes to
replace and takes no cash. With \"spoils 0.5\" half of the failures spoil the part; the others give
it back. Chances come from the estimate's whole distribution, not from its middle. No more is put
in than the cash of the ledger. Not a promise, and not tax or legal advice.";

/// Work out the most to pay for a unit that is to be sold again
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct BidArgs {
    #[command(flatten)]
    unit: MeantArgs,
    #[command(flatten)]
    deal: DealArgs,
    /// Print the whole sheet: every aim, all figures, the repairs
    #[arg(long)]
    why: bool,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// How a unit is bought, mended and sold again, and what that must promise.
#[derive(Debug, Default, PartialEq, Args)]
pub struct DealArgs {
    /// How and where the unit is sold.
    #[command(flatten)]
    pub sale: SaleArgs,
    #[command(flatten)]
    costs: CostArgs,
    #[command(flatten)]
    aims: AimArgs,
    /// Price asked, to be judged: buy, haggle or pass, and what to offer
    #[arg(long, visible_alias = "asked", value_name = "AMOUNT")]
    against: Option<String>,
}

/// What it takes to have the unit and to sell it.
#[derive(Debug, Default, PartialEq, Args)]
pub struct CostArgs {
    /// A repair: "new battery: parts 14, minutes 30, success 0.9", or with a part that is there,
    /// "display: from drawer, success 0.8, spoils 0.5"; several in the order they are tried
    #[arg(long, value_name = "REPAIR")]
    repair: Vec<String>,
    /// What the unit fetches where a repair fails, as a share of its price mended [default: as
    /// parts-only sales of the model say]
    #[arg(long, value_name = "SHARE")]
    salvage: Option<String>,
    /// Minutes of other work: fetching, cleaning, listing, packing
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// What an hour of work costs [default: the book's, 0]
    #[arg(long, value_name = "AMOUNT")]
    wage: Option<String>,
    /// Shipping to you, or the way there
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    /// Buyer's premium, per cent of the bid
    #[arg(long, value_name = "PERCENT")]
    premium: Option<String>,
    /// Buyer's premium, fixed
    #[arg(long, value_name = "AMOUNT")]
    premium_fixed: Option<String>,
    /// Tax on the bid and the premium, per cent
    #[arg(long, value_name = "PERCENT")]
    tax: Option<String>,
    /// Weeks from paying for it to being paid for it [default: the book's, or what asking the
    /// best price of each week takes]
    #[arg(long, value_name = "WEEKS")]
    weeks: Option<String>,
}

/// What a purchase must promise.
#[derive(Debug, Default, PartialEq, Args)]
pub struct AimArgs {
    /// Least expected profit [default: the book's, 0]
    #[arg(long, value_name = "AMOUNT")]
    profit: Option<String>,
    /// Least expected profit in per cent of the money put in [default: the book's, 20]
    #[arg(long = "return", value_name = "PERCENT")]
    returned: Option<String>,
    /// Most chance of a loss, per cent [default: the book's, 20]
    #[arg(long, value_name = "PERCENT")]
    loss: Option<String>,
    /// The money there is to trade with [default: that of the ledger, or the book's setting]
    #[arg(long, value_name = "AMOUNT")]
    bankroll: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a value is invalid, or the unit cannot be estimated.
pub fn run(args: &BidArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let meant = args.unit.meant(&book)?;
    if let Some(id) = meant.deal() {
        notice(&bought_already(id));
    }
    let said = meant.said;
    let unit = describe::unit(&book, &said, args.unit.day(book.settings()), &mut notice)?;
    let purchase = args.deal.read(book.settings())?;
    let found = bid(&book, &unit, purchase, &mut notice)?;
    if args.json {
        return print(&document::text(&document::bid::document(&found))?);
    }
    let width = terminal_width();
    let text = if args.why {
        sheet(&found, width)
    } else {
        short::bid::sheet(&found, width)
    };
    print(&text)?;
    found.unsure.into_iter().for_each(notice);
    Ok(())
}

/// The notice where a deal is named: its unit is not for sale to its owner.
fn bought_already(deal: u32) -> String {
    format!(
        "d{deal} is bought already: this is the most to pay for another unit like it; `compband ask d{deal}` says what \
         to ask for d{deal}"
    )
}

impl DealArgs {
    /// Whether any flag of a purchase or of the sale is given.
    pub fn is_said(&self) -> bool {
        *self != Self::default()
    }

    /// Whether any flag of a purchase is given.
    pub fn is_said_of_buying(&self) -> bool {
        let Self {
            sale: _,
            costs,
            aims,
            against,
        } = self;
        *costs != CostArgs::default() || *aims != AimArgs::default() || against.is_some()
    }

    /// Reads the flags of the purchase and of the sale.
    ///
    /// # Errors
    /// Invalid values.
    pub fn read<'a>(&self, settings: &'a Settings) -> Result<Purchase<'a>, CliError> {
        let currency = &settings.currency;
        Ok(Purchase {
            costs: self.costs.read(settings)?,
            aims: self.aims.read(currency)?,
            sale: self.sale.read(settings)?,
            asked: money_if("--against", self.against.as_ref(), currency)?,
        })
    }
}

impl CostArgs {
    fn read(&self, settings: &Settings) -> Result<Costs, CliError> {
        let currency = &settings.currency;
        let deal = &settings.deal;
        let amount = |flag, given: &Option<String>| {
            Ok::<_, CliError>(money_if(flag, given.as_ref(), currency)?.unwrap_or_default())
        };
        Ok(Costs {
            repairs: self
                .repair
                .iter()
                .map(|text| read("--repair", text, |text| repair(text, currency)))
                .collect::<Result<_, _>>()?,
            salvage: read_if("--salvage", &self.salvage, chance)?,
            minutes: read_if("--minutes", &self.minutes, minutes)?.unwrap_or_default(),
            wage: money_if("--wage", self.wage.as_ref(), currency)?.unwrap_or(deal.wage),
            buying: Buying {
                premium_percent: percent_if("--premium", &self.premium)?.unwrap_or_default(),
                premium: amount("--premium-fixed", &self.premium_fixed)?,
                tax_percent: percent_if("--tax", &self.tax)?.unwrap_or_default(),
                inbound: amount("--inbound", &self.inbound)?,
            },
            weeks: self
                .weeks
                .as_ref()
                .map(|text| quantity("--weeks", text, "weeks", selling::weeks))
                .transpose()?
                .or(deal.weeks),
            donor: None,
        })
    }
}

impl AimArgs {
    /// Reads the costs.
    ///
    /// # Errors
    /// Invalid values.
    pub fn read(&self, currency: &Currency) -> Result<AimsSaid, CliError> {
        Ok(AimsSaid {
            profit: money_if("--profit", self.profit.as_ref(), currency)?,
            returned: self
                .returned
                .as_ref()
                .map(|text| quantity("--return", text, "%", selling::return_percent))
                .transpose()?,
            loss: percent_if("--loss", &self.loss)?,
            bankroll: money_if("--bankroll", self.bankroll.as_ref(), currency)?,
        })
    }
}

fn percent_if(flag: &str, given: &Option<String>) -> Result<Option<Decimal>, CliError> {
    given
        .as_ref()
        .map(|text| Ok(quantity(flag, text, "%", selling::percent)?))
        .transpose()
}

fn read<T>(
    flag: &str,
    text: &str,
    reader: impl Fn(&str) -> Result<T, String>,
) -> Result<T, CliError> {
    reader(text).map_err(|expected| refused(flag, text, &expected).into())
}

fn read_if<T>(
    flag: &str,
    given: &Option<String>,
    reader: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, CliError> {
    given
        .as_ref()
        .map(|text| read(flag, text, reader))
        .transpose()
}
