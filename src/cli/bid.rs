//! `compband bid`: the most to pay for a unit, and what a price asked comes to.

use std::path::Path;

use clap::Args;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::deals::read_ledger;
use super::net::{SaleArgs, tell_unsure};
use super::{CliError, print};
use crate::app::amounts::{money_if, quantity, refused};
use crate::app::unit::AskedUnit;
use crate::app::weigh::weigh;
use crate::book::store::Book;
use crate::cli::unit::UnitArgs;
use crate::deal::bid::{Aim, Buying, Case, Costs, binding};
use crate::deal::outlet::Terms;
use crate::parse::repairs::{chance, minutes, repair};
use crate::render::bid::{Told, sheet};
use crate::render::document;
use crate::render::net::unsure;
use crate::render::table::terminal_width;
use crate::settings::Settings;
use crate::settings::selling::{self, DealSettings};

const EXAMPLES: &str = "\
Examples:
  compband bid --model \"Nerrow F4\" --grade B --completeness usable --against 88
  compband bid --model \"Nerrow F4\" --grade B --inbound 6 --outlet parcel --weight 700 \\
      --repair \"new battery: parts 14, minutes 30, success 0.9\" --repair \"clean jack: success 95 %\"
  compband bid --model \"Brask M2\" --premium 15 --premium-fixed 2 --loss 10 --profit 15

Describe the unit as it will be sold, mended and complete. Repairs are tried in the order given;
the first that fails ends them, and the unit then sells for parts: for what parts-only sales of
the model say, or the share of the price that --salvage says. Chances come from the estimate's
whole distribution, not from its middle. Not a promise, and not tax or legal advice.";

/// Work out the most to pay for a unit that is to be sold again
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct BidArgs {
    #[command(flatten)]
    unit: UnitArgs,
    #[command(flatten)]
    deal: DealArgs,
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
    /// Price asked, to be judged: buy, haggle or pass
    #[arg(long, value_name = "AMOUNT")]
    against: Option<String>,
}

/// What it takes to have the unit and to sell it.
#[derive(Debug, Default, PartialEq, Args)]
pub struct CostArgs {
    /// A repair: "new battery: parts 14, minutes 30, success 0.9"; several in the order they
    /// are tried
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
    /// Weeks from paying for it to being paid for it [default: the book's, 4]
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
/// Where the book cannot be read, a value is wrong, or nothing speaks of the unit.
pub fn run(args: &BidArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let unit = args.unit.read(&book)?;
    args.deal.tell(&book, &unit, |told, terms| {
        if args.json {
            return print(&document::text(&document::bid::document(told))?);
        }
        print(&sheet(told, terminal_width()))?;
        tell_unsure(terms);
        Ok(())
    })
}

impl DealArgs {
    /// Whether anything was said of a purchase or of the sale.
    pub fn is_said(&self) -> bool {
        *self != Self::default()
    }

    /// Whether anything was said of a purchase.
    pub fn is_said_of_buying(&self) -> bool {
        let Self {
            sale: _,
            costs,
            aims,
            against,
        } = self;
        *costs != CostArgs::default() || *aims != AimArgs::default() || against.is_some()
    }

    /// Works out what to bid for a unit and hands it to `with`, beside the terms of the sale.
    ///
    /// # Errors
    /// Values that are wrong, nothing that speaks of the unit, and what `with` fails with.
    pub fn tell<T>(
        &self,
        book: &Book,
        unit: &AskedUnit<'_>,
        with: impl FnOnce(&Told<'_>, Option<&Terms<'_>>) -> Result<T, CliError>,
    ) -> Result<T, CliError> {
        let settings = &unit.settings;
        let currency = &settings.currency;
        let costs = self.costs.read(settings)?;
        let (aims, bankroll) = self.aims.read(book, &settings.deal)?;
        let outlet = self.sale.outlet(settings)?;
        let terms = outlet
            .map(|(_, outlet)| self.sale.terms(outlet, settings))
            .transpose()?;
        let asked = money_if("--against", self.against.as_ref(), currency)?;
        let weighed = weigh(unit, terms.as_ref(), &costs)?;
        let case = Case {
            prospect: &weighed.prospect,
            buying: &costs.buying,
            currency,
            weeks: costs.weeks.to_f64().unwrap_or(1.0),
            bankroll,
        };
        let limits = case.limits(&aims);
        let most = binding(&limits).and_then(|limit| limit.most);
        let told = Told {
            made: &weighed.made,
            parts: weighed.parts.as_ref(),
            outlet: outlet.map(|(name, _)| name),
            net: terms
                .as_ref()
                .map(|terms| terms.net_of(weighed.made.median, settings.price_basis)),
            costs: &costs,
            prospect: &weighed.prospect,
            limits: &limits,
            at_most: most.map(|most| case.measures(most)),
            asked: asked.map(|asked| case.judge(&aims, asked, most, settings.deal.haggle)),
            bankroll,
            unsure: unsure(terms.as_ref()),
        };
        with(&told, terms.as_ref())
    }
}

impl CostArgs {
    /// Reads what was said.
    ///
    /// # Errors
    /// Values that are wrong.
    pub fn read(&self, settings: &Settings) -> Result<Costs, CliError> {
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
            weeks: self.weeks.as_ref().map_or(Ok(deal.weeks), |text| {
                quantity("--weeks", text, "weeks", selling::weeks)
            })?,
        })
    }
}

impl AimArgs {
    /// Reads the aims, and the bankroll where it is known: as said, or else what the ledger comes
    /// to, or else as the settings have it.
    ///
    /// # Errors
    /// Values that are wrong, and a ledger that cannot be read.
    pub fn read(
        &self,
        book: &Book,
        deal: &DealSettings,
    ) -> Result<(Vec<Aim>, Option<Decimal>), CliError> {
        let currency = &book.settings().currency;
        let profit = money_if("--profit", self.profit.as_ref(), currency)?;
        let returned = self
            .returned
            .as_ref()
            .map(|text| quantity("--return", text, "%", selling::return_percent))
            .transpose()?;
        let loss = percent_if("--loss", &self.loss)?;
        let bankroll = match money_if("--bankroll", self.bankroll.as_ref(), currency)? {
            Some(said) => said,
            None => Some(read_ledger(book)?.bankroll())
                .filter(|money| *money > Decimal::ZERO)
                .unwrap_or(deal.bankroll),
        };
        let bankroll = Some(bankroll).filter(|money| !money.is_zero());
        let mut aims = vec![
            Aim::Profit(profit.unwrap_or(deal.least_profit)),
            Aim::Return(returned.unwrap_or(deal.least_return)),
            Aim::Loss(loss.unwrap_or(deal.most_loss)),
        ];
        aims.extend(bankroll.map(|bankroll| Aim::Stake {
            bankroll,
            share: deal.kelly,
        }));
        Ok((aims, bankroll))
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
