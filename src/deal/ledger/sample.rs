//! Samples that the tests of the ledger share.

use chrono::{Days, NaiveDate};
use rust_decimal::Decimal;

use super::{Ledger, Purchase, Sale};
use crate::trade::Unit;
use crate::trade::entry::Entry;

/// The day so many days after 2026-01-01.
pub fn day(at: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 1, 1).unwrap() + Days::new(at)
}

/// Enters an entry that also fits by its day.
pub fn enter(ledger: &mut Ledger, entry: Entry) {
    ledger.fits_by_day(&entry).unwrap();
    ledger.enter(entry).unwrap();
}

/// Units of one model at 20 each, bought on a day; the sellers asked 25.
pub fn bought(count: usize, at: u64) -> Ledger {
    let mut ledger = Ledger::new(2);
    for _ in 0..count {
        let purchase = Purchase {
            paid: Decimal::from(20),
            unit: Unit::blank("Bolv 83V"),
            estimate: None,
            asked: Some(Decimal::from(25)),
        };
        let entry = ledger.buy(day(at), purchase);
        enter(&mut ledger, entry);
    }
    ledger
}

/// A sale at a price, without costs.
pub fn sale(price: i64) -> Sale {
    Sale {
        price: Decimal::from(price),
        ..Sale::default()
    }
}
