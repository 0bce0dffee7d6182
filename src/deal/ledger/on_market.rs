//! Time that units were up for sale, sold or not.

use chrono::NaiveDate;

use super::Ledger;
use super::deal::Deal;
use super::listing::{Ended, Listing};
use crate::deal::survival::Spell;

/// Time on the market of the units that were put up for sale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnMarket {
    /// Outlet; `None` for all.
    pub outlet: Option<String>,
    /// The spells. Unsold ones are those still up, ended, or sold elsewhere.
    pub spells: Vec<Spell>,
    /// Number of these that are still up.
    pub still_up: usize,
}

/// A time in which a unit was up, at one outlet or at several by turns.
struct Time {
    from: NaiveDate,
    ended: Option<(NaiveDate, Ended)>,
}

impl Time {
    fn of(listing: &Listing) -> Self {
        Self {
            from: listing.from,
            ended: listing.ended,
        }
    }

    /// Whether a listing goes on with it.
    fn meets(&self, listing: &Listing) -> bool {
        self.ended.is_none_or(|(on, _)| listing.from <= on)
    }

    fn join(&mut self, listing: &Listing) {
        let sold = |ended: &(NaiveDate, Ended)| ended.1 == Ended::Sold;
        self.ended = match (self.ended, listing.ended) {
            (Some(one), Some(other)) => {
                let how = [one, other].iter().any(sold);
                let how = if how { Ended::Sold } else { Ended::Unsold };
                Some((one.0.max(other.0), how))
            }
            _ => None,
        };
    }

    fn spell(&self, today: NaiveDate) -> Spell {
        let until = self.ended.map_or(today, |(on, _)| on.min(today));
        Spell {
            days: (until - self.from).num_days().max(1),
            ended: matches!(self.ended, Some((_, Ended::Sold))),
        }
    }
}

impl Ledger {
    /// Time on the market up to a day, of units: a unit that is up at several outlets counts once, and is sold when
    /// it is through any of them.
    pub fn on_market(&self, today: NaiveDate) -> OnMarket {
        let times = self.deals().flat_map(times).collect();
        on_market(None, times, today)
    }

    /// The same for each outlet by itself, in the order of names: a unit sold at another outlet is not seen to its
    /// sale here.
    pub fn on_market_at_outlets(&self, today: NaiveDate) -> Vec<OnMarket> {
        let listings = || self.deals().flat_map(|deal| &deal.listings);
        let mut outlets: Vec<&str> = Vec::new();
        for listing in listings() {
            if !outlets.iter().any(|known| listing.is_at(known)) {
                outlets.push(&listing.outlet);
            }
        }
        outlets.sort_unstable();
        let of = |outlet: &&str| {
            let here = listings().filter(|listing| listing.is_at(outlet));
            on_market(
                Some(outlet.to_string()),
                here.map(Time::of).collect(),
                today,
            )
        };
        outlets.iter().map(of).collect()
    }
}

fn on_market(outlet: Option<String>, times: Vec<Time>, today: NaiveDate) -> OnMarket {
    OnMarket {
        outlet,
        still_up: times.iter().filter(|time| time.ended.is_none()).count(),
        spells: times.iter().map(|time| time.spell(today)).collect(),
    }
}

/// The times in which a unit was up somewhere.
fn times(deal: &Deal) -> Vec<Time> {
    let mut listings: Vec<&Listing> = deal.listings.iter().collect();
    listings.sort_by_key(|listing| listing.from);
    let mut times: Vec<Time> = Vec::new();
    for listing in listings {
        match times.last_mut() {
            // A unit that came back starts again.
            Some(last) if last.meets(listing) && !came_back(last, listing) => last.join(listing),
            _ => times.push(Time::of(listing)),
        }
    }
    times
}

/// Whether the time ended with a sale before a listing began: what is up at the sale ends by its day.
fn came_back(time: &Time, listing: &Listing) -> bool {
    let Some((sold, Ended::Sold)) = time.ended else {
        return false;
    };
    listing.ended.is_none_or(|(on, _)| on > sold)
}

#[cfg(test)]
mod tests {
    use rust_decimal::Decimal;

    use super::super::sample::{bought, day, enter, sale};
    use super::*;
    use crate::trade::entry::Entry;

    fn list(ledger: &mut Ledger, on: u64, deal: u32, outlet: &str) {
        let entry = ledger.list(day(on), deal, Decimal::from(60), outlet);
        enter(ledger, entry);
    }

    fn unlist(ledger: &mut Ledger, on: u64, deal: u32, outlet: &str) {
        let entry = ledger.unlist(day(on), deal, outlet);
        enter(ledger, entry);
    }

    fn sell(ledger: &mut Ledger, on: u64, deal: u32, outlet: &str) {
        let entry = Entry {
            outlet: outlet.into(),
            ..ledger.sold(day(on), deal, &sale(55))
        };
        enter(ledger, entry);
    }

    fn seen(of: &OnMarket) -> Vec<(i64, bool)> {
        let spells = of.spells.iter();
        spells.map(|spell| (spell.days, spell.ended)).collect()
    }

    #[test]
    fn a_unit_at_two_outlets_is_one_unit() {
        let mut ledger = bought(4, 0);
        list(&mut ledger, 2, 1, "parcel");
        list(&mut ledger, 5, 1, "doorstep");
        sell(&mut ledger, 12, 1, "doorstep");
        // Beside it for a while, ended before the sale.
        list(&mut ledger, 6, 4, "parcel");
        list(&mut ledger, 7, 4, "doorstep");
        unlist(&mut ledger, 8, 4, "doorstep");
        sell(&mut ledger, 9, 4, "parcel");
        // Ended, a pause, up again until today.
        list(&mut ledger, 2, 2, "parcel");
        unlist(&mut ledger, 8, 2, "parcel");
        list(&mut ledger, 10, 2, "parcel");
        // From one outlet to the other on a day; sold without a listing there.
        list(&mut ledger, 1, 3, "parcel");
        unlist(&mut ledger, 6, 3, "parcel");
        list(&mut ledger, 6, 3, "doorstep");
        sell(&mut ledger, 9, 3, "market");
        let units = ledger.on_market(day(20));
        assert_eq!(
            seen(&units),
            [(10, true), (6, false), (10, false), (8, false), (3, true)]
        );
        assert_eq!(units.still_up, 1);
        let outlets = ledger.on_market_at_outlets(day(20));
        assert_eq!(outlets[0].outlet.as_deref(), Some("doorstep"));
        assert_eq!(seen(&outlets[0]), [(7, true), (3, false), (1, false)]);
        assert_eq!(
            seen(&outlets[1]),
            [(10, false), (6, false), (10, false), (5, false), (3, true)]
        );
    }

    #[test]
    fn a_unit_that_came_back_is_up_anew() {
        let mut ledger = bought(1, 0);
        list(&mut ledger, 1, 1, "parcel");
        sell(&mut ledger, 4, 1, "parcel");
        let back = ledger.refund(day(9), 1, &super::super::Refund::default(), true);
        enter(&mut ledger, back);
        list(&mut ledger, 9, 1, "parcel");
        assert_eq!(seen(&ledger.on_market(day(11))), [(3, true), (2, false)]);
        // By the days, whatever the order of recording: the second day of the first listing.
        let then = ledger.up_to(day(3));
        assert_eq!(seen(&then.on_market(day(3))), [(2, false)]);
    }
}
