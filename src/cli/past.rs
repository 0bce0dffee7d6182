//! Past sales, each estimated from what was known before it.

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use chrono::NaiveDate;
use indicatif::{ProgressBar, ProgressStyle};
use polars::prelude::{DataFrame, IntoLazy, col, lit};

use super::CliError;
use super::siblings::Siblings;
use crate::band::selfcheck::{Foretold, foretell, subject_of};
use crate::book::comp::match_key;
use crate::book::settings::Settings;
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

/// The comps of one model, selected once for each kind of unit that is asked about: what differs
/// from one day to the next is then counted out.
struct Model {
    name: String,
    /// Day of the newest sale; undated ones are estimated as of it.
    newest: NaiveDate,
    sales: Vec<Candidate>,
    /// By [`kind`].
    selections: HashMap<Kind, Selection>,
}

/// What of a unit decides which comps are called in when.
type Kind = (Option<String>, Option<String>, Option<String>, bool);

fn kind(subject: &Subject) -> Kind {
    (
        subject.variant.clone(),
        subject.completeness.clone(),
        subject.grade.clone(),
        subject.works,
    )
}

impl Model {
    fn of(key: &str, frame: &DataFrame, settings: &Settings) -> Result<Self, CliError> {
        let everything = selected(frame, &anything(key), settings)?;
        let newest = everything.candidates.iter().filter_map(|c| c.sold_on).max();
        let name = everything.model;
        let sales: Vec<Candidate> = everything
            .candidates
            .into_iter()
            .filter(|c| !matches!(c.dropped, Some(Dropped::Lot(_))))
            .collect();
        let mut selections = HashMap::new();
        for sale in &sales {
            let subject = subject_of(&name, sale);
            if let std::collections::hash_map::Entry::Vacant(place) =
                selections.entry(kind(&subject))
            {
                place.insert(selected(frame, &subject, settings)?);
            }
        }
        Ok(Self {
            name,
            // Without any date in the model, one day is as good as another.
            newest: newest.unwrap_or_default(),
            sales,
            selections,
        })
    }

    fn foretell(
        &self,
        sale: &Candidate,
        siblings: &Siblings<'_>,
        settings: &Settings,
    ) -> Result<Past, CliError> {
        let subject = subject_of(&self.name, sale);
        let day = sale.sold_on.unwrap_or(self.newest);
        let window = settings.estimate.window_days;
        let foretold = match self.selections.get(&kind(&subject)) {
            Some(all) => {
                let pool = siblings.pool_before_month(&match_key(&self.name), day)?;
                let asked = all.asked_on(day, window);
                foretell(asked, &subject, sale, day, &pool, settings)?
            }
            None => None,
        };
        Ok(Past {
            model: self.name.clone(),
            sale: sale.clone(),
            foretold,
        })
    }
}

/// Every single sale of the models (or of the one asked for) foretold, in parallel; in the order
/// of their days. Other models speak from their dated sales of the months before a sale's
/// ([`Siblings::pool_before_month`]).
///
/// # Errors
/// Where there is no such model or the comps cannot be fitted.
pub fn foretell_all(
    comps: &DataFrame,
    model: Option<&str>,
    siblings: &Siblings<'_>,
    settings: &Settings,
) -> Result<Vec<Past>, CliError> {
    let frames: Vec<(String, DataFrame)> = models(comps, model)?.into_iter().collect();
    let models = in_parallel(&frames, None, |(key, frame)| {
        Model::of(key, frame, settings)
    })?;
    let sales: Vec<(&Model, &Candidate)> = models
        .iter()
        .flat_map(|model| model.sales.iter().map(move |sale| (model, sale)))
        .collect();
    let bar = progress(sales.len());
    let mut past = in_parallel(&sales, Some(&bar), |(model, sale)| {
        model.foretell(sale, siblings, settings)
    })?;
    bar.finish_and_clear();
    let order = |past: &Past| (past.sale.sold_on.is_none(), past.sale.sold_on);
    past.sort_by(|a, b| (order(a), &a.sale.comp_id).cmp(&(order(b), &b.sale.comp_id)));
    Ok(past)
}

/// `work` on each of `items`, on all cores; results in no order.
fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    bar: Option<&ProgressBar>,
    work: impl Fn(&T) -> Result<R, CliError> + Sync,
) -> Result<Vec<R>, CliError> {
    let next = AtomicUsize::new(0);
    let share = || -> Result<Vec<R>, CliError> {
        let mut done = Vec::new();
        while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed)) {
            done.push(work(item)?);
            if let Some(bar) = bar {
                bar.inc(1);
            }
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

/// A unit of which nothing is said.
fn anything(model: &str) -> Subject {
    Subject {
        model: model.to_string(),
        variant: None,
        completeness: None,
        grade: None,
        missing: Default::default(),
        extras: Default::default(),
        defects: Default::default(),
        attributes: Default::default(),
        works: false,
        how_sold: None,
    }
}

/// The comps of a model for `subject`, of whatever time.
fn selected(
    frame: &DataFrame,
    subject: &Subject,
    settings: &Settings,
) -> Result<Selection, CliError> {
    let query = Query {
        subject,
        as_of: NaiveDate::MAX,
        window_days: u32::MAX,
        basis: settings.price_basis,
        most: usize::MAX,
    };
    Ok(select(frame, &query)?)
}

fn progress(sales: usize) -> ProgressBar {
    let bar = ProgressBar::new(sales as u64);
    let style = ProgressStyle::with_template("{bar:40} {pos} of {len} sales, {eta} left");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(200));
    bar
}
