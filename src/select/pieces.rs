//! One canonical form of the pieces that a unit has and lacks, however they are described.
//!
//! A description is a word of the completeness scale, with pieces named as missing or as extras.
//! The word stands for a set of pieces; the named ones are then removed and added:
//!
//! * With a *kit*, the set consists of the count of each absent piece, of whether the packaging is
//!   there, and of whether the seal is unbroken. `full` is the whole kit, `boxed` adds its
//!   packaging, and `sealed` adds the seal.
//! * Without a kit, the pieces that `usable` or `full` stand for are not known. The set is then the
//!   word, up to the complete kit; packaging and seal are separate: `full` with packaging as an
//!   extra is `boxed`, and `boxed` with packaging missing is `full`. Other names stay as they are.
//! * Missing pieces are missing in addition to the word, and never more of a piece than the kit
//!   has. An extra first replaces a missing piece; only the rest is an extra.
//! * There is one packaging and one seal: to name one that the word already implies changes
//!   nothing.
//!
//! If the *completeness is blank*, the set is known only if the named pieces determine it:
//!
//! * a seal as an extra: the unit is sealed;
//! * for a model with a kit, any missing piece, or packaging as an extra: the kit is complete,
//!   without packaging, except for the named pieces.
//!
//! Otherwise the set is unknown, and the unit may have any of several sets
//! ([`Wording::likely_sets`]). A seal without packaging, or on an incomplete kit, is accepted as
//! described.

use std::collections::BTreeMap;

use crate::settings::{Has, Settings, of_scale};
use crate::trade::{Items, Unit};

pub use crate::settings::values::PACKAGING;
/// Name of the extra for an unbroken seal.
pub const SEAL: &str = "seal";

/// Meaning of the completeness words for one model.
#[derive(Debug, Clone)]
pub struct Wording {
    /// The words, least first.
    levels: Vec<(String, Has)>,
    kit: Option<KitPieces>,
}

/// The pieces of a kit, without packaging and seal.
#[derive(Debug, Clone)]
struct KitPieces {
    ships_with: Items,
    usable_needs: Items,
}

/// The pieces present, of all that ship with the model. Two descriptions of the same pieces give
/// equal sets.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Set {
    /// The completeness by its word without a kit; the kit itself with one.
    base: Has,
    /// Pieces of the kit that are absent.
    absent: Items,
    packaging: bool,
    seal: bool,
}

/// A description in canonical form.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Described {
    /// The pieces present, if the description determines them.
    set: Option<Set>,
    /// Whether a word of the scale determines them.
    by_word: bool,
    /// Names listed as missing that are no part of the set; all of them if the set is unknown.
    missing: Items,
    /// Names listed as extras, likewise.
    extras: Items,
}

/// A description in the terms of a fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amounts {
    /// Steps of the completeness scale (index of the lower level) that the unit has passed.
    pub steps: Vec<usize>,
    /// Missing pieces.
    pub missing: Items,
    /// Extras.
    pub extras: Items,
}

impl Described {
    /// The pieces present, if the description determines them.
    pub fn set(&self) -> Option<&Set> {
        self.set.as_ref()
    }

    /// All that the description comes to, whether by a word or by names: of two units with equal pieces the same is
    /// known.
    pub fn pieces(&self) -> (Option<&Set>, &Items, &Items) {
        (self.set.as_ref(), &self.missing, &self.extras)
    }

    /// The set of another description, with the other names of this one.
    pub fn with_set_of(self, other: &Self) -> Self {
        Self {
            set: other.set.clone(),
            by_word: other.by_word,
            ..self
        }
    }
}

impl Wording {
    /// The scale of the settings, applied to `model`.
    pub fn of(model: &str, settings: &Settings) -> Self {
        let pieces = |items: &Items| {
            let mut items = items.clone();
            items.take(PACKAGING, u32::MAX);
            items.take(SEAL, u32::MAX);
            items
        };
        let levels = settings.completeness.iter();
        Self {
            levels: levels.map(|l| (l.name.clone(), l.has)).collect(),
            kit: settings.kit(model).map(|kit| KitPieces {
                ships_with: pieces(&kit.ships_with),
                usable_needs: pieces(&kit.usable_needs),
            }),
        }
    }

    /// The pieces of a unit, in canonical form.
    pub fn of_unit(&self, unit: &Unit) -> Described {
        let word = unit.completeness.as_deref().unwrap_or_default();
        self.read(word, &unit.missing, &unit.extras)
    }

