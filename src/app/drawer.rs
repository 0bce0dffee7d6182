//! Transactions of the parts drawer: parts bought, used and dropped, and units taken apart. Each writes one
//! entry.

use std::collections::{BTreeMap, HashSet};

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::amounts::refused;
use super::deals::{Books, Dated, Entered, OfDeal};
use super::ledger::{ledger_on, read_ledger};
use super::spares::Spares;
use crate::book::Book;
use crate::deal::harvest::{Shared, Taken, share_cost};
use crate::deal::ledger::{Ledger, Lot};
use crate::parse::parts::PartGiven;
use crate::trade::entry::{Account, Entry};
use crate::trade::names::match_key;
use crate::trade::near::KnownModels;
use crate::trade::part::{PartLine, part_name};
use crate::trade::repair::ValueFrom;
use crate::trade::text::quoted;

/// Parts that are bought.
#[derive(Debug)]
pub struct Purchase {
    /// Name.
    pub name: String,
    /// How many.
    pub count: u32,
    /// Total cost, shipping included.
    pub cost: Decimal,
    /// Models that they fit; empty if not given.
    pub fits: Vec<String>,
}

/// Parts that entered or left the drawer by one entry.
#[derive(Debug)]
pub struct Moved {
    /// The parts, with their cost.
    pub parts: Vec<PartLine>,
    /// The entry.
    pub entered: Entered,
}

/// Parts that went into a unit.
#[derive(Debug)]
pub struct UsedParts {
    /// The parts, with their cost.
    pub parts: Vec<PartLine>,
    /// The deal and its entry.
    pub of_deal: OfDeal,
}

/// A unit to be taken apart.
#[derive(Debug)]
pub struct HarvestGiven {
    /// Its parts that are worth something.
    pub parts: Vec<PartGiven>,
    /// Models that the parts fit, besides its own.
    pub fits: Vec<String>,
    /// Minutes of work.
    pub minutes: Decimal,
}

/// A unit that was taken apart.
#[derive(Debug)]
pub struct Harvested {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// The parts, with what they are worth and how that is known; [`ValueFrom::Nothing`] if it was given.
    pub taken: Vec<(Taken, ValueFrom)>,
    /// The cost of the unit, shared among them.
    pub shared: Shared,
}

impl Harvested {
    /// Total value of the parts.
    pub fn value(&self) -> Decimal {
        self.taken.iter().map(|(part, _)| part.value()).sum()
    }
}

