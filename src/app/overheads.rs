//! Expenses that belong to no unit: packing stock, tools, driving.

use rust_decimal::Decimal;

use super::AppError;
use super::amounts::quantity;
use super::deals::{Books, Dated, Entered};
use crate::settings::Settings;
use crate::trade::entry::{Account, Entry};

/// An expense that belongs to no unit.
#[derive(Debug, Clone, Copy)]
pub struct Overhead {
    /// The amount.
    pub amount: Decimal,
    /// Whether the owner paid it without the cash of the ledger.
    pub own: bool,
    /// Minutes of work.
    pub minutes: Decimal,
}

/// A recorded overhead.
#[derive(Debug, Clone, Copy)]
pub struct Spent {
    /// Its entry.
    pub entered: Entered,
    /// All overheads by the ledger.
    pub so_far: Decimal,
}

/// Most kilometres of one entry.
const MOST_KM: i64 = 100_000;

/// Reads kilometres: `86` or `86 km`.
///
/// # Errors
/// The flag, and the expected form.
pub fn kilometres(text: &str) -> Result<Decimal, AppError> {
    let check = |km: Decimal| {
        let within = km > Decimal::ZERO && km <= Decimal::from(MOST_KM);
        within
            .then_some(km)
            .ok_or_else(|| format!("kilometres above 0, at most {MOST_KM}"))
    };
    quantity("--km", text, "km", check)
}

/// Cost of driving, rounded half-even to the minor unit; `given` is the cost of a kilometre if it is not that of
/// the settings.
///
/// # Errors
/// If the cost of a kilometre is not known.
pub fn driving(
    km: Decimal,
    given: Option<Decimal>,
    settings: &Settings,
) -> Result<Decimal, AppError> {
    let per_km = given.unwrap_or(settings.deal.per_km);
    if per_km.is_zero() {
        return Err(AppError::Refused {
            message: "--km: the cost of a kilometre is not known".into(),
            next: "give it with --per-km 0.30, or set per_km below [deal] in compband.toml".into(),
        });
    }
    Ok((km * per_km).round_dp(settings.currency.decimals()))
}

impl Books<'_> {
    /// Records an expense that belongs to no unit.
    ///
    /// # Errors
    /// If nothing was spent, or the book cannot be written.
    pub fn overhead(mut self, given: Overhead, dated: Dated) -> Result<Spent, AppError> {
        let Overhead {
            amount,
            own,
            minutes,
        } = given;
        let entry: Entry = if own {
            self.ledger.own_overhead(dated.on, amount, minutes)
        } else {
            self.ledger.overhead(dated.on, amount, minutes)
        };
        Ok(Spent {
            entered: self.enter(entry, dated)?,
            so_far: self.ledger.totals().get(Account::Overheads),
        })
    }
}
