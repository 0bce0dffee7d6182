//! Converts facts of units to the columns of the fit, with a prior on each.

use crate::trade::Unit;
use nalgebra::{DMatrix, DVector};
use rust_decimal::prelude::ToPrimitive;

use super::ep::{Direction as Of, Rule};
use super::facts::{Facts, possible};
use super::matrix::weights_by_age;
pub use super::matrix::{Column, DAYS_PER_MONTH, Design, Other, Possible, Shared, age_weights};
use super::pool::Pool;
use super::rows::{
    Encoder, Row, Rows, Shares, amounts, beside_columns, informed_by, varying_terms,
};
use super::solve::Sign;
pub use super::term::{Fact, OTHERS, SoldTerm, Term};
use super::thumb::{Thought, Thoughts, price_rule};
use crate::select::Candidate;
use crate::select::order::weighted_median;
use crate::select::pieces::Wording;
use crate::settings::Settings;

pub use super::prior::{Belief, Prior, prior_of};

/// Builds the design of the candidates at `used` for `subject`; those at `also` are encoded in its
/// columns but not fitted. `level` is a belief from elsewhere about the subject's log price;
/// without it, the kit's rule of thumb for the price is used. `pool` contains the estimates of
/// other models, which update the rules of thumb of their terms.
///
/// Completeness, missing pieces and extras are read from their canonical form
/// ([`crate::select::pieces`]), so that the way of describing a unit does not matter.
///
/// Unrecorded facts of a comp have the average of the comps that record them; the same holds for
/// the age of an undated comp and its weight by age. If none is dated, there is no trend and all
/// weights are equal. A comp without a recorded numeric attribute has a lower weight, as if its
/// variance were that of a single sale plus the prior variance from the attribute. Columns with the
/// same value in the subject and all comps are omitted: they have no effect. `None` if there is
/// neither a comp nor a rule of thumb for the model's price.
pub fn build(
    candidates: &[Candidate],
    used: &[usize],
    also: &[usize],
    subject: &Unit,
    level: Option<Belief>,
    pool: &Pool,
    settings: &Settings,
) -> Option<Design> {
    let model = subject.model.as_str();
    let wording = Wording::of(model, settings);
    let log_paid = |i: usize| candidates[i].paid.to_f64().unwrap_or(f64::NAN).ln();
    let ys: Vec<f64> = used.iter().map(|&i| log_paid(i)).collect();
    let ages: Vec<Option<i32>> = used.iter().map(|&i| candidates[i].age_days).collect();
    let mut weights = weights_by_age(&ages, settings.estimate.half_life_days);
    let price_rule = price_rule(model, settings).filter(|_| level.is_none());
    let base_price = weighted_median(&ys, &weights)
        .or(level.or(price_rule).map(|prior| prior.mean()))?
        .exp();
    let facts_of = |i: usize| Facts::of_candidate(&candidates[i], model, &wording, settings);
    let comps: Vec<Facts<'_>> = used.iter().map(|&i| facts_of(i)).collect();
    let own = Facts::of_subject(subject, &wording, settings);
    let shares = Shares::of(&comps, &own, &weights, model, &wording, settings);
    let mut encoder = Encoder::new(&shares, &wording);
    let reference = price_rule.map(|_| own.reference(&wording, settings));
    let rows = Rows::of(&comps, &own, reference.as_ref(), &mut encoder);
    let terms = varying_terms(rows.comps.iter().chain(&rows.reference), &rows.own);
    let thoughts = Thoughts {
        pool,
        model,
        settings,
        base_price,
    };
    let x = matrix(&rows.comps, &terms);
    let columns = columns(&terms, &comps, &x, &thoughts);
    let possible: Vec<Possible> = possible(&own, &comps, &weights)
        .into_iter()
        .map(|(values, weight, facts)| Possible {
            weight,
            row: dense(&rows.pooled(encoder.row(&facts)), &terms),
            values,
        })
        .collect();
    discount_unknown(&mut weights, &comps, &columns, &shares, settings);
    let about = |row: &Row, belief: Belief| Rule {
        of: Of::Row(dense(row, &terms)),
        belief,
        sign: Sign::Free,
    };
    let of_reference = price_rule.zip(rows.reference.as_ref());
    let rules = rules_of(&columns)
        .chain(of_reference.map(|(belief, row)| about(row, belief)))
        .chain(level.map(|level| about(&rows.own, level)))
        .collect();
    let others = also.iter().map(|&i| {
        let row = encoder.row(&facts_of(i));
        Other {
            row: dense(&row, &terms),
            offset: thoughts.offset(beside_columns(&row, &rows.own, &terms)),
            y: log_paid(i),
        }
    });
    Some(Design {
        signs: columns.iter().map(|c| c.sign).collect(),
        subject: mean_row(&possible, terms.len()),
        possible,
        shared: shared_terms(&rows.own, &terms, own.grade, &thoughts),
        others: others.collect(),
        columns,
        x,
        y: DVector::from_vec(ys),
        weights,
        rules,
        base_price,
    })
}

