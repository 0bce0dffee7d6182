//! From selected comps to a fitted design: posteriors, gross errors, coefficients.

use std::sync::Arc;

use super::fits::Fits;
use crate::fit::design;
use crate::fit::matrix::Design;
use crate::fit::pool::Pool;
use crate::fit::posterior::Posterior;
use crate::fit::posterior::Question;
use crate::fit::posterior::SpreadPrior;
use crate::fit::prior::Belief;
use crate::fit::prior::Prior;
use crate::fit::robust;
use crate::fit::robust::Loss;
use crate::fit::robust::Options;
use crate::fit::solve::Sign;
use crate::fit::solve::SolveError;
use crate::fit::term::Fact;
use crate::fit::term::SoldTerm;
use crate::fit::term::Term;
use crate::select::Candidate;
use crate::select::Dropped;
use crate::select::Selection;
use crate::select::order::NORMAL_DECILE;
use crate::select::pieces::Wording;
use crate::settings::Errors;
use crate::settings::EstimateSettings;
use crate::settings::Settings;
use crate::trade::Unit;
use crate::trade::attributes::Scale;
use crate::trade::comp::HowSold;
use chrono::NaiveDate;
use nalgebra::DVector;
use std::collections::{BTreeMap, BTreeSet};

/// Reason why there is no estimate.
#[derive(Debug, thiserror::Error)]
pub enum EstimateError {
    /// Neither a comp nor a rule of thumb informs the price.
    #[error("nothing to go by: {0}")]
    NoEvidence(String),
    /// The fit failed.
    #[error("the comps cannot be fitted: {0}")]
    Fit(#[from] SolveError),
}

/// A value with its middle 80 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// The value.
    pub value: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
}

/// A unit with defaults for what is not known of it.
pub(super) struct Resolved {
    /// The unit.
    pub subject: Unit,
    /// The defaults, in words.
    pub assumptions: Vec<String>,
    /// The facts among them that neither the user nor a comp in use states.
    pub unstated: Vec<Fact>,
}

/// Fills in facts that are known neither for the unit nor for any comp in use. A fact that is known
/// for comps only stays unknown: the unit may have any of their values ([`Design::possible`]).
pub(super) fn resolve(subject: &Unit, selection: &Selection, settings: &Settings) -> Resolved {
    let mut subject = Unit {
        model: selection.model.clone(),
        ..subject.clone()
    };
    let (mut assumptions, mut unstated) = (Vec::new(), Vec::new());
    let known = |of: &dyn Fn(&Candidate) -> bool| selection.in_use().any(of);
    if subject.grade.is_none() && !known(&|c| !c.grade.is_empty()) {
        let middle = &settings.grades[(settings.grades.len() - 1) / 2].name;
        assumptions.push(format!("grade {middle}{STATED_NOWHERE}"));
        subject.grade = Some(middle.clone());
        unstated.push(Fact::Grade);
    }
    if subject.completeness.is_none() {
        let (assumption, is_stated) = completeness(&mut subject, selection, settings);
        assumptions.extend(assumption);
        unstated.extend((!is_stated).then_some(Fact::Completeness));
    }
    if subject.how_sold.is_none() && !known(&|c| c.how_sold.is_some()) {
        assumptions.push(format!("{}{STATED_NOWHERE}", HowSold::Fixed.phrase()));
        subject.how_sold = Some(HowSold::Fixed);
        unstated.push(Fact::HowSold);
    }
    assumptions.extend(outlets(&subject, selection, settings));
    // A venue without a price factor is the reference.
    let venue = subject.venue.take();
    let priced = venue.and_then(|venue| settings.priced_outlet(&venue).map(str::to_string));
    subject.venue = priced;
    Resolved {
        subject,
        assumptions,
        unstated,
    }
}

/// Where the unit is taken to be sold, in words, if that is not known and a comp in use was sold at an outlet
/// with a price factor.
fn outlets(subject: &Unit, selection: &Selection, settings: &Settings) -> Option<String> {
    settings.priced_outlets().next()?;
    if subject.venue.is_some() {
        return None;
    }
    let there = |comp: &Candidate| settings.priced_outlet(&comp.venue);
    let names: BTreeSet<&str> = selection.in_use().filter_map(there).collect();
    let names: Vec<&str> = names.into_iter().collect();
    (!names.is_empty()).then(|| format!("sold elsewhere than at {}", names.join(", ")))
}

/// Fills in the completeness if the named pieces determine it, or if no comp records it. Returns
/// the assumption in words, and whether the user or a comp states the fact.
fn completeness(
    subject: &mut Unit,
    selection: &Selection,
    settings: &Settings,
) -> (Option<String>, bool) {
    let wording = Wording::of(&subject.model, settings);
    if let Some(level) = wording.implied_word(&subject.missing, &subject.extras) {
        subject.completeness = level.map(str::to_string);
        let level = level.unwrap_or("the whole kit");
        let assumption = format!("completeness {level} but for what is named");
        return (Some(assumption), true);
    }
    if selection
        .in_use()
        .any(|c| c.pieces(&wording).set().is_some())
    {
        return (None, true);
    }
    let level = &settings.completeness[settings.completeness.len() / 2].name;
    subject.completeness = Some(level.clone());
    (Some(format!("completeness {level}{STATED_NOWHERE}")), false)
}

