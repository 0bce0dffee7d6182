//! Past sales, each estimated from earlier data only.

use super::AppError;
use crate::app::parallel::in_parallel;
use crate::trade::Unit;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use chrono::NaiveDate;
use polars::prelude::DataFrame;

use crate::app::kept::{KeptPredictions, KeptScore, KeptScores};
use crate::app::related::RelatedModels;
use crate::app::timeline::{Sale, Timeline, hash_of, settings_hash};
use crate::backtest::selfcheck::{Foreseen, Predicted, foresee, set_aside, subject_of};
use crate::band::estimate::Context;
use crate::band::recalibration::{self, Recalibration, Score};
use crate::band::related::{MOST_MODELS, speak};
use crate::book::store::{Book, FilesState};
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select};
use crate::select::{Candidate, Dropped, Selection};
use crate::settings::Settings;
use crate::trade::names::match_key;

/// A sale with its model and its prediction.
pub struct Past {
    /// The model, in the commonest spelling of its comps.
    pub model: String,
    /// The sale.
    pub sale: Candidate,
    /// Its prediction; none if there was no earlier data.
    pub predicted: Option<Predicted>,
}

/// A result with the number of past sales estimated for it.
pub struct Done<T> {
    /// The result.
    pub found: T,
    /// Number of past sales estimated in this run: those for which no earlier run stored an
    /// estimate with the same inputs.
    pub estimated: usize,
}

/// The newest scores of a book; none for a large book that was not checked in its present state.
type KnownScores = Done<Option<Vec<Score>>>;

/// Receives the number of estimated past sales and their total: first zero, last all of them. It returns whether to go
/// on; if not, nothing is kept.
pub type Progress<'a> = dyn Fn(usize, usize) -> ControlFlow<()> + Sync + 'a;

/// The error of a run that was stopped by its [`Progress`].
fn stopped() -> AppError {
    AppError::Usage("the check was stopped".into())
}

/// Size of comps files, in bytes, up to which the whole book is checked automatically (some 20 000
/// sales).
pub(crate) const SMALL: u64 = 2_000_000;

/// Longest wait until the state of the files of a large book is certain.
const PATIENCE: Duration = Duration::from_millis(2100);