impl Books<'_> {
    /// Records parts that were bought for the drawer.
    ///
    /// # Errors
    /// If the name is none, the ledger refuses it, or the book cannot be written.
    pub fn add_parts(mut self, bought: Purchase, dated: Dated) -> Result<Moved, AppError> {
        let name = named("PART", &bought.name)?;
        let doubts = [
            self.doubts_of_names([name.as_str()]),
            self.doubts_of_models(&bought.fits)?,
        ];
        let parts = vec![PartLine {
            name,
            count: bought.count,
            cost: bought.cost,
            lot: None,
        }];
        let entry = self.ledger.part(dated.on, parts.clone(), bought.fits);
        let entered = self.enter(entry, dated)?;
        self.report_doubts(&doubts.concat(), entered.number);
        Ok(Moved { parts, entered })
    }

    /// Records parts from the drawer that go into a unit in stock: those that fit it first, the oldest
    /// first. Sends a notice if some do not fit.
    ///
    /// # Errors
    /// If the deal is not in stock, there are not enough parts, or the book cannot be written.
    pub fn use_parts(
        mut self,
        deal: &str,
        (name, count): (&str, u32),
        dated: Dated,
    ) -> Result<UsedParts, AppError> {
        let deal = self.in_stock(deal)?;
        let (id, model) = (deal.id, deal.unit.model.clone());
        let decimals = self.book.settings().currency.decimals();
        let drawer = self.ledger.drawer();
        let parts = drawer.pick_for(&model, (name, count), dated.on, decimals)?;
        let misfit = self.misfit(&parts, &model).map(|lot| {
            format!(
                "{} fits {}, and the unit is a {model}: entered anyway",
                quoted(&lot.name),
                lot.fits.join(", ")
            )
        });
        let entry = self.ledger.use_part(dated.on, id, parts.clone());
        let of_deal = self.enter_deal(entry, dated)?;
        misfit.iter().for_each(|told| (self.notice)(told));
        Ok(UsedParts { parts, of_deal })
    }

    /// Records parts that leave the drawer for good, and what they fetched; `fits` names a model that they
    /// have to fit.
    ///
    /// # Errors
    /// If there are not enough, or the book cannot be written.
    pub fn drop_parts(
        mut self,
        (name, count): (&str, u32),
        (fits, fetched): (Option<&str>, Decimal),
        dated: Dated,
    ) -> Result<Moved, AppError> {
        let decimals = self.book.settings().currency.decimals();
        let drawer = self.ledger.drawer();
        let parts = match fits {
            Some(model) => drawer.pick_for(model, (name, count), dated.on, decimals)?,
            None => drawer.pick((name, count), dated.on, decimals)?,
        };
        if let Some(model) = fits
            && self.misfit(&parts, model).is_some()
        {
            return Err(AppError::Absent {
                message: format!(
                    "the drawer does not have {count} of {} for {}",
                    quoted(name),
                    quoted(model)
                ),
                next: "`compband part list` shows what you have and what it fits".into(),
            });
        }
        let entry = self.ledger.drop_part(dated.on, parts.clone(), fetched);
        let entered = self.enter(entry, dated)?;
        Ok(Moved { parts, entered })
    }

    /// Records that a unit in stock was taken apart: its cost goes to its parts by their values, as far as
    /// they are worth it. A value that is not given is that of the settings, or the last cost of such a part.
    ///
    /// # Errors
    /// If the deal is not in stock, a value is not known, or the book cannot be written.
    pub fn harvest(
        mut self,
        deal: &str,
        given: HarvestGiven,
        dated: Dated,
    ) -> Result<Harvested, AppError> {
        let deal = self.in_stock(deal)?;
        let (id, cost) = (deal.id, deal.sum(Account::Stock));
        let model = deal.unit.model.clone();
        let taken = self.valued(&given.parts, &model)?;
        let names = taken.iter().map(|(part, _)| part.name.as_str());
        let doubts = [
            self.doubts_of_names(names),
            self.doubts_of_models(&given.fits)?,
        ];
        let parts: Vec<Taken> = taken.iter().map(|(part, _)| part.clone()).collect();
        let shared = share_cost(cost, &parts, self.book.settings().currency.decimals());
        // The ledger keeps models apart by `;`.
        let own = (!model.contains(';')).then_some(model);
        let fits = own.into_iter().chain(given.fits).collect();
        let entry = Entry {
            minutes: given.minutes,
            ..self
                .ledger
                .harvest(dated.on, id, shared.parts.clone(), fits)
        };
        let of_deal = self.enter_deal(entry, dated)?;
        self.report_doubts(&doubts.concat(), of_deal.entered.number);
        Ok(Harvested {
            of_deal,
            taken,
            shared,
        })
    }

    /// The parts of a unit of a model, each with its value.
    fn valued(
        &self,
        parts: &[PartGiven],
        model: &str,
    ) -> Result<Vec<(Taken, ValueFrom)>, AppError> {
        let spares = Spares {
            ledger: &self.ledger,
            settings: self.book.settings(),
            model,
        };
        let valued = |part: &PartGiven| {
            named("PARTS", &part.name)?;
            let given = part.each.map(|each| (each, ValueFrom::Nothing));
            let Some((each, from)) = given.or_else(|| spares.value(&part.name)) else {
                return Err(AppError::Refused {
                    message: format!("no value is known for {}", quoted(&part.name)),
                    next: format!(
                        "give one, as \"{} = 18\", or write it into [parts.{model:?}] in compband.toml",
                        part.name
                    ),
                });
            };
            let taken = Taken {
                name: part.name.clone(),
                count: part.count,
                each,
            };
            Ok((taken, from))
        };
        parts.iter().map(valued).collect()
    }

    /// A lot that does not fit a model, among those that parts are taken from.
    fn misfit(&self, parts: &[PartLine], model: &str) -> Option<&Lot> {
        let mut lots = self.ledger.drawer().lots();
        let takes = |lot: &Lot| {
            let mut lines = parts.iter();
            lines.any(|line| line.lot == Some(lot.entry) && line.name == lot.name)
        };
        lots.find(|lot| takes(lot) && !lot.fits(model))
    }

    /// Doubts about names of parts that are new and nearly those of others.
    fn doubts_of_names<'n>(&self, names: impl IntoIterator<Item = &'n str>) -> Vec<String> {
        let set = self.book.settings().parts.values();
        let set: Vec<String> = set
            .flat_map(|parts| parts.iter().map(|(name, ..)| name))
            .collect();
        let all = self
            .ledger
            .part_names()
            .chain(set.iter().map(String::as_str));
        let known = KnownModels::new(all);
        let near = |name: &str| {
            let near = known.near(name)?;
            Some(format!(
                "{} is a new part; did you mean {}?",
                quoted(name),
                quoted(near)
            ))
        };
        names.into_iter().filter_map(near).collect()
    }

    /// Doubts about models that are new and nearly others.
    fn doubts_of_models(&self, models: &[String]) -> Result<Vec<String>, AppError> {
        let near = nearly(self.book, &self.ledger, models)?;
        Ok(near
            .iter()
            .map(|(model, near)| doubt_of_model(model, near))
            .collect())
    }

    fn report_doubts(&mut self, doubts: &[String], entry: u32) {
        for doubt in doubts {
            (self.notice)(&format!(
                "{doubt} If so: compband ledger reverse {entry}, then enter it again"
            ));
        }
    }
}

