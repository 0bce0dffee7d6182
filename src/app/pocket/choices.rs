//! The choices that describe a unit of a model on the page, and their combinations.

use std::collections::BTreeMap;

use crate::app::AppError;
use crate::app::choices::{names, often};
use crate::app::reader::Reader;
use crate::book::comps::frame::FrameRows;
use crate::select::pieces::Wording;
use crate::settings::Settings;
use crate::trade::{Comp, Items, Unit};

const KINDS: [Kind; 4] = [Kind::Variant, Kind::Missing, Kind::Extra, Kind::Defect];

/// Kind of a choice besides grade and completeness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// The variant; a unit has one.
    Variant,
    /// A missing piece.
    Missing,
    /// An extra.
    Extra,
    /// A defect.
    Defect,
}

/// A choice besides grade and completeness.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// Its kind.
    pub kind: Kind,
    /// The name of the variant, the piece or the defect.
    pub name: String,
    /// The completeness that it implies where none is given: 0, or the position of that level plus one. A model with a
    /// kit is complete but for what is missing.
    pub implies: usize,
}

/// The choices that describe the units of one model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choices {
    /// The model.
    pub model: String,
    /// The grades, best first.
    pub grades: Vec<String>,
    /// The levels of completeness, least first.
    pub levels: Vec<String>,
    /// The other choices, by kind.
    pub others: Vec<Choice>,
}

/// One combination: positions among the choices of a model.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub struct Combination {
    /// 0 if the grade is not given, the position of the grade plus one, or one more than their number for a unit
    /// that does not work.
    pub grade: usize,
    /// 0 if the completeness is not given, or the position of the level plus one.
    pub level: usize,
    /// Positions of the other choices, ascending.
    pub others: Vec<usize>,
}

