//! From selected comps to a finished estimate.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use nalgebra::DVector;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::cases::{self, Asked, Case, Cases};
use super::conflict::{self, Conflict};
use super::outcome::Outcome;
use super::own::Own;
use crate::fit;
use crate::fit::design::{self, Belief, Design, Fact, Possible, Prior, SoldTerm, Term};
use crate::fit::pool::{Pool, Pooled};
use crate::fit::posterior::{Posterior, Question, SpreadPrior};
use crate::fit::prior::Part as RulePart;
use crate::fit::robust::{self, Loss, Options};
use crate::fit::solve::{Sign, SolveError};
use crate::select::order::{NORMAL_DECILE, effective_number};
use crate::select::pieces::Wording;
use crate::select::{Candidate, Dropped, Selection, Step, Subject};
use crate::settings::{Errors, EstimateSettings, Settings};
use crate::trade::attributes::Scale;
use crate::trade::comp::PriceBasis;
use crate::trade::{Currency, HowSold};

/// Probability that a range stated as a rule of thumb holds ([`crate::fit::prior`]).
const RANGE_HOLDS: f64 = 0.67;

/// Share of the information below which comps are taken to say nothing.
const LEAST_SAY: f64 = 0.01;

/// Points at which the density is given.
const DENSITY_POINTS: usize = 241;

/// Why there is no estimate.
#[derive(Debug, thiserror::Error)]
pub enum EstimateError {
    /// Neither a comp nor a rule of thumb speaks of the unit.
    #[error("nothing to go by: {0}")]
    NoEvidence(String),
    /// The fit failed.
    #[error("the comps cannot be fitted: {0}")]
    Fit(#[from] SolveError),
}

/// A value with its middle 80 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// The value itself.
    pub value: f64,
    /// 10 % point.
    pub low: f64,
    /// 90 % point.
    pub high: f64,
}

/// Where an adjustment comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The rule of thumb, with under a fifth of the information from comps of the model and no
    /// more of the rest from other models than not.
    RuleOfThumb,
    /// Other models: as before, with more of the rest from them.
    OtherModels,
    /// Comps of the model and what was thought before them.
    Both,
    /// The comps alone or almost so (over four fifths).
    Comps,
}

impl Source {
    /// Word for tables and JSON.
    pub fn label(self) -> &'static str {
        match self {
            Self::RuleOfThumb => "rule of thumb",
            Self::OtherModels => "your other models",
            Self::Both => "both",
            Self::Comps => "your comps",
        }
    }
}

/// One row of the table of adjustments. Money is for *this* unit: what one of it changes, all
/// else being the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjustment {
    /// What it stands for.
    pub term: Term,
    /// In words.
    pub label: String,
    /// How many of it the unit has (a share where not recorded; months for the trend).
    pub on_unit: f64,
    /// Rule of thumb, money.
    pub rule: Spread,
    /// The rule brought up to date by other models, where they tell.
    pub others: Option<Others>,
    /// From the comps alone, money; none where they say nothing.
    pub comps: Option<Spread>,
    /// As used, money.
    pub used: Spread,
    /// As used, per cent of the price.
    pub used_percent: f64,
    /// Comps that inform it.
    pub informed_by: usize,
    /// Share of the information that comes from the comps, 0..=1.
    pub from_comps: f64,
    /// The most of it that a comp has.
    pub most: f64,
}

/// What other models say of an adjustment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Others {
    /// The rule of thumb brought up to date by them, money.
    pub spread: Spread,
    /// How many speak.
    pub models: usize,
    /// Share of the information in it that comes from them rather than the rule, 0..=1.
    pub share: f64,
}

impl Adjustment {
    /// Where it comes from.
    pub fn source(&self) -> Source {
        match self.from_comps {
            share if share < 0.2 && self.others.is_some_and(|o| o.share > 0.5) => {
                Source::OtherModels
            }
            share if share < 0.2 => Source::RuleOfThumb,
            share if share > 0.8 => Source::Comps,
            _ => Source::Both,
        }
    }
}

