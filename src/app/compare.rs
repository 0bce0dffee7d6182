//! Chooses among several listings for one budget.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::trade::Unit;
use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::funds::Funds;
use super::ledger::ledger_on;
use super::practice::Practice;
use super::reader::{Asked, Reader};
use super::spares::{Spares, needed};
use super::unit::AskedUnit;
use super::weigh::weigh;
use crate::book::Book;
use crate::deal::bid::{Aim, Case, Choice, Costs, Gain, Judged, binding, choose};
use crate::deal::ledger::Ledger;
use crate::deal::outlet::Terms;
use crate::settings::Settings;

/// One listing, with its costs.
#[derive(Debug)]
pub struct Listing<'a> {
    /// Its name in the table, or its row.
    pub name: String,
    /// The unit as it will be sold.
    pub subject: Unit,
    /// The asking price.
    pub asked: Decimal,
    /// The costs of buying and repairing it.
    pub costs: Costs,
    /// The terms of its sale; none if the book has no outlet.
    pub terms: Option<Terms<'a>>,
    /// Its note in the table.
    pub note: Option<String>,
    /// Where it is found.
    pub link: Option<String>,
}

/// The aims of each purchase, and the available money.
#[derive(Debug, Clone, Copy)]
pub struct Means<'a> {
    /// Aims that each purchase must meet.
    pub aims: &'a [Aim],
    /// The bankroll and the cash, as far as known.
    pub funds: Funds,
    /// Statistics of the owner's own deals.
    pub practice: &'a Practice,
    /// The budget for all of the listings.
    pub budget: Decimal,
    /// Whether the purchases together should earn most in total, and not most a week.
    pub total: bool,
}

impl Means<'_> {
    /// The most to put in: the budget, or the cash if there is less.
    pub fn most(&self) -> Decimal {
        let cash = self.funds.cash.map(|cash| cash.amount.max(Decimal::ZERO));
        cash.map_or(self.budget, |cash| cash.min(self.budget))
    }
}

/// Listings judged at their asking prices.
#[derive(Debug)]
pub struct Compared {
    /// The result for each, in their order, or the reason why there is none.
    pub judged: Vec<Result<Judged, String>>,
    /// Positions of the listings to buy.
    pub bought: Vec<usize>,
    /// Share that those use of what their risk allows together, 0..=1.
    pub risk: f64,
}

/// Judges listings, all with the same comps, and chooses among them.
///
/// # Errors
/// If the book cannot be read. A listing that cannot be estimated is among the results.
pub fn compare(
    book: &Book,
    listings: &[Listing<'_>],
    means: &Means<'_>,
    settings: &Settings,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Compared, AppError> {
    let models = listings.iter().map(|one| one.subject.model.as_str());
    let reader = Reader::new(book, as_of, models, notice)?;
    let own = Arc::new(settings.clone());
    let asked: Vec<Asked<'_>> = listings
        .iter()
        .map(|listing| Asked {
            settings: own.clone(),
            subject: listing.subject.clone(),
            keep: &[],
            drop: &[],
        })
        .collect();
    let ledger = ledger_on(book, as_of, &mut |_| {})?;
    let judged = reader.with_each(&asked, |at, unit| {
        judge(&unit, &listings[at], means, &ledger)
    });
    let judged = judged
        .into_iter()
        .map(|judged| match judged {
            Err(AppError::Absent { message, .. }) => Ok(Err(message)),
            other => other.map(Ok),
        })
        .collect::<Result<Vec<Result<Judged, String>>, AppError>>()?;
    let gain = if means.total {
        Gain::Total
    } else {
        Gain::Weekly
    };
    let choices: Vec<Option<Choice>> = judged
        .iter()
        .map(|judged| {
            let judged = judged.as_ref().ok()?;
            judged.choice(means.aims, gain)
        })
        .collect();
    let bought = choose(&choices, means.most(), &settings.currency);
    let all = bought.iter().map(|at| &listings[*at]);
    wanted_twice(&ledger, all)
        .into_iter()
        .for_each(|told| notice(&told));
    let chosen = bought.iter().filter_map(|at| choices[*at].as_ref());
    Ok(Compared {
        risk: chosen.map(|choice| choice.risk).sum(),
        bought,
        judged,
    })
}

/// The messages about parts of which the chosen listings together take more than the drawer has.
fn wanted_twice<'c, 'l: 'c>(
    ledger: &Ledger,
    chosen: impl Iterator<Item = &'c Listing<'l>>,
) -> Vec<String> {
    let mut wanted: BTreeMap<(&str, &str), u32> = BTreeMap::new();
    for listing in chosen {
        for part in needed(&listing.costs) {
            let key = (part.name.as_str(), listing.subject.model.as_str());
            *wanted.entry(key).or_default() += part.count;
        }
    }
    let there = |name: &str, model: &str| -> u32 {
        let lots = ledger.drawer().lots();
        let fit = lots.filter(|lot| lot.name == name && lot.fits(model));
        fit.map(|lot| lot.left).sum()
    };
    wanted
        .into_iter()
        .map(|((name, model), count)| (name, model, count, there(name, model)))
        .filter(|(.., count, there)| count > there)
        .map(|(name, model, count, there)| {
            format!(
                "what is chosen takes {count} of {name:?} from the drawer for {model}, which has {there}: buy the others, \
                 or compare again with \"parts AMOUNT\""
            )
        })
        .collect()
}

/// Judges a listing at its asking price.
fn judge(
    unit: &AskedUnit<'_>,
    listing: &Listing<'_>,
    means: &Means<'_>,
    ledger: &Ledger,
) -> Result<Judged, AppError> {
    let spares = Spares {
        ledger,
        settings: &unit.settings,
        model: &unit.subject.model,
    };
    let costs = spares.priced(&listing.costs, &unit.subject)?;
    let weighed = weigh(unit, listing.terms.as_ref(), &costs, means.practice)?;
    let case = Case {
        prospect: &weighed.prospect,
        buying: &listing.costs.buying,
        currency: &unit.settings.currency,
        weeks: weighed.time.weeks,
        bankroll: means.funds.bankroll,
    };
    let limits = case.limits(means.aims);
    let most = binding(&limits).and_then(|limit| limit.most);
    Ok(case.judge(means.aims, listing.asked, most, means.practice.sellers))
}
