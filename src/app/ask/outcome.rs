//! Inputs and results of asking prices and of the advice on offers.

use rust_decimal::Decimal;

use crate::app::places::Beside;
use crate::app::practice::Earns;
use crate::band::estimate::Estimate;
use crate::deal::asking::{Answer, Thresholds};
use crate::deal::waiting::{Plan, Rate};

/// Inputs of waiting for buyers, as given by the user or the settings.
#[derive(Debug, Clone, Default)]
pub struct Waiting {
    /// Weeks to the deadline, and the net of the unit then; without a net, it goes in a quick sale.
    pub deadline: Option<(u16, Option<Decimal>)>,
    /// Cost of holding the unit for a week.
    pub cost: Decimal,
    /// Alternative return on the money per year, per cent.
    pub per_year: Option<Decimal>,
    /// The asking price of the first week, if it is given; it may then be lowered.
    pub asking: Option<Decimal>,
    /// Number of offers counted so far, and the weeks in which they came.
    pub seen: Option<(u16, Decimal)>,
    /// The listing in which these came, if the ledger has it.
    pub listing: Option<OwnListing>,
}

/// The listing of the unit: its offers are counted so far, and not among those for other units.
#[derive(Debug, Clone, Copy)]
pub struct OwnListing {
    /// Number of the deal, and the position of the listing there.
    pub at: (u32, usize),
    /// Its asking price.
    pub ask: Option<Decimal>,
    /// Whether its offers are those counted so far.
    pub counted: bool,
}

/// Inputs of the plan.
#[derive(Debug)]
pub struct Basis<'a> {
    /// The estimate of the unit.
    pub made: Estimate,
    /// Name of the outlet.
    pub outlet: Option<&'a str>,
    /// Unknown parts of the selling costs.
    pub unsure: Option<&'static str>,
    /// Offers per week at the likely price.
    pub offers: Rate,
    /// Number of offers in the ledger for earlier sales, and the weeks in which they came.
    pub noted: (u32, f64),
    /// Number of offers counted so far, and the weeks in which they came.
    pub seen: Option<(u16, Decimal)>,
    /// Whether these are those of a listing in the ledger.
    pub seen_there: bool,
    /// Share of the buyers with a limit below the asking price who make an offer, per cent.
    pub haggling: Decimal,
    /// Their offer, per cent of the most they would pay.
    pub offered: Decimal,
    /// Number of buyers of whom the best pays an observed price.
    pub per_sale: Decimal,
    /// Buyers per week, with or without an offer.
    pub buyers: f64,
    /// Cost of holding the unit for a week.
    pub cost: Decimal,
    /// Alternative return on the money.
    pub earns: Earns,
    /// The same return as a share per week.
    pub per_week: f64,
    /// Change of prices per month, per cent.
    pub trend: f64,
    /// Weeks to the deadline, and the net of the unit then.
    pub deadline: Option<(u16, Decimal)>,
    /// Per cent of the likely price of a quick sale at the deadline, unless the net was given.
    pub quick_sale: Option<Decimal>,
    /// The asking price of the first week, if it is given; it may then be lowered.
    pub asking: Option<Decimal>,
    /// Minutes of work for a sale, and their cost.
    pub work: (Decimal, Decimal),
    /// Asking prices and answers to offers are multiples of this step.
    pub step: Decimal,
}

/// Plan and results for one rate of offers.
#[derive(Debug)]
pub struct Variant {
    /// Offers per week.
    pub offers: f64,
    /// Asking price of the first week.
    pub ask: Decimal,
    /// Its net.
    pub left_of_ask: Decimal,
    /// Lowest price to accept at once.
    pub at_once: Decimal,
    /// Present value of waiting, after its cost.
    pub value: Decimal,
    /// Expected final money.
    pub left: Decimal,
    /// Expected weeks to a sale or the deadline.
    pub weeks: Option<f64>,
    /// Plan for each week.
    pub plan: Plan,
}

/// Asking prices for a unit.
#[derive(Debug)]
pub struct Asking<'a> {
    /// Inputs.
    pub basis: Basis<'a>,
    /// At the mean rate of offers.
    pub usual: Variant,
    /// At the low and the high end of the rate.
    pub others: [Variant; 2],
    /// With the best asking prices, if a fixed one is judged.
    pub best: Option<Variant>,
    /// For a seller in no hurry and one in a hurry, what the money of a sale earns as a share per week,
    /// and the results; empty if it earns nothing.
    pub sellers: Vec<(f64, Variant)>,
    /// Lowest acceptable price by week, from week 0 (at once) to the last shown.
    pub least: Vec<Decimal>,
    /// Thresholds by week, from week 0 to the last shown.
    pub thresholds: Vec<Thresholds>,
    /// Weeks shown, ascending.
    pub shown: Vec<usize>,
    /// The book's outlets side by side, the best of which this is; none if an outlet was given or there is only
    /// one.
    pub beside: Option<Beside<'a>>,
}

/// An offer with the advice on it.
#[derive(Debug)]
pub struct Judged {
    /// The offer.
    pub offer: Decimal,
    /// Week in which it came; 0 for at once.
    pub week: usize,
    /// Its net.
    pub left: Decimal,
    /// Value of waiting at that time: the smallest acceptable net.
    pub wait: Decimal,
    /// The lowest price with that net.
    pub least: Decimal,
    /// The advice.
    pub answer: Answer,
    /// The thresholds of that week, by which every offer is answered.
    pub thresholds: Thresholds,
}