    /// Brings a description to canonical form. `completeness` is a word of the scale (ignoring case
    /// and surrounding white space), or blank.
    pub fn read(&self, completeness: &str, missing: &Items, extras: &Items) -> Described {
        let word = completeness.trim();
        let names = self.levels.iter().map(|(name, _)| name.as_str());
        let level = of_scale(names, word).map(|(at, _)| &self.levels[at]);
        let has = level.map(|(_, has)| *has);
        match has.or_else(|| self.implied(missing, extras)) {
            Some(meant) => Described {
                by_word: has.is_some(),
                ..self.named(&self.set(meant), missing, extras)
            },
            None => Described {
                set: None,
                by_word: false,
                missing: missing.clone(),
                extras: extras.clone(),
            },
        }
    }

    /// Completeness before the named pieces are applied, if the completeness is blank and the names
    /// determine it.
    fn implied(&self, missing: &Items, extras: &Items) -> Option<Has> {
        let lacks = missing.iter().any(|(piece, _)| piece != SEAL);
        if extras.count(SEAL) > 0 && self.has_word(Has::Seal) {
            Some(Has::Seal)
        } else if self.kit.is_some() && (lacks || extras.count(PACKAGING) > 0) {
            Some(Has::Kit)
        } else {
            None
        }
    }

    /// For a unit of blank completeness: the word (if the scale has one) of the level that
    /// [`Self::read`] assumes before it applies the named pieces. `None` if these do not determine
    /// it.
    pub fn implied_word(&self, missing: &Items, extras: &Items) -> Option<Option<&str>> {
        let meant = self.implied(missing, extras)?;
        let level = self.levels.iter().find(|(_, has)| *has == meant);
        Some(level.map(|(name, _)| name.as_str()))
    }

    /// The set that a word stands for.
    fn set(&self, has: Has) -> Set {
        let mut absent = Items::NONE;
        if let Some(kit) = &self.kit {
            for (piece, shipped) in kit.ships_with.iter() {
                let present = match has {
                    Has::Unit => 0,
                    Has::Usable => kit.usable_needs.count(piece).min(shipped),
                    Has::Kit | Has::Packaging | Has::Seal => shipped,
                };
                absent.add(piece, shipped - present);
            }
        }
        Set {
            base: if self.kit.is_some() {
                Has::Kit
            } else {
                has.min(Has::Kit)
            },
            absent,
            packaging: has >= Has::Packaging,
            seal: has == Has::Seal,
        }
    }

    /// Everything that ships with the model, as far as the scale has a word for it; without
    /// packaging.
    pub fn complete(&self) -> Set {
        let most = self.levels.last().map_or(Has::Kit, |(_, has)| *has);
        self.set(most.min(Has::Kit))
    }

    /// A [`complete`](Self::complete) unit without named pieces.
    pub fn complete_unit(&self) -> Described {
        Described {
            set: Some(self.complete()),
            by_word: true,
            missing: Items::NONE,
            extras: Items::NONE,
        }
    }

    /// Whether the packaging, or the seal, is part of the set: always with a kit, else if the scale
    /// has a word for it.
    fn has_word(&self, has: Has) -> bool {
        self.kit.is_some() || self.levels.iter().any(|(_, level)| *level >= has)
    }

    /// A set after the named pieces are removed and added.
    fn named(&self, set: &Set, missing: &Items, extras: &Items) -> Described {
        let mut set = set.clone();
        let (mut missing, mut extras) = (missing.clone(), extras.clone());
        let mut name = |piece: &str, there: bool| {
            let lacks = missing.take(piece, u32::MAX) > 0;
            extras.take(piece, u32::MAX) > 0 || (there && !lacks)
        };
        if self.has_word(Has::Packaging) {
            set.packaging = name(PACKAGING, set.packaging);
        }
        if self.has_word(Has::Seal) {
            set.seal = name(SEAL, set.seal);
        }
        // Rebuilt in the order of the kit, because insertion would be slow for a large kit.
        let absent_before = std::mem::take(&mut set.absent);
        for (piece, shipped) in self.kit.iter().flat_map(|kit| kit.ships_with.iter()) {
            let lacking = missing.take(piece, u32::MAX);
            let absent = absent_before.count(piece);
            let absent = absent.saturating_add(lacking).min(shipped);
            let brought = extras.take(piece, absent);
            set.absent.add(piece, absent - brought);
        }
        let both: Vec<(String, u32)> = missing
            .iter()
            .map(|(piece, count)| (piece.to_string(), count.min(extras.count(piece))))
            .collect();
        for (piece, count) in both {
            missing.take(&piece, count);
            extras.take(&piece, count);
        }
        Described {
            set: Some(set),
            by_word: false,
            missing,
            extras,
        }
    }

