//! From facts about units to the columns of the fit, with a prior on each.

use super::matrix::weights_by_age;
pub use super::matrix::{Column, DAYS_PER_MONTH, Design, Other, Possible, Shared, age_weights};
pub use super::term::{Fact, OTHERS, SoldTerm, Term};
use crate::fit::term::MOST_OWN;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use nalgebra::{DMatrix, DVector};
use rust_decimal::prelude::ToPrimitive;

use super::ep::{Direction as Of, Rule};
use super::pool::{Pool, Pooled};
pub use super::prior::{Belief, Prior, prior_of};
use super::solve::Sign;
use super::step;
use crate::select::order::weighted_median;
use crate::select::pieces::{Described, Set, Wording};
use crate::select::{Candidate, Subject};
use crate::settings::{Rules, Settings};
use crate::trade::attributes::Direction;
use crate::trade::names::match_key;
use crate::trade::range::{Range, RangeUnit};
use crate::trade::{Attributes, HowSold, Items};

/// Most names of one kind (missing pieces, extras, defects) with a column of their own; the
/// rarest beyond them share one.
const MOST_NAMES: usize = 12;

/// What of a unit matters to its price.
#[derive(Clone)]
struct Facts<'a> {
    variant: Option<String>,
    pieces: Described,
    grade: Option<usize>,
    defects: &'a Items,
    /// Declared numeric attributes that are recorded, in steps.
    steps: BTreeMap<&'a str, f64>,
    works: bool,
    how_sold: Option<HowSold>,
    /// Months after the day of the estimate, where its own day is recorded.
    months: Option<f64>,
}

type Row = BTreeMap<Term, f64>;

/// How often each value was recorded, as shares: what an unrecorded one is taken for.
struct Shares {
    grades: Vec<f64>,
    /// What a unit may be that does not say which pieces it has.
    sets: Vec<(Set, f64)>,
    auction: f64,
    offer: f64,
    variants: BTreeMap<String, f64>,
    /// Weighted mean of the months of the dated sales, 0 where none is dated.
    months: f64,
    /// Weighted mean and variance of each declared attribute, in steps.
    attributes: BTreeMap<String, (f64, f64)>,
}

