//! Past sales, each estimated from what was known before it.

use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use chrono::NaiveDate;
use indicatif::{ProgressBar, ProgressStyle};
use polars::prelude::{DataFrame, IntoLazy, col, lit};
use serde::{Deserialize, Serialize};

use super::siblings::Siblings;
use super::{CliError, notice};
use crate::band::estimate::Aids;
use crate::band::own::{self, Miss, Own};
use crate::band::selfcheck::{Foreseen, Foretold, foresee, set_aside, subject_of};
use crate::band::siblings::{MOST_MODELS, speak};
use crate::book::comp::match_key;
use crate::book::settings::Settings;
use crate::book::store::Book;
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select};
use crate::select::{Candidate, Dropped, Selection, Subject};

/// A sale with the model it is of and what was foretold of it.
pub struct Past {
    /// The model as most of its comps write it.
    pub model: String,
    /// The sale.
    pub sale: Candidate,
    /// What was foretold; none where nothing was known before.
    pub foretold: Option<Foretold>,
}

/// Name of what is kept in the book's cache.
const KEPT: &str = "past.json";

/// Changes with every change of how past sales are foretold.
const FORMAT: u32 = 4;

/// Up to this many bytes of comps (some 20 000 sales) the whole book is looked at where it has
/// not been yet.
const SMALL: u64 = 2_000_000;

/// The misses of a book's past sales, as an earlier run found them.
#[derive(Serialize, Deserialize)]
struct Kept {
    format: u32,
    version: String,
    book: u64,
    /// Whether they are of all sales or of the newest [`own::RECENT`] alone.
    whole: bool,
    /// Days since 1970, and the bits of the size.
    misses: Vec<(i32, u64)>,
    /// Hash of the above.
    seal: u64,
}

impl Kept {
    fn seal(&self) -> u64 {
        let text = format!("{} {} {:?}", self.book, self.whole, self.misses);
        xxhash_rust::xxh3::xxh3_64(text.as_bytes())
    }

    /// What was kept of exactly this book by this version, whole where that is asked for.
    fn load(book: &Book, whole: bool) -> Option<Vec<Miss>> {
        let kept: Self = serde_json::from_slice(&book.kept(KEPT)?).ok()?;
        let fits = kept.format == FORMAT
            && kept.version == env!("CARGO_PKG_VERSION")
            && (kept.whole || !whole)
            && kept.seal == kept.seal()
            && kept.book == book.fingerprint().ok()?;
        let miss = |&(day, size): &(i32, u64)| {
            Some(Miss {
                day: NaiveDate::from_epoch_days(day)?,
                size: f64::from_bits(size),
            })
        };
        fits.then(|| kept.misses.iter().filter_map(miss).collect())
    }

    fn store(book: &Book, fingerprint: u64, misses: &[Miss], whole: bool) {
        let miss = |miss: &Miss| (miss.day.to_epoch_days(), miss.size.to_bits());
        let mut kept = Self {
            format: FORMAT,
            version: env!("CARGO_PKG_VERSION").into(),
            book: fingerprint,
            whole,
            misses: misses.iter().map(miss).collect(),
            seal: 0,
        };
        kept.seal = kept.seal();
        if let Ok(bytes) = serde_json::to_vec(&kept) {
            book.keep(KEPT, &bytes);
        }
    }
}

/// What the book's own past up to `as_of` says of its bands. A large book is only asked where
/// `check` has gone through it before, for that takes longer than an estimate may.
pub fn own(book: &Book, as_of: NaiveDate) -> Result<Option<Own>, CliError> {
    let misses = match Kept::load(book, false) {
        Some(misses) => misses,
        None if book.size()? > SMALL => return Ok(None),
        None => {
            let fingerprint = book.fingerprint()?;
            let comps = book.frame(&mut notice)?;
            let newest = Some(own::RECENT);
            let siblings = Siblings::new(&comps, book.settings())?;
            let bar = ProgressBar::hidden();
            let seen = foresee_all(&comps, None, newest, &siblings, &bar)?;
            let misses = misses(&seen);
            Kept::store(book, fingerprint, &misses, false);
            misses
        }
    };
    Ok(own::own(&misses, as_of))
}