/// How past sales up to `as_of` have widened or narrowed the bands. For a large book only if
/// `check` has processed its present state, because that takes longer than an estimate may.
///
/// # Errors
/// If the book cannot be read or its comps cannot be fitted.
pub fn own(
    book: &Book,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Option<Recalibration>, AppError> {
    Ok(own_and_comps(book, as_of, notice)?.0)
}

/// Like [`own`], with all comps of the book if they had to be read.
///
/// # Errors
/// Those of [`own`].
pub(crate) fn own_and_comps(
    book: &Book,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<(Option<Recalibration>, Option<DataFrame>), AppError> {
    let (scores, comps) = scores_and_comps(book, as_of, notice)?;
    let own = scores
        .found
        .and_then(|scores| recalibration::of_book(&scores, as_of));
    Ok((own, comps))
}

/// Nonconformity scores of the newest [`recalibration::RECENT`] sales up to `as_of`, ordered by
/// day; none for a large book that was not checked in its present state.
///
/// # Errors
/// Those of [`own`].
pub fn scores_up_to(
    book: &Book,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Done<Option<Vec<Score>>>, AppError> {
    Ok(scores_and_comps(book, as_of, notice)?.0)
}

/// Like [`scores_up_to`], with all comps of the book if they had to be read.
fn scores_and_comps(
    book: &Book,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<(KnownScores, Option<DataFrame>), AppError> {
    let files = book.files_state(Duration::ZERO)?;
    let kept = KeptScores::load(book);
    let without_reading = |found| Done {
        found,
        estimated: 0,
    };
    if let Some(scores) = unchanged(&kept, state(book, files), as_of) {
        return Ok((without_reading(Some(scores)), None));
    }
    if files.bytes > SMALL {
        return Ok((without_reading(None), None));
    }
    let comps = book.frame(notice)?;
    let timeline = Timeline::new(&comps, book.settings())?;
    let sales = timeline.sales(Some((as_of, recalibration::RECENT)), &timeline);
    let mut desk = Desk::new(&timeline, &timeline, &|_, _| ControlFlow::Continue(()));
    let asked = desk.scores(&sales, &kept.by_key(), Widening::Unasked)?;
    let found: Vec<Score> = asked.iter().filter_map(KeptScore::score).collect();
    let day = |day: NaiveDate| day.to_epoch_days();
    let later = timeline.newest().is_some_and(|newest| newest > as_of);
    let now = KeptScores {
        state: kept_state(book, files),
        whole: false,
        from: sales
            .last()
            .and_then(|sale| sale.day)
            .map_or(day(as_of), day),
        until: if later { day(as_of) } else { i32::MAX },
        asked,
        others: Vec::new(),
    };
    now.store(book, &kept);
    let estimated = desk.estimated;
    let done = Done {
        found: Some(found),
        estimated,
    };
    Ok((done, Some(comps)))
}

/// A hash of the inputs of the scores of a book, as far as they are known without reading its
/// comps.
fn state(book: &Book, files: FilesState) -> u64 {
    hash_of(&[settings_hash(book.settings()), files.hash])
}

/// Like [`state`], for storage; 0 if the state of the files is uncertain.
fn kept_state(book: &Book, files: FilesState) -> u64 {
    if files.sure { state(book, files) } else { 0 }
}

/// The newest scores up to a day, if the book has not changed since they were stored.
fn unchanged(kept: &KeptScores, state: u64, as_of: NaiveDate) -> Option<Vec<Score>> {
    let day = as_of.to_epoch_days();
    if kept.state != state || !(kept.whole || (kept.from..=kept.until).contains(&day)) {
        return None;
    }
    let known = kept
        .asked
        .partition_point(|kept| kept.day <= day && kept.day < i32::MAX);
    Some(newest(&kept.asked[..known]))
}

/// The newest [`recalibration::RECENT`] of some dated sales in their order; on one day those with
/// the first identifiers, as in [`Timeline::sales`].
fn newest(kept: &[KeptScore]) -> Vec<Score> {
    let from = kept.len().saturating_sub(recalibration::RECENT);
    let Some(oldest) = kept.get(from).map(|kept| kept.day) else {
        return Vec::new();
    };
    let begin = kept.partition_point(|kept| kept.day < oldest);
    let end = kept.partition_point(|kept| kept.day <= oldest);
    let of_oldest = &kept[begin..begin + (end - from)];
    let recent = of_oldest.iter().chain(&kept[end..]);
    recent.filter_map(KeptScore::score).collect()
}

/// Every single sale of the book (or of one model) with its prediction, ordered by day, undated
/// ones last. The book's sales of earlier days recalibrate the bands: those of all models, or of
/// the given one for a large book that was not checked in its present state.
///
/// # Errors
/// If there is no such model or the comps cannot be fitted.
pub fn check(
    book: &Book,
    model: Option<&str>,
    notice: &mut dyn FnMut(&str),
    progress: &Progress<'_>,
) -> Result<Done<Vec<Past>>, AppError> {
    let done = check_each(book, &[model], notice, progress, &mut |_| Ok(()))?;
    Ok(Done {
        found: done.found.into_iter().flatten().collect(),
        estimated: done.estimated,
    })
}

/// As [`check`] for each of several models, or for the whole book where none is given: the book is read
/// once, and each sale is estimated once. `also` gets the sales: all of the book, or those of each model
/// in turn where the book is large.
///
/// # Errors
/// Those of [`check`], and those of `also`.
pub fn check_each(
    book: &Book,
    models: &[Option<&str>],
    notice: &mut dyn FnMut(&str),
    progress: &Progress<'_>,
    also: &mut dyn FnMut(&Timeline<'_>) -> Result<(), AppError>,
) -> Result<Done<Vec<Vec<Past>>>, AppError> {
    let small = book.size()? <= SMALL;
    let patience = if small { Duration::ZERO } else { PATIENCE };
    // The state of the book before it is read.
    let files = book.files_state(patience)?;
    let kept = KeptScores::load(book);
    if small || models.contains(&None) {
        let comps = book.frame(notice)?;
        let timeline = Timeline::new(&comps, book.settings())?;
        let found = check_whole(book, models, (&comps, &timeline), (files, &kept), progress)?;
        also(&timeline)?;
        return Ok(found);
    }
    let whole = kept.whole && kept.state == state(book, files);
    let whole = whole.then_some(&kept);
    let mut all = Done {
        found: Vec::new(),
        estimated: 0,
    };
    for model in models.iter().flatten() {
        let one = check_model_of_large(book, model, whole, notice, progress, also)?;
        all.found.push(one.found);
        all.estimated += one.estimated;
    }
    Ok(all)
}

/// The check of a book, or of models of it, from all its sales.
fn check_whole(
    book: &Book,
    models: &[Option<&str>],
    (comps, timeline): (&DataFrame, &Timeline<'_>),
    (files, kept): (FilesState, &KeptScores),
    progress: &Progress<'_>,
) -> Result<Done<Vec<Vec<Past>>>, AppError> {
    let mut desk = Desk::new(timeline, timeline, progress);
    let sales = timeline.sales(None, timeline);
    let asked = desk.scores(&sales, &kept.by_key(), Widening::OfThese)?;
    let sizes: HashMap<u64, f64> = asked.iter().map(|kept| (kept.key, kept.size)).collect();
    let scores: Vec<Score> = asked.iter().filter_map(KeptScore::score).collect();
    let now = KeptScores {
        state: kept_state(book, files),
        whole: true,
        asked,
        ..KeptScores::default()
    };
    now.store(book, kept);
    let known = KeptPredictions::load(book);
    let mut found = Vec::with_capacity(models.len());
    let mut asked = Vec::with_capacity(models.len());
    for model in models {
        let key = model.map(match_key);
        if let Some(key) = key.as_deref()
            && timeline.models().all(|known| known != key)
        {
            // The selection reports an unknown model, with similar names.
            Model::of(key, comps, book.settings())?;
        }
        let wanted = |sale: &&Sale| key.as_deref().is_none_or(|key| sale.model == key);
        let sales: Vec<Sale> = sales.iter().filter(wanted).cloned().collect();
        found.push(desk.predicted(&sales, &sizes, &scores, &known)?);
        asked.push(sales);
    }
    let both = asked.iter().flatten().zip(found.iter().flatten());
    let predicted = both.filter_map(|(sale, past)| {
        let predicted = past.predicted.as_ref()?;
        Some((sale.key, factor_of(sale, &scores), predicted))
    });
    let predicted: Vec<(u64, f64, &Predicted)> = predicted.collect();
    known.store(book, &predicted, models.contains(&None));
    Ok(desk.done(found))
}

/// The check of one model of a large book, with the scores of the whole book if they are known.
fn check_model_of_large(
    book: &Book,
    model: &str,
    whole: Option<&KeptScores>,
    notice: &mut dyn FnMut(&str),
    progress: &Progress<'_>,
    also: &mut dyn FnMut(&Timeline<'_>) -> Result<(), AppError>,
) -> Result<Done<Vec<Past>>, AppError> {
    let settings = book.settings();
    let speaks = |other: &str| speak(model, other, settings);
    let (comps, others) = book.frame_among(model, MOST_MODELS, &speaks, notice)?;
    let key = match_key(model);
    // Here, too, the selection reports an unknown model.
    Model::of(&key, &comps, settings)?;
    let timeline = Timeline::new(&comps, settings)?;
    let others = Timeline::new(&others, settings)?;
    let mut desk = Desk::new(&timeline, &others, progress);
    let sales = timeline.sales(None, &others);
    let scores_of = |kept: &[KeptScore]| kept.iter().filter_map(KeptScore::score).collect();
    let known: Option<Vec<Score>> = whole.map(|whole| scores_of(&whole.asked));
    let past = known.as_deref().map_or(Widening::OfThese, Widening::Of);
    let asked = desk.scores(&sales, &HashMap::new(), past)?;
    let sizes = asked.iter().map(|kept| (kept.key, kept.size)).collect();
    let scores = known.unwrap_or_else(|| scores_of(&asked));
    let past = desk.predicted(&sales, &sizes, &scores, &KeptPredictions::default())?;
    also(&timeline)?;
    Ok(desk.done(past))
}

/// Widening factor for the band of a sale, from scores ordered by day: those of earlier days or,
/// for an undated sale, those before the newest.
fn factor_of(sale: &Sale, scores: &[Score]) -> f64 {
    let newest = scores.last().map(|miss| miss.day);
    let day = sale.day.filter(|_| newest.is_some()).or(newest);
    day.map_or(1.0, |day| recalibration::factor_before(scores, day))
}

/// Sales whose distributions are in memory at once.
const AT_ONCE: usize = 256;

/// The scores that make the bands of predictions wider or narrower.
#[derive(Clone, Copy)]
enum Widening<'s> {
    /// Predictions are not asked for.
    Unasked,
    /// Those of the same sales.
    OfThese,
    /// These.
    Of(&'s [Score]),
}

/// Estimates past sales, each once.
struct Desk<'a> {
    timeline: &'a Timeline<'a>,
    related: RelatedModels<'a>,
    /// Models by key.
    models: BTreeMap<String, Model>,
    /// By the keys of sales: with which widening, and the prediction.
    predicted: HashMap<u64, (f64, Option<Predicted>)>,
    progress: &'a Progress<'a>,
    estimated: usize,
    /// Sales to be estimated, those that are done among them.
    to_estimate: usize,
}

impl<'a> Desk<'a> {
    /// For the sales of a timeline, with related models from the same or another timeline.
    fn new(
        timeline: &'a Timeline<'a>,
        others: &'a Timeline<'a>,
        progress: &'a Progress<'a>,
    ) -> Self {
        Self {
            timeline,
            related: RelatedModels::on_each_day(others),
            models: BTreeMap::new(),
            predicted: HashMap::new(),
            progress,
            estimated: 0,
            to_estimate: 0,
        }
    }

    fn done<T>(&self, found: T) -> Done<T> {
        Done {
            found,
            estimated: self.estimated,
        }
    }

    /// The scores of sales in their order: known ones, and the others from estimates. Of the latter the
    /// prediction is kept too, its bands as wide as `past` scores make them.
    fn scores(
        &mut self,
        sales: &[Sale],
        known: &HashMap<u64, f64>,
        past: Widening<'_>,
    ) -> Result<Vec<KeptScore>, AppError> {
        let unknown = |sale: &&Sale| !known.contains_key(&sale.key);
        self.to_estimate += sales.iter().filter(unknown).count();
        let mut kept = Vec::with_capacity(sales.len());
        let mut found: Vec<Score> = Vec::new();
        for some in sales.chunks(AT_ONCE) {
            let asked: Vec<&Sale> = some.iter().filter(unknown).collect();
            let foreseen = self.foresee(&asked)?;
            let scored = some.iter().map(|sale| KeptScore {
                key: sale.key,
                day: sale.day.map_or(i32::MAX, |day| day.to_epoch_days()),
                size: known.get(&sale.key).copied().unwrap_or_else(|| {
                    let foreseen = foreseen.get(&sale.key).and_then(Option::as_ref);
                    KeptScore::size(foreseen)
                }),
            });
            let from = kept.len();
            kept.extend(scored);
            found.extend(kept[from..].iter().filter_map(KeptScore::score));
            let scores = match past {
                Widening::Unasked => continue,
                Widening::OfThese => &found,
                Widening::Of(scores) => scores,
            };
            self.predict(&asked, &foreseen, scores)?;
        }
        Ok(kept)
    }

    /// Keeps the predictions of sales, from their distributions and the scores before them.
    fn predict(
        &mut self,
        sales: &[&Sale],
        foreseen: &HashMap<u64, Option<Foreseen>>,
        scores: &[Score],
    ) -> Result<(), AppError> {
        let predicted = in_parallel(sales, |sale| {
            let factor = factor_of(sale, scores);
            let foreseen = foreseen.get(&sale.key).and_then(Option::as_ref);
            Ok((sale.key, (factor, foreseen.map(|of| of.predicted(factor)))))
        })?;
        self.predicted.extend(predicted);
        Ok(())
    }

    /// The prediction for a sale with bands `factor` times as wide, of this run or `known`; none where it is
    /// still to be made.
    fn prediction<'p>(
        &'p self,
        sale: &Sale,
        factor: f64,
        known: &'p KeptPredictions,
    ) -> Option<Option<&'p Predicted>> {
        match self.predicted.get(&sale.key) {
            Some((made_with, predicted)) if *made_with == factor => Some(predicted.as_ref()),
            _ => known.get(sale.key, factor).map(Some),
        }
    }

    /// Sales in their order with the predictions for them: bands as wide as the `scores` of the book make
    /// them. `sizes` are the sales' own scores by key.
    fn predicted(
        &mut self,
        sales: &[Sale],
        sizes: &HashMap<u64, f64>,
        scores: &[Score],
        known: &KeptPredictions,
    ) -> Result<Vec<Past>, AppError> {
        self.open(sales.iter().map(|sale| sale.model.as_str()))?;
        let nothing = |sale: &Sale| sizes.get(&sale.key).is_some_and(|size| size.is_nan());
        let factors: Vec<f64> = sales.iter().map(|sale| factor_of(sale, scores)).collect();
        let unknown = sales.iter().zip(&factors).filter(|(sale, factor)| {
            !nothing(sale) && self.prediction(sale, **factor, known).is_none()
        });
        let unknown: Vec<&Sale> = unknown.map(|(sale, _)| sale).collect();
        self.to_estimate += unknown.len();
        for some in unknown.chunks(AT_ONCE) {
            let foreseen = self.foresee(some)?;
            self.predict(some, &foreseen, scores)?;
        }
        let past = sales.iter().zip(&factors).filter_map(|(sale, &factor)| {
            let model = self.models.get(&sale.model)?;
            let predicted = self.prediction(sale, factor, known);
            Some(Past {
                model: model.name.clone(),
                sale: model.sales.get(&sale.comp_id)?.clone(),
                predicted: predicted.flatten().cloned(),
            })
        });
        let mut past: Vec<Past> = past.collect();
        set_aside(past.iter_mut().filter_map(|past| past.predicted.as_mut()));
        Ok(past)
    }

    /// Loads the comps of models.
    fn open<'k>(&mut self, models: impl Iterator<Item = &'k str>) -> Result<(), AppError> {
        let keys: BTreeSet<&str> = models
            .filter(|key| !self.models.contains_key(*key))
            .collect();
        let keys: Vec<&str> = keys.into_iter().collect();
        let (timeline, settings) = (self.timeline, self.related.settings());
        let opened = in_parallel(&keys, |key| {
            let model = Model::of(key, &timeline.comps_of(key)?, settings)?;
            Ok(((*key).to_string(), model))
        })?;
        self.models.extend(opened);
        Ok(())
    }

    /// Estimates sales, each from those before it, on all cores. Related models use their dated
    /// sales of the months before that of the sale ([`RelatedModels::pool_before_month`]).
    fn foresee(&mut self, sales: &[&Sale]) -> Result<HashMap<u64, Option<Foreseen>>, AppError> {
        self.open(sales.iter().map(|sale| sale.model.as_str()))?;
        let settings = self.related.settings();
        let mut wanted: HashMap<&str, HashMap<Kind, Unit>> = HashMap::new();
        for sale in sales {
            if let Some(subject) = self.models.get(&sale.model).and_then(|of| of.subject(sale)) {
                let kinds = wanted.entry(&sale.model).or_default();
                let kind = kind(&subject);
                kinds.insert(kind.clone(), of_kind(&subject.model, kind));
            }
        }
        let wanted: Vec<(&str, Kind, Unit)> = wanted
            .into_iter()
            .flat_map(|(model, kinds)| kinds.into_iter().map(move |(kind, of)| (model, kind, of)))
            .filter(|(model, kind, _)| !self.models[*model].selections.contains_key(kind))
            .collect();
        let selections = in_parallel(&wanted, |(model, kind, subject)| {
            let selection = selected(&self.models[*model].frame, subject, settings)?;
            Ok((*model, kind.clone(), selection))
        })?;
        for (model, kind, selection) in selections {
            if let Some(model) = self.models.get_mut(model) {
                model.selections.insert(kind, selection);
            }
        }
        let (done, of) = (AtomicUsize::new(self.estimated), self.to_estimate);
        let report = |done: usize| match (self.progress)(done, of) {
            ControlFlow::Continue(()) => Ok(()),
            ControlFlow::Break(()) => Err(stopped()),
        };
        report(self.estimated)?;
        let foreseen = in_parallel(sales, |sale| {
            let model = self.models.get(&sale.model);
            let foreseen = model.map(|model| model.foresee(sale, &self.related));
            report(done.fetch_add(1, Ordering::Relaxed) + 1)?;
            Ok((sale.key, foreseen.transpose()?.flatten()))
        })?;
        self.estimated += sales.len();
        Ok(foreseen.into_iter().collect())
    }
}

/// The comps of one model, selected once for each kind of unit; differences between days are then
/// derived from the selection.
struct Model {
    name: String,
    /// Day of the newest sale, on which undated ones are estimated.
    newest: NaiveDate,
    /// Single sales by identifier.
    sales: HashMap<String, Candidate>,
    frame: DataFrame,
    /// Selections by [`kind`].
    selections: HashMap<Kind, Selection>,
}

/// Facts of a unit that determine the widening steps, except its pieces: they are so various that
/// they are applied afterwards ([`Selection::asked_of`]).
type Kind = (Option<String>, Option<String>, bool);

fn kind(subject: &Unit) -> Kind {
    (
        subject.variant.clone(),
        subject.grade.clone(),
        subject.works,
    )
}

/// A unit of this kind, with any pieces.
fn of_kind(model: &str, (variant, grade, works): Kind) -> Unit {
    Unit {
        variant,
        grade,
        works,
        ..Unit::blank(model)
    }
}

impl Model {
    fn of(key: &str, frame: &DataFrame, settings: &Settings) -> Result<Self, AppError> {
        // Working units inform a parts-only unit too.
        let any = Unit {
            works: false,
            ..Unit::blank(key)
        };
        let everything = selected(frame, &any, settings)?;
        let newest = everything.candidates.iter().filter_map(|c| c.sold_on).max();
        let single = |c: &Candidate| !matches!(c.dropped, Some(Dropped::Lot(_)));
        let sales = everything.candidates.into_iter().filter(single);
        Ok(Self {
            name: everything.model,
            // If no sale of the model is dated, any day will do.
            newest: newest.unwrap_or_default(),
            sales: sales.map(|sale| (sale.comp_id.clone(), sale)).collect(),
            frame: frame.clone(),
            selections: HashMap::new(),
        })
    }

    /// The unit of one of its sales.
    fn subject(&self, sale: &Sale) -> Option<Unit> {
        Some(subject_of(&self.name, self.sales.get(&sale.comp_id)?))
    }

    fn foresee(
        &self,
        sale: &Sale,
        related: &RelatedModels<'_>,
    ) -> Result<Option<Foreseen>, AppError> {
        let settings = related.settings();
        let Some(subject) = self.subject(sale) else {
            return Ok(None);
        };
        let Some(all) = self.selections.get(&kind(&subject)) else {
            return Ok(None);
        };
        let day = sale.day.unwrap_or(self.newest);
        let context = Context {
            pool: related.pool_before_month(&sale.model, day)?,
            ..Context::default()
        };
        let mut asked = all.asked_on(day, settings.estimate.window_days);
        let wording = Wording::of(&self.name, settings);
        if let Some(own) = wording.of_unit(&subject).set() {
            asked = asked.asked_of(own, &wording);
        }
        let sale = &self.sales[&sale.comp_id];
        Ok(foresee(asked, &subject, sale, day, &context, settings)?)
    }
}

/// The comps of a model for `subject`, from any time.
fn selected(frame: &DataFrame, subject: &Unit, settings: &Settings) -> Result<Selection, AppError> {
    let query = Query {
        subject,
        wording: Wording::of(&subject.model, settings),
        as_of: NaiveDate::MAX,
        window_days: u32::MAX,
        basis: settings.price_basis,
        most: usize::MAX,
    };
    Ok(select(frame, &query)?)
}