/// One comp of the estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct CompLine {
    /// The comp.
    pub comp: Candidate,
    /// Price brought to this unit and day; for dropped comps only where it was looked at.
    pub adjusted: Option<f64>,
    /// Price brought to this unit at the day of the sale; of the estimate, where that was not
    /// recorded.
    pub at_date: Option<f64>,
    /// Weight by age and fit, the heaviest being 1; 0 where dropped.
    pub weight: f64,
    /// Robustness weight alone: near 1 where it fits, near 0 far from what the others say.
    pub fits: f64,
}

/// What the estimate rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Comps of the model in the book.
    pub seen: usize,
    /// Comps used.
    pub used: usize,
    /// Those of them whose day was not recorded, taken as of average age.
    pub undated: usize,
    /// Those of them that were paid in another currency.
    pub converted: usize,
    /// Kish's effective number of them: `(Σw)²/Σw²`.
    pub effective: f64,
    /// Other models that an adjustment leans on.
    pub other_models: usize,
    /// Comps behind what they say.
    pub other_comps: usize,
    /// Day of the newest used.
    pub newest: Option<NaiveDate>,
    /// Day of the oldest used.
    pub oldest: Option<NaiveDate>,
    /// Change of price in a month, per cent.
    pub trend_percent: Option<Spread>,
    /// Days on which prices stepped, as far as that is sure.
    pub steps: Vec<PriceStep>,
    /// A step that is not sure, where the estimate averages over one.
    pub open_step: Option<OpenStep>,
    /// Residual spread, per cent of the price.
    pub spread_percent: f64,
    /// Half the width of the middle 80 % of the unit's level, per cent ([`Outcome::level`]).
    pub level_percent: f64,
    /// Half the width of the middle 80 % of single sales about it, per cent ([`Outcome::sale`]).
    pub sale_percent: f64,
    /// Places of the grid over residual scale and tails that carry weight.
    pub places: usize,
    /// Whether nearly all of them settled, by weight.
    pub settled: bool,
}

/// A day on which all prices of the model changed at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PriceStep {
    /// About when: the middle of the time between two sales.
    pub day: NaiveDate,
    /// Change of price, per cent.
    pub percent: Spread,
    /// Probability that there was one.
    pub probability: f64,
}

/// A step that is not sure: the estimate is an average over whether there was one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OpenStep {
    /// About when.
    pub day: NaiveDate,
    /// Change of price were there one, per cent.
    pub percent: f64,
    /// Probability that there was one.
    pub probability: f64,
    /// Price of the unit were there none, money.
    pub without: f64,
}

/// A finished estimate.
#[derive(Debug, Clone)]
pub struct Estimate {
    /// The unit, with what neither it nor any comp tells filled in.
    pub subject: Subject,
    /// What was filled in or left open, in words.
    pub assumptions: Vec<String>,
    /// What is not known of the unit though the comps tell it of theirs.
    pub unknown: Vec<Unknown>,
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Currency of all money.
    pub currency: Currency,
    /// Which price is meant.
    pub basis: PriceBasis,
    /// Chance of the band, per cent.
    pub chance: u8,
    /// Median price.
    pub median: Decimal,
    /// Lower end of the band.
    pub low: Decimal,
    /// Upper end of the band.
    pub high: Decimal,
    /// What it rests on.
    pub evidence: Evidence,
    /// Widening steps taken.
    pub steps: Vec<Step>,
    /// Adjustments, in the order of the model.
    pub adjustments: Vec<Adjustment>,
    /// Comps, newest first.
    pub comps: Vec<CompLine>,
    /// What to be careful about, in plain words.
    pub warnings: Vec<String>,
    /// Fitted price of this unit by date.
    pub trend: Vec<(NaiveDate, f64)>,
    /// The distribution of log price.
    pub outcome: Outcome,
    /// For a parts-only unit where working ones were called in: what it would fetch working.
    pub working: Option<f64>,
    /// How the bands of past estimates held, where the book was asked.
    pub own: Option<Own>,
    /// Rules of thumb that the comps contradict, those that matter most first.
    pub conflicts: Vec<Conflict>,
}