/// Builds the design of the candidates at `used` for `subject`; those at `also` are encoded on
/// its columns but not fitted. `level` is a belief about the subject's own log price from
/// elsewhere; without it a kit's rule of thumb for the price serves. `pool` is what other models
/// say: the rules of thumb of the terms it has are brought up to date by it.
///
/// What completeness, missing pieces and extras come to is read from their canonical form
/// ([`crate::select::pieces`]), so that how a unit was described does not matter.
///
/// Facts of a comp that were not recorded are taken as the average of the comps that have them; so is the
/// age of an undated comp, and what it counts for by age. Where none is dated there is no trend,
/// and all count alike. A comp
/// that lacks a numeric attribute weighs less, as if its variance were that of a single sale and
/// what the attribute might have added, by rule of thumb. Columns
/// on which the subject and all comps agree are left out: they cannot matter. `None` where
/// there is neither a comp nor a rule of thumb for the model's price.
pub fn build(
    candidates: &[Candidate],
    used: &[usize],
    also: &[usize],
    subject: &Subject,
    level: Option<Belief>,
    pool: &Pool,
    settings: &Settings,
) -> Option<Design> {
    let kit = settings.kit(&subject.model);
    let wording = Wording::of(&subject.model, settings);
    let log_paid = |i: usize| candidates[i].paid.to_f64().unwrap_or(f64::NAN).ln();
    let ys: Vec<f64> = used.iter().map(|&i| log_paid(i)).collect();
    let ages: Vec<Option<i32>> = used.iter().map(|&i| candidates[i].age_days).collect();
    let mut weights = weights_by_age(&ages, settings.estimate.half_life_days);
    let price_rule = kit.and_then(|kit| kit.price).filter(|_| level.is_none());
    let price_rule = price_rule
        .map(|rule| shares(rule, 1.0))
        .map(|(low, high)| Belief::of_rule(prior_of(low.ln(), high.ln())));
    let base_price = weighted_median(&ys, &weights)
        .or(level.or(price_rule).map(|prior| prior.mean()))?
        .exp();
    let comps: Vec<Facts<'_>> = used
        .iter()
        .map(|&i| of_candidate(&candidates[i], &subject.model, &wording, settings))
        .collect();
    let own = of_subject(subject, &wording, settings);
    let shares = Shares::of(&comps, &own, &weights, &subject.model, &wording, settings);
    let mut told = PieceTerms::new();
    let mut encode = |facts: &Facts<'_>| encode(facts, &shares, &wording, &mut told);
    let mut rows: Vec<Row> = comps.iter().map(&mut encode).collect();
    let mut own_row = encode(&own);
    let reference =
        price_rule.map(|rule| (rule, encode(&reference_facts(&own, &wording, settings))));
    if let Some((_, row)) = &reference {
        rows.push(row.clone());
    }
    let rare = rare_names(&rows, &own_row);
    let all = rows.iter_mut().chain([&mut own_row]);
    all.for_each(|row| pool_names(row, &rare));
    let reference_row = reference.as_ref().and_then(|_| rows.pop());

    let terms = varying_terms(rows.iter().chain(&reference_row), &own_row);
    let p = terms.len();
    let dense = |row: &Row| {
        DVector::from_iterator(
            p,
            terms
                .iter()
                .map(|term| row.get(term).copied().unwrap_or(0.0)),
        )
    };
    let belief = |term: &Term| Thought::of(term, pool, &subject.model, settings, base_price);
    let columns: Vec<Column> = terms
        .iter()
        .map(|term| {
            let Thought {
                prior,
                rule,
                pooled,
                sign,
            } = belief(term);
            Column {
                term: term.clone(),
                prior,
                rule,
                pooled,
                sign,
                informed_by: match term {
                    Term::Attribute(name) => comps
                        .iter()
                        .filter(|f| f.steps.contains_key(name.as_str()))
                        .count(),
                    Term::Trend => comps
                        .iter()
                        .filter(|f| f.months.is_some_and(|months| months != 0.0))
                        .count(),
                    _ => informed_by(term, &rows),
                },
                most: rows
                    .iter()
                    .filter_map(|row| row.get(term))
                    .copied()
                    .fold(0.0, f64::max),
            }
        })
        .collect();
    let possible: Vec<Possible> = possible(&own, &comps, &weights)
        .into_iter()
        .map(|(values, weight, facts)| {
            let mut row = encode(&facts);
            pool_names(&mut row, &rare);
            Possible {
                weight,
                row: dense(&row),
                values,
            }
        })
        .collect();
    let doubts_of = |facts: &Facts<'_>| -> Vec<(usize, f64)> {
        let unknown = |(j, term): (usize, &Term)| match term {
            Term::Attribute(name) if !facts.steps.contains_key(name.as_str()) => {
                Some((j, shares.attributes.get(name)?.1))
            }
            _ => None,
        };
        terms.iter().enumerate().filter_map(unknown).collect()
    };
    for (weight, facts) in weights.iter_mut().zip(&comps) {
        let noise = doubts_of(facts).into_iter().map(|(j, variance)| {
            columns[j]
                .prior
                .map_or(0.0, |p| (p.mean().powi(2) + p.variance()) * variance)
        });
        *weight /= 1.0 + noise.sum::<f64>() / settings.estimate.spread.powi(2);
    }
    let mut rules: Vec<Rule> = columns
        .iter()
        .enumerate()
        .filter_map(|(j, column)| {
            Some(Rule {
                of: Of::Column(j),
                belief: column.prior?,
                sign: column.sign,
            })
        })
        .collect();
    let about = |row: &Row, belief: Belief| Rule {
        of: Of::Row(dense(row)),
        belief,
        sign: Sign::Free,
    };
    if let Some(((belief, _), row)) = reference.as_ref().zip(reference_row.as_ref()) {
        rules.push(about(row, *belief));
    }
    let others = also
        .iter()
        .map(|&i| {
            let row = encode(&of_candidate(
                &candidates[i],
                &subject.model,
                &wording,
                settings,
            ));
            Other {
                row: dense(&row),
                offset: beside_columns(&row, &own_row, &terms)
                    .map(|(term, difference)| {
                        difference * belief(term).prior.map_or(0.0, |p| p.mean())
                    })
                    .sum(),
                y: log_paid(i),
            }
        })
        .collect();
    rules.extend(level.map(|level| about(&own_row, level)));
    let mut x = DMatrix::zeros(rows.len(), p);
    for (i, row) in rows.iter().enumerate() {
        x.set_row(i, &dense(row).transpose());
    }
    Some(Design {
        signs: columns.iter().map(|c| c.sign).collect(),
        subject: possible
            .iter()
            .fold(DVector::zeros(p), |sum, one| sum + &one.row * one.weight),
        possible,
        shared: shared_terms(&own_row, &terms, own.grade, settings)
            .filter_map(|(term, on_unit)| {
                let belief = belief(&term);
                Some(Shared {
                    term,
                    prior: belief.prior?,
                    rule: belief.rule?,
                    pooled: belief.pooled,
                    sign: belief.sign,
                    on_unit,
                })
            })
            .collect(),
        others,
        columns,
        x,
        y: DVector::from_vec(ys),
        weights,
        rules,
        base_price,
    })
}