/// The amounts of a row in the order of the columns, p; the terms ascend.
fn dense(row: &Row, terms: &[Term]) -> DVector<f64> {
    let mut all = DVector::zeros(terms.len());
    amounts(row, terms).for_each(|(j, amount)| all[j] = amount);
    all
}

/// The rows of the comps, n × p.
fn matrix(rows: &[Row], terms: &[Term]) -> DMatrix<f64> {
    let mut x = DMatrix::zeros(rows.len(), terms.len());
    for (i, row) in rows.iter().enumerate() {
        amounts(row, terms).for_each(|(j, amount)| x[(i, j)] = amount);
    }
    x
}

/// The mean of the possible rows of the subject, p.
fn mean_row(possible: &[Possible], p: usize) -> DVector<f64> {
    let add = |sum, one: &Possible| sum + &one.row * one.weight;
    possible.iter().fold(DVector::zeros(p), add)
}

/// A column for each term, with its prior and the number of comps that inform it.
fn columns(
    terms: &[Term],
    comps: &[Facts<'_>],
    x: &DMatrix<f64>,
    thoughts: &Thoughts<'_>,
) -> Vec<Column> {
    let with = |has: &dyn Fn(&Facts<'_>) -> bool| comps.iter().filter(|facts| has(facts)).count();
    let column = |(j, term): (usize, &Term)| {
        let amounts: Vec<f64> = x.column(j).iter().copied().collect();
        let Thought {
            prior,
            rule,
            pooled,
            sign,
        } = thoughts.of(term);
        Column {
            term: term.clone(),
            prior,
            rule,
            pooled,
            sign,
            informed_by: match term {
                Term::Attribute(name) => with(&|facts| facts.steps.contains_key(name.as_str())),
                Term::Trend => with(&|facts| facts.months.is_some_and(|months| months != 0.0)),
                _ => informed_by(&amounts),
            },
            most: amounts.into_iter().fold(0.0, f64::max),
        }
    };
    terms.iter().enumerate().map(column).collect()
}

/// Lowers the weight of each comp with unknown numeric attributes: their prior variance adds to
/// that of a single sale.
fn discount_unknown(
    weights: &mut [f64],
    comps: &[Facts<'_>],
    columns: &[Column],
    shares: &Shares,
    settings: &Settings,
) {
    for (weight, facts) in weights.iter_mut().zip(comps) {
        let noise = columns.iter().filter_map(|column| match &column.term {
            Term::Attribute(name) if !facts.steps.contains_key(name.as_str()) => {
                let variance = shares.attributes.get(name)?.1;
                let prior = column.prior?;
                Some((prior.mean().powi(2) + prior.variance()) * variance)
            }
            _ => None,
        });
        *weight /= 1.0 + noise.sum::<f64>() / settings.estimate.spread.powi(2);
    }
}

/// The beliefs about the columns that have one, in column order.
fn rules_of(columns: &[Column]) -> impl Iterator<Item = Rule> {
    columns.iter().enumerate().filter_map(|(j, column)| {
        Some(Rule {
            of: Of::Column(j),
            belief: column.prior?,
            sign: column.sign,
        })
    })
}

/// The unit's terms without a column, and the next lower grade step.
fn shared_terms(
    own: &Row,
    columns: &[Term],
    grade: Option<usize>,
    thoughts: &Thoughts<'_>,
) -> Vec<Shared> {
    let next = grade
        .filter(|g| g + 1 < thoughts.settings.grades.len())
        .map(|g| (Term::Grade(g), 0.0));
    let has = own.iter().filter(|(_, on_unit)| **on_unit != 0.0);
    has.map(|(term, on_unit)| (term.clone(), *on_unit))
        .chain(next)
        .filter(|(term, _)| {
            use Term::{Completeness, Defect, Extra, Grade, Missing};
            matches!(
                term,
                Grade(_) | Completeness(_) | Missing(_) | Extra(_) | Defect(_)
            ) && columns.binary_search(term).is_err()
        })
        .filter_map(|(term, on_unit)| {
            let thought = thoughts.of(&term);
            Some(Shared {
                term,
                prior: thought.prior?,
                rule: thought.rule?,
                pooled: thought.pooled,
                sign: thought.sign,
                on_unit,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rust_decimal::Decimal;

    fn comp(price: i64, grade: &str) -> Candidate {
        Candidate {
            grade: grade.into(),
            ..Candidate::blank(Decimal::from(price))
        }
    }

    fn built(comps: &[Candidate], settings: &Settings) -> Option<Design> {
        let unit = Unit {
            grade: Some("B".into()),
            ..Unit::blank("Nulva 61K")
        };
        let used: Vec<usize> = (0..comps.len()).collect();
        build(comps, &used, &[], &unit, None, &Pool::default(), settings)
    }

    /// Grade C is two steps down from A and one from B; the log of a rule "2 to 20 %" off is between
    /// ln 0.98 and ln 0.8.
    #[test]
    fn grades_are_steps_with_the_rule_of_thumb_as_prior() {
        let comps = [comp(100, "A"), comp(90, "B"), comp(70, "C"), comp(80, "")];
        let design = built(&comps, &Settings::default()).unwrap();
        let step = |grade| design.position(&Term::Grade(grade)).unwrap();
        let column = |j: usize| design.x.column(j).iter().copied().collect::<Vec<f64>>();
        // The grade that is not recorded is taken as the average of the others.
        assert_eq!(column(step(0))[..3], [0.0, 1.0, 1.0]);
        assert!((column(step(0))[3] - 2.0 / 3.0).abs() < 1e-12);
        assert!((column(step(1))[3] - 1.0 / 3.0).abs() < 1e-12);
        assert_eq!(design.subject[step(0)], 1.0);
        assert_eq!(design.subject[step(1)], 0.0);
        assert_eq!(design.position(&Term::Grade(2)), None);
        let rule = design.columns[step(0)].rule.unwrap();
        assert!((rule.mean - f64::midpoint(0.98_f64.ln(), 0.8_f64.ln())).abs() < 1e-12);
        assert_eq!(design.columns[step(0)].sign, Sign::NotPositive);
        // Three grades are recorded: one of the three is on the rarer side of each step.
        assert_eq!(design.columns[step(0)].informed_by, 1);
        assert!((design.y[2] - 70.0_f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn where_all_agree_there_is_the_level_alone() {
        let design = built(&[comp(100, "B"), comp(90, "B")], &Settings::default()).unwrap();
        let terms: Vec<&Term> = design.columns.iter().map(|column| &column.term).collect();
        assert_eq!(terms, [&Term::Level]);
        // The next step down is for the table of adjustments.
        assert!(
            design
                .shared
                .iter()
                .any(|shared| shared.term == Term::Grade(1))
        );
    }

    /// Twelve names have columns of their own, the rarest of twenty share one.
    #[test]
    fn rare_names_share_a_column() {
        let mut comps: Vec<Candidate> = (0..20).map(|_| comp(100, "B")).collect();
        for (at, comp) in comps.iter_mut().enumerate() {
            comp.extras.add(&format!("thing {at}"), 1);
        }
        comps[19].extras.add("thing 18", 1);
        let design = built(&comps, &Settings::default()).unwrap();
        let extra = |name: &str| design.position(&Term::Extra(name.into()));
        let own = (0..20).filter(|at| extra(&format!("thing {at}")).is_some());
        assert_eq!(own.count(), 12);
        let shared = extra(OTHERS).unwrap();
        assert_eq!(design.x.column(shared).sum(), 8.0);
        assert!(extra("thing 18").is_some());
    }

    #[test]
    fn without_comps_a_kits_price_serves() {
        assert!(built(&[], &Settings::default()).is_none());
        let text = "[kits.\"Nulva 61K\"]\nprice = \"80 to 125\"";
        let settings = Settings::parse(text, std::path::Path::new("t.toml")).unwrap();
        let design = built(&[], &settings).unwrap();
        // The geometric mean of both ends.
        assert!((design.base_price - 100.0).abs() < 1e-9);
    }
}
