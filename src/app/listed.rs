//! Units put up for sale: listings, the offers for them, and what the commands about a unit know from these.

use crate::trade::text::after;
use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::deals::{Books, Dated, OfDeal, far_above};
use super::ledger::{Wanted, find_deal, ledger_on, read_ledger};
use super::selling::{Through, outlet};
use crate::book::Book;
use crate::deal::ledger::{Deal, Ledger, Listing, Offered, State, name};
use crate::settings::Settings;
use crate::trade::items::fold_name;

const DAYS_PER_WEEK: i64 = 7;

/// Where a unit in stock is up for sale.
#[derive(Debug, Clone)]
pub struct Up {
    /// The outlet, or empty.
    pub outlet: String,
    /// First day.
    pub from: NaiveDate,
    /// Days so far, at least one.
    pub days: i64,
    /// The asking price.
    pub ask: Option<Decimal>,
    /// Number of recorded offers through it.
    pub offers: u32,
    /// The best of them.
    pub best: Option<Decimal>,
    /// The deal, and the position of the listing there.
    pub at: (u32, usize),
}

impl Up {
    fn of(deal: &Deal, at: usize, listing: &Listing, on: NaiveDate) -> Self {
        let offers = deal.offers_to(at);
        Self {
            outlet: listing.outlet.clone(),
            from: listing.from,
            days: listing.days(on),
            ask: listing.ask_on(on).or(listing.ask()),
            offers: offers.len() as u32,
            best: offers.iter().map(|offer| offer.amount).max(),
            at: (deal.id, at),
        }
    }

    /// The listings of a deal that are up on a day, in a ledger of that day.
    pub fn all(deal: &Deal, on: NaiveDate) -> Vec<Self> {
        let listings = deal.listings.iter().enumerate();
        listings
            .filter(|(_, listing)| listing.is_up())
            .map(|(at, listing)| Self::of(deal, at, listing, on))
            .collect()
    }

    /// Number of offers so far with the weeks in which they came; `also` counts one that is not recorded yet.
    pub fn seen(&self, also: u16) -> (u16, Decimal) {
        let weeks = Decimal::from(self.days) / Decimal::from(DAYS_PER_WEEK);
        let noted = u16::try_from(self.offers).unwrap_or(u16::MAX);
        (noted.saturating_add(also), weeks.round_dp(2))
    }
}

/// A unit in stock, with the listing that a command is about.
#[derive(Debug, Clone)]
pub struct Stocked {
    /// The deal on that day.
    pub deal: Deal,
    /// The listing; none if the unit is not up at the outlet.
    pub up: Option<Up>,
}