fn of_candidate<'a>(
    comp: &'a Candidate,
    model: &str,
    wording: &Wording,
    settings: &'a Settings,
) -> Facts<'a> {
    Facts {
        variant: (!comp.variant.is_empty()).then(|| match_key(&comp.variant)),
        pieces: comp.pieces(wording),
        grade: settings.grade_index(&comp.grade),
        defects: &comp.defects,
        steps: attribute_steps(&comp.attributes, model, settings),
        works: comp.works,
        how_sold: comp.how_sold,
        months: comp.age_days.map(|age| -f64::from(age) / DAYS_PER_MONTH),
    }
}

fn of_subject<'a>(subject: &'a Subject, wording: &Wording, settings: &'a Settings) -> Facts<'a> {
    Facts {
        variant: subject.variant.as_deref().map(match_key),
        pieces: subject.pieces(wording),
        grade: subject
            .grade
            .as_deref()
            .and_then(|g| settings.grade_index(g)),
        defects: &subject.defects,
        steps: attribute_steps(&subject.attributes, &subject.model, settings),
        works: subject.works,
        how_sold: subject.how_sold,
        months: Some(0.0),
    }
}

/// The declared attributes that are recorded, in steps of their scale.
fn attribute_steps<'a>(
    attributes: &Attributes,
    model: &str,
    settings: &'a Settings,
) -> BTreeMap<&'a str, f64> {
    settings
        .attributes(model)
        .filter_map(|(name, rule)| {
            let value = attributes.get(name)?.to_f64()?;
            Some((name, rule.scale.steps(value)?))
        })
        .collect()
}

/// Weighted mean and variance of an attribute among the comps that have it, in steps. Where
/// only one or none has it, every unit is taken to be like it, or like the subject.
fn attribute_moments(
    name: &str,
    comps: &[Facts<'_>],
    own: &Facts<'_>,
    weights: &[f64],
) -> (f64, f64) {
    let known = || {
        comps
            .iter()
            .zip(weights)
            .filter_map(|(f, w)| Some((*f.steps.get(name)?, *w)))
    };
    let total: f64 = known().map(|(_, w)| w).sum();
    if total == 0.0 {
        return (own.steps.get(name).copied().unwrap_or(0.0), 0.0);
    }
    let mean = known().map(|(v, w)| v * w).sum::<f64>() / total;
    let variance = known().map(|(v, w)| (v - mean).powi(2) * w).sum::<f64>() / total;
    (mean, variance)
}

/// Weighted mean of the months of the dated comps, 0 where none is dated.
fn mean_months(comps: &[Facts<'_>], weights: &[f64]) -> f64 {
    let dated = || {
        let weighted = comps.iter().zip(weights);
        weighted.filter_map(|(facts, weight)| Some((facts.months?, *weight)))
    };
    let total: f64 = dated().map(|(_, weight)| weight).sum();
    if total == 0.0 {
        return 0.0;
    }
    dated().map(|(months, weight)| months * weight).sum::<f64>() / total
}

/// The unit that a kit's price rule speaks of: middle grade, complete without packaging,
/// working, sold today at a fixed price.
fn reference_facts<'a>(own: &Facts<'a>, wording: &Wording, settings: &Settings) -> Facts<'a> {
    const NONE: &Items = &Items::NONE;
    Facts {
        variant: own.variant.clone(),
        pieces: wording.complete_unit(),
        grade: Some((settings.grades.len() - 1) / 2),
        defects: NONE,
        steps: own.steps.clone(),
        works: true,
        how_sold: Some(HowSold::Fixed),
        months: Some(0.0),
    }
}