/// What is known besides the comps at hand.
#[derive(Debug, Clone, Default)]
pub struct Aids {
    /// What the book's own past says of its bands.
    pub own: Option<Own>,
    /// What other models say of the adjustments ([`super::siblings`]). They speak of working units:
    /// of a unit for parts they tell what it would fetch working.
    pub pool: Arc<Pool>,
}

impl Estimate {
    /// Price and density per unit of money, ascending.
    pub fn density(&self) -> Vec<(f64, f64)> {
        self.outcome
            .density(f64::from(self.chance) / 100.0, DENSITY_POINTS)
    }
}

/// Estimates the price of `subject` from a widened selection.
///
/// # Errors
/// [`EstimateError::NoEvidence`] where there is neither a comp nor a rule of thumb for the
/// model's price.
pub fn estimate(
    selection: Selection,
    subject: &Subject,
    settings: &Settings,
    as_of: NaiveDate,
    chance: u8,
) -> Result<Estimate, EstimateError> {
    estimate_with(
        &Aids::default(),
        selection,
        subject,
        settings,
        as_of,
        chance,
    )
}

/// As [`estimate`], with what is known besides.
///
/// # Errors
/// As [`estimate`].
pub fn estimate_with(
    aids: &Aids,
    mut selection: Selection,
    subject: &Subject,
    settings: &Settings,
    as_of: NaiveDate,
    chance: u8,
) -> Result<Estimate, EstimateError> {
    let (subject, mut assumptions) = resolve(subject, &selection, settings);
    let working = working_price(&mut selection, &subject, &aids.pool, settings);
    let level = working.map(|prior| parts_price(prior, settings));
    let silent = Pool::default();
    let pool = if subject.works { &aids.pool } else { &silent };
    let asked = Asked {
        subject: &subject,
        level,
        pool,
        settings,
    };
    let cases = Cases::of(&mut selection, asked)?;
    let outcome = cases
        .outcome()
        .widened(aids.own.map_or(1.0, |own| own.widening));
    let (low, high) = outcome.band(f64::from(chance) / 100.0);
    let money = |log: f64| {
        settings.currency.from_statistics(log.exp()).ok_or_else(|| {
            EstimateError::NoEvidence(
                "the prices are too far apart for a band that can be written in money".into(),
            )
        })
    };
    let Case { design, fit, .. } = cases.main();
    let mut unknown = unknowns(design, fit, &outcome);
    if !subject.works {
        // What is known of a unit for parts also decides which comps are called in.
        unknown
            .iter_mut()
            .for_each(|one| one.if_known_percent = one.half_width_percent);
    }
    assumptions.extend(unknown.iter().map(Unknown::words));
    let adjustments = adjustments(design, fit, settings, &selection);
    let comps = comp_lines(&selection, &cases);
    let evidence = evidence(&selection, &cases, &outcome, pool);
    let conflicts = conflict::conflicts(&conflict::heard(design, fit, &selection, settings));
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
        unknown,
        as_of,
        chance,
        evidence,
        adjustments,
        comps,
        outcome,
        working: working.map(|prior| prior.mean.exp()),
        own: aids.own,
    };
    estimate.warnings = super::warnings::warnings(&estimate, settings);
    Ok(estimate)
}

/// What a parts-only subject would fetch if it worked, from the working units that were called
/// in: they then leave the fit, for parts are another market with another spread. `None` where
/// there are none.
fn working_price(
    selection: &mut Selection,
    subject: &Subject,
    pool: &Pool,
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
    let subject = Subject {
        works: true,
        ..subject.clone()
    };
    let asked = Asked {
        subject: &subject,
        level: None,
        pool,
        settings,
    };
    let (design, fit) = fit_trimmed(&mut working, asked).ok()?;
    Some(Prior {
        mean: design.subject.dot(&fit.mean),
        sd: fit.variance(&design.subject).sqrt(),
    })
}