/// A unit in stock on a day, with its listing at an outlet: the given one or, if it is up somewhere, that place.
///
/// # Errors
/// If the deal is not in stock on that day, or the unit is up at several outlets and none is given.
pub fn in_stock(
    book: &Book,
    id: u32,
    given: Option<&str>,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Stocked, AppError> {
    let ledger = ledger_on(book, on, notice)?;
    let Some(deal) = ledger.deal(id) else {
        return Err(not_yet(book, id, on, notice)?);
    };
    if deal.state != State::Open {
        return Err(AppError::Refused {
            message: format!(
                "{}, {:?}, was {} on {}",
                deal.name(),
                deal.unit.model,
                deal.state.word(),
                deal.closed_on.unwrap_or(on)
            ),
            next: "for another unit like it, give --model and its description".into(),
        });
    }
    Ok(Stocked {
        up: chosen(deal, given, book.settings(), on)?,
        deal: deal.clone(),
    })
}

/// A unit in stock, with every listing of it.
#[derive(Debug, Clone)]
pub struct InStock {
    /// The deal on that day.
    pub deal: Deal,
    /// Where it is up for sale.
    pub up: Vec<Up>,
}

/// The units in stock on a day, in the order of their numbers.
///
/// # Errors
/// If the ledger cannot be read.
pub fn all_in_stock(
    book: &Book,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<InStock>, AppError> {
    let ledger = ledger_on(book, on, notice)?;
    let open = ledger.deals().filter(|deal| deal.state == State::Open);
    Ok(open
        .map(|deal| InStock {
            up: Up::all(deal, on),
            deal: deal.clone(),
        })
        .collect())
}

/// The unit of a deal that is about to be sold, by number or model; `None` if no such unit is in stock, which the
/// ledger refuses in its own words.
///
/// # Errors
/// If the book cannot be read, or the unit is up at several outlets and none is given.
pub fn to_be_sold(
    book: &Book,
    deal: &str,
    given: Option<&str>,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Option<Stocked>, AppError> {
    let ledger = ledger_on(book, on, notice)?;
    match find_deal(&ledger, deal, Wanted::InStock, &book.settings().words) {
        Ok(deal) if deal.state == State::Open => Ok(Some(Stocked {
            up: chosen(deal, given, book.settings(), on)?,
            deal: deal.clone(),
        })),
        _ => Ok(None),
    }
}

/// Numbers of the deals, `d7`: of units in stock, or of all.
///
/// # Errors
/// If the ledger cannot be read.
pub fn deal_names(
    book: &Book,
    all: bool,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<String>, AppError> {
    let ledger = read_ledger(book, notice)?;
    let wanted = |deal: &&Deal| all || deal.state == State::Open;
    Ok(ledger.deals().filter(wanted).map(Deal::name).collect())
}

/// The error for a deal that is bought after a day, or does not exist.
fn not_yet(
    book: &Book,
    id: u32,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<AppError, AppError> {
    let whole = read_ledger(book, notice)?;
    Ok(
        match find_deal(&whole, &name(id), Wanted::Any, &book.settings().words) {
            Ok(deal) => AppError::Refused {
                message: format!(
                    "{} was bought on {}, after {on}",
                    deal.name(),
                    deal.bought_on
                ),
                next: "give a later date".into(),
            },
            Err(none) => none,
        },
    )
}

/// The listing of a deal at the given outlet or, without one, where the unit is up: of several at the book's outlet.
fn chosen(
    deal: &Deal,
    given: Option<&str>,
    settings: &Settings,
    on: NaiveDate,
) -> Result<Option<Up>, AppError> {
    let mut up = Up::all(deal, on);
    let at = |up: &[Up], name: &str| {
        let key = fold_name(name);
        up.iter().position(|one| fold_name(&one.outlet) == key)
    };
    if let Some(name) = given {
        return Ok(at(&up, name).map(|at| up.swap_remove(at)));
    }
    if up.len() < 2 {
        return Ok(up.pop());
    }
    if let Some(at) = at(&up, &settings.deal.outlet) {
        return Ok(Some(up.swap_remove(at)));
    }
    Err(which(deal, &up))
}

fn which(deal: &Deal, up: &[Up]) -> AppError {
    let names: Vec<&str> = up.iter().map(|one| one.outlet.as_str()).collect();
    AppError::Usage(format!(
        "{} is listed at {}: choose one with --outlet",
        deal.name(),
        names.join(" and ")
    ))
}

/// Relation of a listing to those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// The first at this outlet.
    Listed,
    /// Another price for one that is up; the price before.
    Repriced(Option<Decimal>),
    /// One that ended on this day is up again.
    Relisted(NaiveDate),
}

/// A recorded listing.
#[derive(Debug)]
pub struct ListingMade {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// Its relation to those before it.
    pub how: How,
    /// Name of the outlet, or empty.
    pub outlet: String,
    /// Net of the asking price through it; none without an outlet.
    pub left: Option<Decimal>,
}

/// A listing that was ended.
#[derive(Debug)]
pub struct ListingEnded {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// The listing as it was.
    pub was: Up,
}

/// A recorded offer.
#[derive(Debug)]
pub struct OfferNoted {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// Entry of an offer of the same amount on the same day, if there is one.
    pub same_as: Option<u32>,
}

impl Books<'_> {
    /// The unit in stock that a text names, by the entries up to a day.
    fn on_day(&self, text: &str, on: NaiveDate) -> Result<(u32, Ledger), AppError> {
        let id = self.in_stock(text)?.id;
        Ok((id, self.ledger.up_to(on)))
    }

    /// Puts a unit in stock up for sale at an outlet, by default the book's, or changes its asking price there. The
    /// price is on the book's basis.
    ///
    /// # Errors
    /// If the deal is not in stock, it is up at this price, no outlet is clear, or the book cannot be written.
    pub fn list(
        mut self,
        deal: &str,
        ask: Decimal,
        given: Option<&str>,
        dated: Dated,
    ) -> Result<ListingMade, AppError> {
        let settings = self.book.settings();
        let found = outlet(given, settings)?;
        let here = found.map_or("", |(name, _)| name);
        let through = found.map(|found| Through::new(found, settings, None, None));
        let through = through.transpose()?;
        let (id, then) = self.on_day(deal, dated.on)?;
        let how = how_listed(then.deal(id), here, dated.on);
        if how == How::Repriced(Some(ask)) {
            return Err(AppError::Refused {
                message: format!(
                    "{} is already listed{} at this price",
                    name(id),
                    place(here)
                ),
                next: "give another price, or another --outlet".into(),
            });
        }
        let entry = self.ledger.list(dated.on, id, ask, here);
        let of_deal = self.enter_deal(entry, dated)?;
        let (deal, number) = (&of_deal.deal, of_deal.entered.number);
        if let Some(doubt) = far_above((ask, "asked"), deal, number, &settings.currency) {
            (self.notice)(&doubt);
        }
        Ok(ListingMade {
            of_deal,
            how,
            outlet: here.to_string(),
            left: through.map(|sale| sale.terms.net_of(ask, settings.price_basis).net),
        })
    }

    /// Ends a listing without a sale: that at an outlet, or the only one.
    ///
    /// # Errors
    /// If the unit is not up there, or at several outlets and none is given, or the book cannot be written.
    pub fn unlist(
        mut self,
        deal: &str,
        given: Option<&str>,
        dated: Dated,
    ) -> Result<ListingEnded, AppError> {
        let (id, then) = self.on_day(deal, dated.on)?;
        let mut up = then
            .deal(id)
            .map_or_else(Vec::new, |deal| Up::all(deal, dated.on));
        if let Some(name) = given {
            let key = fold_name(name);
            up.retain(|one| fold_name(&one.outlet) == key);
        }
        if let (Some(deal), true) = (then.deal(id), up.len() > 1) {
            return Err(which(deal, &up));
        }
        let name = up.first().map_or_else(
            || given.unwrap_or_default().to_string(),
            |one| one.outlet.clone(),
        );
        // The ledger refuses a listing that there is not.
        let entry = self.ledger.unlist(dated.on, id, &name);
        let of_deal = self.enter_deal(entry, dated)?;
        let was = up.pop().ok_or_else(|| AppError::Refused {
            message: format!("{} is not listed", of_deal.deal.name()),
            next: String::new(),
        })?;
        Ok(ListingEnded { of_deal, was })
    }

    /// Records an offer for a unit in stock.
    ///
    /// # Errors
    /// If the deal is not in stock, or the book cannot be written.
    pub fn offer(
        mut self,
        id: u32,
        amount: Decimal,
        outlet: &str,
        dated: Dated,
    ) -> Result<OfferNoted, AppError> {
        let offered = self.ledger.deal(id).map(|deal| deal.offered.as_slice());
        let same = |one: &&Offered| one.amount == amount && one.on == dated.on;
        let same_as = offered.unwrap_or_default().iter().find(same);
        let same_as = same_as.map(|one| one.entry);
        let entry = self.ledger.offer(dated.on, id, amount, outlet);
        Ok(OfferNoted {
            of_deal: self.enter_deal(entry, dated)?,
            same_as,
        })
    }
}

/// ` at parcel`, or nothing.
pub fn place(outlet: &str) -> String {
    after(" at ", outlet)
}

fn how_listed(deal: Option<&Deal>, outlet: &str, on: NaiveDate) -> How {
    let listings = deal.map_or(&[][..], |deal| &deal.listings);
    let last = listings.iter().rev().find(|one| one.is_at(outlet));
    match last.map(|one| (one, one.ended)) {
        None => How::Listed,
        Some((one, None)) => How::Repriced(one.ask_on(on).or(one.ask())),
        Some((_, Some((ended, _)))) => How::Relisted(ended),
    }
}
