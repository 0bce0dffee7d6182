//! The sales of each model in the order of their days, with a hash of all up to any day. It shows,
//! without an estimate, whether the inputs of the estimate of a past sale have changed.

use std::collections::{BTreeMap, HashMap};

use chrono::{Datelike, NaiveDate};
use polars::prelude::{DataFrame, PolarsResult, StringChunked};
use xxhash_rust::xxh3::{xxh3_64, xxh3_64_with_seed};

use crate::band::related::{FEWEST_COMPS, MOST_COMPS, MOST_MODELS};
use crate::book::comps::frame::{CONTENT_HASH, take};
use crate::settings::{PoolFrom, Settings};
use crate::trade::hash::hash_of_value;
use crate::trade::range::Range;

/// The sales of a book by model (by key).
pub struct Timeline<'a> {
    settings: &'a Settings,
    comps: DataFrame,
    models: BTreeMap<String, History>,
}

/// The sales of one model.
struct History {
    family: Option<String>,
    /// Ordered by day, and on one day by identifier; undated ones last.
    sales: Vec<Recorded>,
    /// Number of dated ones.
    dated: usize,
    /// Hash of each prefix of `sales`, by its length.
    hashes: Vec<u64>,
}

/// The facts of a sale that determine the order.
struct Recorded {
    /// Days since 1970; `i32::MAX` if not recorded.
    day: i32,
    comp_id: String,
    row: u32,
    /// Hash of its identifier and content.
    hash: u64,
    /// Whether the price covers one unit.
    single: bool,
    works: bool,
}

/// A single sale, with a key of the inputs of its estimate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sale {
    /// Key of its model.
    pub model: String,
    /// Its identifier.
    pub comp_id: String,
    /// Day of the sale.
    pub day: Option<NaiveDate>,
    /// Hash of all inputs of the estimate of this sale from those before it, and of the sale
    /// itself.
    pub key: u64,
}

/// A possible related model on a day.
struct Possible<'a> {
    key: &'a str,
    history: &'a History,
    /// Number of its sales up to that day.
    known: usize,
}

impl<'a> Timeline<'a> {
    /// The sales of a frame.
    ///
    /// # Errors
    /// If the frame does not have the form that the book produces.
    pub fn new(comps: &DataFrame, settings: &'a Settings) -> PolarsResult<Self> {
        let (ids, keys) = (
            comps.column("comp_id")?.str()?,
            comps.column("model_key")?.str()?,
        );
        let days = comps.column("sold_on")?.i32()?;
        let contents = comps.column(CONTENT_HASH)?.i64()?;
        let lots = comps.column("lot_size")?.i64()?;
        let works = comps.column("works")?.bool()?;
        let venues = Venues::of(comps, settings)?;
        let mut models: HashMap<&str, Vec<Recorded>> = HashMap::new();
        let cells = ids.iter().zip(keys.iter()).zip(days.iter());
        let cells = cells
            .zip(contents.iter())
            .zip(lots.iter().zip(works.iter()));
        for (row, ((((id, key), day), content), (lot, works))) in cells.enumerate() {
            let id = id.unwrap_or_default();
            let content = content.unwrap_or_default() as u64;
            models
                .entry(key.unwrap_or_default())
                .or_default()
                .push(Recorded {
                    day: day.unwrap_or(i32::MAX),
                    comp_id: id.to_string(),
                    row: row as u32,
                    hash: venues.with(row, xxh3_64_with_seed(id.as_bytes(), content)),
                    single: lot == Some(1),
                    works: works.unwrap_or(true),
                });
        }
        let models = models.into_iter().map(|(key, sales)| {
            let family = settings.family(key).map(str::to_string);
            (key.to_string(), History::new(family, sales))
        });
        Ok(Self {
            settings,
            models: models.collect(),
            comps: comps.clone(),
        })
    }