    /// A description in the terms of a fit, each alternative with its share: a single one of share
    /// 1 if its set is known, else one for each of the `likely` sets.
    pub fn amounts(&self, described: &Described, likely: &[(Set, f64)]) -> Vec<(Amounts, f64)> {
        let Described {
            missing, extras, ..
        } = described;
        match &described.set {
            Some(set) => vec![(self.amounts_of(set, missing, extras), 1.0)],
            None => likely
                .iter()
                .map(|(set, share)| {
                    let described = self.named(set, missing, extras);
                    let set = described.set.as_ref().unwrap_or(set);
                    let amounts = self.amounts_of(set, &described.missing, &described.extras);
                    (amounts, *share)
                })
                .collect(),
        }
    }

    fn amounts_of(&self, set: &Set, missing: &Items, extras: &Items) -> Amounts {
        let (mut missing, mut extras) = (missing.clone(), extras.clone());
        let mut steps = Vec::new();
        for (piece, count) in set.absent.iter() {
            missing.add(piece, count);
        }
        // Whether the steps counted so far include the packaging and the seal.
        let (mut packaging, mut seal) = (self.kit.is_some(), false);
        if self.kit.is_none() {
            let reached = self.reached(set.base);
            steps.extend(0..reached);
            let has = self.levels[reached].1;
            (packaging, seal) = (has >= Has::Packaging, has == Has::Seal);
            let both = self.step(Has::Kit, Has::Seal);
            if let Some(step) = both.filter(|_| set.packaging && set.seal && !packaging) {
                steps.push(step);
                (packaging, seal) = (true, true);
            }
            let word = self.step(Has::Kit, Has::Packaging);
            if let Some(step) = word.filter(|_| set.packaging && !packaging) {
                steps.push(step);
                packaging = true;
            }
            let word = self.step(Has::Packaging, Has::Seal);
            if let Some(step) = word.filter(|_| set.seal && !seal) {
                steps.push(step);
                seal = true;
            }
        }
        for (piece, there, counted) in [
            (PACKAGING, set.packaging, packaging),
            (SEAL, set.seal, seal),
        ] {
            missing.add(piece, u32::from(counted && !there));
            extras.add(piece, u32::from(there && !counted));
        }
        Amounts {
            steps,
            missing,
            extras,
        }
    }

    /// The level whose steps make up a set without packaging and seal: the first with the complete
    /// kit, or the base itself.
    fn reached(&self, base: Has) -> usize {
        let complete = self.levels.iter().position(|(_, has)| *has >= Has::Kit);
        let very = self.levels.iter().rposition(|(_, has)| *has <= base);
        complete.filter(|_| base == Has::Kit).or(very).unwrap_or(0)
    }

    /// The step from a level of `from` to the next level, if that is of `to`.
    fn step(&self, from: Has, to: Has) -> Option<usize> {
        self.levels
            .windows(2)
            .position(|pair| (pair[0].1, pair[1].1) == (from, to))
    }

