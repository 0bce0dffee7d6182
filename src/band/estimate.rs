//! From selected comps to a finished estimate.

pub use super::answer::{
    Adjustment, CompLine, Estimate, Evidence, OpenStep, Others, PriceStep, Source, Unknown,
};
use super::cases::fit_trimmed;
pub use super::effects::Effect;
use super::fits::Fits;
pub(crate) use super::fitting::STATED_NOWHERE;
use super::fitting::label;
pub use super::fitting::{EstimateError, Spread};
use crate::band::fitting::Resolved;
use crate::band::fitting::coefficient;
use crate::band::fitting::from_comps;
use crate::band::fitting::resolve;
use crate::trade::Unit;
use std::sync::Arc;

use chrono::NaiveDate;
use rust_decimal::prelude::ToPrimitive;

use super::cases::{Case, Cases};
use super::conflict::{self};
use super::fitting::Asked;
use super::outcome::Outcome;
use super::recalibration::Recalibration;
use crate::fit;
use crate::fit::design::{self, Belief, Design, Fact, Possible, Prior, Term};
use crate::fit::pool::{Pool, Pooled};
use crate::fit::posterior::Posterior;
use crate::fit::prior::Part as RulePart;
use crate::fit::solve::Sign;
use crate::fit::thumb;
use crate::select::order::effective_number;
use crate::select::pieces::Wording;
use crate::select::{Candidate, Dropped, Selection};
use crate::settings::Settings;

/// Information in addition to the comps of the model.
#[derive(Debug, Clone, Default)]
pub struct Context {
    /// How past sales have widened or narrowed the bands.
    pub recalibration: Option<Recalibration>,
    /// Data of other models on the adjustments ([`super::related`]). They are about working units:
    /// for a parts-only unit they inform its price in working order.
    pub pool: Arc<Pool>,
    /// Fits to share with other units of the model on that day, with the same settings.
    pub fits: Option<Arc<Fits>>,
}

/// Estimates the price of `subject` from a widened selection.
///
/// # Errors
/// [`EstimateError::NoEvidence`] if there is neither a comp nor a rule of thumb for the model's
/// price.
pub fn estimate(
    selection: Selection,
    subject: &Unit,
    settings: &Settings,
    as_of: NaiveDate,
    level: u8,
) -> Result<Estimate, EstimateError> {
    estimate_with(
        &Context::default(),
        selection,
        subject,
        settings,
        as_of,
        level,
    )
}

/// Like [`estimate`], with additional information.
///
/// # Errors
/// Those of [`estimate`].
pub fn estimate_with(
    context: &Context,
    mut selection: Selection,
    subject: &Unit,
    settings: &Settings,
    as_of: NaiveDate,
    level: u8,
) -> Result<Estimate, EstimateError> {
    let Resolved {
        subject,
        mut assumptions,
        unstated,
    } = resolve(subject, &selection, settings);
    let working = working_price(&mut selection, &subject, context, settings);
    let parts_level = working.map(|prior| parts_price(prior, settings));
    let silent = Pool::default();
    let pool = if subject.works {
        &context.pool
    } else {
        &silent
    };
    let asked = Asked {
        subject: &subject,
        level: parts_level,
        pool,
        fits: context.fits.as_deref(),
        settings,
    };
    let cases = Cases::of(&mut selection, asked)?;
    let outcome = cases
        .outcome()
        .widened(context.recalibration.map_or(1.0, |past| past.widening));
    let (low, high) = outcome.band(f64::from(level) / 100.0);
    let money = |log: f64| {
        settings.currency.from_statistics(log.exp()).ok_or_else(|| {
            EstimateError::NoEvidence(
                "the prices are too far apart for a range that can be written in money".into(),
            )
        })
    };
    let Case { design, fit, .. } = cases.main();
    let mut unknown = unknowns(design, fit, &outcome);
    for one in &mut unknown {
        one.stated_by = stated_by(&one.fact, &selection, settings);
        if !subject.works {
            // The known facts of a parts-only unit also determine which comps are included.
            one.if_known_percent = one.half_width_percent;
        }
    }
    assumptions.extend(unknown.iter().map(Unknown::words));
    let adjustments = adjustments(design, fit, settings, &selection);
    let comps = comp_lines(&selection, &cases);
    let evidence = evidence(&selection, &cases, &outcome, pool);
    let conflicts = conflict::conflicts(&conflict::findings(design, fit, &selection, settings));
    let mut estimate = Estimate {
        conflicts,
        median: money(outcome.median())?,
        low: money(low)?,
        high: money(high)?,
        trend: trend_line(&selection, &cases, as_of),
        currency: settings.currency.clone(),
        basis: settings.price_basis,
        steps: selection.steps,
        warnings: Vec::new(),
        subject,
        assumptions,
        unstated,
        unknown,
        as_of,
        level,
        evidence,
        adjustments,
        comps,
        outcome,
        working: working.map(|prior| prior.mean.exp()),
        recalibration: context.recalibration,
    };
    estimate.warnings = super::warnings::warnings(&estimate, settings);
    Ok(estimate)
}