    /// The settings of the book.
    pub fn settings(&self) -> &'a Settings {
        self.settings
    }

    /// Day of the newest sale.
    pub fn newest(&self) -> Option<NaiveDate> {
        self.models()
            .filter_map(|model| self.newest_of(model))
            .max()
    }

    /// Day of the newest sale of a model.
    pub fn newest_of(&self, model: &str) -> Option<NaiveDate> {
        let of = self.models.get(model)?;
        NaiveDate::from_epoch_days(of.sales[of.dated.checked_sub(1)?].day)
    }

    /// Keys of the models, in order.
    pub fn models(&self) -> impl Iterator<Item = &str> {
        self.models.keys().map(String::as_str)
    }

    /// The models with at least [`FEWEST_COMPS`] sales, most sales first.
    pub fn most_sold(&self) -> Vec<&str> {
        let models = self.models.iter();
        let mut models: Vec<(&str, usize)> = models
            .map(|(key, of)| (key.as_str(), of.sales.len()))
            .filter(|(_, sales)| *sales >= FEWEST_COMPS)
            .collect();
        models.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(b.0)));
        models.into_iter().map(|(key, _)| key).collect()
    }

    /// A hash of all inputs of a model's evidence on rules of thumb on a day: settings, its sales,
    /// the day.
    pub fn rules_key(&self, model: &str, as_of: NaiveDate) -> u64 {
        let sales = self.models.get(model).and_then(|of| of.hashes.last());
        hash_of(&[
            settings_hash(self.settings),
            xxh3_64(model.as_bytes()),
            sales.copied().unwrap_or_default(),
            as_of.to_epoch_days() as u64,
        ])
    }

    /// The comps of a model.
    ///
    /// # Errors
    /// If the frame does not have the form that the book produces.
    pub fn comps_of(&self, model: &str) -> PolarsResult<DataFrame> {
        self.comps_of_all(&[model])
    }

    /// The comps of some models.
    ///
    /// # Errors
    /// If the frame does not have the form that the book produces.
    pub fn comps_of_all(&self, models: &[&str]) -> PolarsResult<DataFrame> {
        let models = models.iter().filter_map(|model| self.models.get(*model));
        let sales = models.flat_map(|of| &of.sales);
        take(&self.comps, sales.map(|sale| sale.row).collect())
    }

    /// Possible related models on a day, with their number of sales, most sales first.
    fn related(&self, as_of: NaiveDate) -> Vec<Possible<'_>> {
        let pool = self.settings.estimate.pool;
        if pool == PoolFrom::None {
            return Vec::new();
        }
        let known = self.models.iter().map(|(key, history)| Possible {
            key,
            history,
            known: history.known(as_of.to_epoch_days()),
        });
        let mut related: Vec<Possible<'_>> = known
            .filter(|one| one.known >= FEWEST_COMPS)
            .filter(|one| pool == PoolFrom::Book || one.history.family.is_some())
            .collect();
        related.sort_by(|a, b| b.known.cmp(&a.known).then_with(|| a.key.cmp(b.key)));
        if pool == PoolFrom::Book {
            // One more, so that each of them has this number of others.
            related.truncate(MOST_MODELS + 1);
        }
        related
    }

    /// Keys of the possible related models on a day, most dated sales up to then first; and the
    /// newest of these sales, as many as the fit of a related model uses.
    ///
    /// # Errors
    /// A frame that does not have the form that the book produces.
    pub fn related_on(&self, as_of: NaiveDate) -> PolarsResult<(Vec<String>, DataFrame)> {
        let related = self.related(as_of);
        let sales_of = related.iter().flat_map(|one| one.history.newest(one.known));
        let comps = take(&self.comps, sales_of.map(|sale| sale.row).collect())?;
        let keys = related.iter().map(|one| one.key.to_string()).collect();
        Ok((keys, comps))
    }

    /// The newest `count` dated single sales up to `as_of`, or every single sale: ordered by day,
    /// undated ones last, and on one day by identifier. Related models come from `others`, which
    /// may contain more or fewer.
    pub fn sales(&self, newest: Option<(NaiveDate, usize)>, others: &Self) -> Vec<Sale> {
        let until = newest.map_or(i32::MAX, |(as_of, _)| as_of.to_epoch_days());
        let mut places: Vec<(&str, &History, usize)> = Vec::new();
        for (key, history) in &self.models {
            let upto = match newest {
                Some(_) => history.known(until),
                None => history.sales.len(),
            };
            let single = (0..upto).filter(|&at| history.sales[at].single);
            places.extend(single.map(|at| (key.as_str(), history, at)));
        }
        fn sale<'h>(&(_, history, at): &(&str, &'h History, usize)) -> (i32, &'h str) {
            let sale = &history.sales[at];
            (sale.day, &sale.comp_id)
        }
        if let Some((_, count)) = newest {
            // On one day, those with the first identifiers.
            places.sort_unstable_by(|a, b| {
                let ((day, id), (other_day, other_id)) = (sale(a), sale(b));
                other_day.cmp(&day).then_with(|| id.cmp(other_id))
            });
            places.truncate(count);
        }
        places.sort_unstable_by(|a, b| sale(a).cmp(&sale(b)));
        let mut keys = Keys::new(others);
        places
            .into_iter()
            .map(|(model, history, at)| keys.sale(model, history, at))
            .collect()
    }
}