impl Shares {
    fn of(
        comps: &[Facts<'_>],
        own: &Facts<'_>,
        weights: &[f64],
        model: &str,
        wording: &Wording,
        settings: &Settings,
    ) -> Self {
        let index_shares =
            |of: &dyn Fn(&Facts<'_>) -> Option<usize>, levels: usize, usual: usize| {
                let mut shares = vec![0.0; levels];
                for (facts, weight) in comps.iter().zip(weights) {
                    if let Some(at) = of(facts) {
                        shares[at] += weight;
                    }
                }
                if shares.iter().sum::<f64>() == 0.0 {
                    // Nothing recorded at all: the comps are taken for usual ones.
                    shares[usual] = 1.0;
                }
                let total: f64 = shares.iter().sum();
                shares.iter_mut().for_each(|share| *share /= total);
                shares
            };
        let sold = index_shares(
            &|f| f.how_sold.map(|h| h as usize),
            HowSold::ALL.len(),
            HowSold::Fixed as usize,
        );
        let mut variants = BTreeMap::new();
        for (facts, weight) in comps.iter().zip(weights) {
            if let Some(key) = &facts.variant {
                *variants.entry(key.clone()).or_insert(0.0) += weight;
            }
        }
        // Weights of very old sales are nothing at all.
        let total = variants.values().sum::<f64>().max(f64::MIN_POSITIVE);
        variants.values_mut().for_each(|share| *share /= total);
        let attributes = settings
            .attributes(model)
            .map(|(name, _)| {
                (
                    name.to_string(),
                    attribute_moments(name, comps, own, weights),
                )
            })
            .collect();
        Self {
            months: mean_months(comps, weights),
            attributes,
            grades: index_shares(
                &|f| f.grade,
                settings.grades.len(),
                (settings.grades.len() - 1) / 2,
            ),
            sets: wording.likely_sets(comps.iter().map(|f| &f.pieces).zip(weights.iter().copied())),
            auction: sold[HowSold::Auction as usize],
            offer: sold[HowSold::Offer as usize],
            variants,
        }
    }

    /// The level that was recorded, or all of them by their shares.
    fn levels(known: Option<usize>, shares: &[f64]) -> Vec<(usize, f64)> {
        match known {
            Some(at) => vec![(at, 1.0)],
            None => shares
                .iter()
                .copied()
                .enumerate()
                .filter(|(_, share)| *share > 0.0)
                .collect(),
        }
    }
}

/// The terms of what a description comes to, by the description: many units share one, and with a large
/// kit each has many terms.
type PieceTerms = HashMap<Described, Row>;

/// The terms of completeness, missing pieces and extras.
fn piece_terms(pieces: &Described, shares: &Shares, wording: &Wording) -> Row {
    let mut row = Row::new();
    let mut add = |term: Term, amount: f64| *row.entry(term).or_insert(0.0) += amount;
    for (amounts, share) in wording.amounts(pieces, &shares.sets) {
        for step in amounts.steps {
            add(Term::Completeness(step), share);
        }
        for (piece, count) in amounts.missing.iter() {
            add(Term::Missing(piece.into()), share * f64::from(count));
        }
        for (extra, count) in amounts.extras.iter() {
            add(Term::Extra(extra.into()), share * f64::from(count));
        }
    }
    row
}

fn encode(facts: &Facts<'_>, shares: &Shares, wording: &Wording, told: &mut PieceTerms) -> Row {
    let months = facts.months.unwrap_or(shares.months);
    let mut row = match told.get(&facts.pieces) {
        Some(terms) => terms.clone(),
        None => {
            let terms = piece_terms(&facts.pieces, shares, wording);
            told.insert(facts.pieces.clone(), terms.clone());
            terms
        }
    };
    row.extend([(Term::Level, 1.0), (Term::Trend, months)]);
    let mut add = |term: Term, amount: f64| *row.entry(term).or_insert(0.0) += amount;
    for (grade, share) in Shares::levels(facts.grade, &shares.grades) {
        for step in 0..grade {
            add(Term::Grade(step), share);
        }
    }
    for (defect, count) in facts.defects.iter() {
        add(Term::Defect(defect.into()), f64::from(count));
    }
    let (auction, offer) = match facts.how_sold {
        None => (shares.auction, shares.offer),
        Some(how) => (
            f64::from(u8::from(how == HowSold::Auction)),
            f64::from(u8::from(how == HowSold::Offer)),
        ),
    };
    add(Term::Sold(SoldTerm::Auction), auction);
    add(Term::Sold(SoldTerm::Offer), offer);
    let variants = match &facts.variant {
        Some(key) => vec![(key, 1.0)],
        None => shares
            .variants
            .iter()
            .map(|(key, share)| (key, *share))
            .collect(),
    };
    for (name, (mean, _)) in &shares.attributes {
        let steps = facts.steps.get(name.as_str()).copied();
        add(Term::Attribute(name.clone()), steps.unwrap_or(*mean));
    }
    for (key, share) in variants {
        add(Term::Variant(key.clone()), share);
    }
    if !facts.works {
        add(Term::PartsOnly, 1.0);
    }
    row
}

/// The names beyond those with a column of their own, by the column that they share: the subject's beyond
/// [`MOST_OWN`] of a kind, least of them first (of a kit whose completeness is not known it may lack every
/// piece); the others beyond [`MOST_NAMES`], rarest first. So there are never more columns than these,
/// however many pieces a kit has.
fn rare_names(rows: &[Row], own: &Row) -> BTreeMap<Term, Vec<Term>> {
    let mut counts: BTreeMap<Term, usize> = own.keys().map(|term| (term.clone(), 0)).collect();
    for term in rows.iter().flat_map(|row| row.keys()) {
        match counts.get_mut(term) {
            Some(count) => *count += 1,
            None => drop(counts.insert(term.clone(), 1)),
        }
    }
    let mut kinds: BTreeMap<Term, [Vec<(Term, usize)>; 2]> = BTreeMap::new();
    for (term, count) in counts {
        if let Some(pool) = term.pool() {
            let whose = usize::from(!own.contains_key(&term));
            kinds.entry(pool).or_default()[whose].push((term, count));
        }
    }
    let amount = |term: &Term| own.get(term).copied().unwrap_or(0.0);
    let rare = |mut names: Vec<(Term, usize)>, most: usize| {
        names.sort_by(|a, b| {
            let by_amount = amount(&b.0).total_cmp(&amount(&a.0));
            by_amount.then(b.1.cmp(&a.1)).then_with(|| a.0.cmp(&b.0))
        });
        names.split_off(names.len().min(most))
    };
    kinds
        .into_iter()
        .map(|(pool, [own, others])| {
            let rare = [rare(own, MOST_OWN), rare(others, MOST_NAMES)].concat();
            (pool, rare.into_iter().map(|(term, _)| term).collect())
        })
        .collect()
}

/// Moves rare names of a row to the column that they share.
fn pool_names(row: &mut Row, rare: &BTreeMap<Term, Vec<Term>>) {
    for (pool, names) in rare {
        let pooled: f64 = names.iter().filter_map(|term| row.remove(term)).sum();
        if pooled > 0.0 {
            *row.entry(pool.clone()).or_insert(0.0) += pooled;
        }
    }
}

/// What `own` may be: the values of the facts that are not known but that some comp tells, as they
/// are together with each comp, with their shares of the weight and the facts with them filled in.
/// Itself alone where all is known.
fn possible<'a>(
    own: &Facts<'a>,
    comps: &[Facts<'a>],
    weights: &[f64],
) -> Vec<(BTreeMap<Fact, String>, f64, Facts<'a>)> {
    let unknown = unknown_facts(own, comps);
    let mut all: BTreeMap<BTreeMap<Fact, String>, (f64, Facts<'a>)> = BTreeMap::new();
    for (comp, weight) in comps.iter().zip(weights).filter(|_| !unknown.is_empty()) {
        let mut facts = own.clone();
        let values = unknown.iter().map(|fact| {
            let value = fill(&mut facts, fact, comp);
            (fact.clone(), value)
        });
        let values = values.collect();
        all.entry(values).or_insert((0.0, facts)).0 += weight;
    }
    let total: f64 = all.values().map(|(weight, _)| weight).sum();
    if !(total > 0.0 && total.is_finite()) {
        return vec![(BTreeMap::new(), 1.0, own.clone())];
    }
    all.into_iter()
        .map(|(values, (weight, facts))| (values, weight / total, facts))
        .collect()
}

/// Facts that are not known of `own` and known of some comp.
fn unknown_facts(own: &Facts<'_>, comps: &[Facts<'_>]) -> Vec<Fact> {
    let some = |has: &dyn Fn(&Facts<'_>) -> bool| !has(own) && comps.iter().any(has);
    let plain: [(Fact, bool); 4] = [
        (Fact::Grade, some(&|f| f.grade.is_some())),
        (Fact::Completeness, some(&|f| f.pieces.set().is_some())),
        (Fact::HowSold, some(&|f| f.how_sold.is_some())),
        (Fact::Variant, some(&|f| f.variant.is_some())),
    ];
    let names: BTreeSet<&str> = comps.iter().flat_map(|f| f.steps.keys().copied()).collect();
    let attributes = names
        .into_iter()
        .filter(|name| !own.steps.contains_key(name))
        .map(|name| Fact::Attribute(name.into()));
    let plain = plain.into_iter().filter(|(_, unknown)| *unknown);
    plain.map(|(fact, _)| fact).chain(attributes).collect()
}

/// Sets a fact as it is with `comp`; its value in a form that tells values apart.
fn fill<'a>(facts: &mut Facts<'a>, fact: &Fact, comp: &Facts<'a>) -> String {
    match fact {
        Fact::Grade => {
            facts.grade = comp.grade;
            format!("{:?}", comp.grade)
        }
        Fact::Completeness => {
            facts.pieces = facts.pieces.clone().with_set_of(&comp.pieces);
            format!("{:?}", comp.pieces.set())
        }
        Fact::HowSold => {
            facts.how_sold = comp.how_sold;
            format!("{:?}", comp.how_sold)
        }
        Fact::Variant => {
            facts.variant.clone_from(&comp.variant);
            format!("{:?}", comp.variant)
        }
        Fact::Attribute(name) => {
            let known = comp.steps.get_key_value(name.as_str());
            if let Some((&name, &steps)) = known {
                facts.steps.insert(name, steps);
            }
            format!("{known:?}")
        }
    }
}

/// Amounts of a term that differ by less are the same: shares add up with rounding.
const SAME: f64 = 1e-9;

/// The level, and every term on which some row differs from the subject.
fn varying_terms<'a>(rows: impl Iterator<Item = &'a Row>, own: &Row) -> Vec<Term> {
    let mut terms = BTreeSet::from([Term::Level]);
    for row in rows {
        for (term, value) in row {
            if (own.get(term).copied().unwrap_or(0.0) - value).abs() > SAME {
                terms.insert(term.clone());
            }
        }
        for (term, value) in own {
            if value.abs() > SAME && !row.contains_key(term) {
                terms.insert(term.clone());
            }
        }
    }
    terms.into_iter().collect()
}

