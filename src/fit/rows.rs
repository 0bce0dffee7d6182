//! Facts as amounts of terms: one row for each unit, sparse.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::facts::Facts;
use super::term::{MOST_OWN, SoldTerm, Term};
use crate::select::pieces::{Described, Set, Wording};
use crate::settings::Settings;
use crate::trade::HowSold;

/// Most names of one kind (missing pieces, extras, defects) with a separate column; the rarer ones
/// share one.
const MOST_NAMES: usize = 12;

pub(super) type Row = BTreeMap<Term, f64>;

/// Share of each recorded value: the distribution of an unrecorded one.
pub(super) struct Shares {
    grades: Vec<f64>,
    /// Possible sets of a unit whose pieces are unknown.
    sets: Vec<(Set, f64)>,
    auction: f64,
    offer: f64,
    variants: BTreeMap<String, f64>,
    /// Weighted mean of the months of the dated sales; 0 if none is dated.
    months: f64,
    /// Weighted mean and variance of each declared attribute, in steps.
    pub(super) attributes: BTreeMap<String, (f64, f64)>,
}

/// Weighted mean and variance of an attribute among the comps that record it, in steps. If only one
/// or none does, every unit is assumed to equal it, or the subject.
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

/// Weighted mean of the months of the dated comps; 0 if none is dated.
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

impl Shares {
    pub(super) fn of(
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
                    // Nothing is recorded: the comps are assumed to be usual ones.
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
        // The weights of very old sales may all underflow to 0.
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

    /// The recorded level, or all levels by their shares.
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

/// The terms of a description, by description: many units share one, and with a large kit each has
/// many terms.
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

/// Encodes facts as rows.
pub(super) struct Encoder<'a> {
    shares: &'a Shares,
    wording: &'a Wording,
    pieces: PieceTerms,
}

impl<'a> Encoder<'a> {
    /// An encoder that replaces unrecorded facts by these shares.
    pub(super) fn new(shares: &'a Shares, wording: &'a Wording) -> Self {
        Self {
            shares,
            wording,
            pieces: PieceTerms::new(),
        }
    }

    /// The row of a unit.
    pub(super) fn row(&mut self, facts: &Facts<'_>) -> Row {
        let (shares, wording) = (self.shares, self.wording);
        let terms = self.pieces.entry(facts.pieces.clone());
        let mut row = terms
            .or_insert_with_key(|pieces| piece_terms(pieces, shares, wording))
            .clone();
        let months = facts.months.unwrap_or(shares.months);
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
        if let Some(outlet) = facts.outlet {
            add(Term::Outlet(outlet.into()), 1.0);
        }
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
}

/// The rows of one design, with rare names in common columns.
pub(super) struct Rows {
    /// Rows of the comps, n.
    pub(super) comps: Vec<Row>,
    /// Row of the subject.
    pub(super) own: Row,
    /// Row of the unit to which a kit's price rule applies.
    pub(super) reference: Option<Row>,
    rare: BTreeMap<Term, Vec<Term>>,
}

impl Rows {
    /// The rows of these units.
    pub(super) fn of(
        comps: &[Facts<'_>],
        own: &Facts<'_>,
        reference: Option<&Facts<'_>>,
        encoder: &mut Encoder<'_>,
    ) -> Self {
        let comps: Vec<Row> = comps.iter().map(|facts| encoder.row(facts)).collect();
        let own = encoder.row(own);
        let reference = reference.map(|facts| encoder.row(facts));
        let mut rows = Self {
            rare: rare_names(comps.iter().chain(&reference), &own),
            comps,
            own,
            reference,
        };
        let all = rows.comps.iter_mut().chain(&mut rows.reference);
        all.chain([&mut rows.own])
            .for_each(|row| pool_names(row, &rows.rare));
        rows
    }

    /// One more row, with rare names in the common columns.
    pub(super) fn pooled(&self, mut row: Row) -> Row {
        pool_names(&mut row, &self.rare);
        row
    }
}

/// Amount of a term in a row.
pub(super) fn amount(row: &Row, term: &Term) -> f64 {
    row.get(term).copied().unwrap_or(0.0)
}

/// The amounts of some terms, ascending, in a row: the position of each that the row has, and its amount.
pub(super) fn amounts<'a>(
    row: &'a Row,
    terms: &'a [Term],
) -> impl Iterator<Item = (usize, f64)> + 'a {
    let mut terms = terms.iter().enumerate().peekable();
    row.iter().filter_map(move |(term, amount)| {
        while terms.next_if(|(_, one)| *one < term).is_some() {}
        let (at, _) = terms.next_if(|(_, one)| *one == term)?;
        Some((at, *amount))
    })
}

/// Rare names, by the column that they share. Of the subject's names, those beyond [`MOST_OWN`] of
/// a kind, smallest first (with unknown completeness it may lack every piece of a kit). Of the
/// others, those beyond [`MOST_NAMES`], rarest first. This limits the number of columns, however
/// many pieces a kit has.
fn rare_names<'a>(rows: impl Iterator<Item = &'a Row>, own: &Row) -> BTreeMap<Term, Vec<Term>> {
    let mut counts: BTreeMap<Term, usize> = own.keys().map(|term| (term.clone(), 0)).collect();
    for term in rows.flat_map(|row| row.keys()) {
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
    let rare = |mut names: Vec<(Term, usize)>, most: usize| {
        names.sort_by(|a, b| {
            let by_amount = amount(own, &b.0).total_cmp(&amount(own, &a.0));
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

/// Moves rare names of a row to their common column.
fn pool_names(row: &mut Row, rare: &BTreeMap<Term, Vec<Term>>) {
    for (pool, names) in rare {
        let pooled: f64 = names.iter().filter_map(|term| row.remove(term)).sum();
        if pooled > 0.0 {
            *row.entry(pool.clone()).or_insert(0.0) += pooled;
        }
    }
}

/// Smaller differences between amounts of a term are rounding errors in sums of shares.
const SAME: f64 = 1e-9;

/// The level, and every term for which some row differs from the subject.
pub(super) fn varying_terms<'a>(rows: impl Iterator<Item = &'a Row>, own: &Row) -> Vec<Term> {
    let mut terms = BTreeSet::from([&Term::Level]);
    for row in rows {
        for (term, value) in row {
            if (amount(own, term) - value).abs() > SAME {
                terms.insert(term);
            }
        }
        for (term, value) in own {
            if value.abs() > SAME && !row.contains_key(term) {
                terms.insert(term);
            }
        }
    }
    terms.into_iter().cloned().collect()
}

/// The differences of the subject from a row in the terms without a column.
pub(super) fn beside_columns<'a>(
    row: &'a Row,
    own: &'a Row,
    columns: &'a [Term],
) -> impl Iterator<Item = (&'a Term, f64)> {
    let terms: BTreeSet<&Term> = row.keys().chain(own.keys()).collect();
    terms
        .into_iter()
        .filter(|term| columns.binary_search(term).is_err())
        .map(move |term| (term, amount(own, term) - amount(row, term)))
}

/// Comps in the smaller of the groups with and without a term, from their amounts of it.
pub(super) fn informed_by(amounts: &[f64]) -> usize {
    // An unrecorded fact gives a comp a share of the term and no information about it.
    let recorded = || amounts.iter().filter(|value| value.fract() == 0.0);
    let with = recorded().filter(|value| **value != 0.0).count();
    with.min(recorded().count() - with)
}