/// The venues of the sales, which matter if they are outlets with a price factor.
struct Venues<'a> {
    settings: &'a Settings,
    venues: Option<StringChunked>,
}

impl<'a> Venues<'a> {
    fn of(comps: &DataFrame, settings: &'a Settings) -> PolarsResult<Self> {
        let matter = settings.priced_outlets().next().is_some();
        let venues = matter.then(|| PolarsResult::Ok(comps.column("venue")?.str()?.clone()));
        Ok(Self {
            settings,
            venues: venues.transpose()?,
        })
    }

    /// The hash of a sale, with its outlet if that has a price factor.
    fn with(&self, row: usize, hash: u64) -> u64 {
        let venue = self.venues.as_ref().and_then(|venues| venues.get(row));
        let outlet = venue.and_then(|venue| self.settings.priced_outlet(venue));
        outlet.map_or(hash, |name| hash_of(&[hash, xxh3_64(name.as_bytes())]))
    }
}

impl History {
    fn new(family: Option<String>, mut sales: Vec<Recorded>) -> Self {
        sales.sort_unstable_by(|a, b| (a.day, &a.comp_id).cmp(&(b.day, &b.comp_id)));
        let mut hash = 0;
        let mut hashes = vec![hash];
        for sale in &sales {
            hash = hash_of(&[hash, sale.hash]);
            hashes.push(hash);
        }
        Self {
            family,
            dated: sales.partition_point(|sale| sale.day < i32::MAX),
            hashes,
            sales,
        }
    }

    /// Number of dated sales up to a day.
    fn known(&self, day: i32) -> usize {
        self.sales[..self.dated].partition_point(|sale| sale.day <= day)
    }

    /// Of the first `known`, the newest ones that the fit of a related model uses: [`MOST_COMPS`]
    /// working single units, and the others of those days.
    fn newest(&self, known: usize) -> &[Recorded] {
        let usable = |at: &usize| self.sales[*at].single && self.sales[*at].works;
        let oldest = (0..known).rev().filter(usable).nth(MOST_COMPS - 1);
        let from = oldest.map_or(0, |at| {
            let day = self.sales[at].day;
            self.sales.partition_point(|sale| sale.day < day)
        });
        &self.sales[from..known]
    }
}

/// A related model on some day: key, family, hash of its sales up to then.
type Known<'a> = (&'a str, Option<&'a str>, u64);

/// Makes the keys of sales.
struct Keys<'a> {
    others: &'a Timeline<'a>,
    settings: u64,
    /// Related models by day.
    related: HashMap<NaiveDate, Vec<Known<'a>>>,
    /// Hash of the data of related models, by model and day.
    pools: HashMap<(String, NaiveDate), u64>,
}

impl<'a> Keys<'a> {
    fn new(others: &'a Timeline<'a>) -> Self {
        Self {
            others,
            settings: settings_hash(others.settings),
            related: HashMap::new(),
            pools: HashMap::new(),
        }
    }