/// What the subject has more of than a row, term by term, where there is no column for it.
fn beside_columns<'a>(
    row: &'a Row,
    own: &'a Row,
    columns: &'a [Term],
) -> impl Iterator<Item = (&'a Term, f64)> {
    let value = |row: &Row, term: &Term| row.get(term).copied().unwrap_or(0.0);
    let terms: BTreeSet<&Term> = row.keys().chain(own.keys()).collect();
    terms
        .into_iter()
        .filter(|term| columns.binary_search(term).is_err())
        .map(move |term| (term, value(own, term) - value(row, term)))
}

/// The unit's own terms that are no columns, and the next step down in grade.
fn shared_terms(
    own: &Row,
    columns: &[Term],
    grade: Option<usize>,
    settings: &Settings,
) -> impl Iterator<Item = (Term, f64)> {
    let next = grade
        .filter(|g| g + 1 < settings.grades.len())
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
        .collect::<Vec<_>>()
        .into_iter()
}

/// Comps on the rarer side of a term.
fn informed_by(term: &Term, rows: &[Row]) -> usize {
    let values = || rows.iter().map(|row| row.get(term).copied().unwrap_or(0.0));
    // Where it was not recorded a comp has a share of it, and tells nothing of it.
    let recorded = || values().filter(|value| value.fract() == 0.0);
    let with = recorded().filter(|value| *value != 0.0).count();
    with.min(recorded().count() - with)
}