/// What the parts-only rule makes of the price of a working unit.
fn parts_price(working: Prior, settings: &Settings) -> Belief {
    let rule = Belief::of_rule(design::parts_rule(settings));
    let part = |part: RulePart| RulePart {
        mean: working.mean + part.mean,
        sd: working.sd.hypot(part.sd),
        ..part
    };
    Belief {
        parts: rule.parts.map(part),
    }
}

/// Fills in what was not said of the unit and what no comp in use tells either. What comps tell and
/// was not said stays unknown: the unit may be any of them ([`Design::possible`]).
pub(super) fn resolve(
    subject: &Subject,
    selection: &Selection,
    settings: &Settings,
) -> (Subject, Vec<String>) {
    let mut subject = Subject {
        model: selection.model.clone(),
        ..subject.clone()
    };
    let mut assumptions = Vec::new();
    let known = |of: &dyn Fn(&Candidate) -> bool| selection.in_use().any(of);
    if subject.grade.is_none() && !known(&|c| !c.grade.is_empty()) {
        let middle = &settings.grades[(settings.grades.len() - 1) / 2].name;
        assumptions.push(format!("grade {middle}{NO_COMP_SAYS}"));
        subject.grade = Some(middle.clone());
    }
    if subject.completeness.is_none() {
        assumptions.extend(completeness(&mut subject, selection, settings));
    }
    if subject.how_sold.is_none() && !known(&|c| c.how_sold.is_some()) {
        assumptions.push(format!("{}{NO_COMP_SAYS}", HowSold::Fixed.phrase()));
        subject.how_sold = Some(HowSold::Fixed);
    }
    (subject, assumptions)
}

/// Fills in the completeness where what is named or the silence of all comps decides it; what was
/// filled in, in words.
fn completeness(
    subject: &mut Subject,
    selection: &Selection,
    settings: &Settings,
) -> Option<String> {
    let wording = Wording::of(&subject.model, settings);
    if let Some(level) = wording.implied_word(&subject.missing, &subject.extras) {
        subject.completeness = level.map(str::to_string);
        let level = level.unwrap_or("the whole kit");
        return Some(format!("completeness {level} but for what is named"));
    }
    if selection
        .in_use()
        .any(|c| c.pieces(&wording).set().is_some())
    {
        return None;
    }
    let level = &settings.completeness[settings.completeness.len() / 2].name;
    subject.completeness = Some(level.clone());
    Some(format!("completeness {level}{NO_COMP_SAYS}"))
}

/// What an assumption goes by where no comp tells.
const NO_COMP_SAYS: &str = " (no comp says)";

/// A narrower band is promised where it is at most this share of the present one.
const NARROWER: f64 = 0.9;

/// A fact that was not said and how much narrower the band would be if it were.
#[derive(Debug, Clone, PartialEq)]
pub struct Unknown {
    /// Which.
    pub fact: Fact,
    /// Half the width of the band as it is, per cent of the likely price.
    pub half_width_percent: f64,
    /// About what it would be.
    pub if_known_percent: f64,
}

impl Unknown {
    /// In words.
    fn words(&self) -> String {
        let (now, then) = (
            self.half_width_percent.round(),
            self.if_known_percent.round(),
        );
        let say = if then <= NARROWER * now {
            format!(" (say it and the band narrows from ±{now:.0} % to about ±{then:.0} %)")
        } else {
            String::new()
        };
        format!("{} as mixed as among these comps{say}", self.fact.label())
    }
}

/// The facts that are not known of the subject, those that would narrow the band most first.
///
/// What a fact adds to the band is the variance of what the subject may be less that of the same
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
        }
    };
    let mut all: Vec<Unknown> = facts.into_iter().flatten().map(unknown).collect();
    all.sort_by(|a, b| a.if_known_percent.total_cmp(&b.if_known_percent));
    all
}

