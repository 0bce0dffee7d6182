//! `compband bid`: the highest bid for a unit, and the result at an asking price.

use std::path::Path;

use clap::Args;

use super::net::SaleArgs;
use super::{CliError, notice, open, print};
use crate::app::amounts::{money_if, refused};
use crate::app::bid::{AimsGiven, Costs, Purchase, bid};
use crate::app::describe;
use crate::app::purchase::{AimsTyped, CostsTyped};
use crate::cli::unit::MeantArgs;
use crate::parse::repairs::repair;
use crate::render::bid::sheet;
use crate::render::table::terminal_width;
use crate::render::{document, short};
use crate::settings::Settings;
use crate::trade::Currency;

const EXAMPLES: &str = "\
Examples:
  compband bid --model \"Nulva 61K\" --grade B --completeness usable --against 88
  compband bid --model \"Nulva 61K\" --grade B --inbound 6 --outlet parcel --weight 700 \\
      --repair \"new battery: parts 14, minutes 30, success 0.9\" --repair \"clean jack: success 95 %\"
  compband bid --model \"Tumrik QN 948\" --grade B --repair \"display: from drawer, success 0.8, spoils 0.5\"
  compband bid --model \"Bolv 83V\" --premium 15 --premium-fixed 2 --loss 10 --profit 15
  compband bid qn948 --against 40         a watched unit
  compband bid d7                         another unit like the one of a deal

Describe the unit as you will sell it: repaired and complete. Repairs are tried in the order given.
When one fails, the unit sells for parts: at the price of such sales of the model, or at the share
of the price that you give with --salvage. Without --salvage it is taken apart if its other parts
are worth more ([parts.MODEL] in compband.toml, or what such parts last cost).
A spare part you have, \"display: from drawer, success 0.8\", counts at what it costs to replace and
takes no cash. With \"spoils 0.5\", half of the failures ruin the part; after the others you still
have it. Chances use the whole range of prices, not only the likely one. You never invest more than
the cash in the ledger. Not a promise, and not tax or legal advice.";

/// Work out the most to pay for a unit you want to sell again
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
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// How a unit is bought, repaired and sold again, and the aims of the purchase.
#[derive(Debug, Default, PartialEq, Args)]
pub struct DealArgs {
    /// How and where the unit is sold.
    #[command(flatten)]
    pub sale: SaleArgs,
    #[command(flatten)]
    costs: CostArgs,
    #[command(flatten)]
    aims: AimArgs,
    /// Asking price to judge: buy, haggle or pass, and what to offer
    #[arg(long, visible_alias = "asked", value_name = "AMOUNT")]
    against: Option<String>,
}

/// What it takes to have the unit and to sell it.
#[derive(Debug, Default, PartialEq, Args)]
pub struct CostArgs {
    /// A repair: "new battery: parts 14, minutes 30, success 0.9", or with a spare part you have,
    /// "display: from drawer, success 0.8, spoils 0.5"; repeat it in the order you will try them
    #[arg(long, value_name = "REPAIR")]
    repair: Vec<String>,
    /// What the unit sells for if a repair fails, as a share of its repaired price [default: by sales for parts
    /// of the model]
    #[arg(long, value_name = "SHARE")]
    salvage: Option<String>,
    /// Minutes of other work: pick-up, cleaning, listing, packing
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// Cost of an hour of your work [default: 0, unless set]
    #[arg(long, value_name = "AMOUNT")]
    wage: Option<String>,
    /// Cost of getting it to you: shipping, or the drive
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    /// Buyer's premium in per cent of the bid
    #[arg(long, value_name = "PERCENT")]
    premium: Option<String>,
    /// Fixed part of the buyer's premium
    #[arg(long, value_name = "AMOUNT")]
    premium_fixed: Option<String>,
    /// Tax on the bid and the premium, in per cent
    #[arg(long, value_name = "PERCENT")]
    tax: Option<String>,
    /// Weeks from paying for it until you are paid [default: as set, or as long as the best asking price takes]
    #[arg(long, value_name = "WEEKS")]
    weeks: Option<String>,
}

/// What a purchase must promise.
#[derive(Debug, Default, PartialEq, Args)]
pub struct AimArgs {
    /// Lowest expected profit [default: 0, unless set]
    #[arg(long, value_name = "AMOUNT")]
    profit: Option<String>,
    /// Lowest expected profit in per cent of the money invested [default: 20, unless set]
    #[arg(long = "return", value_name = "PERCENT")]
    returned: Option<String>,
    /// Highest chance of a loss, in per cent [default: 20, unless set]
    #[arg(long, value_name = "PERCENT")]
    loss: Option<String>,
    /// Your bankroll, the money you trade with [default: by the ledger, or as set]
    #[arg(long, value_name = "AMOUNT")]
    bankroll: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a value is invalid, or the unit cannot be estimated.
pub fn run(args: &BidArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let meant = args.unit.meant(&book)?;
    if let Some(id) = meant.deal() {
        notice(&bought_already(id));
    }
    let given = meant.description;
    let unit = describe::unit(&book, &given, args.unit.day(book.settings()), &mut notice)?;
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
        "you already have d{deal}: this is the most to pay for another unit like it; `compband ask d{deal}` says what \
         to ask for d{deal}"
    )
}

impl DealArgs {
    /// Whether any flag of a purchase or of the sale is given.
    pub fn is_given(&self) -> bool {
        *self != Self::default()
    }

    /// Whether any flag of a purchase is given.
    pub fn is_given_for_buying(&self) -> bool {
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
        let one = |text: &String| {
            repair(text, currency).map_err(|expected| refused("--repair", text, &expected))
        };
        let repairs = self.repair.iter().map(one).collect::<Result<_, _>>()?;
        let typed = CostsTyped {
            salvage: self.salvage.clone(),
            minutes: self.minutes.clone(),
            wage: self.wage.clone(),
            inbound: self.inbound.clone(),
            premium: self.premium.clone(),
            premium_fixed: self.premium_fixed.clone(),
            tax: self.tax.clone(),
            weeks: self.weeks.clone(),
        };
        Ok(typed.read(repairs, settings)?)
    }
}

impl AimArgs {
    /// Reads the aims.
    ///
    /// # Errors
    /// Invalid values.
    pub fn read(&self, currency: &Currency) -> Result<AimsGiven, CliError> {
        let typed = AimsTyped {
            profit: self.profit.clone(),
            returned: self.returned.clone(),
            loss: self.loss.clone(),
            bankroll: self.bankroll.clone(),
        };
        Ok(typed.read(currency)?)
    }
}
