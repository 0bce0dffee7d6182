//! One canonical form of what a unit has and lacks, however it was described.
//!
//! A description is a word of the completeness scale with the pieces named as missing and as
//! extras. The word stands for a set of pieces; what is named is then taken away and added:
//!
//! * With a *kit* the set is the count of each piece that is not there, whether the packaging is,
//!   and whether the seal is unbroken. `full` is the whole kit, `boxed` that with its packaging,
//!   `sealed` that with the seal.
//! * Without a kit nobody has said what `usable` or `full` hold. The set is then the word, up to
//!   the complete kit, with packaging and seal apart from it: `full` with packaging as an extra is
//!   `boxed`, and `boxed` with packaging missing is `full`. Other names stay as they are.
//! * What is missing is missing beyond the word: no more of a piece than the kit has. An extra
//!   first makes good what is missing, and only the rest of it is an extra.
//! * There is one packaging and one seal: to name again what the word says changes nothing.
//!
//! Where the *completeness is blank*, the set is known only if something is named that tells of it:
//!
//! * a seal as an extra: the unit is sealed;
//! * for a model with a kit, a missing piece of any name, or packaging as an extra: the kit is
//!   complete, without packaging, but for what is named.
//!
//! Otherwise the set is not known, and the unit may be any of several
//! ([`Wording::likely_sets`]). A seal without packaging, or one on a kit that lacks a piece, is taken at
//! its word.

use std::collections::BTreeMap;

use crate::settings::{Has, Settings, of_scale};
use crate::trade::{Items, Unit};

/// Name of the piece that packaging is.
pub const PACKAGING: &str = "packaging";
/// Name of the extra that an unbroken seal is.
pub const SEAL: &str = "seal";

/// What the words of completeness stand for with one model.
#[derive(Debug, Clone)]
pub struct Wording {
    /// The words, least first.
    levels: Vec<(String, Has)>,
    kit: Option<KitPieces>,
}

/// The pieces of a kit; packaging and seal are none.
#[derive(Debug, Clone)]
struct KitPieces {
    ships_with: Items,
    usable_needs: Items,
}

/// What is there of all that the model comes with. Two descriptions of the same pieces give equal
/// sets.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Set {
    /// How complete by its word, where the model has no kit; the kit, where it has one.
    base: Has,
    /// Pieces of the kit that are not there.
    absent: Items,
    packaging: bool,
    seal: bool,
}

/// A description in canonical form.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Described {
    /// What is there, where the description tells.
    set: Option<Set>,
    /// Whether a word of the scale tells it.
    by_word: bool,
    /// What is named as missing and no part of the set; all that is named, where the set is not
    /// known.
    missing: Items,
    /// The same of extras.
    extras: Items,
}

/// What a description comes to in the terms of a fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amounts {
    /// Steps of the completeness scale (index of the lower level) that the unit has.
    pub steps: Vec<usize>,
    /// Pieces missing.
    pub missing: Items,
    /// Extras.
    pub extras: Items,
}

impl Described {
    /// What is there, where the description tells.
    pub fn set(&self) -> Option<&Set> {
        self.set.as_ref()
    }

    /// The same with the set of another description, and what is named besides.
    pub fn with_set_of(self, other: &Self) -> Self {
        Self {
            set: other.set.clone(),
            by_word: other.by_word,
            ..self
        }
    }
}

impl Wording {
    /// The scale of the settings as it is meant of `model`.
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

    /// What a unit has and lacks, in canonical form.
    pub fn of_unit(&self, unit: &Unit) -> Described {
        let word = unit.completeness.as_deref().unwrap_or_default();
        self.read(word, &unit.missing, &unit.extras)
    }

    /// Brings a description to its canonical form. `completeness` is a word of the scale (case and
    /// white space about it ignored), or blank.
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

    /// How complete a unit is but for what is named, where its completeness is blank and the
    /// names tell.
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

    /// The word, if the scale has one, for what [`Self::read`] takes a unit of blank
    /// completeness to be but for the pieces named; `None` where these do not tell.
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

    /// All that ships with the model, or as much of it as the scale has a word for; without
    /// packaging.
    pub fn complete(&self) -> Set {
        let most = self.levels.last().map_or(Has::Kit, |(_, has)| *has);
        self.set(most.min(Has::Kit))
    }

    /// A unit that is [`complete`](Self::complete), with nothing named.
    pub fn complete_unit(&self) -> Described {
        Described {
            set: Some(self.complete()),
            by_word: true,
            missing: Items::NONE,
            extras: Items::NONE,
        }
    }

    /// Whether the packaging, or the seal, is part of the set: with a kit always, else where the
    /// scale has a word for it.
    fn has_word(&self, has: Has) -> bool {
        self.kit.is_some() || self.levels.iter().any(|(_, level)| *level >= has)
    }

    /// A set with what is named taken away and added.
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
        // Made anew in the order of the kit: nothing is put in between, however large it is.
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

    /// What a description comes to in the terms of a fit, each with its share: one of share 1
    /// where its set is known, else one for each of the `likely` sets.
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
        // Whether the packaging and the seal are part of what is accounted for so far.
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

    /// The level whose steps make up a set without packaging and seal: the first that holds the
    /// complete kit, or the very one.
    fn reached(&self, base: Has) -> usize {
        let complete = self.levels.iter().position(|(_, has)| *has >= Has::Kit);
        let very = self.levels.iter().rposition(|(_, has)| *has <= base);
        complete.filter(|_| base == Has::Kit).or(very).unwrap_or(0)
    }

    /// The step from a level of the one to the next level, if that is of the other.
    fn step(&self, from: Has, to: Has) -> Option<usize> {
        self.levels
            .windows(2)
            .position(|pair| (pair[0].1, pair[1].1) == (from, to))
    }

    /// What a unit may be whose description does not tell, with shares that add up to 1:
    ///
    /// * where some comp's completeness is recorded, what the comps are whose sets are known, by
    ///   their weights;
    /// * where it is recorded of none and yet some sets are known, by what is named as missing:
    ///   complete. That column is not kept, then, and of what is named nowhere nothing is missing;
    /// * where no set is known: complete.
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

    /// A scale of these levels, with or without a kit of two batteries (one of which makes the model
    /// usable) and a strap.
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

    /// What `word; missing; extras` come to: the steps, what is missing, what is extra.
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
            // Taken at their word.
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

    /// Without a kit the steps of the scale serve as far as it has words; what it has none for goes by
    /// its name.
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
            // Of packaging this scale says nothing, so that a name says something.
            (&low, ["full", "packaging", ""], "[0, 1] −[packaging] +[]"),
            (&low, ["full", "", "seal"], "[0, 1] −[] +[seal]"),
        ] {
            assert_eq!(amounts(wording, description), expected, "{description:?}");
        }
    }

    /// What a silent comp may be: what is known of the others, by weight, if some say it by a word;
    /// complete, if they only name what is missing or say nothing.
    #[test]
    fn silence_is_read_by_what_the_others_say() {
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
