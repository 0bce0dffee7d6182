//! Where to list a unit: outlets side by side, and two of them at once.

use rust_decimal::Decimal;

use crate::deal::asking::Thresholds;

/// A pair of listings must be worth this share of the better one more, before it is advised.
const WORTHWHILE: Decimal = Decimal::from_parts(1, 0, 0, false, 2);

/// A unit listed at one outlet.
#[derive(Debug, Clone)]
pub struct Listed<'a> {
    /// Name of the outlet.
    pub outlet: &'a str,
    /// Asking price of the first week.
    pub ask: Decimal,
    /// Lowest price to accept at once.
    pub at_once: Decimal,
    /// Expected final money, after the work of listing and of the sale.
    pub left: Decimal,
    /// Its present value, after the cost of waiting.
    pub value: Decimal,
    /// Expected weeks to a sale or the deadline.
    pub weeks: Option<f64>,
    /// Cost of the work of listing it there.
    pub listing: Decimal,
}

/// A unit listed at two outlets at once.
#[derive(Debug, Clone)]
pub struct Pair<'a> {
    /// Names of the outlets.
    pub outlets: [&'a str; 2],
    /// Expected final money, after the work of both listings and of the sale.
    pub left: Decimal,
    /// Its present value, after the cost of waiting.
    pub value: Decimal,
    /// Gain over the better listing alone; negative for a loss.
    pub gain: Decimal,
    /// Expected weeks to a sale or the deadline.
    pub weeks: Option<f64>,
    /// Lowest price to accept at once at each outlet.
    pub at_once: [Decimal; 2],
    /// Whether an asking price of the first week is above the band there.
    pub above: bool,
    /// The weeks shown.
    pub weekly: Vec<PairWeek>,
}

/// One week of two listings.
#[derive(Debug, Clone)]
pub struct PairWeek {
    /// Week, from the day of the estimate.
    pub week: usize,
    /// Probability of a sale by its end.
    pub sold_by: f64,
    /// Asking price and thresholds at each outlet.
    pub at: [(Decimal, Thresholds); 2],
}

/// The outlets side by side.
#[derive(Debug, Clone)]
pub struct Beside<'a> {
    /// A listing at each outlet, best first.
    pub listed: Vec<Listed<'a>>,
    /// The best one together with another whose buyers are others.
    pub pair: Option<Pair<'a>>,
}

impl<'a> Beside<'a> {
    /// The pair, if it is the better choice.
    pub fn at_both(&self) -> Option<&Pair<'a>> {
        let alone = self.listed.first().map_or(Decimal::ZERO, |one| one.value);
        let least = alone.max(Decimal::ZERO) * WORTHWHILE;
        self.pair
            .as_ref()
            .filter(|pair| pair.gain > Decimal::ZERO && pair.gain >= least)
    }

    /// Names of the outlets at which to list it.
    pub fn list_at(&self) -> Vec<&'a str> {
        match self.at_both() {
            Some(pair) => pair.outlets.to_vec(),
            None => self.listed.iter().take(1).map(|one| one.outlet).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(alone: i64, gain: i64) -> Beside<'static> {
        let (alone, gain) = (Decimal::new(alone, 2), Decimal::new(gain, 2));
        let one = |outlet| Listed {
            outlet,
            ask: alone,
            at_once: alone,
            left: alone,
            value: alone,
            weeks: None,
            listing: Decimal::ZERO,
        };
        let pair = Pair {
            outlets: ["here", "there"],
            left: alone + gain,
            value: alone + gain,
            gain,
            weeks: None,
            at_once: [alone; 2],
            above: false,
            weekly: Vec::new(),
        };
        Beside {
            listed: vec![one("here"), one("there")],
            pair: Some(pair),
        }
    }

    /// Two at once are advised from a gain of a hundredth on, and never at a loss.
    #[test]
    fn two_are_advised_only_where_they_gain() {
        for (alone, gain, both) in [
            (10_000, 100, true),
            (10_000, 99, false),
            (10_000, 0, false),
            (10_000, -50, false),
            (-500, 1, true),
            (-500, 0, false),
        ] {
            let beside = beside(alone, gain);
            let named: &[&str] = if both { &["here", "there"] } else { &["here"] };
            assert_eq!(beside.list_at(), named, "{alone} {gain}");
        }
    }
}
