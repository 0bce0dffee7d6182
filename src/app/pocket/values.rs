//! The figures of one unit: those of `estimate`, and of `bid` at each outlet and chance.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::nets::Nets;
use crate::app::AppError;
use crate::app::bid::{Costs, Ground};
use crate::app::selling::Through;
use crate::app::spares::Spares;
use crate::app::unit::AskedUnit;
use crate::app::weigh::{Ladder, for_parts};
use crate::band::estimate::Estimate;
use crate::deal::bid::Case;
use crate::deal::ledger::Ledger;
use crate::deal::prospect::{Prospect, Sale, minor};
use crate::settings::Settings;
use crate::trade::repair::Repair;

/// The chances that a repair succeeds, per cent; the first is that of a unit without repair.
pub const CHANCES: [u32; 5] = [100, 90, 80, 70, 50];

/// Name of the repair.
pub const REPAIR: &str = "repair";

/// The figures of a unit, minor units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figures {
    /// The likely price.
    pub likely: i64,
    /// Lower end of the range.
    pub low: i64,
    /// Upper end of the range.
    pub high: i64,
    /// At each outlet.
    pub at: Vec<AtOutlet>,
}

/// The figures of a unit at one outlet, minor units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtOutlet {
    /// The likely price there.
    pub likely: i64,
    /// Its net.
    pub kept: i64,
    /// The most to pay at each of the [`CHANCES`], if the repair takes no parts.
    pub most: [Most; CHANCES.len()],
}

/// The most to pay for a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Most {
    /// It is not known: nothing informs the price for parts.
    Unknown,
    /// No price meets every aim.
    Nothing,
    /// An amount, minor units.
    Amount(i64),
}

/// Inputs of the figures of all units of a run, besides the units.
pub struct Run<'a> {
    /// Settings of the book.
    pub settings: &'a Settings,
    /// The ledger on the day.
    pub ledger: &'a Ledger,
    /// The aims, the money and the own deals.
    pub ground: &'a Ground,
    /// The outlets; none if the book has none.
    pub outlets: &'a [Through<'a>],
    /// Nets of prices at each outlet, and without one.
    pub nets: &'a [Nets],
}

impl Run<'_> {
    /// The figures of a unit; `None` if nothing informs its price.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn figures(&self, unit: &AskedUnit<'_>) -> Result<Option<Figures>, AppError> {
        let Some(plain) = Estimates::of(unit)? else {
            return Ok(None);
        };
        let currency = &self.settings.currency;
        let mut figures = Figures {
            likely: minor(plain.made.median, currency),
            low: minor(plain.made.low, currency),
            high: minor(plain.made.high, currency),
            at: Vec::new(),
        };
        let ladder = plain.ladder(self.settings);
        for (outlet, nets) in self.outlets.iter().zip(self.nets) {
            let there = unit.sold_at(Some(outlet.name));
            // Only an outlet with prices of its own has an estimate of its own.
            if self.settings.priced_outlet(outlet.name).is_none() {
                figures
                    .at
                    .push(self.at(&there, &plain, &ladder, (Some(outlet), nets))?);
                continue;
            }
            let Some(own) = Estimates::of(&there)? else {
                return Ok(None);
            };
            let ladder = own.ladder(self.settings);
            figures
                .at
                .push(self.at(&there, &own, &ladder, (Some(outlet), nets))?);
        }
        if let ([], [nets, ..]) = (self.outlets, self.nets) {
            figures
                .at
                .push(self.at(unit, &plain, &ladder, (None, nets))?);
        }
        Ok(Some(figures))
    }

    fn at(
        &self,
        unit: &AskedUnit<'_>,
        estimates: &Estimates,
        ladder: &Ladder<'_>,
        (outlet, nets): (Option<&Through<'_>>, &Nets),
    ) -> Result<AtOutlet, AppError> {
        let settings = self.settings;
        let currency = &settings.currency;
        let terms = outlet.map(|outlet| &outlet.terms);
        let sale = Sale {
            terms,
            basis: settings.price_basis,
            currency,
        };
        let likely = estimates.made.median;
        let kept = terms.map_or(likely, |terms| {
            terms.net_of(likely, settings.price_basis).net
        });
        let practice = &self.ground.practice;
        let held = ladder.held(unit, &sale, settings.deal.weeks, practice);
        let spares = Spares {
            ledger: self.ledger,
            settings,
            model: &unit.subject.model,
        };
        let mut most = [Most::Unknown; CHANCES.len()];
        let mut sold = None;
        for (most, percent) in most.iter_mut().zip(CHANCES) {
            if percent < 100 && estimates.for_parts().is_none() {
                continue;
            }
            let costs = spares.priced(&costs(percent, settings), &unit.subject)?;
            let plan = held.plan(&sale, &costs, settings);
            let sold = sold.get_or_insert_with(|| {
                let net = |units| nets.at(units, &|units| sale.proceeds(units));
                plan.proceeds(estimates.for_parts().is_some(), &net)
            });
            let prospect = plan.prospect_of(sold);
            *most = self.most(&prospect, held.time.weeks);
        }
        Ok(AtOutlet {
            likely: minor(likely, currency),
            kept: minor(kept, currency),
            most,
        })
    }

    fn most(&self, prospect: &Prospect, weeks: Decimal) -> Most {
        let case = Case {
            prospect,
            buying: &Default::default(),
            currency: &self.settings.currency,
            weeks,
            bankroll: self.ground.funds.bankroll,
        };
        let most = case.most_for_all(&self.ground.aims);
        most.map_or(Most::Nothing, |most| {
            Most::Amount(minor(most, &self.settings.currency))
        })
    }
}

/// The costs of `bid` for a unit whose repair succeeds with this chance and takes no parts.
fn costs(percent: u32, settings: &Settings) -> Costs {
    let chance = Decimal::new(i64::from(percent), 2).normalize();
    let success = chance.to_f64().unwrap_or_default();
    Costs {
        repairs: vec![Repair::new(REPAIR, success)],
        wage: settings.deal.wage,
        weeks: settings.deal.weeks,
        ..Costs::default()
    }
}

/// The estimates of a unit, as it will be sold and for parts.
struct Estimates {
    made: Estimate,
    /// None if it does not work anyway, or if nothing informs the price for parts.
    parts: Option<Estimate>,
    works: bool,
}

impl Estimates {
    fn of(unit: &AskedUnit<'_>) -> Result<Option<Self>, AppError> {
        let known = |made: Result<Estimate, AppError>| match made {
            Err(AppError::Absent { .. }) => Ok(None),
            other => other.map(Some),
        };
        let Some(made) = known(unit.selection().and_then(|found| unit.estimate(found)))? else {
            return Ok(None);
        };
        Ok(Some(Self {
            parts: match unit.subject.works {
                true => known(for_parts(unit))?,
                false => None,
            },
            works: unit.subject.works,
            made,
        }))
    }

    fn for_parts(&self) -> Option<&Estimate> {
        match self.works {
            true => self.parts.as_ref(),
            false => Some(&self.made),
        }
    }

    fn ladder(&self, settings: &Settings) -> Ladder<'_> {
        Ladder::of(&self.made, self.for_parts(), settings)
    }
}