/// The parts in the drawer on a day that fit a model, by name, each with how many there are.
///
/// # Errors
/// If the ledger cannot be read.
pub fn parts_for(
    book: &Book,
    model: &str,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<BTreeMap<String, u32>, AppError> {
    let ledger = ledger_on(book, on, notice)?;
    let mut parts = BTreeMap::new();
    for lot in ledger.drawer().lots() {
        if lot.left > 0 && lot.fits(model) {
            *parts.entry(lot.name.clone()).or_default() += lot.left;
        }
    }
    Ok(parts)
}

/// The models that are new to the book and nearly one that it knows, each with that one.
fn nearly(
    book: &Book,
    ledger: &Ledger,
    models: &[String],
) -> Result<Vec<(String, String)>, AppError> {
    if models.is_empty() {
        return Ok(Vec::new());
    }
    let settings = book.settings();
    let of_comps = book.models()?;
    let deals = ledger.deals().map(|deal| deal.unit.model.as_str());
    let set = settings.kits.keys().chain(settings.parts.keys());
    let comps = of_comps.iter().map(String::as_str);
    // One spelling of each: that of the settings, of a deal, of a comp.
    let mut seen = HashSet::new();
    let all = set.map(String::as_str).chain(deals).chain(comps);
    let known = KnownModels::new(all.filter(|model| seen.insert(match_key(model))));
    let near = |model: &String| Some((model.clone(), known.near(model)?.to_string()));
    Ok(models.iter().filter_map(near).collect())
}

/// The known model of which a new one is probably a misspelling, if there is one.
///
/// # Errors
/// If the book cannot be read.
pub fn nearly_known(
    book: &Book,
    model: &str,
    notice: &mut dyn FnMut(&str),
) -> Result<Option<String>, AppError> {
    let ledger = read_ledger(book, notice)?;
    let found = nearly(book, &ledger, &[model.to_string()])?;
    Ok(found.into_iter().next().map(|(_, near)| near))
}

/// `the book has no model "Quolbi 7R3"; did you mean "Quolby 7R3"?`
pub fn doubt_of_model(model: &str, near: &str) -> String {
    format!(
        "the book has no model {}; did you mean {}?",
        quoted(model),
        quoted(near)
    )
}

/// The name of a part as it is kept.
///
/// # Errors
/// The expected form.
pub fn named(flag: &str, text: &str) -> Result<String, AppError> {
    super::describe::one_line(flag, text)?;
    part_name(text).map_err(|expected| refused(flag, text, &expected))
}