    fn sale(&mut self, model: &str, history: &History, at: usize) -> Sale {
        let sale = &history.sales[at];
        let dated = at < history.dated;
        let newest = history.dated.checked_sub(1);
        // An undated sale is estimated from all the others, on the day of the newest.
        let (day, before) = if dated {
            let before = history.sales.partition_point(|other| other.day < sale.day);
            (sale.day, before)
        } else {
            let day = newest.map_or(0, |at| history.sales[at].day);
            (day, history.sales.len())
        };
        let date = NaiveDate::from_epoch_days(day).unwrap_or_default();
        let parts = [
            self.settings,
            xxh3_64(model.as_bytes()),
            sale.hash,
            u64::from(dated),
            day as u64,
            history.hashes[before],
            self.pool(model, history.family.as_deref(), before_month(date)),
        ];
        Sale {
            model: model.to_string(),
            comp_id: sale.comp_id.clone(),
            day: dated.then_some(date),
            key: hash_of(&parts),
        }
    }

    /// A hash of the data that other models may contribute on a day.
    fn pool(&mut self, model: &str, family: Option<&str>, as_of: NaiveDate) -> u64 {
        let place = (model.to_string(), as_of);
        if let Some(hash) = self.pools.get(&place) {
            return *hash;
        }
        let others = self.others;
        let related = self.related.entry(as_of).or_insert_with(|| {
            let known = others.related(as_of).into_iter();
            known
                .map(|one| {
                    let hash = one.history.hashes[one.known];
                    (one.key, one.history.family.as_deref(), hash)
                })
                .collect()
        });
        let alone = others.settings.estimate.pool == PoolFrom::Family;
        let parts: Vec<u64> = related
            .iter()
            .filter(|(key, of, _)| *key != model && (!alone || (of.is_some() && *of == family)))
            .flat_map(|(key, _, hash)| [xxh3_64(key.as_bytes()), *hash])
            .collect();
        let hash = hash_of(&parts);
        self.pools.insert(place, hash);
        hash
    }
}

/// The last day of the month before that of `day`.
pub fn before_month(day: NaiveDate) -> NaiveDate {
    let first = day.with_day(1).unwrap_or(day);
    first.pred_opt().unwrap_or(first)
}

/// A hash of the settings that affect estimates, and of the method ([`crate::band::METHOD`]).
pub fn settings_hash(settings: &Settings) -> u64 {
    let made = (crate::band::METHOD, env!("CARGO_PKG_VERSION"));
    hash_of(&[hash_of_value(&made), estimate_settings_hash(settings)])
}

/// A hash of the settings that affect estimates, as the settings file would state them.
pub fn estimate_settings_hash(settings: &Settings) -> u64 {
    // Names every setting, so that a new one cannot be forgotten.
    let Settings {
        currency,
        dates: _,
        rate_days: _,
        price_basis,
        grades,
        completeness,
        estimate,
        rules,
        kits,
        families,
        parts: _,
        outlets,
        shipping: _,
        deal: _,
        mappings: _,
        words,
        renamed: _,
    } = settings;
    let scales = (&currency.code, price_basis, grades, completeness);
    let made = hash_of_value(&(scales, estimate, rules, kits, families));
    let factors = outlets
        .iter()
        .filter_map(|(name, outlet)| Some((name, outlet.price?)));
    let factors: Vec<(&String, Range)> = factors.collect();
    let mut all = vec![made];
    if !factors.is_empty() {
        all.push(hash_of_value(&factors));
    }
    // A kit or a family under another name of a model is that model's.
    let mut names: Vec<(String, &str)> = words.of("model").into_iter().collect();
    if !names.is_empty() {
        names.sort_unstable();
        all.push(hash_of_value(&names));
    }
    match all.as_slice() {
        [made] => *made,
        all => hash_of(all),
    }
}

/// A hash of numbers in their order.
pub fn hash_of(parts: &[u64]) -> u64 {
    let bytes: Vec<u8> = parts.iter().flat_map(|part| part.to_le_bytes()).collect();
    xxh3_64(&bytes)
}