/// What is thought of a term before any comp of the model is heard.
struct Thought {
    prior: Option<Belief>,
    rule: Option<Prior>,
    pooled: Option<Pooled>,
    sign: Sign,
}

impl Thought {
    fn of(term: &Term, pool: &Pool, model: &str, settings: &Settings, base: f64) -> Self {
        let (rule, sign) = rule_of_thumb(term, model, settings, base);
        let pooled = pool.get(term).filter(|_| rule.is_some()).cloned();
        let update = |rule| match &pooled {
            Some(pooled) => pooled.update(rule),
            None => Belief::of_rule(rule),
        };
        Self {
            prior: rule.map(update),
            rule,
            pooled,
            sign,
        }
    }
}

/// The rule of thumb and sign constraint of a term; `base` is the price of which money is a
/// share.
fn rule_of_thumb(
    term: &Term,
    model: &str,
    settings: &Settings,
    base: f64,
) -> (Option<Prior>, Sign) {
    let rules = &settings.rules;
    let kit = settings.kit(model);
    let defaults = Rules::default();
    let down = |range: Range| {
        let (low, high) = shares(range, base);
        // More than a unit costs cannot come off it: such a rule says "much" and no more.
        let (low, high) = if high > MOST_OFF {
            (low.min(LITTLE_OFF), MOST_OFF)
        } else {
            (low, high)
        };
        (
            Some(prior_of((-low).ln_1p(), (-high).ln_1p())),
            Sign::NotPositive,
        )
    };
    let up = |range: Range| {
        let (low, high) = shares(range, base);
        (Some(prior_of(low.ln_1p(), high.ln_1p())), Sign::NotNegative)
    };
    let either = |range: Range| {
        let (low, high) = shares(range, base);
        (
            Some(prior_of(
                low.max(-MOST_OFF).ln_1p(),
                high.max(-MOST_OFF).ln_1p(),
            )),
            Sign::Free,
        )
    };
    match term {
        Term::Level => (None, Sign::Free),
        Term::Grade(step) => {
            let name = format!(
                "{} to {}",
                settings.grades[*step].name,
                settings.grades[step + 1].name
            );
            down(rules.grade_step(&name, &defaults))
        }
        Term::Completeness(step) => {
            let levels = &settings.completeness;
            let name = format!("{} to {}", levels[*step].name, levels[step + 1].name);
            up(rules.completeness_step(&name, &defaults))
        }
        Term::Missing(piece) => down(rules.missing_piece(piece, kit, &defaults)),
        Term::Extra(extra) => up(rules.extra(extra, &defaults)),
        Term::Defect(defect) => down(rules.defect(defect, &defaults)),
        Term::Sold(SoldTerm::Auction) => either(rules.sold("auction", &defaults)),
        Term::Sold(SoldTerm::Offer) => either(rules.sold("offer", &defaults)),
        Term::Attribute(name) => {
            let declared = settings.attribute(model, name);
            let rule = declared.and_then(|a| Some((a.sign, a.rule()?)));
            match rule {
                Some((Direction::Up, range)) => up(range),
                Some((Direction::Down, range)) => down(range),
                Some((Direction::Either, range)) => either(range),
                None => either(Range::percent(-30, 30)),
            }
        }
        Term::Variant(_) => {
            // Two variants are this far apart; each is half of it (as a variance) from their mean.
            let (rule, sign) = either(rules.variant);
            let own = |rule: Prior| Prior {
                mean: 0.0,
                sd: rule.sd / std::f64::consts::SQRT_2,
            };
            (rule.map(own), sign)
        }
        Term::Trend => either(rules.trend_per_month),
        Term::PartsOnly => (Some(parts_rule(settings)), Sign::NotPositive),
        Term::Step(_) => (Some(step::rule()), Sign::Free),
    }
}

/// Most that a rule of thumb takes off a price, as a share.
const MOST_OFF: f64 = 0.9;

/// Low end of a rule of thumb whose high end is more than the unit costs.
const LITTLE_OFF: f64 = 0.3;

/// Both ends of a range as shares of the price: per cents over 100, money over `base`.
fn shares(range: Range, base: f64) -> (f64, f64) {
    let share = |end: rust_decimal::Decimal| {
        let end = end.to_f64().unwrap_or(0.0);
        match range.unit {
            RangeUnit::Percent => end / 100.0,
            RangeUnit::Money => end / base,
        }
    };
    (share(range.low), share(range.high))
}

/// The rule of thumb for the price of a parts-only unit over that of a working one (log).
pub fn parts_rule(settings: &Settings) -> Prior {
    let (low, high) = shares(settings.rules.parts_only, 1.0);
    prior_of(low.ln(), high.ln())
}
