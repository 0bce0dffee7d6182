//! The data of a book for one run: the run reads every comp once and fits every related model once,
//! for any number of units.

use crate::trade::Unit;
use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex};

use chrono::NaiveDate;
use polars::prelude::{DataFrame, IdxSize, PolarsResult};
use xxhash_rust::xxh3::xxh3_64;

use super::error::left_behind;
use super::parallel::{each_in_parallel, lock};
use super::related::{Ranked, Related};
use super::unit::AskedUnit;
use super::{AppError, past};
use crate::band::estimate::Context;
use crate::band::recalibration::Recalibration;
use crate::band::related::{MOST_MODELS, speak};
use crate::book::comps::frame::{CONTENT_HASH, rows_by_key, take};
use crate::book::store::Book;
use crate::settings::{PoolFrom, Settings};
use crate::trade::names::match_key;

/// A unit to be estimated, in the words of the book.
#[derive(Debug, Clone)]
pub struct Asked<'k> {
    /// The book's settings with the overrides of this unit.
    pub settings: Arc<Settings>,
    /// The unit.
    pub subject: Unit,
    /// Comps always used, whatever the tests find, by prefixes of their identifiers.
    pub keep: &'k [String],
    /// Comps never used, likewise.
    pub drop: &'k [String],
}

/// The data of a book on one day. Threads share it.
pub struct Reader<'a> {
    book: &'a Book,
    as_of: NaiveDate,
    own: Option<Recalibration>,
    /// Keys of the models of the units.
    keys: Vec<String>,
    comps: Comps,
    /// Related models; units with equivalent settings share an entry.
    related: Mutex<Vec<Arc<Related>>>,
    /// The table of a model without comps.
    unknown: Mutex<Option<DataFrame>>,
}

/// Comps with the rows of each model.
struct Comps {
    frame: DataFrame,
    /// Rows by key, in the order of the book.
    rows: HashMap<String, Vec<IdxSize>>,
    /// The possible related models of these, and perhaps others.
    ranked: Ranked,
}