/// Every single sale of the book (or of one model) with what was foretold of it, in the order of
/// days, undated ones last. Bands are as wide as the book's sales of earlier days asked: of all
/// models, or of the one asked for where the book is large and was never checked as a whole.
///
/// # Errors
/// Where there is no such model or the comps cannot be fitted.
pub fn check(book: &Book, model: Option<&str>) -> Result<Vec<Past>, CliError> {
    let kept = model.and_then(|_| Kept::load(book, true));
    let whole = model.is_none() || (kept.is_none() && book.size()? <= SMALL);
    // Of the book as it is before it is read.
    let fingerprint = if whole {
        Some(book.fingerprint()?)
    } else {
        None
    };
    let settings = book.settings();
    let (comps, others) = match model {
        Some(model) if !whole => {
            let speaks = |other: &str| speak(model, other, settings);
            book.frame_among(model, MOST_MODELS, &speaks, &mut notice)?
        }
        _ => {
            let all = book.frame(&mut notice)?;
            (all.clone(), all)
        }
    };
    let siblings = Siblings::new(&others, settings)?;
    let bar = progress();
    let asked = if whole { None } else { model };
    let mut seen = foresee_all(&comps, asked, None, &siblings, &bar)?;
    let misses = kept.unwrap_or_else(|| misses(&seen));
    if let Some(fingerprint) = fingerprint {
        Kept::store(book, fingerprint, &misses, true);
    }
    if let Some(model) = model.filter(|_| whole) {
        let key = match_key(model);
        seen.retain(|seen| match_key(&seen.model) == key);
        if seen.is_empty() {
            // An unknown model is told by the selection, with the names that come near.
            foresee_all(&comps, Some(model), None, &siblings, &bar)?;
        }
    }
    let newest = misses.last().map(|miss| miss.day);
    let told = |seen: Seen| {
        let factor = match (seen.sale.sold_on, newest) {
            (Some(day), _) => own::factor_before(&misses, day),
            (None, Some(newest)) => own::factor_before(&misses, newest),
            (None, None) => 1.0,
        };
        Past {
            foretold: seen.foreseen.map(|foreseen| foreseen.told(factor)),
            model: seen.model,
            sale: seen.sale,
        }
    };
    let mut past: Vec<Past> = seen.into_iter().map(told).collect();
    set_aside(past.iter_mut().filter_map(|past| past.foretold.as_mut()));
    Ok(past)
}

/// A sale with what was foreseen of it, the book's own past apart.
struct Seen {
    model: String,
    sale: Candidate,
    foreseen: Option<Foreseen>,
}

/// How far the dated ones fell from what was foreseen, in the order of days.
fn misses(seen: &[Seen]) -> Vec<Miss> {
    seen.iter()
        .filter_map(|seen| Some(seen.foreseen.as_ref()?.miss(seen.sale.sold_on?)))
        .collect()
}

/// The comps of one model, selected once for each kind of unit that is asked about: what differs
/// from one day to the next is then counted out.
#[derive(Clone)]
struct Model {
    name: String,
    /// Day of the newest sale; undated ones are estimated as of it.
    newest: NaiveDate,
    sales: Vec<Candidate>,
    frame: DataFrame,
    /// By [`kind`].
    selections: HashMap<Kind, Selection>,
}

/// What of a unit decides which comps are called in when, its pieces apart: they are so many that
/// they are looked at afterwards ([`Selection::asked_of`]).
type Kind = (Option<String>, Option<String>, bool);

fn kind(subject: &Subject) -> Kind {
    (
        subject.variant.clone(),
        subject.grade.clone(),
        subject.works,
    )
}

/// A unit of that kind, of whatever pieces.
fn of_kind(model: &str, (variant, grade, works): Kind) -> Subject {
    Subject {
        variant,
        grade,
        works,
        ..Subject::blank(model)
    }
}

impl Model {
    fn of(key: &str, frame: &DataFrame, settings: &Settings) -> Result<Self, CliError> {
        // A unit for parts is spoken of by working ones too.
        let any = Subject {
            works: false,
            ..Subject::blank(key)
        };
        let everything = selected(frame, &any, settings)?;
        let newest = everything.candidates.iter().filter_map(|c| c.sold_on).max();
        let single = |c: &Candidate| !matches!(c.dropped, Some(Dropped::Lot(_)));
        Ok(Self {
            name: everything.model,
            // Without any date in the model, one day is as good as another.
            newest: newest.unwrap_or_default(),
            sales: everything.candidates.into_iter().filter(single).collect(),
            frame: frame.clone(),
            selections: HashMap::new(),
        })
    }

    /// Selects for every kind of unit among its sales.
    fn select(&mut self, settings: &Settings) -> Result<(), CliError> {
        for sale in &self.sales {
            let subject = subject_of(&self.name, sale);
            if let Entry::Vacant(place) = self.selections.entry(kind(&subject)) {
                let alike = of_kind(&self.name, place.key().clone());
                place.insert(selected(&self.frame, &alike, settings)?);
            }
        }
        Ok(())
    }