/// The price that a parts-only subject would have in working order, from the included working
/// units. These then leave the fit, because parts are another market with another spread. `None` if
/// there are none.
fn working_price(
    selection: &mut Selection,
    subject: &Unit,
    context: &Context,
    settings: &Settings,
) -> Option<Prior> {
    let works = |c: &Candidate| c.dropped.is_none() && c.works && !c.pinned;
    if subject.works || !selection.candidates.iter().any(works) {
        return None;
    }
    let mut working = selection.clone();
    working.candidates.retain(works);
    for comp in selection.candidates.iter_mut().filter(|c| works(c)) {
        comp.dropped = Some(Dropped::ThroughRule);
    }
    let subject = Unit {
        works: true,
        ..subject.clone()
    };
    let asked = Asked {
        subject: &subject,
        level: None,
        pool: &context.pool,
        fits: context.fits.as_deref(),
        settings,
    };
    let (design, fit) = fit_trimmed(&mut working, asked).ok()?;
    Some(Prior {
        mean: design.subject.dot(&fit.mean),
        sd: fit.variance(&design.subject).sqrt(),
    })
}

/// The belief about the price for parts, by the parts-only rule from the price of a working unit.
fn parts_price(working: Prior, settings: &Settings) -> Belief {
    let rule = Belief::of_rule(thumb::parts_rule(settings));
    rule.map(|part| RulePart {
        mean: working.mean + part.mean,
        sd: working.sd.hypot(part.sd),
        ..part
    })
}

/// The unknown facts of the subject, those that would narrow the band most first.
///
/// A fact contributes to the band the variance over the possible subjects, less the same variance
/// with the columns of the fact at their mean.
fn unknowns(design: &Design, fit: &Posterior, outcome: &Outcome) -> Vec<Unknown> {
    let facts = design.possible.first().map(|one| one.values.keys());
    let now = half_width_percent(outcome.band(0.8), outcome.median());
    let all = variance_of_possible(design, fit, None);
    let total = fit.sale_variance(&design.subject) + all;
    let unknown = |fact: &Fact| {
        let apart = all - variance_of_possible(design, fit, Some(fact));
        Unknown {
            fact: fact.clone(),
            half_width_percent: now,
            if_known_percent: now * (1.0 - apart / total).clamp(0.0, 1.0).sqrt(),
            stated_by: 0,
        }
    };
    let mut all: Vec<Unknown> = facts.into_iter().flatten().map(unknown).collect();
    all.sort_by(|a, b| a.if_known_percent.total_cmp(&b.if_known_percent));
    all
}