impl<'a> Reader<'a> {
    /// Reads the comps of some models and of their related models, and the recalibration.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn new<'m>(
        book: &'a Book,
        as_of: NaiveDate,
        models: impl IntoIterator<Item = &'m str>,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Self, AppError> {
        let (own, whole) = past::own_and_comps(book, as_of, notice)?;
        let words = &book.settings().words;
        let names = models.into_iter();
        let keys: BTreeSet<String> = names.map(|name| match_key(words.model(name))).collect();
        let keys: Vec<String> = keys.into_iter().collect();
        let settings = book.settings();
        let (comps, unknown) = match whole {
            Some(whole) => (Comps::whole(whole, settings)?, None),
            None => read(book, &keys, notice)?,
        };
        Ok(Self {
            book,
            as_of,
            own,
            keys,
            comps,
            related: Mutex::default(),
            unknown: Mutex::new(unknown),
        })
    }

    /// The book.
    pub fn book(&self) -> &'a Book {
        self.book
    }

    /// Day of the estimates.
    pub fn as_of(&self) -> NaiveDate {
        self.as_of
    }

    /// Recalibration from past bands up to that day.
    pub fn own(&self) -> Option<Recalibration> {
        self.own
    }

    /// The comps of a model for which the reader was made. Without comps, the table is that of
    /// [`Book::frame_of_model`].
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn comps_of(&self, model: &str) -> Result<DataFrame, AppError> {
        if let Some(rows) = self.comps.rows.get(&match_key(model)) {
            return Ok(self.comps.part(rows)?);
        }
        let mut unknown = lock(&self.unknown);
        let frame = match unknown.take() {
            Some(frame) => frame,
            None => self.book.frame_of_model(model, &mut |_| {})?,
        };
        Ok(unknown.insert(frame).clone())
    }

    /// A hash of the comps of a model, and one of the comps of its related models, independent of
    /// their order.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn comps_hashes(&self, model: &str, settings: &Settings) -> Result<[u64; 2], AppError> {
        let key = match_key(model);
        let others = self.comps.ranked.related_to(&key, settings);
        let rows = others.filter_map(|other| self.comps.rows.get(other));
        let rows: Vec<IdxSize> = rows.flatten().copied().collect();
        Ok([
            comps_hash(&self.comps_of(model)?)?,
            comps_hash(&self.comps.part(&rows)?)?,
        ])
    }

    /// A unit with the comps of its model and additional information, ready to be estimated.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn unit<'k>(&self, mut asked: Asked<'k>) -> Result<AskedUnit<'k>, AppError> {
        let model = asked.settings.words.model(&asked.subject.model);
        asked.subject.model = model.to_string();
        let model = asked.subject.model.as_str();
        if !self.comps.rows.contains_key(&match_key(model)) {
            self.none_left_behind(model)?;
        }
        let comps = self.comps_of(model)?;
        let pool = self
            .related(&asked.settings)?
            .pool(&match_key(model), &self.comps.ranked);
        Ok(AskedUnit {
            as_of: self.as_of,
            comps,
            keep: asked.keep,
            drop: asked.drop,
            context: Context {
                recalibration: self.own,
                pool,
                fits: None,
            },
            subject: asked.subject,
            settings: asked.settings,
        })
    }

    /// Refuses a model without sales if the sales are still under another name that stands for it: the line in the
    /// settings was written by hand, or a rename was stopped before its end.
    fn none_left_behind(&self, model: &str) -> Result<(), AppError> {
        let names = self.book.settings().words.names_of(model);
        if names.is_empty() {
            return Ok(());
        }
        let known = self.book.models()?;
        let has = |name: &str| known.iter().any(|one| match_key(one) == match_key(name));
        match names.into_iter().find(|name| has(name)) {
            Some(name) if !has(model) => Err(left_behind(name, model)),
            _ => Ok(()),
        }
    }

    /// The fitted related models for units with these settings.
    fn related(&self, settings: &Settings) -> Result<Arc<Related>, AppError> {
        // The lock is kept during the fit, so that no other thread fits them too.
        let mut known = lock(&self.related);
        if let Some(related) = known.iter().find(|related| related.serves(settings)) {
            return Ok(related.clone());
        }
        let ranked = &self.comps.ranked;
        let speakers = self
            .keys
            .iter()
            .flat_map(|key| ranked.related_to(key, settings));
        let speakers: BTreeSet<&str> = speakers.collect();
        let rows = speakers
            .into_iter()
            .filter_map(|key| self.comps.rows.get(key));
        let rows: Vec<IdxSize> = rows.flatten().copied().collect();
        let related = Arc::new(Related::fitted(
            &self.comps.part(&rows)?,
            settings,
            self.as_of,
        )?);
        known.push(related.clone());
        Ok(related)
    }

    /// Does `work` with each of these units, on all cores; results in their order.
    pub fn with_each<'k, T: Send>(
        &self,
        asked: &[Asked<'k>],
        work: impl Fn(usize, AskedUnit<'k>) -> Result<T, AppError> + Sync,
    ) -> Vec<Result<T, AppError>> {
        // Before the units are distributed, because fits of related models use all cores too. An
        // error here occurs below as well.
        for one in asked {
            drop(self.related(&one.settings));
        }
        let asked: Vec<(usize, &Asked<'k>)> = asked.iter().enumerate().collect();
        each_in_parallel(&asked, |(at, one)| work(*at, self.unit((*one).clone())?))
    }
}

/// Reads the comps of models (by key) and of their related models, and the table of a model without
/// comps, if it was read anyway.
fn read(
    book: &Book,
    keys: &[String],
    notice: &mut dyn FnMut(&str),
) -> Result<(Comps, Option<DataFrame>), AppError> {
    let settings = book.settings();
    let Some((first, rest)) = keys.split_first() else {
        return Ok((Comps::none(), None));
    };
    if !rest.is_empty() && book.size()? <= past::SMALL {
        return Ok((Comps::whole(book.frame(notice)?, settings)?, None));
    }
    let pool = settings.estimate.pool;
    let rest: BTreeSet<&str> = rest.iter().map(String::as_str).collect();
    let families: BTreeSet<&str> = keys.iter().filter_map(|key| settings.family(key)).collect();
    let in_families = |other: &str| {
        settings
            .family(other)
            .is_some_and(|of| families.contains(of))
    };
    let (mut own, others) = match pool {
        _ if rest.is_empty() => {
            let speaks = |other: &str| speak(first, other, settings);
            book.frame_among(first, MOST_MODELS, &speaks, notice)?
        }
        // One more, so that each model in question has this number of others.
        PoolFrom::Book => book.frame_among(first, MOST_MODELS + 1, &|_| true, notice)?,
        PoolFrom::Family => {
            let wanted = |other: &str| rest.contains(other) || in_families(other);
            book.frame_among(first, usize::MAX, &wanted, notice)?
        }
        PoolFrom::None => {
            book.frame_among(first, usize::MAX, &|other| rest.contains(other), notice)?
        }
    };
    let mut unknown = None;
    if Comps::rows_by_key(&own)?.keys().ne([first]) {
        unknown = Some(std::mem::replace(&mut own, others.clear()));
    }
    let mut frame = own.vstack(&others)?;
    let known = Comps::rows_by_key(&frame)?;
    let ranked = Ranked::new(&known, settings);
    let missing = |other: &str| rest.contains(other) && !known.contains_key(other);
    if pool == PoolFrom::Book && rest.iter().any(|key| missing(key)) {
        let more = book
            .frame_among(first, usize::MAX, &missing, &mut |_| {})?
            .1;
        frame.vstack_mut(&more)?;
    }
    frame.rechunk_mut();
    let rows = Comps::rows_by_key(&frame)?;
    let comps = Comps {
        frame,
        rows,
        ranked,
    };
    Ok((comps, unknown))
}

impl Comps {
    fn none() -> Self {
        Self {
            frame: DataFrame::empty(),
            rows: HashMap::new(),
            ranked: Ranked::default(),
        }
    }

    fn whole(frame: DataFrame, settings: &Settings) -> Result<Self, AppError> {
        let rows = Self::rows_by_key(&frame)?;
        let ranked = Ranked::new(&rows, settings);
        Ok(Self {
            frame,
            rows,
            ranked,
        })
    }

    fn rows_by_key(frame: &DataFrame) -> PolarsResult<HashMap<String, Vec<IdxSize>>> {
        let rows = rows_by_key(frame)?.into_iter();
        Ok(rows.map(|(key, rows)| (key.to_string(), rows)).collect())
    }

    fn part(&self, rows: &[IdxSize]) -> PolarsResult<DataFrame> {
        take(&self.frame, rows.to_vec())
    }
}

/// A hash of the comps of a table, independent of their order.
fn comps_hash(frame: &DataFrame) -> PolarsResult<u64> {
    let ids = frame.column("comp_id")?.str()?;
    let contents = frame.column(CONTENT_HASH)?.i64()?;
    let hashes = ids.iter().zip(contents.iter()).map(|(id, content)| {
        let mut bytes = content.unwrap_or_default().to_le_bytes().to_vec();
        bytes.extend_from_slice(id.unwrap_or_default().as_bytes());
        xxh3_64(&bytes)
    });
    Ok(hashes.fold(0, u64::wrapping_add))
}