/// Variance of log price over what the subject may be, the columns of `known` at their mean.
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

/// Half the width of a log interval, per cent of the price at its `centre`.
fn half_width_percent((low, high): (f64, f64), centre: f64) -> f64 {
    50.0 * ((high - centre).exp() - (low - centre).exp())
}

/// Probability of being mistyped from which a price is a gross error.
const GROSS: f64 = 0.7;

/// Fewest comps among which there may be gross errors.
const FEWEST: usize = 5;

/// [`fit_with`] the steps that are likelier than not.
pub(super) fn fit_trimmed(
    selection: &mut Selection,
    asked: Asked<'_>,
) -> Result<(Design, Posterior), EstimateError> {
    let without = fit_with(selection, asked, &[])?;
    let likely = cases::steps(selection, asked)?
        .into_iter()
        .take_while(|step| step.probability > 0.5);
    let days: Vec<NaiveDate> = likely.map(|step| step.day).collect();
    if days.is_empty() {
        return Ok(without);
    }
    fit_with(selection, asked, &days)
}

/// Fits with steps on these days, drops gross errors and fits again.
///
/// A gross error is a price that is more likely mistyped than not, at [`GROSS`], in the light of all
/// comps ([`Posterior::mistyped`]). As the comps themselves say what they differ by, a rule of thumb
/// that they contradict makes no honest sale a gross error.
pub(super) fn fit_with(
    selection: &mut Selection,
    asked: Asked<'_>,
    steps: &[NaiveDate],
) -> Result<(Design, Posterior), EstimateError> {
    let fit = |selection: &Selection| {
        let design = build(selection, asked, steps)?;
        let fit = posterior_of(&design, asked)?;
        Ok::<_, EstimateError>((design, fit))
    };
    let mut made = fit(selection)?;
    let (design, posterior) = &made;
    let mistyped = posterior.mistyped();
    let enough = mistyped.len() >= FEWEST;
    let residuals = &design.y - &design.x * &posterior.mean;
    let verdict = |at: usize| {
        (enough && mistyped[at] > GROSS).then(|| Dropped::GrossError(residuals[at].exp()))
    };
    if drop_where(selection, verdict) {
        made = fit(selection)?;
    }
    Ok(made)
}

/// The posterior of a design by the settings.
pub(super) fn posterior_of(design: &Design, asked: Asked<'_>) -> Result<Posterior, EstimateError> {
    let (works, settings) = (asked.subject.works, &asked.settings.estimate);
    let usual = SpreadPrior::about(usual_spread(settings, works), settings.spread_worth);
    let spread = asked.pool.spread(&usual);
    let options = options(settings, works);
    // Huber's and Tukey's estimators say how much each comp counts; what remains is normal.
    let weights = match options.loss {
        Loss::Huber { .. } | Loss::Tukey { .. } => {
            let fit = robust::fit(&design.problem(&design.penalties()), &options)?;
            let pairs = design.weights.iter().zip(&fit.robust);
            pairs.map(|(w, u)| w * u.max(1e-6)).collect()
        }
        Loss::StudentT { .. } | Loss::LeastSquares => design.weights.clone(),
    };
    let question = Question {
        x: &design.x,
        y: &design.y,
        weights: &weights,
        rules: &design.rules,
        spread: &spread,
        nu: options.loss.nu(),
        start: design.start(),
    };
    Posterior::of(&question).ok_or(EstimateError::Fit(SolveError::NotFinite))
}

/// How far single sales usually fall from their mark, log price.
pub(super) fn usual_spread(settings: &EstimateSettings, works: bool) -> f64 {
    if works {
        settings.spread
    } else {
        settings.parts_spread
    }
}

