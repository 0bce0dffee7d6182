//! The other models of a book, and what they say to one of them.

use super::AppError;
use super::parallel::lock;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};

use chrono::NaiveDate;
use polars::prelude::{DataFrame, IdxSize};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::app::timeline::{Timeline, before_month};
use crate::band::related::{MOST_COMPS, MOST_MODELS, learn, speak};
use crate::fit::pool::{Learnt, Pool};
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select_each};
use crate::select::{Selection, Subject};
use crate::settings::{PoolFrom, Settings};
use crate::trade::comp::PriceBasis;

/// What each model (by key) was heard to say, most comps first.
type Heard = Vec<(String, Learnt)>;

/// Keys of models, most comps first.
#[derive(Debug, Default)]
pub(crate) struct Ranked {
    all: Vec<String>,
    /// Where only models of a family speak to each other.
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

    /// The models that may speak to one (by key): at most [`MOST_MODELS`], most comps first.
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

/// What models say of adjustments on one day, each fitted once.
pub(crate) struct Related {
    settings: Settings,
    learnt: BTreeMap<String, Learnt>,
    pools: Mutex<HashMap<String, Arc<Pool>>>,
}

impl Related {
    /// The models of a frame, fitted on all cores.
    ///
    /// # Errors
    /// Where the frame is not as the book makes it.
    pub(crate) fn fitted(
        comps: &DataFrame,
        settings: &Settings,
        as_of: NaiveDate,
    ) -> Result<Self, AppError> {
        let found = if comps.height() == 0 {
            BTreeMap::new()
        } else {
            select_each(comps, &question(as_of, settings, &Subject::blank("")))?
        };
        let learnt = learn_all(found.into_iter().collect(), true, settings);
        Ok(Self {
            settings: settings.clone(),
            learnt: learnt.into_iter().collect(),
            pools: Mutex::default(),
        })
    }

    /// Whether they say the same to a unit with these settings: of all that can be said otherwise of a
    /// unit, only the window and the basis of prices matter to other models.
    pub(crate) fn serves(&self, settings: &Settings) -> bool {
        let said = |settings: &Settings| -> (u32, PriceBasis) {
            (settings.estimate.window_days, settings.price_basis)
        };
        said(&self.settings) == said(settings)
    }

    /// What the others say to a model (by key), undated sales among theirs.
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

/// What is asked of the comps of other models; the unit has to be blank.
fn question<'q>(as_of: NaiveDate, settings: &Settings, subject: &'q Subject) -> Query<'q> {
    Query {
        subject,
        // Of a unit of which nothing is said, pieces tell nothing.
        wording: Wording::of("", settings),
        as_of,
        window_days: settings.estimate.window_days,
        basis: settings.price_basis,
        most: MOST_COMPS,
    }
}

/// What each says, undated sales counting or not: in their order, over all cores.
fn learn_all(selections: Vec<(String, Selection)>, undated: bool, settings: &Settings) -> Heard {
    let learnt = |(key, selection)| Some((key, learn(selection, undated, settings)?));
    selections.into_par_iter().filter_map(learnt).collect()
}

/// Models that may speak to others on any day: those with most sales up to then, undated sales never
/// counting. Threads share it.
pub struct RelatedModels<'a> {
    timeline: &'a Timeline<'a>,
    /// By the day up to which sales are known.
    heard: Mutex<BTreeMap<NaiveDate, Arc<Heard>>>,
    pools: Mutex<BTreeMap<(String, NaiveDate), Arc<Pool>>>,
}

impl<'a> RelatedModels<'a> {
    /// The models of a book as they were on each day.
    pub fn on_each_day(timeline: &'a Timeline<'a>) -> Self {
        Self {
            timeline,
            heard: Mutex::default(),
            pools: Mutex::default(),
        }
    }

    /// The settings by which they speak.
    pub fn settings(&self) -> &'a Settings {
        self.timeline.settings()
    }

    /// What the others say to a model (by key) from their dated sales up to `as_of`.
    ///
    /// # Errors
    /// Where the frame is not as the book makes it.
    fn pool(&self, key: &str, as_of: NaiveDate) -> Result<Arc<Pool>, AppError> {
        let place = (key.to_string(), as_of);
        if let Some(pool) = lock(&self.pools).get(&place) {
            return Ok(pool.clone());
        }
        let settings = self.settings();
        let heard = self.heard(as_of)?;
        let others = heard
            .iter()
            .filter(|(other, _)| other != key && speak(key, other, settings))
            .take(MOST_MODELS)
            .map(|(_, learnt)| learnt);
        let pool = Arc::new(Pool::of(others, settings.family(key)));
        lock(&self.pools).insert(place, pool.clone());
        Ok(pool)
    }

    /// What the others say to a model (by key) from their dated sales before the month of `day`: of
    /// a sale of that day they know nothing of its day or later, and each is fitted once a month.
    ///
    /// # Errors
    /// Where the frame is not as the book makes it.
    pub fn pool_before_month(&self, key: &str, day: NaiveDate) -> Result<Arc<Pool>, AppError> {
        self.pool(key, before_month(day))
    }

    fn heard(&self, as_of: NaiveDate) -> Result<Arc<Heard>, AppError> {
        if let Some(heard) = lock(&self.heard).get(&as_of) {
            return Ok(heard.clone());
        }
        let settings = self.settings();
        let (models, comps) = self.timeline.speaking(as_of)?;
        let mut found = select_each(&comps, &question(as_of, settings, &Subject::blank("")))?;
        let selections = models
            .into_iter()
            .filter_map(|key| found.remove(&key).map(|selection| (key, selection)));
        let heard = Arc::new(learn_all(selections.collect(), false, settings));
        lock(&self.heard).insert(as_of, heard.clone());
        Ok(heard)
    }
}
