//! `compband ask` and `compband offer`: the asking price of a unit, and advice on offers.

use std::path::Path;

use chrono::NaiveDate;
use clap::Args;

use super::deals::EntryArgs;
use super::listing::{note_offer, up_to_now};
use super::net::SaleArgs;
use super::{CliError, notice, open, print};
use crate::app::amounts::money;
use crate::app::ask::{Waiting, judge as judged};
use crate::app::error::Kind;
use crate::app::listed::{Stocked, in_stock};
use crate::app::meant::{Meant, deal_number};
use crate::app::offering::{WaitingTyped, asking, with_listing};
use crate::app::{Book, describe};
use crate::cli::unit::MeantArgs;
use crate::render::ask::{offer_sheet, sheet};
use crate::render::table::terminal_width;
use crate::render::{document, short};
use crate::settings::Settings;
use crate::trade::text::quoted;

/// Latest deadline, in weeks.
const LATEST: u16 = 104;

const ASK_EXAMPLES: &str = "\
Examples:
  compband ask --model \"Nulva 61K\" --grade B --completeness usable
  compband ask --model \"Nulva 61K\" --grade B --deadline 6 --exit 90 --cost-per-week 0.50
  compband ask --model \"Nulva 61K\" --grade B --asking 175 --offers 2 --over 3
  compband ask d7                         a unit in stock, with what the ledger knows about it

For a unit that is up for sale (`compband list`) the ledger knows the outlet, the asking price, and
the weeks and offers so far; flags overrule them. The plan starts today.
How it works: buyers come at random, and a price paid is what the best of several buyers would pay.
Whoever would pay your asking price pays it; some of the others offer less. Waiting costs what your
money would earn elsewhere, what keeping the unit costs, and what prices lose. What you keep is
rounded half-even to the smallest coin; asking prices go in steps of about 1 %, in whole units of
money from 20 on. Prices are with or without shipping, as price_basis is set.
If compband.toml has several outlets, they are compared: which one to list at, or two at once if one
of them has `offers_per_week` of its own, and so buyers of its own. The rest is about the best
outlet. With --outlet, --shipping, --asking or --offers you ask about one outlet only.
Not a promise, and not tax or legal advice.";

const OFFER_EXAMPLES: &str = "\
Examples:
  compband offer d7 131                   note it in the ledger, and judge it
  compband offer d7 131 --dry-run         only judge it
  compband offer 131 --model \"Nulva 61K\" --grade B --completeness usable
  compband offer 131 --week 2 --as-of 2026-11-20 --model \"Nulva 61K\" --grade B --deadline 6

With the same flags as `compband ask`, the lowest to accept is the one in its table. To use the
newest sales instead, leave out --as-of and --week, and give the weeks you have left as --deadline.

For a deal (d7) the ledger knows the outlet, the asking price, and the weeks and offers so far.
Only offers for a deal are noted, not those for a model or a watched unit.";