/// Number of comps in use that state a fact.
fn stated_by(fact: &Fact, selection: &Selection, settings: &Settings) -> usize {
    let wording = Wording::of(&selection.model, settings);
    let states = |comp: &&Candidate| match fact {
        Fact::Grade => !comp.grade.is_empty(),
        Fact::Completeness => comp.pieces(&wording).set().is_some(),
        Fact::HowSold => comp.how_sold.is_some(),
        Fact::Variant => !comp.variant.is_empty(),
        Fact::Attribute(name) => comp.attributes.get(name).is_some(),
    };
    selection.in_use().filter(states).count()
}

/// Variance of log price over the possible subjects, with the columns of `known` at their mean.
fn variance_of_possible(design: &Design, fit: &Posterior, known: Option<&Fact>) -> f64 {
    let open = |j: &usize| known.is_none() || design.columns[*j].term.fact().as_ref() != known;
    let columns: Vec<usize> = (0..design.columns.len()).filter(open).collect();
    let at = |one: &Possible| -> f64 {
        let apart = |&j: &usize| (one.row[j] - design.subject[j]) * fit.mean[j];
        columns.iter().map(apart).sum()
    };
    let square = |one: &Possible| one.weight * at(one).powi(2);
    design.possible.iter().map(square).sum()
}

/// Half the width of a log interval, per cent of the price at `centre`.
fn half_width_percent((low, high): (f64, f64), centre: f64) -> f64 {
    50.0 * ((high - centre).exp() - (low - centre).exp())
}

fn comp_weights(design: &Design, fit: &Posterior) -> Vec<f64> {
    design
        .weights
        .iter()
        .zip(fit.robust())
        .map(|(w, u)| w * u)
        .collect()
}

fn evidence(selection: &Selection, cases: &Cases, outcome: &Outcome, pool: &Pool) -> Evidence {
    let Case { design, fit, .. } = cases.main();
    let step = |step: &fit::step::Step| {
        let size = cases.main().size(step.day)?;
        Some(PriceStep {
            day: step.day,
            percent: size.map(|log| 100.0 * log.exp_m1()),
            probability: step.probability,
        })
    };
    let used = || selection.in_use();
    let trend_percent = design.position(&Term::Trend).map(|j| {
        let percent = |log: f64| 100.0 * log.exp_m1();
        coefficient(design, fit, j).0.map(percent)
    });
    let columns = design.columns.iter().map(|c| &c.term);
    let (other_models, other_comps) =
        pool.behind(columns.chain(design.shared.iter().map(|s| &s.term)));
    Evidence {
        other_models,
        other_comps,
        seen: selection.seen,
        used: used().count(),
        undated: used().filter(|c| c.sold_on.is_none()).count(),
        converted: used().filter(|c| c.foreign.is_some()).count(),
        effective: effective_number(&comp_weights(design, fit)),
        newest: used().filter_map(|c| c.sold_on).max(),
        oldest: used().filter_map(|c| c.sold_on).min(),
        trend_percent,
        steps: cases.sure().iter().filter_map(step).collect(),
        open_step: cases.open().map(|(step, size, without)| OpenStep {
            day: step.day,
            percent: 100.0 * size.exp_m1(),
            probability: step.probability,
            without: without.exp(),
        }),
        spread_percent: 100.0 * fit.log_spread().mean.exp().exp_m1(),
        level_percent: half_width_percent(outcome.mean_interval(0.8), outcome.median()),
        sale_percent: half_width_percent(outcome.sale().band(0.8), 0.0),
        log_evidence: fit.log_evidence,
        places: fit.places.len(),
        settled: fit.settled(),
    }
}