/// Probability of being mistyped from which a price is a gross error.
const GROSS: f64 = 0.7;

/// Fewest comps for the detection of gross errors.
const FEWEST: usize = 5;

/// Fits with steps on these days, drops gross errors and fits again.
///
/// A gross error is a price with a probability of at least [`GROSS`] of being mistyped, given all
/// comps ([`Posterior::mistyped`]). The comps themselves determine the spread, so that a rule of
/// thumb which they contradict makes no correct sale a gross error.
pub(super) fn fit_with(
    selection: &mut Selection,
    asked: Asked<'_>,
    steps: &[NaiveDate],
) -> Result<(Design, Arc<Posterior>), EstimateError> {
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

/// The posterior of a design under the settings.
pub(super) fn posterior_of(
    design: &Design,
    asked: Asked<'_>,
) -> Result<Arc<Posterior>, EstimateError> {
    let (works, settings) = (asked.subject.works, &asked.settings.estimate);
    let usual = SpreadPrior::about(usual_spread(settings, works), settings.spread_worth);
    let spread = asked.pool.spread(&usual);
    let options = options(settings, works);
    // Huber's and Tukey's estimators determine the weight of each comp; the errors are then normal.
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
    // What is believed of the unit itself belongs to this unit alone.
    let shared = asked.fits.filter(|_| asked.level.is_none());
    let posterior = match shared {
        Some(fits) => fits.posterior(&question),
        None => Posterior::of(&question).map(Arc::new),
    };
    posterior.ok_or(EstimateError::Fit(SolveError::NotFinite))
}

/// Usual standard deviation of single sales, log price.
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

/// Drops each used comp for which `verdict`, called with its position among them, gives a reason;
/// never pinned ones. Returns whether any was dropped.
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

fn what_to_record(selection: &Selection, subject: &Unit) -> String {
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

/// Degrees of freedom above which errors are treated as normal: the quantiles of a band differ by
/// less than a millionth of its width, and the functions of the t distribution converge ever more
/// slowly.
const MOST_NU: f64 = 1e6;

fn options(settings: &EstimateSettings, works: bool) -> Options {
    let loss = match settings.errors {
        Errors::StudentT if settings.nu > MOST_NU => Loss::StudentT { nu: f64::INFINITY },
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

impl Spread {
    pub(crate) fn map(self, to: impl Fn(f64) -> f64) -> Self {
        Self {
            value: to(self.value),
            low: to(self.low),
            high: to(self.high),
        }
    }

    /// The range that, as a rule of thumb, gives this prior.
    pub(crate) fn of(belief: Prior) -> Self {
        Self::normal(belief.mean, belief.sd, Sign::Free)
    }

    /// The central range of a belief, with the same probability as a range of a rule of thumb.
    pub(crate) fn of_belief(belief: Belief, sign: Sign) -> Self {
        let at = |p: f64| belief.quantile(p, sign);
        Self {
            value: at(0.5),
            low: at(0.5 - RANGE_HOLDS / 2.0),
            high: at(0.5 + RANGE_HOLDS / 2.0),
        }
    }

    /// A normal belief, truncated at zero if its sign is constrained.
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

/// The information of the comps alone about coefficient `j`, given the beliefs about the others:
/// the cavity of its rule ([`crate::fit::ep`]), and its share of all information, 0..=1. `None` if
/// there is none.
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

/// Change of log price per month.
pub(super) fn monthly(design: &Design, fit: &Posterior) -> f64 {
    design.position(&Term::Trend).map_or(0.0, |j| fit.mean[j])
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
        Term::Outlet(name) => format!("sold at {name}"),
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

/// Inputs of the cases, except the comps.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked<'a> {
    /// The unit.
    pub subject: &'a Unit,
    /// A belief from elsewhere about its log price.
    pub level: Option<Belief>,
    /// Data of other models.
    pub pool: &'a Pool,
    /// Fits to share with other units.
    pub fits: Option<&'a Fits>,
    /// Settings.
    pub settings: &'a Settings,
}

/// Share of the information below which comps count as uninformative.
pub(crate) const LEAST_SAY: f64 = 0.01;

/// Suffix of an assumption if no comp states the fact.
pub(crate) const STATED_NOWHERE: &str = " (stated neither by you nor by a sale used)";

/// Probability that a range stated as a rule of thumb contains the value ([`crate::fit::prior`]).
pub(crate) const RANGE_HOLDS: f64 = 0.67;