/// Work out what to ask for a unit, and the lowest offer to accept each week
#[derive(Debug, Args)]
#[command(after_help = ASK_EXAMPLES)]
pub struct AskArgs {
    #[command(flatten)]
    market: MarketArgs,
    /// Print the whole sheet: week by week, each outlet, what it assumes
    #[arg(long)]
    why: bool,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// Judge an offer: accept, answer with another price, or wait
#[derive(Debug, Args)]
#[command(after_help = OFFER_EXAMPLES, allow_missing_positional = true)]
pub struct OfferArgs {
    #[command(flatten)]
    market: MarketArgs,
    /// The offer
    #[arg(value_name = "AMOUNT", required = true)]
    offer: Option<String>,
    /// Week in which it came, counted from the date of the estimate; 0 is that date
    #[arg(long, value_name = "WEEK", default_value_t = 0, value_parser = clap::value_parser!(u16).range(..=i64::from(LATEST)))]
    week: u16,
    /// Judge the offer without noting it in the ledger
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    entry: EntryArgs,
    /// Print the whole sheet: the reasons, what it assumes
    #[arg(long)]
    why: bool,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// The unit, how it is sold, and how long it may take.
#[derive(Debug, Args)]
pub struct MarketArgs {
    #[command(flatten)]
    unit: MeantArgs,
    #[command(flatten)]
    sale: SaleArgs,
    #[command(flatten)]
    waiting: WaitingArgs,
}

/// What waiting for buyers comes to.
#[derive(Debug, Default, PartialEq, Args)]
pub struct WaitingArgs {
    /// Sell it within this many weeks [default: no hurry]
    #[arg(long, value_name = "WEEKS", value_parser = clap::value_parser!(u16).range(1..=i64::from(LATEST)))]
    deadline: Option<u16>,
    /// What you keep if it has not sold by the deadline [default: a quick sale at 60 % of the likely price,
    /// unless set]
    #[arg(long, value_name = "AMOUNT", requires = "deadline")]
    exit: Option<String>,
    /// Cost of keeping the unit for a week [default: 0, unless set]
    #[arg(long, value_name = "AMOUNT")]
    cost_per_week: Option<String>,
    /// What your money would earn elsewhere in a year, in per cent [default: as set, or a rule of thumb and,
    /// from five closed deals on, what you earned]
    #[arg(long, value_name = "PERCENT")]
    return_per_year: Option<String>,
    /// Asking price to judge; from the second week on it may be lowered [default: the best of each week]
    #[arg(long, value_name = "AMOUNT")]
    asking: Option<String>,
    /// Number of offers so far, sales at the asking price included
    #[arg(long, value_name = "N", requires = "over")]
    offers: Option<u16>,
    /// Weeks in which those offers came
    #[arg(long, value_name = "WEEKS", requires = "offers")]
    over: Option<String>,
}

/// Runs `compband ask`.
///
/// # Errors
/// If the book cannot be read, a value is invalid, or the unit cannot be estimated.
pub fn run(args: &AskArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let market = &args.market;
    let day = market.unit.day(book.settings());
    let (meant, stocked) = market.meant(&book, day)?;
    let up = stocked.as_ref().and_then(|stocked| stocked.up.as_ref());
    let unit = describe::unit(&book, &meant.description, day, &mut notice)?;
    let how = (&market.sale.typed(), market.waiting.read(&unit.settings)?);
    let asking = asking(&book, &unit, how, up, &mut notice)?;
    if args.json {
        return print(&document::text(&document::ask::document(&asking))?);
    }
    let so_far = stocked.map_or(String::new(), |stocked| up_to_now(&stocked, &unit.settings));
    let width = terminal_width();
    let text = if args.why {
        sheet(&asking, width)
    } else {
        short::ask::sheet(&asking, width)
    };
    print(&format!("{so_far}{text}"))?;
    asking.basis.unsure.into_iter().for_each(notice);
    Ok(())
}

/// Runs `compband offer`: of a deal, the offer is noted before the answer is printed.
///
/// # Errors
/// Those of [`run`], an offer after the deadline, or a book that cannot be written.
pub fn judge(args: &OfferArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let market = &args.market;
    let on = args.entry.day(&book)?;
    let day = market.unit.day_given(book.settings()).unwrap_or(on);
    let given = args.offer.as_deref().unwrap_or_default();
    if let Some(id) = deal_number(given) {
        return Err(CliError::usage(format!(
            "how much is the offer for d{id}? Write the deal, then the amount: compband offer d{id} AMOUNT"
        )));
    }
    if !market.unit.is_given() && money("the offer", given, &book.settings().currency).is_err() {
        return Err(CliError::usage(format!(
            "how much is the offer for {given}? Write the unit, then the amount: compband offer {} AMOUNT",
            quoted(given)
        )));
    }
    let (meant, stocked) = market.meant(&book, day)?;
    let up = stocked.as_ref().and_then(|stocked| stocked.up.as_ref());
    let unit = describe::unit(&book, &meant.description, day, &mut notice)?;
    let waiting = with_listing(market.waiting.read(&unit.settings)?, up, 1);
    let sale = market.sale.typed().at_listing(up);
    let sale = sale.read(book.settings())?;
    let amount = money("the offer", given, &unit.settings.currency)?;
    let outlet = sale.as_ref().map_or("", |through| through.name);
    let note = |stocked: &Stocked| note_offer(&book, stocked, (amount, outlet), &args.entry);
    let noting = stocked.as_ref().filter(|_| !args.dry_run);
    let answered = judged(
        &book,
        &unit,
        sale.clone(),
        waiting,
        (amount, args.week),
        &mut notice,
    );
    let noted = match (noting, &answered) {
        (Some(stocked), Ok(_)) => Some(note(stocked)?),
        // An offer for a unit without evidence is an offer all the same.
        (Some(stocked), Err(error)) if error.kind() == Kind::Absent => Some(note(stocked)?),
        _ => None,
    };
    let (basis, judged) = match (answered, &noted) {
        (Err(error), Some(noted)) => {
            notice(&format!("no advice: {error}"));
            return if args.json {
                Ok(())
            } else {
                print(&noted.text)
            };
        }
        (answered, _) => answered?,
    };
    if args.json {
        let document = document::ask::offer_document(&basis, &judged);
        let document = document::ask::Offer {
            deal: stocked.as_ref().map(|stocked| stocked.deal.name()),
            noted_as_entry: noted.map(|noted| noted.entry),
            ..document
        };
        return print(&document::text(&document)?);
    }
    let so_far = stocked.map_or(String::new(), |stocked| up_to_now(&stocked, &unit.settings));
    let noted = noted.map_or(String::new(), |noted| noted.text);
    let width = terminal_width();
    let text = if args.why {
        offer_sheet(&basis, &judged, width)
    } else {
        short::ask::offer_sheet(&basis, &judged, width)
    };
    print(&format!("{so_far}{text}{noted}"))?;
    basis.unsure.into_iter().for_each(notice);
    Ok(())
}

impl MarketArgs {
    /// The unit that is meant and, of a deal, the unit in stock with its listing.
    fn meant(&self, book: &Book, day: NaiveDate) -> Result<(Meant, Option<Stocked>), CliError> {
        let meant = self.unit.meant(book)?;
        let outlet = self.sale.outlet.as_deref();
        let stocked = meant
            .deal()
            .map(|id| in_stock(book, id, outlet, day, &mut notice));
        Ok((meant, stocked.transpose()?))
    }
}

impl WaitingArgs {
    /// Whether any flag is given.
    pub fn is_given(&self) -> bool {
        *self != Self::default()
    }

    /// Reads the options about waiting; the settings give the others.
    ///
    /// # Errors
    /// Invalid values.
    pub fn read(&self, settings: &Settings) -> Result<Waiting, CliError> {
        let typed = WaitingTyped {
            deadline: self.deadline,
            exit: self.exit.clone(),
            cost_per_week: self.cost_per_week.clone(),
            return_per_year: self.return_per_year.clone(),
            asking: self.asking.clone(),
            offers: self.offers,
            over: self.over.clone(),
        };
        Ok(typed.read(settings)?)
    }
}