fn adjustments(
    design: &Design,
    fit: &Posterior,
    settings: &Settings,
    selection: &Selection,
) -> Vec<Adjustment> {
    let centre = design.subject.dot(&fit.mean);
    let mut out = Vec::new();
    for (j, column) in design.columns.iter().enumerate() {
        let (Some(prior), Some(rule)) = (column.prior, column.rule) else {
            continue;
        };
        let on_unit = design.subject[j];
        // From one fewer if the unit has it, so that the second of two extras has its price.
        let without = (centre - on_unit.min(1.0) * fit.mean[j]).exp();
        let money = |log: f64| without * log.exp_m1();
        let (used, _) = coefficient(design, fit, j);
        let comps = from_comps(design, fit, j);
        out.push(Adjustment {
            label: label(&column.term, settings, selection),
            term: column.term.clone(),
            on_unit,
            rule: Spread::of(rule).map(money),
            others: others(prior, &column.pooled, column.sign, money),
            comps: comps.map(|(own, _)| Spread::of(own).map(money)),
            used: used.map(money),
            used_percent: 100.0 * used.value.exp_m1(),
            informed_by: column.informed_by,
            from_comps: comps.map_or(0.0, |(_, share)| share),
            most: column.most,
        });
    }
    out.extend(shared_adjustments(design, centre, settings, selection));
    out.sort_by(|a, b| a.term.cmp(&b.term));
    out
}

/// The contribution of other models, from the belief `prior` to which they updated the rule.
fn others(
    prior: Belief,
    pooled: &Option<Pooled>,
    sign: Sign,
    money: impl Fn(f64) -> f64,
) -> Option<Others> {
    pooled.as_ref().map(|pooled| Others {
        spread: Spread::of_belief(prior, sign).map(money),
        models: pooled.models(),
        share: pooled.share(),
    })
}

/// Adjustments for terms that the unit and all comps share, by rule of thumb or other models.
fn shared_adjustments(
    design: &Design,
    centre: f64,
    settings: &Settings,
    selection: &Selection,
) -> Vec<Adjustment> {
    let row = |shared: &design::Shared| {
        let used = Spread::of_belief(shared.prior, shared.sign);
        let mean = used.value;
        let without = (centre - shared.on_unit.min(1.0) * mean).exp();
        let money = |log: f64| without * log.exp_m1();
        Adjustment {
            label: label(&shared.term, settings, selection),
            term: shared.term.clone(),
            on_unit: shared.on_unit,
            rule: Spread::of(shared.rule).map(money),
            others: others(shared.prior, &shared.pooled, shared.sign, money),
            comps: None,
            used: used.map(money),
            used_percent: 100.0 * mean.exp_m1(),
            informed_by: 0,
            from_comps: 0.0,
            most: shared.on_unit,
        }
    };
    design.shared.iter().map(row).collect()
}

fn comp_lines(selection: &Selection, cases: &Cases) -> Vec<CompLine> {
    let Case { design, fit, .. } = cases.main();
    let weights = comp_weights(design, fit);
    let heaviest = weights.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let weights = weights.into_iter().zip(fit.robust());
    let mut used = cases.adjusted().into_iter().zip(weights);
    let mut others = cases.adjusted_others().into_iter();
    selection
        .candidates
        .iter()
        .map(|comp| {
            let (adjusted, (weight, fits)) = match comp.dropped {
                None => used
                    .next()
                    .map_or((None, (0.0, 0.0)), |(a, weights)| (Some(a), weights)),
                Some(dropped) if dropped.is_looked_at() => (others.next(), (0.0, 0.0)),
                Some(_) => (None, (0.0, 0.0)),
            };
            let dated = comp.sold_on.zip(comp.age_days);
            let then = dated.map_or(0.0, |(day, age)| cases.then(day, f64::from(age)));
            CompLine {
                comp: comp.clone(),
                adjusted: adjusted.map(f64::exp),
                at_date: adjusted.map(|log| (log + then).exp()),
                weight: weight / heaviest,
                fits,
            }
        })
        .collect()
}

