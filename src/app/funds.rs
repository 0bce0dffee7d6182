//! The money there is for a purchase: the bankroll and the cash.

use rust_decimal::Decimal;

use crate::deal::ledger::Ledger;
use crate::trade::entry::{Account, Kind};

/// The money there is for a purchase.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Funds {
    /// Cash and stock at cost, if known.
    pub bankroll: Option<Decimal>,
    /// The cash, if known.
    pub cash: Option<Cash>,
}

/// Money that can be spent now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cash {
    /// The amount.
    pub amount: Decimal,
    /// Whether it is the bankroll less the stock, as the ledger has no money paid in.
    pub assumed: bool,
}

impl Funds {
    /// The money by a ledger. `given` is the bankroll from the user (0: none), `set` the one of the settings
    /// (0: none). Where the ledger has no money paid in, the bankroll of the settings counts as
    /// paid in before its first entry.
    pub fn by(ledger: &Ledger, given: Option<Decimal>, set: Decimal) -> Self {
        let positive = |money: Decimal| Some(money).filter(|money| *money > Decimal::ZERO);
        let recorded = ledger.bankroll();
        if is_funded(ledger) {
            return Self {
                bankroll: positive(given.or(positive(recorded)).unwrap_or(set)),
                cash: Some(Cash {
                    amount: ledger.totals().get(Account::Cash),
                    assumed: false,
                }),
            };
        }
        let opening = positive(set).map(|set| set + recorded);
        let bankroll = given.or(opening);
        let held = [Account::Stock, Account::Drawer];
        let stock: Decimal = held
            .map(|account| ledger.totals().get(account))
            .iter()
            .sum();
        Self {
            bankroll: positive(bankroll.unwrap_or(recorded)),
            cash: bankroll
                .filter(|money| !money.is_zero())
                .map(|bankroll| Cash {
                    amount: bankroll - stock,
                    assumed: true,
                }),
        }
    }
}

/// Money paid in before the first entry of a ledger: none if it has money paid in, or else the bankroll
/// of the settings; `None` if that is not set.
pub(super) fn opening(ledger: &Ledger, set: Decimal) -> Option<Decimal> {
    if is_funded(ledger) {
        return Some(Decimal::ZERO);
    }
    Some(set).filter(|set| *set > Decimal::ZERO)
}

/// Money of the settings that counts as paid in: their bankroll, if the ledger has no money paid in; else 0.
pub(super) fn assumed(ledger: &Ledger, set: Decimal) -> Decimal {
    opening(ledger, set).unwrap_or_default()
}

/// Whether money was paid in, and the entry was not reversed.
fn is_funded(ledger: &Ledger) -> bool {
    let stands = |number| ledger.reversed_by(number).is_none();
    let mut entries = ledger.entries().iter();
    entries.any(|entry| entry.kind == Kind::Fund && stands(entry.number))
}
