//! Transactions of the ledger: what is bought, spent, sold, refunded and scrapped, money put in and taken
//! out. Each writes one entry.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::describe::{Said, fit_to_keep, one_line, subject};
use super::ledger::{Wanted, find_deal, foresee, read_ledger};
use super::record::{Recorded, record_sale};
use super::selling::{Through, unsure};
use crate::book::{Book, BookLock};
use crate::deal::ledger::{Deal, Ledger, Purchase, Refund, Sale, name};
use crate::deal::outlet::{Item, Terms};
use crate::select::Subject;
use crate::trade::Comp;
use crate::trade::comp::HowSold;
use crate::trade::entry::{Account, Entry, Foreseen};
use crate::trade::money::grouped;
use crate::trade::unit::Unit;

/// The day of an entry and anything else that is to be kept with it.
#[derive(Debug, Clone)]
pub struct Dated {
    /// Its day.
    pub on: NaiveDate,
    /// A note, or empty.
    pub note: String,
}

/// An entry that was made, and where it leaves the money.
#[derive(Debug, Clone, Copy)]
pub struct Entered {
    /// Number of the entry.
    pub number: u32,
    /// Cash by the ledger.
    pub cash: Decimal,
    /// Stock at cost.
    pub stock: Decimal,
    /// Both.
    pub bankroll: Decimal,
}

/// An entry of a deal, with the deal as it then stands.
#[derive(Debug)]
pub struct OfDeal {
    /// The deal.
    pub deal: Deal,
    /// The entry.
    pub entered: Entered,
}

/// The ledger of a book, to be written to while the lock is held.
struct Books<'a> {
    book: &'a Book,
    lock: BookLock,
    ledger: Ledger,
}

impl<'a> Books<'a> {
    /// Takes the book and reads its ledger.
    fn open(book: &'a Book, notice: &mut dyn FnMut(&str)) -> Result<Self, AppError> {
        let lock = book.lock(notice)?;
        book.repair_ledger(&lock, notice)?;
        let ledger = read_ledger(book, notice)?;
        Ok(Self { book, lock, ledger })
    }

    fn in_stock(&self, text: &str) -> Result<&Deal, AppError> {
        find_deal(&self.ledger, text, Wanted::InStock)
    }

    /// Enters an entry and writes it down; notes where the cash has run out.
    fn enter(&mut self, entry: Entry, notice: &mut dyn FnMut(&str)) -> Result<Entered, AppError> {
        let spends = entry.postings.get(Account::Cash) < Decimal::ZERO;
        self.ledger.enter(entry.clone())?;
        self.book.append_to_ledger(&self.lock, &entry)?;
        let totals = self.ledger.totals();
        let entered = Entered {
            number: self.ledger.next_number() - 1,
            cash: totals.get(Account::Cash),
            stock: totals.get(Account::Stock),
            bankroll: self.ledger.bankroll(),
        };
        if spends && entered.cash < Decimal::ZERO {
            notice(&format!(
                "by the ledger cash is {}: record what you put in with `compband ledger fund`",
                grouped(&self.book.settings().currency.plain(entered.cash))
            ));
        }
        Ok(entered)
    }

    /// Enters an entry of a deal.
    fn enter_deal(
        &mut self,
        entry: Entry,
        notice: &mut dyn FnMut(&str),
    ) -> Result<OfDeal, AppError> {
        let id = entry.deal.unwrap_or_default();
        let entered = self.enter(entry, notice)?;
        let deal = find_deal(&self.ledger, &name(id), Wanted::Any)?.clone();
        Ok(OfDeal { deal, entered })
    }

