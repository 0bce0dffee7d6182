//! Transactions of the ledger: purchases, expenses, sales, refunds, write-offs and capital. Each writes one
//! entry.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::describe::{Description, fit_to_keep, one_line, subject};
use super::funds::{Funds, assumed};
use super::ledger::{Wanted, find_deal, foresee, read_ledger};
use super::record::{Recorded, record_sale};
use super::selling::{Through, unsure};
use crate::book::{Book, BookLock};
use crate::deal::ledger::{Deal, Ledger, Purchase, Sale, name};
use crate::deal::outlet::{Item, Terms};
use crate::trade::comp::HowSold;
use crate::trade::entry::{Account, Entry, Foreseen};
use crate::trade::items::fold_name;
use crate::trade::money::grouped;
use crate::trade::unit::Unit;
use crate::trade::{Comp, Currency};

pub use crate::deal::ledger::Refund;

/// Day and note of an entry.
#[derive(Debug, Clone)]
pub struct Dated {
    /// The day.
    pub on: NaiveDate,
    /// Today.
    pub today: NaiveDate,
    /// A note, or empty.
    pub note: String,
}

/// A new entry, with the money after it.
#[derive(Debug, Clone, Copy)]
pub struct Entered {
    /// Number of the entry.
    pub number: u32,
    /// Cash.
    pub cash: Decimal,
    /// Stock at cost.
    pub stock: Decimal,
    /// Parts in the drawer at cost.
    pub drawer: Decimal,
    /// Cash, and stock and parts at cost.
    pub bankroll: Decimal,
    /// Money of the settings that counts as paid in, and is in neither; 0 if money was paid in.
    pub assumed: Decimal,
}

/// A new entry of a deal, with the deal after it.
#[derive(Debug)]
pub struct OfDeal {
    /// The deal.
    pub deal: Deal,
    /// The entry.
    pub entered: Entered,
}

/// A purchase.
#[derive(Debug)]
pub struct Bought {
    /// The unit.
    pub subject: Unit,
    /// Price without shipping.
    pub price: Decimal,
    /// The seller's asking price, without shipping, if known.
    pub asked: Option<Decimal>,
    /// Shipping and other costs of getting it here.
    pub inbound: Decimal,
    /// Minutes of work so far.
    pub minutes: Decimal,
}

/// A sale as given by the user.
#[derive(Debug)]
pub struct SaleGiven<'a> {
    /// The price, without the shipping that the buyer pays.
    pub price: Decimal,
    /// Shipping paid by the buyer, if there is no outlet.
    pub shipping: Option<Decimal>,
    /// The outlet; `None` if there is none or none is needed.
    pub through: Option<Through<'a>>,
    /// Total fees; default: those of the outlet.
    pub fees: Option<Decimal>,
    /// Cost of sending and packing; default: by the weight.
    pub postage: Option<Decimal>,
    /// How it was sold; default: as in the deal.
    pub how_sold: Option<HowSold>,
    /// Number of offers before the sale.
    pub offers: Option<u32>,
    /// Minutes of work for listing and packing.
    pub minutes: Decimal,
    /// Whether to record the sale as a comp as well.
    pub log_comp: bool,
}

/// A recorded sale.
#[derive(Debug)]
pub struct Sold {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// The unit, with how it was sold.
    pub subject: Unit,
    /// Its figures.
    pub figures: Sale,
    /// The estimate as of the day before.
    pub estimate: Option<Foreseen>,
    /// The sale as a comp.
    pub comp: Comp,
    /// Result of recording the comp, if requested.
    pub recorded: Option<Recorded>,
}

/// How many times the likely price an amount is when it is pointed out.
const FAR_ABOVE: i64 = 2;

/// The message about a purchase at a price far above the likely one.
pub(super) fn overpaid(deal: &Deal, entry: u32, currency: &Currency) -> Option<String> {
    far_above((deal.paid, "paid"), deal, entry, currency)
}

/// The message about an amount that is far above the likely price of a unit, as it was on the day of the
/// purchase.
pub(super) fn far_above(
    (amount, what): (Decimal, &str),
    deal: &Deal,
    entry: u32,
    currency: &Currency,
) -> Option<String> {
    let likely = deal.foreseen?.likely;
    let far = likely > Decimal::ZERO && amount > Decimal::from(FAR_ABOVE) * likely;
    let money = |amount| grouped(&currency.plain(amount));
    far.then(|| {
        format!(
            "{} {what} is far above the likely price, {} {}; if that is a slip: compband ledger reverse {entry}",
            money(amount),
            money(likely),
            currency.code,
        )
    })
}