/// The design of the comps in use, with steps on these days.
pub(super) fn build(
    selection: &Selection,
    asked: Asked<'_>,
    steps: &[NaiveDate],
) -> Result<Design, EstimateError> {
    let looked_at = |i: &usize| {
        selection.candidates[*i]
            .dropped
            .is_some_and(Dropped::is_looked_at)
    };
    let also: Vec<usize> = (0..selection.candidates.len()).filter(looked_at).collect();
    let used = selection.used();
    let mut design = design::build(
        &selection.candidates,
        &used,
        &also,
        asked.subject,
        asked.level,
        asked.pool,
        asked.settings,
    )
    .ok_or_else(|| EstimateError::NoEvidence(what_to_record(selection, asked.subject)))?;
    for day in steps {
        let others = also.iter().map(|&i| &selection.candidates[i]);
        design.add_step(*day, selection.in_use(), others);
    }
    Ok(design)
}

/// Drops used comps (`verdict` is asked by position among them), pinned ones apart; whether
/// any was.
fn drop_where(selection: &mut Selection, verdict: impl Fn(usize) -> Option<Dropped>) -> bool {
    let mut any = false;
    for (at, i) in selection.used().into_iter().enumerate() {
        let comp = &mut selection.candidates[i];
        if !comp.pinned
            && let Some(reason) = verdict(at)
        {
            comp.dropped = Some(reason);
            any = true;
        }
    }
    any
}

fn what_to_record(selection: &Selection, subject: &Subject) -> String {
    let kind = if subject.works {
        "working"
    } else {
        "parts-only"
    };
    let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
    for comp in &selection.candidates {
        if let Some(dropped) = comp.dropped {
            *reasons.entry(dropped.reason()).or_insert(0) += 1;
        }
    }
    let mut text = format!(
        "of {} comps of {:?} none speaks of a {kind} unit",
        selection.seen, selection.model
    );
    if !reasons.is_empty() {
        let list: Vec<String> = reasons
            .into_iter()
            .map(|(reason, count)| format!("{count} {reason}"))
            .collect();
        text.push_str(&format!(" ({})", list.join(", ")));
    }
    text.push_str(&format!(
        "; record one sale of a single {kind} unit (compband log), or give the model's kit a price in compband.toml"
    ));
    text
}

fn options(settings: &EstimateSettings, works: bool) -> Options {
    let loss = match settings.errors {
        Errors::StudentT => Loss::StudentT { nu: settings.nu },
        Errors::Huber => Loss::Huber { k: 1.345 },
        Errors::Tukey => Loss::Tukey { c: 4.685 },
        Errors::LeastSquares => Loss::LeastSquares,
    };
    Options {
        loss,
        prior_scale: usual_spread(settings, works) * loss.scale_of_decile(),
        prior_rows: settings.spread_worth,
        ..Options::default()
    }
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
        level_percent: half_width_percent(outcome.level(0.8), outcome.median()),
        sale_percent: half_width_percent(outcome.sale().band(0.8), 0.0),
        places: fit.places.len(),
        settled: fit.settled(),
    }
}

impl Spread {
    fn map(self, to: impl Fn(f64) -> f64) -> Self {
        Self {
            value: to(self.value),
            low: to(self.low),
            high: to(self.high),
        }
    }

    /// A range as a rule of thumb has it.
    fn of(belief: Prior) -> Self {
        Self::normal(belief.mean, belief.sd, Sign::Free)
    }

    /// The middle of a belief that a range as a rule of thumb has it would hold.
    fn of_belief(belief: Belief, sign: Sign) -> Self {
        let at = |p: f64| belief.quantile(p, sign);
        Self {
            value: at(0.5),
            low: at(0.5 - RANGE_HOLDS / 2.0),
            high: at(0.5 + RANGE_HOLDS / 2.0),
        }
    }

    /// A normal belief, which a sign keeps on one side of zero.
    fn normal(mean: f64, sd: f64, sign: Sign) -> Self {
        let (low, high) = (mean - NORMAL_DECILE * sd, mean + NORMAL_DECILE * sd);
        match sign {
            Sign::Free => Self {
                value: mean,
                low,
                high,
            },
            Sign::NotNegative => Self {
                value: mean.max(0.0),
                low: low.max(0.0),
                high: high.max(0.0),
            },
            Sign::NotPositive => Self {
                value: mean.min(0.0),
                low: low.min(0.0),
                high: high.min(0.0),
            },
        }
    }
}

