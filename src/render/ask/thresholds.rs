//! The thresholds of offers, as money and in words.

use rust_decimal::Decimal;

use crate::app::ask::Basis;
use crate::deal::asking::Thresholds;

/// The thresholds of a week, as money.
pub(in crate::render) struct Limits {
    /// Offers from this price are accepted.
    pub(in crate::render) accept: Decimal,
    /// Offers below this price are declined.
    pub(in crate::render) decline: Decimal,
    /// The smallest and the largest answer to those in between.
    pub(in crate::render) counter: Option<(Decimal, Decimal)>,
}

pub(in crate::render) fn limits(base: &Basis<'_>, thresholds: &Thresholds) -> Limits {
    let money = |amount| base.currency().from_statistics(amount).unwrap_or_default();
    Limits {
        accept: money(thresholds.accept),
        decline: money(thresholds.decline),
        counter: thresholds
            .counter
            .map(|(low, high)| (money(low), money(high))),
    }
}

/// The thresholds as listing forms ask for them.
pub(in crate::render) fn in_words(base: &Basis<'_>, when: &str, limits: &Limits) -> String {
    let accept = base.money(limits.accept);
    let rest = thresholds_in_words(base, limits);
    format!("{when}: accept from {accept}, {rest}.")
}

/// The advice on offers that are not accepted.
pub(in crate::render) fn thresholds_in_words(base: &Basis<'_>, limits: &Limits) -> String {
    match limits.counter {
        Some(answer) => format!(
            "decline below {}, answer offers in between with {}",
            base.money(limits.decline),
            answers(base, answer)
        ),
        None => "decline below that".into(),
    }
}

pub(super) fn answers(base: &Basis<'_>, (low, high): (Decimal, Decimal)) -> String {
    if low == high {
        base.money(low)
    } else {
        format!("{} to {}", base.money(low), base.money(high))
    }
}