    fn foresee(&self, sale: &Candidate, siblings: &Siblings<'_>) -> Result<Seen, CliError> {
        let settings = siblings.settings();
        let subject = subject_of(&self.name, sale);
        let day = sale.sold_on.unwrap_or(self.newest);
        let window = settings.estimate.window_days;
        let foreseen = match self.selections.get(&kind(&subject)) {
            Some(all) => {
                let aids = Aids {
                    pool: siblings.pool_before_month(&match_key(&self.name), day)?,
                    ..Aids::default()
                };
                let mut asked = all.asked_on(day, window);
                let wording = Wording::of(&self.name, settings);
                if let Some(own) = subject.pieces(&wording).set() {
                    asked = asked.asked_of(own, &wording);
                }
                foresee(asked, &subject, sale, day, &aids, settings)?
            }
            None => None,
        };
        Ok(Seen {
            model: self.name.clone(),
            sale: sale.clone(),
            foreseen,
        })
    }
}

/// Every single sale of the models (or of the one asked for; or only the `newest` dated ones)
/// foreseen, in parallel; in the order of their days. Other models speak from their dated sales of
/// the months before a sale's ([`Siblings::pool_before_month`]).
fn foresee_all(
    comps: &DataFrame,
    model: Option<&str>,
    newest: Option<usize>,
    siblings: &Siblings<'_>,
    bar: &ProgressBar,
) -> Result<Vec<Seen>, CliError> {
    let settings = siblings.settings();
    let frames: Vec<(String, DataFrame)> = models(comps, model)?.into_iter().collect();
    let mut models = in_parallel(&frames, |(key, frame)| Model::of(key, frame, settings))?;
    if let Some(count) = newest {
        keep_newest(&mut models, count);
    }
    let models = in_parallel(&models, |model| {
        let mut model = model.clone();
        model.select(settings)?;
        Ok(model)
    })?;
    let sales: Vec<(&Model, &Candidate)> = models
        .iter()
        .flat_map(|model| model.sales.iter().map(move |sale| (model, sale)))
        .collect();
    bar.set_length(sales.len() as u64);
    bar.enable_steady_tick(Duration::from_millis(200));
    let mut seen = in_parallel(&sales, |(model, sale)| {
        bar.inc(1);
        model.foresee(sale, siblings)
    })?;
    bar.finish_and_clear();
    let order = |seen: &Seen| (seen.sale.sold_on.is_none(), seen.sale.sold_on);
    seen.sort_by(|a, b| (order(a), &a.sale.comp_id).cmp(&(order(b), &b.sale.comp_id)));
    Ok(seen)
}

/// Leaves the newest `count` dated sales; of one day, those whose ids come first.
fn keep_newest(models: &mut [Model], count: usize) {
    let mut places: Vec<(NaiveDate, String)> = models
        .iter()
        .flat_map(|model| &model.sales)
        .filter_map(|sale| Some((sale.sold_on?, sale.comp_id.clone())))
        .collect();
    places.sort_unstable_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    places.truncate(count);
    let kept: HashSet<String> = places.into_iter().map(|(_, id)| id).collect();
    for model in models {
        model.sales.retain(|sale| kept.contains(&sale.comp_id));
    }
}

/// `work` on each of `items`, on all cores; results in no order.
pub(super) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, CliError> + Sync,
) -> Result<Vec<R>, CliError> {
    let next = AtomicUsize::new(0);
    let share = || -> Result<Vec<R>, CliError> {
        let mut done = Vec::new();
        while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed)) {
            done.push(work(item)?);
        }
        Ok(done)
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads).map(|_| scope.spawn(share)).collect();
        let mut all = Vec::new();
        for thread in running {
            match thread.join() {
                Ok(done) => all.extend(done?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        Ok(all)
    })
}

/// The comps of each model (by match key), or of the one asked for.
fn models(comps: &DataFrame, model: Option<&str>) -> Result<BTreeMap<String, DataFrame>, CliError> {
    let keys: Vec<String> = match model {
        Some(model) => vec![match_key(model)],
        None => {
            let mut keys: Vec<String> = comps
                .column("model_key")?
                .str()?
                .iter()
                .flatten()
                .map(str::to_string)
                .collect();
            keys.sort_unstable();
            keys.dedup();
            keys
        }
    };
    keys.into_iter()
        .map(|key| {
            let of_model = comps
                .clone()
                .lazy()
                .filter(col("model_key").eq(lit(key.clone())));
            let frame = of_model.collect()?;
            // An unknown model is told by the selection, which needs all names for it.
            let frame = if frame.height() == 0 {
                comps.clone()
            } else {
                frame
            };
            Ok((key, frame))
        })
        .collect()
}

/// The comps of a model for `subject`, of whatever time.
fn selected(
    frame: &DataFrame,
    subject: &Subject,
    settings: &Settings,
) -> Result<Selection, CliError> {
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

fn progress() -> ProgressBar {
    let bar = ProgressBar::new(0);
    let style = ProgressStyle::with_template("{bar:40} {pos} of {len} sales, {eta} left");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    bar
}
