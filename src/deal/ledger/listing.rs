//! Units put up for sale: where, since when, at what price, and what was offered.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::entry::Entry;
use crate::trade::items::fold_name;

/// Why a listing ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The unit was sold through it.
    Sold,
    /// It was ended, or the unit was sold elsewhere or scrapped.
    Unsold,
}

/// A unit put up for sale at one outlet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listing {
    /// The outlet, or empty.
    pub outlet: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day and why it ended; none while it is up.
    pub ended: Option<(NaiveDate, Ended)>,
    /// Asking prices with their first days, in order.
    pub asks: Vec<(NaiveDate, Decimal)>,
    /// The sale through it, if there was one.
    pub(super) sale: Option<Taken>,
}

/// The sale that ended a listing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Taken {
    /// Price without the shipping that the buyer paid, and with it.
    pub prices: [Decimal; 2],
    /// Number of offers recorded with the sale, the accepted one included.
    pub stated: Option<u32>,
    /// First day of the unit's time in stock before it.
    pub since: NaiveDate,
    /// Day of the sale.
    pub on: NaiveDate,
}

impl Taken {
    /// Whether the last of these offers is the accepted one.
    pub(super) fn is_last_of(&self, offers: &[&Offered]) -> bool {
        offers
            .last()
            .is_some_and(|one| self.prices.contains(&one.amount))
    }

    /// Whether an offer came in the unit's time in stock before it.
    pub(super) fn is_after(&self, offer: &Offered) -> bool {
        (self.since..=self.on).contains(&offer.on)
    }
}

/// An offer for a unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offered {
    /// Number of its entry.
    pub entry: u32,
    /// The day.
    pub on: NaiveDate,
    /// The amount.
    pub amount: Decimal,
    /// Outlet through which it came, or empty.
    pub outlet: String,
}

impl Listing {
    pub(super) fn opened(entry: &Entry) -> Self {
        Self {
            outlet: entry.outlet.clone(),
            from: entry.on,
            ended: None,
            asks: entry
                .quoted
                .map(|ask| (entry.on, ask))
                .into_iter()
                .collect(),
            sale: None,
        }
    }

    /// Changes its asking price from a day on.
    pub(super) fn reprice(&mut self, entry: &Entry) {
        self.from = self.from.min(entry.on);
        self.asks.extend(entry.quoted.map(|ask| (entry.on, ask)));
        self.asks.sort_by_key(|(from, _)| *from);
    }

    /// Whether it is at this outlet.
    pub fn is_at(&self, outlet: &str) -> bool {
        fold_name(&self.outlet) == fold_name(outlet)
    }

    /// Whether it is up.
    pub fn is_up(&self) -> bool {
        self.ended.is_none()
    }

    /// The last asking price.
    pub fn ask(&self) -> Option<Decimal> {
        self.asks.last().map(|(_, ask)| *ask)
    }

    /// The asking price on a day.
    pub fn ask_on(&self, day: NaiveDate) -> Option<Decimal> {
        let mut until = self.asks.iter().filter(|(from, _)| *from <= day);
        until.next_back().map(|(_, ask)| *ask)
    }

    /// Days for which it was up, until `today` if it still is; at least one.
    pub fn days(&self, today: NaiveDate) -> i64 {
        let until = self.ended.map_or(today, |(on, _)| on.min(today));
        (until - self.from).num_days().max(1)
    }

