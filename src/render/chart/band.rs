//! The chart of an estimate.

use super::kind::{BandChart, Dot, float};
use crate::band::estimate::Estimate;
use crate::render::numbers::count;
use crate::render::sheet::{basis, unit};
use crate::select::Dropped;

impl BandChart {
    /// The chart of an estimate.
    pub fn of(made: &Estimate) -> Self {
        Self {
            title: unit(&made.subject),
            subtitle: format!(
                "{}, from {}; {}",
                made.as_of,
                count(made.evidence.used, "comp"),
                basis(made.basis)
            ),
            currency: made.currency.clone(),
            level: made.level,
            median: float(made.median),
            low: float(made.low),
            high: float(made.high),
            density: made.density(),
            dots: made
                .comps
                .iter()
                .filter(|line| line.comp.dropped.is_none_or(Dropped::is_looked_at))
                .filter_map(|line| {
                    Some(Dot {
                        adjusted: line.adjusted?,
                        at_date: line.at_date?,
                        sold_on: line.comp.sold_on,
                        weight: line.weight,
                        used: line.comp.dropped.is_none(),
                    })
                })
                .collect(),
            trend: made.trend.clone(),
        }
    }
}