    /// The sets that a unit may have if its description does not determine them, with shares that
    /// sum to 1:
    ///
    /// * if some comp has a recorded completeness: the known sets of the comps, by weight;
    /// * if none has, but missing pieces determine some sets: the complete set. The user does not
    ///   keep that column, and pieces that are not named are present;
    /// * if no set is known: the complete set.
    pub fn likely_sets<'a>(
        &self,
        comps: impl Iterator<Item = (&'a Described, f64)>,
    ) -> Vec<(Set, f64)> {
        let mut weights: BTreeMap<&Set, f64> = BTreeMap::new();
        let mut recorded = false;
        for (described, weight) in comps {
            if let Some(set) = &described.set {
                *weights.entry(set).or_insert(0.0) += weight;
                recorded |= described.by_word;
            }
        }
        let total: f64 = weights.values().sum();
        if weights.is_empty() || total <= 0.0 || !recorded {
            vec![(self.complete(), 1.0)]
        } else {
            weights
                .into_iter()
                .map(|(set, weight)| (set.clone(), weight / total))
                .filter(|(_, share)| *share > 0.0)
                .collect()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{Completeness, Kit};

    fn items(cell: &str) -> Items {
        Items::parse(cell).unwrap()
    }

    /// A scale of these levels, with or without a kit of two batteries (the model is usable with
    /// one) and a strap.
    fn wording(levels: &[(&str, Has)], kit: bool) -> Wording {
        let level = |(name, has): &(&str, Has)| Completeness {
            name: (*name).into(),
            has: *has,
            means: String::new(),
        };
        let mut settings = Settings {
            completeness: levels.iter().map(level).collect(),
            ..Settings::default()
        };
        if kit {
            let kit = Kit {
                ships_with: items("battery x2; strap"),
                usable_needs: items("battery"),
                ..Kit::default()
            };
            settings.kits.insert("m".into(), kit);
        }
        Wording::of("m", &settings)
    }

    const DEFAULT: [(&str, Has); 5] = [
        ("bare", Has::Unit),
        ("usable", Has::Usable),
        ("full", Has::Kit),
        ("boxed", Has::Packaging),
        ("sealed", Has::Seal),
    ];

    /// The steps, missing pieces and extras of `word; missing; extras`.
    fn amounts(wording: &Wording, [word, missing, extras]: [&str; 3]) -> String {
        let described = wording.read(word, &items(missing), &items(extras));
        let likely = wording.likely_sets([].into_iter());
        let [(amounts, _)] = &wording.amounts(&described, &likely)[..] else {
            panic!("of several");
        };
        format!(
            "{:?} −[{}] +[{}]",
            amounts.steps, amounts.missing, amounts.extras
        )
    }

    #[test]
    fn a_kit_is_counted_out() {
        let wording = wording(&DEFAULT, true);
        for (description, expected) in [
            (["bare", "", ""], "[] −[battery x2; packaging; strap] +[]"),
            (
                ["Usable ", "battery", ""],
                "[] −[battery x2; packaging; strap] +[]",
            ),
            (["usable", "", "battery; strap"], "[] −[packaging] +[]"),
            (
                ["full", "battery x3", "battery x3"],
                "[] −[packaging] +[battery]",
            ),
            (["boxed", "cap", "cap x2"], "[] −[] +[cap]"),
            (["", "strap", ""], "[] −[packaging; strap] +[]"),
            (["", "", "packaging"], "[] −[] +[]"),
            (["", "", "seal"], "[] −[] +[seal]"),
            (["boxed", "seal", "packaging"], "[] −[] +[]"),
            // Accepted as described.
            (
                ["sealed", "packaging; strap", ""],
                "[] −[packaging; strap] +[seal]",
            ),
        ] {
            assert_eq!(amounts(&wording, description), expected, "{description:?}");
        }
        let unknown = wording.read("", &items("seal"), &items("battery"));
        assert!(unknown.set().is_none());
    }

    /// Without a kit, the steps of the scale apply as far as it has words; the rest keeps its name.
    #[test]
    fn a_scale_serves_as_far_as_it_has_words() {
        let whole = wording(&DEFAULT, false);
        let gap = wording(&[DEFAULT[0], DEFAULT[2], DEFAULT[4]], false);
        let high = wording(&[DEFAULT[1], DEFAULT[3]], false);
        let low = wording(&DEFAULT[..3], false);
        for (wording, description, expected) in [
            (
                &whole,
                ["full", "charger", "packaging"],
                "[0, 1, 2] −[charger] +[]",
            ),
            (&whole, ["bare", "", "packaging"], "[2] −[] +[]"),
            (&whole, ["sealed", "packaging", ""], "[0, 1, 3] −[] +[]"),
            (&gap, ["full", "", "packaging; seal"], "[0, 1] −[] +[]"),
            (&gap, ["sealed", "seal", ""], "[0] −[] +[packaging]"),
            (&gap, ["sealed", "packaging", ""], "[0] −[] +[seal]"),
            (&high, ["boxed", "packaging", ""], "[0] −[packaging] +[]"),
            (&high, ["usable", "", "packaging"], "[] −[] +[packaging]"),
            // This scale has no word for packaging, so that its name counts.
            (&low, ["full", "packaging", ""], "[0, 1] −[packaging] +[]"),
            (&low, ["full", "", "seal"], "[0, 1] −[] +[seal]"),
        ] {
            assert_eq!(amounts(wording, description), expected, "{description:?}");
        }
    }

    /// A comp without a description: the known sets of the others, by weight, if some have a word;
    /// complete, if they only name missing pieces or nothing.
    #[test]
    fn blank_lists_are_read_by_those_of_the_others() {
        let wording = wording(&DEFAULT, true);
        let read = |word, missing| wording.read(word, &items(missing), &Items::NONE);
        let (silent, named, usable) = (read("", ""), read("", "strap"), read("usable", ""));
        let own = usable.set().cloned().unwrap();
        let likely = |comps: &[&Described]| {
            let weighed = comps.iter().map(|d| (*d, 1.0));
            wording.likely_sets(weighed)
        };
        let shares = likely(&[&silent, &usable, &named, &named, &named]);
        assert_eq!(shares.len(), 2);
        for (set, share) in shares {
            assert_eq!(share, if set == own { 0.25 } else { 0.75 });
        }
        assert_eq!(likely(&[&silent, &named]), [(wording.complete(), 1.0)]);
        assert_eq!(likely(&[&silent]), [(wording.complete(), 1.0)]);
    }
}