impl Choices {
    /// The choices of a model: the scales of the book, the pieces of its kit, and what its sales name most often. Of
    /// the other choices there are at most as many as `room` returns for this number of grades and levels, the commonest
    /// of each kind in turn.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn of(
        reader: &Reader<'_>,
        model: &str,
        settings: &Settings,
        room: impl Fn(usize) -> usize,
    ) -> Result<Self, AppError> {
        let frame = reader.comps_of(model)?;
        let rows = FrameRows::new(&frame, &settings.currency)?;
        let comps: Vec<_> = rows.comps().collect();
        let of_all =
            |list: fn(&Comp) -> &Items| comps.iter().flat_map(move |comp| names(list(comp)));
        let kit = settings.kit(model).into_iter();
        let kit = kit.flat_map(|kit| names(&kit.ships_with));
        let variants = comps.iter().map(|comp| comp.variant.as_str());
        let mut named: BTreeMap<Kind, Vec<String>> = BTreeMap::from([
            (
                Kind::Variant,
                often(variants.filter(|name| !name.is_empty())),
            ),
            (
                Kind::Missing,
                often(kit.chain(of_all(|comp| &comp.missing))),
            ),
            (Kind::Extra, often(of_all(|comp| &comp.extras))),
            (Kind::Defect, often(of_all(|comp| &comp.defects))),
        ]);
        let levels: Vec<String> = settings.completeness_names().map(String::from).collect();
        let wording = Wording::of(model, settings);
        let choice = |kind: Kind, name: String| {
            let mut alone = Items::NONE;
            alone.add(&name, 1);
            let implied = match kind {
                Kind::Missing => wording.implied_word(&alone, &Items::NONE),
                Kind::Extra => wording.implied_word(&Items::NONE, &alone),
                Kind::Variant | Kind::Defect => None,
            };
            let level = implied.flatten();
            let level = level.and_then(|word| levels.iter().position(|level| level == word));
            Choice {
                kind,
                name,
                implies: level.map_or(0, |at| at + 1),
            }
        };
        let mut ranked: Vec<(usize, Kind, String)> = Vec::new();
        for kind in KINDS {
            let ranks = named.remove(&kind).unwrap_or_default().into_iter();
            ranked.extend(ranks.enumerate().map(|(rank, name)| (rank, kind, name)));
        }
        ranked.sort();
        let grades: Vec<String> = settings.grade_names().map(String::from).collect();
        ranked.truncate(room((grades.len() + 2) * (levels.len() + 1)));
        ranked.sort_by_key(|(rank, kind, _)| (*kind, *rank));
        let others = ranked.into_iter();
        let others = others.map(|(_, kind, name)| choice(kind, name)).collect();
        Ok(Self {
            model: model.to_string(),
            grades,
            levels,
            others,
        })
    }

    /// The level of a combination, given or implied by its other choices.
    pub fn level(&self, combination: &Combination) -> usize {
        let implied = combination.others.iter().map(|at| self.others[*at].implies);
        match combination.level {
            0 => implied.max().unwrap_or_default(),
            given => given,
        }
    }

    /// Number of grades, plus one for no grade and one for a unit that does not work.
    pub fn all_grades(&self) -> usize {
        self.grades.len() + 2
    }

    /// Number of levels, plus one for no level.
    pub fn all_levels(&self) -> usize {
        self.levels.len() + 1
    }

    /// Whether two other choices can hold at once.
    pub fn agree(&self, one: usize, other: usize) -> bool {
        let (one, other) = (&self.others[one], &self.others[other]);
        let piece = |kind| matches!(kind, Kind::Missing | Kind::Extra);
        if one.kind == other.kind {
            one.kind != Kind::Variant
        } else {
            // A piece is not both missing and extra.
            !(piece(one.kind) && piece(other.kind) && one.name == other.name)
        }
    }

    /// Whether all of these can hold at once.
    pub fn all_agree(&self, others: &[usize]) -> bool {
        let pairs = |at: usize| {
            others[at + 1..]
                .iter()
                .map(move |other| (others[at], *other))
        };
        (0..others.len())
            .flat_map(pairs)
            .all(|(one, other)| self.agree(one, other))
    }

    /// The unit of a combination.
    pub fn unit(&self, combination: &Combination) -> Unit {
        let names = |kind: Kind| {
            let mut items = Items::NONE;
            let chosen = combination.others.iter().map(|at| &self.others[*at]);
            chosen
                .filter(|choice| choice.kind == kind)
                .for_each(|choice| items.add(&choice.name, 1));
            items
        };
        let variant = combination.others.iter().map(|at| &self.others[*at]);
        let variant = variant.filter(|choice| choice.kind == Kind::Variant);
        let at = |names: &[String], place: usize| {
            place.checked_sub(1).and_then(|at| names.get(at).cloned())
        };
        Unit {
            variant: variant.map(|choice| choice.name.clone()).next(),
            grade: at(&self.grades, combination.grade),
            completeness: at(&self.levels, combination.level),
            missing: names(Kind::Missing),
            extras: names(Kind::Extra),
            defects: names(Kind::Defect),
            works: combination.grade <= self.grades.len(),
            ..Unit::blank(&self.model)
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::app::pocket) fn choices(others: &[(Kind, &str)]) -> Choices {
        let words = |all: &[&str]| all.iter().map(|word| word.to_string()).collect();
        Choices {
            model: "Nulva 61K".into(),
            grades: words(&["A", "B"]),
            levels: words(&["bare", "full"]),
            others: others
                .iter()
                .map(|(kind, name)| Choice {
                    kind: *kind,
                    name: (*name).into(),
                    implies: 0,
                })
                .collect(),
        }
    }

    #[test]
    fn a_combination_is_a_unit() {
        let choices = choices(&[
            (Kind::Variant, "red"),
            (Kind::Variant, "blue"),
            (Kind::Missing, "charger"),
            (Kind::Extra, "charger"),
            (Kind::Defect, "scratch"),
        ]);
        let unit = choices.unit(&Combination {
            grade: 2,
            level: 1,
            others: vec![1, 2, 4],
        });
        assert_eq!(
            (unit.grade.as_deref(), unit.completeness.as_deref()),
            (Some("B"), Some("bare"))
        );
        assert_eq!(unit.variant.as_deref(), Some("blue"));
        assert_eq!(unit.missing.to_string(), "charger");
        assert_eq!(unit.defects.to_string(), "scratch");
        assert!(unit.extras.is_empty() && unit.works);
        let dead = choices.unit(&Combination {
            grade: 3,
            ..Combination::default()
        });
        assert_eq!((dead.grade, dead.works), (None, false));
        assert!(choices.all_agree(&[1, 2, 4]));
        assert!(!choices.all_agree(&[0, 1]) && !choices.all_agree(&[0, 2, 3]));
    }
}