    /// Whether an offer may have come through it: while it was up, through its outlet or one that was not recorded.
    pub(super) fn received(&self, offer: &Offered) -> bool {
        let until = self.ended.map_or(NaiveDate::MAX, |(on, _)| on);
        (self.from..=until).contains(&offer.on)
            && (offer.outlet.is_empty() || self.is_at(&offer.outlet))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Ledger;
    use super::super::sample::{bought, day, enter, sale};
    use super::*;

    fn dec(amount: i64) -> Decimal {
        Decimal::from(amount)
    }

    #[test]
    fn offers_count_while_the_unit_is_up() {
        let mut ledger = bought(1, 0);
        // Seven weeks of waiting for a part do not count.
        for entry in [
            ledger.list(day(49), 1, dec(60), "parcel"),
            ledger.offer(day(52), 1, dec(40), "parcel"),
        ] {
            let entry = Entry {
                number: ledger.next_number(),
                ..entry
            };
            enter(&mut ledger, entry);
        }
        let entry = ledger.list(day(56), 1, dec(55), "Parcel");
        enter(&mut ledger, entry);
        let entry = ledger.list(day(56), 1, dec(50), "doorstep");
        enter(&mut ledger, entry);
        let deal = ledger.deal(1).unwrap();
        assert_eq!(deal.up().count(), 2);
        assert_eq!(deal.asked, Some(dec(25)));
        assert_eq!(deal.listings[0].ask_on(day(55)), Some(dec(60)));
        assert_eq!(deal.listings[0].ask(), Some(dec(55)));
        // A week at one outlet so far, of which one offer; today the other has a day.
        assert_eq!(ledger.offers(day(56), None), (1, 8.0 / 7.0));
        let sold = Entry {
            outlet: "parcel".into(),
            ..ledger.sold(day(63), 1, &sale(55))
        };
        enter(&mut ledger, sold);
        assert_eq!(ledger.offers(day(99), Some("parcel")), (2, 2.0));
        assert_eq!(ledger.offers(day(99), Some("doorstep")), (0, 1.0));
        let ended: Vec<_> = ledger
            .deal(1)
            .unwrap()
            .listings
            .iter()
            .map(|one| one.ended)
            .collect();
        assert_eq!(
            ended,
            [Some((day(63), Ended::Sold)), Some((day(63), Ended::Unsold))]
        );
    }

    #[test]
    fn what_is_not_listed_cannot_be_ended() {
        let mut ledger = bought(1, 0);
        let early = ledger.unlist(day(1), 1, "parcel");
        let refused = ledger.clone().enter(early).unwrap_err();
        assert!(
            refused.message.contains("not listed at parcel"),
            "{refused}"
        );
        let entry = ledger.list(day(5), 1, dec(60), "parcel");
        enter(&mut ledger, entry);
        let entry = ledger.unlist(day(4), 1, "parcel");
        assert!(ledger.clone().enter(entry).is_err(), "before it began");
        let entry = ledger.unlist(day(9), 1, "parcel");
        enter(&mut ledger, entry);
        let entry = ledger.list(day(12), 1, dec(55), "parcel");
        enter(&mut ledger, entry);
        let deal = ledger.deal(1).unwrap();
        let up: Vec<bool> = deal.listings.iter().map(Listing::is_up).collect();
        assert_eq!(up, [false, true]);
        assert_eq!(deal.listings[0].days(day(99)), 4);
        let free = ledger.list(day(12), 1, Decimal::ZERO, "parcel");
        assert!(ledger.clone().enter(free).is_err());
    }

    fn offer(ledger: &mut Ledger, on: u64, amount: i64, outlet: &str) {
        let entry = ledger.offer(day(on), 1, dec(amount), outlet);
        enter(ledger, entry);
    }

    /// An offer counts at one outlet, the number recorded with a sale is that of all, and a unit that came back starts
    /// again.
    #[test]
    fn no_offer_counts_twice() {
        let mut ledger = bought(1, 0);
        for outlet in ["parcel", "doorstep"] {
            let entry = ledger.list(day(0), 1, dec(60), outlet);
            enter(&mut ledger, entry);
        }
        offer(&mut ledger, 2, 40, "");
        offer(&mut ledger, 3, 41, "doorstep");
        offer(&mut ledger, 4, 42, "parcel");
        let count = |ledger: &Ledger| ledger.offers(day(7), None);
        assert_eq!(count(&ledger), (3, 2.0));
        let besides = ledger.offers_besides(day(7), None, Some((1, 0)));
        assert_eq!(besides, (2, 1.0), "the one at parcel is left out");
        // Ended and up again on one day: an offer of that day is one.
        let entry = ledger.unlist(day(7), 1, "parcel");
        enter(&mut ledger, entry);
        let entry = ledger.list(day(7), 1, dec(55), "parcel");
        enter(&mut ledger, entry);
        offer(&mut ledger, 7, 50, "parcel");
        assert_eq!(count(&ledger).0, 4);
        let deal = ledger.deal(1).unwrap();
        assert_eq!(deal.offers_before(day(14), [dec(50), dec(54)]), Some(4));
        assert_eq!(deal.offers_before(day(14), [dec(51), dec(54)]), Some(5));
        let sold = Entry {
            outlet: "parcel".into(),
            offers: Some(6),
            ..ledger.sold(day(14), 1, &sale(51))
        };
        enter(&mut ledger, sold);
        assert_eq!(ledger.offers(day(99), None), (6, 4.0));
        // Of the six, three came elsewhere.
        let deal = ledger.deal(1).unwrap();
        let by_listing: Vec<u32> = (0..3).map(|at| deal.offers_at(at)).collect();
        assert_eq!(by_listing, [1, 2, 3]);
        // Back, and sold again: the first sale keeps its number.
        let refund = super::super::Refund {
            amount: dec(51),
            ..super::super::Refund::default()
        };
        let back = ledger.refund(day(20), 1, &refund, true);
        enter(&mut ledger, back);
        let entry = ledger.list(day(20), 1, dec(50), "parcel");
        enter(&mut ledger, entry);
        let sold = Entry {
            outlet: "parcel".into(),
            ..ledger.sold(day(27), 1, &sale(50))
        };
        enter(&mut ledger, sold);
        assert_eq!(ledger.offers(day(99), None), (7, 5.0));
    }

    /// A listing recorded late for an earlier day: by the days it is the first, and can be ended before the one that
    /// was recorded first.
    #[test]
    fn a_listing_recorded_late_counts_from_its_day() {
        let mut ledger = bought(1, 0);
        for (on, ask) in [(10, 60), (5, 70)] {
            let entry = ledger.list(day(on), 1, dec(ask), "parcel");
            enter(&mut ledger, entry);
        }
        let of = |ledger: &Ledger| ledger.deal(1).unwrap().listings[0].clone();
        assert_eq!(of(&ledger), of(&ledger.up_to(day(99))));
        assert_eq!(of(&ledger).ask(), Some(dec(60)));
        let entry = ledger.unlist(day(7), 1, "parcel");
        enter(&mut ledger, entry);
        let by_day = ledger.up_to(day(99));
        let from: Vec<NaiveDate> = by_day
            .deal(1)
            .unwrap()
            .listings
            .iter()
            .map(|one| one.from)
            .collect();
        assert_eq!(from, [day(5), day(10)]);
        assert!(by_day.misfits().is_empty());
    }

    #[test]
    fn a_sale_without_a_listing_counts_from_the_last_work_on_it() {
        let mut ledger = bought(1, 0);
        let entry = ledger.spend(day(49), 1, dec(5), Decimal::ZERO);
        enter(&mut ledger, entry);
        let sold = Entry {
            offers: Some(3),
            ..ledger.sold(day(56), 1, &sale(55))
        };
        enter(&mut ledger, sold);
        assert_eq!(ledger.offers(day(99), None), (3, 1.0));
    }
}