/// A recorded refund.
#[derive(Debug)]
pub struct Refunded {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// Money given back to the buyer.
    pub amount: Decimal,
    /// Identifier of the comp that the sale still is, if it is one.
    pub comp_id: Option<String>,
}

/// The comp of the last sale of a deal, if the book has it.
fn comp_of(book: &Book, deal: &Deal) -> Result<Option<String>, AppError> {
    let (Some(sale), Some(on)) = (deal.sale, deal.closed_on) else {
        return Ok(None);
    };
    let code = &book.settings().currency.code;
    let of_way = |how_sold| {
        let unit = Unit {
            how_sold,
            ..deal.unit.clone()
        };
        unit.comp(on, sale.price, sale.shipping, code).derive_id(0)
    };
    // The ledger does not keep how a unit was sold.
    let ways = HowSold::ALL.into_iter().map(Some).chain([None]);
    let ids = ways.map(of_way).collect();
    Ok(book.comps_by_id(&ids)?.into_keys().next())
}

impl SaleGiven<'_> {
    /// The figures of the sale; missing ones are worked out from the outlet.
    fn figures(&self, notice: &mut dyn FnMut(&str)) -> Sale {
        let Some(Through { terms, .. }) = &self.through else {
            if self.fees.is_none() {
                notice(
                    "compband.toml has no outlet, so no fees are counted: give --fees and --sending",
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

/// Fees of a sale at a price, and its cost of sending and packing.
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

/// The locked ledger of a book, for one new entry.
pub struct Books<'a> {
    pub(super) book: &'a Book,
    lock: BookLock,
    pub(super) ledger: Ledger,
    pub(super) notice: &'a mut dyn FnMut(&str),
}

impl<'a> Books<'a> {
    /// Locks the book and reads its ledger.
    ///
    /// # Errors
    /// If another run holds the book, or its ledger is wrong.
    pub fn open(book: &'a Book, notice: &'a mut dyn FnMut(&str)) -> Result<Self, AppError> {
        let lock = book.lock(notice)?;
        book.repair_ledger(&lock, notice)?;
        Ok(Self {
            ledger: read_ledger(book, notice)?,
            book,
            lock,
            notice,
        })
    }

    pub(super) fn in_stock(&self, text: &str) -> Result<&Deal, AppError> {
        self.find(text, Wanted::InStock)
    }

    /// A deal by its number, or as the only wanted one of a model.
    fn find(&self, text: &str, wanted: Wanted) -> Result<&Deal, AppError> {
        find_deal(&self.ledger, text, wanted, &self.book.settings().words)
    }

    /// Adds an entry and writes it; sends a notice if the cash becomes negative.
    pub(super) fn enter(&mut self, entry: Entry, dated: Dated) -> Result<Entered, AppError> {
        self.enter_all(vec![entry], dated)
    }

    /// Adds entries that belong together, all or none; each has the number that follows on the one before.
    /// Returns the last, with the money after it.
    pub(super) fn enter_all(
        &mut self,
        entries: Vec<Entry>,
        dated: Dated,
    ) -> Result<Entered, AppError> {
        let Dated { note, today, .. } = dated;
        let mut entries = entries;
        for entry in &mut entries {
            if entry.note.is_empty() {
                entry.note.clone_from(&note);
            }
        }
        let mut after = self.ledger.clone();
        for entry in &entries {
            let by_day = after.fits_by_day(entry);
            after.enter(entry.clone())?;
            by_day?;
        }
        self.book.append_to_ledger(&self.lock, &entries)?;
        self.ledger = after;
        let last = entries.iter().map(|entry| entry.on).max().unwrap_or(today);
        let now = self.ledger.up_to(today.max(last));
        let totals = now.totals();
        let entered = Entered {
            number: self.ledger.next_number() - 1,
            cash: totals.get(Account::Cash),
            stock: totals.get(Account::Stock),
            drawer: totals.get(Account::Drawer),
            bankroll: now.bankroll(),
            assumed: assumed(&self.ledger, self.book.settings().deal.bankroll),
        };
        let moved: Decimal = entries
            .iter()
            .map(|entry| entry.postings.get(Account::Cash))
            .sum();
        if moved < Decimal::ZERO {
            self.warn_of_cash(-moved);
        }
        Ok(entered)
    }

    /// Sends a notice if the last entry spent more than the cash, or if the cash rests on the
    /// bankroll of the settings.
    fn warn_of_cash(&mut self, spent: Decimal) {
        let settings = self.book.settings();
        let money = |amount| grouped(&settings.currency.plain(amount));
        let set = settings.deal.bankroll;
        let cash = Funds::by(&self.ledger, None, set).cash;
        let (now, assumed) = cash.map_or_else(
            || (self.ledger.totals().get(Account::Cash), false),
            |cash| (cash.amount, cash.assumed),
        );
        let counted = if assumed {
            format!(", with {} of compband.toml counted as paid in", money(set))
        } else {
            String::new()
        };
        if now < Decimal::ZERO {
            (self.notice)(&format!(
                "{} is more than the cash there was, {}: by the ledger cash is {}{counted}: record \
                 what you put in with `compband ledger fund`",
                money(spent),
                money(now + spent),
                money(now)
            ));
        } else if assumed {
            (self.notice)(&format!(
                "the ledger has no money paid in: cash is {}{counted}; `compband ledger fund` records it",
                money(now)
            ));
        }
    }

    /// Adds an entry of a deal.
    pub(super) fn enter_deal(&mut self, entry: Entry, dated: Dated) -> Result<OfDeal, AppError> {
        let id = entry.deal.unwrap_or_default();
        let entered = self.enter(entry, dated)?;
        let deal = self.find(&name(id), Wanted::Any)?.clone();
        Ok(OfDeal { deal, entered })
    }

    /// The estimate of a unit as of a day; sends a notice if there is no evidence.
    pub(super) fn foresee(
        &mut self,
        unit: &Unit,
        as_of: NaiveDate,
    ) -> Result<Option<Foreseen>, AppError> {
        let made = foresee(self.book, unit, as_of, self.notice)?;
        Ok(made
            .inspect_err(|why| {
                (self.notice)(&format!("no estimate is kept with the deal: {why}"));
            })
            .ok())
    }

    /// Records a purchase with the estimate of the day.
    ///
    /// # Errors
    /// If the ledger refuses it, or the book cannot be written.
    pub fn buy(mut self, bought: Bought, dated: Dated) -> Result<OfDeal, AppError> {
        let unit = bought.subject;
        let purchase = Purchase {
            paid: bought.price + bought.inbound,
            asked: bought.asked.map(|asked| asked + bought.inbound),
            estimate: self.foresee(&unit, dated.on)?,
            unit,
        };
        let entry = Entry {
            minutes: bought.minutes,
            ..self.ledger.buy(dated.on, purchase)
        };
        let made = self.enter_deal(entry, dated)?;
        let currency = &self.book.settings().currency;
        if let Some(doubt) = overpaid(&made.deal, made.entered.number, currency) {
            (self.notice)(&doubt);
        }
        Ok(made)
    }

    /// Records money and minutes spent on a unit in stock.
    ///
    /// # Errors
    /// If the deal is not in stock, or the book cannot be written.
    pub fn spend(
        mut self,
        deal: &str,
        (amount, minutes): (Decimal, Decimal),
        dated: Dated,
    ) -> Result<OfDeal, AppError> {
        let deal = self.in_stock(deal)?;
        let id = deal.id;
        let bought = fold_name(&dated.note);
        let missing = deal.unit.missing.iter().map(|(piece, _)| piece);
        let lacking = missing.filter(|piece| bought.contains(&fold_name(piece)));
        let lacking: Vec<String> = lacking.map(str::to_string).collect();
        let entry = self.ledger.spend(dated.on, id, amount, minutes);
        let made = self.enter_deal(entry, dated)?;
        for piece in lacking {
            (self.notice)(&format!(
                "by the ledger {name} still lacks its {piece}: once it has it, describe the unit again with `compband \
                 ledger describe {name}`",
                name = made.deal.name()
            ));
        }
        Ok(made)
    }

    /// Records that a unit was scrapped, and for how much.
    ///
    /// # Errors
    /// If the deal is not in stock, or the book cannot be written.
    pub fn scrap(mut self, deal: &str, fetched: Decimal, dated: Dated) -> Result<OfDeal, AppError> {
        let id = self.in_stock(deal)?.id;
        let entry = self.ledger.scrap(dated.on, id, fetched);
        self.enter_deal(entry, dated)
    }

    /// Records the sale of a unit with the estimate from sales of earlier days.
    ///
    /// # Errors
    /// If the deal is not in stock, or the book cannot be written.
    pub fn sold(
        mut self,
        deal: &str,
        given: &SaleGiven<'_>,
        dated: Dated,
    ) -> Result<Sold, AppError> {
        let deal = self.in_stock(deal)?;
        let (id, mut unit) = (deal.id, deal.unit.clone());
        let figures = given.figures(self.notice);
        let blank = self.ledger.sold(dated.on, id, &figures);
        let offers = given
            .offers
            .or_else(|| self.offers_before(id, dated.on, &figures));
        // Checked before the estimate, so that a deal not in stock gets its own message.
        self.ledger.clone().enter(blank.clone())?;
        self.ledger.fits_by_day(&blank)?;
        let before = dated.on.pred_opt().unwrap_or(dated.on);
        let estimate = self.foresee(&unit, before)?;
        let outlet = given.through.as_ref().map_or("", |through| through.name);
        let entry = Entry {
            minutes: given.minutes,
            outlet: outlet.to_string(),
            offers,
            estimate,
            ..blank
        };
        unit.how_sold = given.how_sold.or(unit.how_sold);
        let code = &self.book.settings().currency.code;
        let comp = Comp {
            venue: outlet.to_string(),
            ..unit.comp(dated.on, figures.price, figures.shipping, code)
        };
        // The comp first: if the run ends between the two, the same command finds it recorded and
        // enters the sale, while a sold deal cannot be sold again.
        let recorded = given
            .log_comp
            .then(|| record_sale(self.book, &self.lock, comp.clone(), self.notice));
        let recorded = recorded.transpose()?;
        let of_deal = self.enter_deal(entry, dated).inspect_err(|_| {
            if recorded.is_some() {
                (self.notice)(
                    "the sale is among the comps but not in the ledger: run the same command again",
                );
            }
        })?;
        Ok(Sold {
            of_deal,
            subject: unit.clone(),
            figures,
            estimate,
            comp,
            recorded,
        })
    }

    /// Number of recorded offers for a unit before a sale on a day, that of the sale included.
    fn offers_before(&self, id: u32, on: NaiveDate, sale: &Sale) -> Option<u32> {
        let prices = [sale.price, sale.price + sale.shipping];
        self.ledger.up_to(on).deal(id)?.offers_before(on, prices)
    }

    /// Records money that the owner puts in.
    ///
    /// # Errors
    /// If the ledger refuses it, or the book cannot be written.
    pub fn fund(mut self, amount: Decimal, dated: Dated) -> Result<Entered, AppError> {
        let entry = self.ledger.fund(dated.on, amount);
        self.enter(entry, dated)
    }

    /// Records money that the owner takes out.
    ///
    /// # Errors
    /// If the ledger refuses it, or the book cannot be written.
    pub fn draw(mut self, amount: Decimal, dated: Dated) -> Result<Entered, AppError> {
        let entry = self.ledger.draw(dated.on, amount);
        self.enter(entry, dated)
    }

    /// Replaces the description of a unit in stock; `model` is its new model, if it changes. Returns the old
    /// description too.
    ///
    /// # Errors
    /// If a value is invalid, the deal is not in stock, or the book cannot be written.
    pub fn describe(
        mut self,
        deal: &str,
        (model, given): (Option<&str>, Description),
        dated: Dated,
    ) -> Result<(OfDeal, Unit), AppError> {
        let deal = self.in_stock(deal)?;
        let (id, was) = (deal.id, deal.unit.clone());
        one_line("--model", model.unwrap_or_default())?;
        let model = model.unwrap_or(&was.model).to_string();
        let now = subject(
            &Description { model, ..given },
            self.book.settings(),
            self.notice,
        )?;
        fit_to_keep(&now)?;
        let entry = self.ledger.describe(dated.on, id, now);
        Ok((self.enter_deal(entry, dated)?, was))
    }

    /// Records a refund to the buyer of a unit; the default sum is all that was paid. With `back`, the unit
    /// is in stock again.
    ///
    /// # Errors
    /// If the deal is not sold, or the book cannot be written.
    pub fn refund(
        mut self,
        deal: &str,
        (sum, refund, back): (Option<Decimal>, Refund, bool),
        dated: Dated,
    ) -> Result<Refunded, AppError> {
        let deal = self.find(deal, Wanted::Sold)?;
        let amount = sum.unwrap_or_else(|| deal.revenue());
        let refund = Refund { amount, ..refund };
        let entry = self.ledger.refund(dated.on, deal.id, &refund, back);
        let comp_id = comp_of(self.book, deal)?;
        Ok(Refunded {
            of_deal: self.enter_deal(entry, dated)?,
            amount,
            comp_id,
        })
    }

    /// Reverses an entry, by default on its own day or else on the last day of its deal. Returns the ledger after it, and the number of the new
    /// entry.
    ///
    /// # Errors
    /// If the entry cannot be reversed, or the book cannot be written.
    pub fn reverse(
        mut self,
        number: u32,
        on: Option<NaiveDate>,
        (today, note): (NaiveDate, String),
    ) -> Result<(Ledger, u32), AppError> {
        let entry = self.ledger.reverse(on, number)?;
        let on = entry.on;
        let entered = self.enter(entry, Dated { on, today, note })?;
        Ok((self.ledger, entered.number))
    }
}
