//! Choices for forms: the names of models, and the facts of units of a model from its sales and its kit.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::AppError;
use super::models::models;
use super::reader::Reader;
use crate::book::Book;
use crate::book::history::comps_of;
use crate::trade::Items;
use crate::trade::names::match_key;

/// A name under which a model is found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModelName {
    /// The name.
    pub name: String,
    /// Number of its sales; none for another name of a model.
    pub sales: Option<u32>,
    /// The model that it stands for, if it is another name.
    pub stands_for: Option<String>,
}

/// The models of the book, those with most sales first, then those that have a price in their kit and no sales,
/// then the other names in the settings.
///
/// # Errors
/// If the book cannot be read.
pub fn model_names(book: &Book, notice: &mut dyn FnMut(&str)) -> Result<Vec<ModelName>, AppError> {
    let settings = book.settings();
    let mut names: Vec<ModelName> = models(book, &[], notice)?
        .into_iter()
        .map(|model| ModelName {
            name: model.name,
            sales: Some(model.comps),
            stands_for: None,
        })
        .collect();
    let known: HashSet<String> = names.iter().map(|one| match_key(&one.name)).collect();
    let priced = settings.kits.iter().filter(|(_, kit)| kit.price.is_some());
    let unsold = priced.filter(|(name, _)| !known.contains(&match_key(name)));
    names.extend(unsold.map(|(name, _)| ModelName {
        name: name.clone(),
        sales: Some(0),
        stands_for: None,
    }));
    let mut others: Vec<ModelName> = settings
        .words
        .pairs("model")
        .map(|(word, model)| ModelName {
            name: word.to_string(),
            sales: None,
            stands_for: Some(model.to_string()),
        })
        .collect();
    others.sort_by(|a, b| a.name.cmp(&b.name));
    names.extend(others);
    Ok(names)
}

/// Possible facts of a unit of a model. Lists are ordered by frequency, the most frequent first.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Choices {
    /// The model as the book writes it.
    pub model: String,
    /// Number of its sales.
    pub sales: usize,
    /// Pieces that can be missing, each with how many ship with it: those of the kit, then others that sales lacked.
    pub pieces: Vec<(String, u32)>,
    /// Extras of its sales.
    pub extras: Vec<String>,
    /// Defects of its sales.
    pub defects: Vec<String>,
    /// Variants of its sales.
    pub variants: Vec<String>,
    /// Declared numeric attributes, each with its unit and the values that sales have, ascending.
    pub attributes: Vec<(String, String, Vec<String>)>,
}

/// The choices of a model from its sales and the settings. The reader must be made for it.
///
/// # Errors
/// If the book cannot be read.
pub fn choices(reader: &Reader<'_>, model: &str) -> Result<Choices, AppError> {
    let settings = reader.book().settings();
    let model = settings.words.model(model);
    let frame = reader.comps_of(model)?;
    let comps = comps_of(&frame, model, &settings.currency)?;
    let mut spellings: BTreeMap<&str, usize> = BTreeMap::new();
    for comp in &comps {
        *spellings.entry(&comp.model).or_default() += 1;
    }
    let commonest = spellings.iter().max_by_key(|(_, count)| **count);
    let mut pieces: Vec<(String, u32)> = Vec::new();
    let mut known = HashSet::new();
    if let Some(kit) = settings.kit(model) {
        for (piece, count) in kit.ships_with.iter() {
            known.insert(match_key(piece));
            pieces.push((piece.to_string(), count));
        }
    }
    let lacked = often(comps.iter().flat_map(|comp| names(&comp.missing)));
    pieces.extend(
        lacked
            .into_iter()
            .filter(|piece| known.insert(match_key(piece)))
            .map(|piece| (piece, 1)),
    );
    let attributes = settings.attributes(model).map(|(name, attribute)| {
        let mut values: Vec<_> = comps
            .iter()
            .filter_map(|comp| comp.attributes.get(name))
            .collect();
        values.sort_unstable();
        values.dedup();
        let values = values.iter().map(|value| value.normalize().to_string());
        (name.to_string(), attribute.unit.clone(), values.collect())
    });
    let variants = comps.iter().map(|comp| comp.variant.as_str());
    Ok(Choices {
        model: commonest.map_or(model, |(name, _)| name).to_string(),
        sales: comps.len(),
        pieces,
        extras: often(comps.iter().flat_map(|comp| names(&comp.extras))),
        defects: often(comps.iter().flat_map(|comp| names(&comp.defects))),
        variants: often(variants.filter(|variant| !variant.is_empty())),
        attributes: attributes.collect(),
    })
}

/// The names of a list.
pub(super) fn names(items: &Items) -> impl Iterator<Item = &str> {
    items.iter().map(|(name, _)| name)
}

/// Names without repetitions (ignoring case and spacing), those that occur most often first.
pub(super) fn often<'n>(names: impl Iterator<Item = &'n str>) -> Vec<String> {
    let mut counts: HashMap<String, (&str, usize)> = HashMap::new();
    for name in names {
        counts.entry(match_key(name)).or_insert((name, 0)).1 += 1;
    }
    let mut counts: Vec<(&str, usize)> = counts.into_values().collect();
    counts.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(b.0)));
    counts
        .into_iter()
        .map(|(name, _)| name.to_string())
        .collect()
}