/// What the comps alone say of coefficient `j`, in the light of what is thought of the others: the
/// cavity of its rule ([`crate::fit::ep`]). With it the share of the information that is theirs,
/// 0..=1. `None` where they say nothing.
pub(super) fn from_comps(design: &Design, fit: &Posterior, j: usize) -> Option<(Prior, f64)> {
    let own = fit.without_rule(design.rule_of(j)?)?;
    let (_, variance) = coefficient(design, fit, j);
    let share = (variance / own.variance).clamp(0.0, 1.0);
    let prior = Prior {
        mean: own.mean,
        sd: own.variance.sqrt(),
    };
    (share > LEAST_SAY && design.columns[j].informed_by > 0).then_some((prior, share))
}

/// Coefficient `j` with its posterior middle 80 %, log scale, and its posterior variance.
pub(super) fn coefficient(design: &Design, fit: &Posterior, j: usize) -> (Spread, f64) {
    let mut row = DVector::zeros(design.columns.len());
    row[j] = 1.0;
    let variance = fit.variance(&row);
    let spread = Spread::normal(fit.mean[j], variance.sqrt(), design.columns[j].sign);
    (spread, variance)
}

/// Change of log price in a month.
pub(super) fn monthly(design: &Design, fit: &Posterior) -> f64 {
    design.position(&Term::Trend).map_or(0.0, |j| fit.mean[j])
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
        // From one fewer where the unit has it, so that of two extras the last is priced.
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

/// What other models say, from the belief `prior` that they made of the rule.
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

/// What every comp has in common with the unit, by rule of thumb or other models.
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

pub(super) fn label(term: &Term, settings: &Settings, selection: &Selection) -> String {
    let grade = |i: usize| settings.grades[i].name.as_str();
    let level = |i: usize| settings.completeness[i].name.as_str();
    match term {
        Term::Level => "level".into(),
        Term::Grade(i) => format!("grade {} to {}", grade(*i), grade(i + 1)),
        Term::Completeness(i) => format!("{} to {}", level(*i), level(i + 1)),
        Term::Missing(piece) => format!("{piece} missing"),
        Term::Extra(extra) => format!("extra: {extra}"),
        Term::Defect(defect) => format!("defect: {defect}"),
        Term::Attribute(name) => attribute_label(name, settings, &selection.model),
        Term::Sold(SoldTerm::Auction) => "sold by auction".into(),
        Term::Sold(SoldTerm::Offer) => "sold by offer".into(),
        Term::Variant(key) => {
            let same = |c: &&Candidate| crate::trade::names::match_key(&c.variant) == *key;
            let name = selection
                .candidates
                .iter()
                .find(same)
                .map_or(key.as_str(), |c| c.variant.as_str());
            format!("variant {name}")
        }
        Term::Trend => "a month later".into(),
        Term::PartsOnly => "for parts only".into(),
        Term::Step(day) => format!("sold before the step of {day}"),
    }
}

/// `storage, doubled`; `battery health, 1 % more`.
fn attribute_label(name: &str, settings: &Settings, model: &str) -> String {
    let declared = settings.attribute(model, name);
    match declared.map(|attribute| (attribute.scale, attribute.unit.as_str())) {
        Some((Scale::Doubling, _)) => format!("{name} doubled"),
        Some((Scale::Log, _)) => format!("{name} times 2.718"),
        Some((Scale::Unit, unit)) if !unit.is_empty() => format!("{name}, 1 {unit} more"),
        _ => format!("{name}, 1 more"),
    }
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

/// Fitted price of the unit from the oldest comp used to the day of the estimate, with the days
/// before and of each step; nothing where none is dated.
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