    /// What an estimate as of a day says of a unit; notes where nothing speaks of it.
    fn foresee(
        &self,
        unit: &Unit,
        as_of: NaiveDate,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Option<Foreseen>, AppError> {
        Ok(match foresee(self.book, unit, as_of, notice)? {
            Ok(foreseen) => Some(foreseen),
            Err(why) => {
                notice(&format!("no estimate is kept beside the deal: {why}"));
                None
            }
        })
    }
}

/// A unit that was bought.
#[derive(Debug)]
pub struct Bought {
    /// What it is.
    pub subject: Subject,
    /// What was paid, shipping left out.
    pub price: Decimal,
    /// Shipping and whatever else it took to get it here.
    pub inbound: Decimal,
    /// Minutes of work so far.
    pub minutes: Decimal,
}

/// Records a purchase beside the estimate of the day.
///
/// # Errors
/// What the ledger refuses, or a book that cannot be written.
pub fn buy(
    book: &Book,
    bought: Bought,
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<OfDeal, AppError> {
    let mut books = Books::open(book, notice)?;
    let unit = Unit::from(bought.subject);
    let purchase = Purchase {
        paid: bought.price + bought.inbound,
        estimate: books.foresee(&unit, dated.on, notice)?,
        unit,
    };
    let entry = Entry {
        minutes: bought.minutes,
        note: dated.note,
        ..books.ledger.buy(dated.on, purchase)
    };
    books.enter_deal(entry, notice)
}

/// Records money and minutes spent on a unit in stock.
///
/// # Errors
/// A deal that is not in stock, or a book that cannot be written.
pub fn spend(
    book: &Book,
    deal: &str,
    (amount, minutes): (Decimal, Decimal),
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<OfDeal, AppError> {
    let mut books = Books::open(book, notice)?;
    let id = books.in_stock(deal)?.id;
    let entry = Entry {
        note: dated.note,
        ..books.ledger.spend(dated.on, id, amount, minutes)
    };
    books.enter_deal(entry, notice)
}

/// Records that a unit was scrapped, for what it fetched.
///
/// # Errors
/// A deal that is not in stock, or a book that cannot be written.
pub fn scrap(
    book: &Book,
    deal: &str,
    fetched: Decimal,
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<OfDeal, AppError> {
    let mut books = Books::open(book, notice)?;
    let id = books.in_stock(deal)?.id;
    let entry = Entry {
        note: dated.note,
        ..books.ledger.scrap(dated.on, id, fetched)
    };
    books.enter_deal(entry, notice)
}

/// A sale as it was said.
#[derive(Debug)]
pub struct SaleSaid<'a> {
    /// The price, without shipping that the buyer pays beside it.
    pub price: Decimal,
    /// What the buyer paid for shipping, where no outlet says it.
    pub shipping: Option<Decimal>,
    /// The outlet; none where there is none, or where nothing is to be worked out by one.
    pub through: Option<Through<'a>>,
    /// Fees in all, where they are not the outlet's.
    pub fees: Option<Decimal>,
    /// What sending and packing cost, where not by the weight.
    pub postage: Option<Decimal>,
    /// How it was sold, where not as the deal says.
    pub how_sold: Option<HowSold>,
    /// Offers that came in before it sold.
    pub offers: Option<u32>,
    /// Minutes of work for listing and packing.
    pub minutes: Decimal,
    /// Whether the sale is recorded as a comp too.
    pub log_comp: bool,
}

/// A sale that was entered.
#[derive(Debug)]
pub struct Sold {
    /// The deal and the entry.
    pub of_deal: OfDeal,
    /// The unit, how it was sold included.
    pub subject: Subject,
    /// Its figures.
    pub figures: Sale,
    /// The estimate of the day before.
    pub estimate: Option<Foreseen>,
    /// The sale as a comp.
    pub comp: Comp,
    /// What came of recording it, where that was asked.
    pub recorded: Option<Recorded>,
}

/// Records the sale of a unit beside the estimate that the sales of earlier days make.
///
/// # Errors
/// A deal that is not in stock, or a book that cannot be written.
pub fn sold(
    book: &Book,
    deal: &str,
    said: &SaleSaid<'_>,
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<Sold, AppError> {
    let mut books = Books::open(book, notice)?;
    let deal = books.in_stock(deal)?;
    let (id, mut unit) = (deal.id, deal.unit.clone());
    let figures = said.figures(notice);
    let blank = books.ledger.sold(dated.on, id, &figures);
    // Before anything is estimated: a deal that is not in stock is to be named as such.
    books.ledger.clone().enter(blank.clone())?;
    let before = dated.on.pred_opt().unwrap_or(dated.on);
    let estimate = books.foresee(&unit, before, notice)?;
    let outlet = said.through.as_ref().map_or("", |through| through.name);
    let entry = Entry {
        minutes: said.minutes,
        outlet: outlet.to_string(),
        offers: said.offers,
        estimate,
        note: dated.note,
        ..blank
    };
    unit.how_sold = said.how_sold.or(unit.how_sold);
    let code = &book.settings().currency.code;
    let comp = Comp {
        venue: outlet.to_string(),
        ..unit.comp(dated.on, figures.price, figures.shipping, code)
    };
    // The comp first: should the run end between the two, the same command again finds it recorded
    // and enters the sale, while a deal once sold cannot be sold again.
    let recorded = said
        .log_comp
        .then(|| record_sale(book, &books.lock, comp.clone(), notice));
    let recorded = recorded.transpose()?;
    let of_deal = books.enter_deal(entry, notice).inspect_err(|_| {
        if recorded.is_some() {
            notice(
                "the sale is among the comps, but not in the ledger: the same command again enters it",
            );
        }
    })?;
    Ok(Sold {
        of_deal,
        subject: Subject::from(&unit),
        figures,
        estimate,
        comp,
        recorded,
    })
}

impl SaleSaid<'_> {
    /// The figures of the sale: what was not said is worked out by the outlet.
    fn figures(&self, notice: &mut dyn FnMut(&str)) -> Sale {
        let Some(Through { terms, .. }) = &self.through else {
            if self.fees.is_none() {
                notice(
                    "compband.toml has no outlet, so no fees are counted: say --fees, and --sending",
                );
            }
            return Sale {
                price: self.price,
                shipping: self.shipping.unwrap_or_default(),
                fees: self.fees.unwrap_or_default(),
                postage: self.postage.unwrap_or_default(),
            };
        };
        if self.postage.is_none() {
            unsure(Some(terms)).into_iter().for_each(notice);
        }
        let (fees, postage) = charges(terms, self.price);
        Sale {
            price: self.price,
            shipping: terms.shipping_paid,
            fees: self.fees.unwrap_or(fees),
            postage: self.postage.unwrap_or(postage),
        }
    }
}

/// Fees of a sale at a price, and what sending and packing cost.
fn charges(terms: &Terms<'_>, price: Decimal) -> (Decimal, Decimal) {
    use Item::*;
    let net = terms.without_returns(price);
    let sum = |which: fn(Item) -> bool| -> Decimal {
        let lines = net.lines.iter().filter(|line| which(line.item));
        lines.map(|line| line.amount).sum()
    };
    let fees = sum(|item| {
        matches!(
            item,
            Fee | FixedFee | Payment | FixedPayment | Promotion | FixedPromotion
        )
    });
    (-fees, -sum(|item| matches!(item, Postage | Packing)))
}

/// Records money that the owner puts in, or takes out.
///
/// # Errors
/// What the ledger refuses, or a book that cannot be written.
pub fn capital(
    book: &Book,
    amount: Decimal,
    put_in: bool,
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<Entered, AppError> {
    let mut books = Books::open(book, notice)?;
    let blank = if put_in {
        books.ledger.fund(dated.on, amount)
    } else {
        books.ledger.draw(dated.on, amount)
    };
    let entry = Entry {
        note: dated.note,
        ..blank
    };
    books.enter(entry, notice)
}

/// Describes a unit in stock anew, `model` being another model, if it is; gives what it was taken for
/// besides.
///
/// # Errors
/// Values that are wrong, a deal that is not in stock, or a book that cannot be written.
pub fn describe(
    book: &Book,
    deal: &str,
    (model, said): (Option<&str>, Said),
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<(OfDeal, Unit), AppError> {
    let mut books = Books::open(book, notice)?;
    let deal = books.in_stock(deal)?;
    let (id, was) = (deal.id, deal.unit.clone());
    one_line("--model", model.unwrap_or_default())?;
    let said = Said {
        model: model.unwrap_or(&was.model).to_string(),
        ..said
    };
    let now = subject(&said, book.settings(), notice)?;
    fit_to_keep(&now)?;
    let entry = Entry {
        note: dated.note,
        ..books.ledger.describe(dated.on, id, now.into())
    };
    Ok((books.enter_deal(entry, notice)?, was))
}

/// Money given back to a buyer.
#[derive(Debug, Clone, Copy)]
pub struct Refunded {
    /// How much; all that was paid where that was not said.
    pub amount: Option<Decimal>,
    /// Fees that the outlet gives back.
    pub fees_back: Decimal,
    /// What sending the unit back costs.
    pub postage: Decimal,
    /// Whether the unit came back into stock.
    pub back: bool,
}

/// Records money given back to the buyer of a unit; gives how much it was besides.
///
/// # Errors
/// A deal that is not sold, or a book that cannot be written.
pub fn refund(
    book: &Book,
    deal: &str,
    refunded: Refunded,
    dated: Dated,
    notice: &mut dyn FnMut(&str),
) -> Result<(OfDeal, Decimal), AppError> {
    let mut books = Books::open(book, notice)?;
    let deal = find_deal(&books.ledger, deal, Wanted::Sold)?;
    let figures = Refund {
        amount: refunded.amount.unwrap_or_else(|| deal.revenue()),
        fees_back: refunded.fees_back,
        postage: refunded.postage,
    };
    let entry = books
        .ledger
        .refund(dated.on, deal.id, &figures, refunded.back);
    let entry = Entry {
        note: dated.note,
        ..entry
    };
    Ok((books.enter_deal(entry, notice)?, figures.amount))
}

/// Reverses an entry, on the day of that where none is said; gives the ledger as it then stands, and the
/// number of the entry that reverses.
///
/// # Errors
/// An entry that cannot be reversed, or a book that cannot be written.
pub fn reverse(
    book: &Book,
    number: u32,
    on: Option<NaiveDate>,
    note: String,
    notice: &mut dyn FnMut(&str),
) -> Result<(Ledger, u32), AppError> {
    let mut books = Books::open(book, notice)?;
    let entry = Entry {
        note,
        ..books.ledger.reverse(on, number)?
    };
    let entered = books.enter(entry, notice)?;
    Ok((books.ledger, entered.number))
}