/// Fitted price of the unit from the oldest comp used to the day of the estimate, including the day
/// of each step and the day before; empty if none is dated.
fn trend_line(selection: &Selection, cases: &Cases, as_of: NaiveDate) -> Vec<(NaiveDate, f64)> {
    let Some(oldest) = selection.in_use().filter_map(|c| c.sold_on).min() else {
        return Vec::new();
    };
    let days = (as_of - oldest).num_days().max(0);
    const POINTS: i64 = 24;
    let grid = (0..=POINTS).map(|k| as_of - chrono::Duration::days(days - days * k / POINTS));
    let steps = cases.days().into_iter();
    let ends = steps.flat_map(|day| [day - chrono::Duration::days(1), day]);
    let mut points: Vec<NaiveDate> = grid.chain(ends).collect();
    points.sort_unstable();
    if !cases.days().is_empty() {
        points.dedup();
    }
    let level = cases.level();
    let price = |day: NaiveDate| {
        let age = (as_of - day).num_days().to_f64().unwrap_or(0.0);
        (level + cases.then(day, age)).exp()
    };
    points.into_iter().map(|day| (day, price(day))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rust_decimal::Decimal;

    const DAY: &str = "2026-03-01";

    fn estimated(prices: &[i64], settings: &Settings, level: u8) -> Estimate {
        let comps = prices.iter().map(|price| Candidate {
            grade: "B".into(),
            completeness: "usable".into(),
            how_sold: Some(crate::trade::HowSold::Fixed),
            ..Candidate::blank(Decimal::from(*price))
        });
        let selection = Selection {
            candidates: comps.collect(),
            ..Selection::empty("Nulva 61K")
        };
        let day = DAY.parse().unwrap();
        estimate(selection, &Unit::blank("Nulva 61K"), settings, day, level).unwrap()
    }

    /// Prices that are symmetric on the log scale, 100 in their middle: so is what is predicted.
    #[test]
    fn a_symmetric_market_has_a_symmetric_band() {
        let log = |price: Decimal| price.to_string().parse::<f64>().unwrap().ln();
        let made = estimated(&[80, 125, 100, 90, 111], &Settings::default(), 80);
        assert!((made.outcome.median() - 100.0_f64.ln()).abs() < 0.01);
        let (down, up) = (
            log(made.median) - log(made.low),
            log(made.high) - log(made.median),
        );
        assert!(down > 0.0 && (down / up - 1.0).abs() < 0.05, "{down} {up}");
    }

    /// A band of a higher level holds that of a lower one; more sales of the same spread narrow it.
    #[test]
    fn bands_are_nested_and_narrow_with_sales() {
        let few = [90, 100, 111];
        let width = |prices: &[i64], level: u8| {
            let made = estimated(prices, &Settings::default(), level);
            let (low, high) = made.outcome.band(f64::from(level) / 100.0);
            assert!(low < made.outcome.median() && made.outcome.median() < high);
            high - low
        };
        assert!(width(&few, 50) < width(&few, 80) && width(&few, 80) < width(&few, 95));
        assert!(width(&few.repeat(8), 80) < width(&few, 80));
    }

    /// Without comps the kit's rule is all there is: its middle is the geometric mean of its ends.
    #[test]
    fn a_rule_for_the_price_stands_in() {
        let text = "[kits.\"Nulva 61K\"]\nprice = \"80 to 125\"";
        let settings = Settings::parse(text, std::path::Path::new("t.toml")).unwrap();
        let selection = Selection::empty("Nulva 61K");
        let day = DAY.parse().unwrap();
        let unit = Unit {
            grade: Some("B".into()),
            completeness: Some("full".into()),
            how_sold: Some(crate::trade::HowSold::Fixed),
            ..Unit::blank("Nulva 61K")
        };
        let made = estimate(selection.clone(), &unit, &settings, day, 80).unwrap();
        assert!((made.outcome.median() - 100.0_f64.ln()).abs() < 1e-3);
        let none = estimate(selection, &unit, &Settings::default(), day, 80);
        assert!(matches!(none, Err(EstimateError::NoEvidence(_))));
    }
}
