//! The other models of a book, and what they say to one of them.

use super::AppError;
use std::collections::{BTreeMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::NaiveDate;
use polars::prelude::{
    BooleanChunked, DataFrame, IntoLazy, LazyFrame, SortMultipleOptions, col, len, lit,
};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::app::timeline::{Timeline, before_month};
use crate::band::siblings::{FEWEST_COMPS, MOST_COMPS, MOST_MODELS, learn, speak};
use crate::book::store::Book;
use crate::fit::pool::{Learnt, Pool};
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select_each};
use crate::select::{Selection, Subject};
use crate::settings::{PoolFrom, Settings};
use crate::trade::names::match_key;

/// A day up to which sales are known, and whether undated ones are too.
type When = (NaiveDate, bool);

/// What each model (by key) was heard to say, most comps first.
type Heard = Vec<(String, Learnt)>;

/// Models that may speak to others. Threads share it.
pub struct Siblings<'a> {
    settings: &'a Settings,
    speakers: Speakers<'a>,
    heard: Mutex<BTreeMap<When, Arc<Heard>>>,
    pools: Mutex<BTreeMap<(String, When), Arc<Pool>>>,
}

/// Which models speak.
enum Speakers<'a> {
    /// Those with these keys, most comps first, and their comps: the same on every day.
    These(Vec<String>, DataFrame),
    /// Those with most sales up to the day.
    OnDay(&'a Timeline<'a>),
}

impl<'a> Siblings<'a> {
    /// The models of a frame.
    ///
    /// # Errors
    /// Where the frame is not as the book makes it.
    pub fn new(comps: &DataFrame, settings: &'a Settings) -> Result<Self, AppError> {
        let models = speaking(comps, settings)?;
        let chosen: HashSet<&str> = models.iter().map(String::as_str).collect();
        let keys = comps.column("model_key")?.str()?;
        let mask: BooleanChunked = keys
            .iter()
            .map(|key| Some(key.is_some_and(|key| chosen.contains(key))))
            .collect();
        let comps = comps.filter(&mask)?;
        Ok(Self::of(settings, Speakers::These(models, comps)))
    }

    /// The models of a book as they were on each day: those with most sales up to then speak, and
    /// undated sales never count.
    pub fn on_each_day(timeline: &'a Timeline<'a>) -> Self {
        Self::of(timeline.settings(), Speakers::OnDay(timeline))
    }

    fn of(settings: &'a Settings, speakers: Speakers<'a>) -> Self {
        Self {
            settings,
            speakers,
            heard: Mutex::default(),
            pools: Mutex::default(),
        }
    }

    /// The settings by which they speak.
    pub fn settings(&self) -> &'a Settings {
        self.settings
    }

    /// What the others say to a model (by key) from their sales up to `as_of`, and from undated
    /// ones where these count.
    ///
    /// # Errors
    /// Where the frame is not as the book makes it.
    pub fn pool(&self, key: &str, as_of: NaiveDate, undated: bool) -> Result<Arc<Pool>, AppError> {
        let place = (key.to_string(), (as_of, undated));
        if let Some(pool) = lock(&self.pools).get(&place) {
            return Ok(pool.clone());
        }
        let heard = self.heard(as_of, undated)?;
        let others = heard
            .iter()
            .filter(|(other, _)| other != key && speak(key, other, self.settings))
            .take(MOST_MODELS)
            .map(|(_, learnt)| learnt);
        let pool = Arc::new(Pool::of(others, self.settings.family(key)));
        lock(&self.pools).insert(place, pool.clone());
        Ok(pool)
    }

    /// What the others say to a model (by key) from their dated sales before the month of `day`: of
    /// a sale of that day they know nothing of its day or later, and each is fitted once a month.
    ///
    /// # Errors
    /// As [`Siblings::pool`].
    pub fn pool_before_month(&self, key: &str, day: NaiveDate) -> Result<Arc<Pool>, AppError> {
        self.pool(key, before_month(day), false)
    }

    fn heard(&self, as_of: NaiveDate, undated: bool) -> Result<Arc<Heard>, AppError> {
        let when = (as_of, undated);
        if let Some(heard) = lock(&self.heard).get(&when) {
            return Ok(heard.clone());
        }
        let query = Query {
            subject: &Subject::blank(""),
            // Of a unit of which nothing is said, pieces tell nothing.
            wording: Wording::of("", self.settings),
            as_of,
            window_days: self.settings.estimate.window_days,
            basis: self.settings.price_basis,
            most: MOST_COMPS,
        };
        let on_day;
        let (models, comps) = match &self.speakers {
            Speakers::These(models, comps) => (models, comps),
            Speakers::OnDay(timeline) => {
                on_day = timeline.speaking(as_of)?;
                (&on_day.0, &on_day.1)
            }
        };
        let mut found = select_each(comps, &query)?;
        let selections: Vec<(String, Selection)> = models
            .iter()
            .filter_map(|key| Some((key.clone(), found.remove(key)?)))
            .collect();
        let heard = Arc::new(self.learn_all(selections, undated));
        lock(&self.heard).insert(when, heard.clone());
        Ok(heard)
    }

    /// In their order, over all cores.
    fn learn_all(&self, selections: Vec<(String, Selection)>, undated: bool) -> Heard {
        let learnt = |(key, selection)| Some((key, learn(selection, undated, self.settings)?));
        selections.into_par_iter().filter_map(learnt).collect()
    }
}

/// The comps of a model, and what the others of the book say to it on a day.
///
/// # Errors
/// Where the book cannot be read.
pub fn comps_among(
    book: &Book,
    model: &str,
    as_of: NaiveDate,
    settings: &Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<(DataFrame, Arc<Pool>), AppError> {
    let speaks = |other: &str| speak(model, other, settings);
    let (comps, others) = book.frame_among(model, MOST_MODELS, &speaks, notice)?;
    let pool = Siblings::new(&others, settings)?.pool(&match_key(model), as_of, true)?;
    Ok((comps, pool))
}

/// What is kept is whole after each insertion, so that a thread that panicked spoils nothing.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Keys of the models with at least [`FEWEST_COMPS`] comps, and how many, most comps first.
pub(crate) fn by_comps(comps: &DataFrame) -> LazyFrame {
    comps
        .clone()
        .lazy()
        .group_by([col("model_key")])
        .agg([len().alias("comps")])
        .filter(col("comps").gt_eq(lit(FEWEST_COMPS as u32)))
        .sort(
            ["comps", "model_key"],
            SortMultipleOptions::default().with_order_descending_multi([true, false]),
        )
}

/// Keys of the models that may speak to any other, most comps first.
fn speaking(comps: &DataFrame, settings: &Settings) -> Result<Vec<String>, AppError> {
    if settings.estimate.pool == PoolFrom::None {
        return Ok(Vec::new());
    }
    let counts = by_comps(comps).collect()?;
    let all = counts.column("model_key")?.str()?.iter().flatten();
    Ok(match settings.estimate.pool {
        // One more, so that each of them has as many others.
        PoolFrom::Book => all.take(MOST_MODELS + 1).map(str::to_string).collect(),
        _ => all
            .filter(|key| settings.family(key).is_some())
            .map(str::to_string)
            .collect(),
    })
}
