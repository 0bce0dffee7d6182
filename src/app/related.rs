//! The other models of a book, and their estimates of the adjustments of one model.

use super::AppError;
use super::parallel::lock;
use crate::trade::Unit;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};

use chrono::NaiveDate;
use polars::prelude::{DataFrame, IdxSize};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::app::timeline::{Timeline, before_month};
use crate::band::related::{MOST_COMPS, MOST_MODELS, learn, speak};
use crate::fit::pool::{Learnt, Pool};
use crate::select::Selection;
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select_each};
use crate::settings::{PoolFrom, Settings};
use crate::trade::comp::PriceBasis;

/// The estimates of each model (by key), most comps first.
type AllLearnt = Vec<(String, Learnt)>;

/// Keys of models, most comps first.
#[derive(Debug, Default)]
pub(crate) struct Ranked {
    all: Vec<String>,
    /// The keys by family, if only models of a family are related.
    by_family: BTreeMap<String, Vec<String>>,
}

impl Ranked {
    /// The models of these rows.
    pub(crate) fn new(rows: &HashMap<String, Vec<IdxSize>>, settings: &Settings) -> Self {
        let mut ranked: Vec<(&String, usize)> =
            rows.iter().map(|(k, rows)| (k, rows.len())).collect();
        ranked.sort_unstable_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
        let all: Vec<String> = ranked.into_iter().map(|(key, _)| key.clone()).collect();
        let mut by_family: BTreeMap<String, Vec<String>> = BTreeMap::new();
        if settings.estimate.pool == PoolFrom::Family {
            for key in &all {
                if let Some(family) = settings.family(key) {
                    by_family
                        .entry(family.to_string())
                        .or_default()
                        .push(key.clone());
                }
            }
        }
        Self { all, by_family }
    }

    /// The possible related models of one (by key): at most [`MOST_MODELS`], most comps first.
    pub(crate) fn related_to<'r>(
        &'r self,
        key: &'r str,
        settings: &Settings,
    ) -> impl Iterator<Item = &'r str> {
        let known = match settings.estimate.pool {
            PoolFrom::None => &[][..],
            PoolFrom::Book => &self.all,
            PoolFrom::Family => settings
                .family(key)
                .and_then(|family| self.by_family.get(family))
                .map_or(&[][..], Vec::as_slice),
        };
        let others = known
            .iter()
            .map(String::as_str)
            .filter(move |other| *other != key);
        others.take(MOST_MODELS)
    }
}

/// The estimates of adjustments by models on one day, each fitted once.
pub(crate) struct Related {
    settings: Settings,
    learnt: BTreeMap<String, Learnt>,
    pools: Mutex<HashMap<String, Arc<Pool>>>,
}

impl Related {
    /// Fits the models of a frame on all cores.
    ///
    /// # Errors
    /// A frame that does not have the form that the book produces.
    pub(crate) fn fitted(
        comps: &DataFrame,
        settings: &Settings,
        as_of: NaiveDate,
    ) -> Result<Self, AppError> {
        let found = if comps.height() == 0 {
            BTreeMap::new()
        } else {
            select_each(comps, &question(as_of, settings, &Unit::blank("")))?
        };
        let learnt = learn_all(found.into_iter().collect(), true, settings);
        Ok(Self {
            settings: settings.clone(),
            learnt: learnt.into_iter().collect(),
            pools: Mutex::default(),
        })
    }

    /// Whether they are valid for a unit with these settings: of all overrides of a unit, only the
    /// window and the price basis affect other models.
    pub(crate) fn serves(&self, settings: &Settings) -> bool {
        let used = |settings: &Settings| -> (u32, PriceBasis) {
            (settings.estimate.window_days, settings.price_basis)
        };
        used(&self.settings) == used(settings)
    }

    /// The pooled estimates of the others for a model (by key), with their undated sales.
    pub(crate) fn pool(&self, key: &str, ranked: &Ranked) -> Arc<Pool> {
        if let Some(pool) = lock(&self.pools).get(key) {
            return pool.clone();
        }
        let others = ranked.related_to(key, &self.settings);
        let others = others.filter_map(|other| self.learnt.get(other));
        let pool = Arc::new(Pool::of(others, self.settings.family(key)));
        lock(&self.pools).insert(key.to_string(), pool.clone());
        pool
    }
}

/// The query for the comps of other models; the unit has to be blank.
fn question<'q>(as_of: NaiveDate, settings: &Settings, subject: &'q Unit) -> Query<'q> {
    Query {
        subject,
        // The description of a blank unit has no pieces, so that the wording does not matter.
        wording: Wording::of("", settings),
        as_of,
        window_days: settings.estimate.window_days,
        basis: settings.price_basis,
        most: MOST_COMPS,
    }
}

/// The estimates of each, with or without undated sales: in order, on all cores.
fn learn_all(
    selections: Vec<(String, Selection)>,
    undated: bool,
    settings: &Settings,
) -> AllLearnt {
    let learnt = |(key, selection)| Some((key, learn(selection, undated, settings)?));
    selections.into_par_iter().filter_map(learnt).collect()
}

/// Possible related models on any day: those with most sales up to then, without undated sales.
/// Threads share it.
pub struct RelatedModels<'a> {
    timeline: &'a Timeline<'a>,
    /// Estimates by the last day of the sales they use.
    by_day: Mutex<BTreeMap<NaiveDate, Arc<AllLearnt>>>,
    pools: Mutex<BTreeMap<(String, NaiveDate), Arc<Pool>>>,
}

impl<'a> RelatedModels<'a> {
    /// The models of a book as of each day.
    pub fn on_each_day(timeline: &'a Timeline<'a>) -> Self {
        Self {
            timeline,
            by_day: Mutex::default(),
            pools: Mutex::default(),
        }
    }

    /// The settings of their estimates.
    pub fn settings(&self) -> &'a Settings {
        self.timeline.settings()
    }

    /// The pooled estimates of the others for a model (by key). They use only dated sales before
    /// the month of `day`, and each model is fitted once a month.
    ///
    /// # Errors
    /// A frame that does not have the form that the book produces.
    pub fn pool_before_month(&self, key: &str, day: NaiveDate) -> Result<Arc<Pool>, AppError> {
        let place = (key.to_string(), before_month(day));
        if let Some(pool) = lock(&self.pools).get(&place) {
            return Ok(pool.clone());
        }
        let settings = self.settings();
        let learnt = self.learnt_on(place.1)?;
        let others = learnt
            .iter()
            .filter(|(other, _)| other != key && speak(key, other, settings))
            .take(MOST_MODELS)
            .map(|(_, learnt)| learnt);
        let pool = Arc::new(Pool::of(others, settings.family(key)));
        lock(&self.pools).insert(place, pool.clone());
        Ok(pool)
    }

    fn learnt_on(&self, as_of: NaiveDate) -> Result<Arc<AllLearnt>, AppError> {
        if let Some(learnt) = lock(&self.by_day).get(&as_of) {
            return Ok(learnt.clone());
        }
        let settings = self.settings();
        let (models, comps) = self.timeline.related_on(as_of)?;
        let mut found = select_each(&comps, &question(as_of, settings, &Unit::blank("")))?;
        let selections = models
            .into_iter()
            .filter_map(|key| found.remove(&key).map(|selection| (key, selection)));
        let learnt = Arc::new(learn_all(selections.collect(), false, settings));
        lock(&self.by_day).insert(as_of, learnt.clone());
        Ok(learnt)
    }
}
