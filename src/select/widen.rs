//! Widening: includes less and less similar sales until there are enough.

use crate::trade::Unit;
use std::collections::HashSet;

use super::{Candidate, Dropped, Selection, Stage, Step};

/// Number of comps at which a parts-only subject needs no working units.
pub const ENOUGH_PARTS: usize = 5;

/// Limits of a selection.
#[derive(Debug, Clone)]
pub struct Limits<'a> {
    /// Number of comps at which widening stops.
    pub enough: usize,
    /// Most comps used, newest first.
    pub most: usize,
    /// Comps always used, whatever the tests find, by identifier or a prefix of it.
    pub keep: &'a [String],
    /// Comps never used, by identifier or a prefix of it.
    pub drop: &'a [String],
}

/// An identifier on the command line that does not match exactly one usable comp.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WordError {
    /// No identifier of a comp of the model begins with it.
    #[error("no comp of this model has an id that begins with {0:?}")]
    Unknown(String),
    /// Several comps match.
    #[error("{0:?} fits {1} comps of this model; write more of the id")]
    Ambiguous(String, usize),
    /// The comp can never inform an estimate for a single unit on that day.
    #[error("{0:?} cannot be kept: {1}")]
    Never(String, String),
    /// Both kept and dropped.
    #[error("{0:?} is both kept and dropped")]
    Both(String),
}

/// Takes widening steps in order until enough comps are in use, and marks the others with the
/// reason why they are not. The user's `keep` and `drop` come first: a kept comp is used at any
/// step.
///
/// # Errors
/// [`WordError`] if an identifier matches no comp, or several, or a comp that can never inform an
/// estimate for a single unit on that day.
pub fn widen(
    selection: &mut Selection,
    subject: &Unit,
    limits: &Limits<'_>,
) -> Result<(), WordError> {
    mark_by_hand(&mut selection.candidates, limits)?;
    let mut total = selection.candidates.iter().filter(|c| c.pinned).count();
    if total > 0 {
        selection.steps.push(Step {
            stage: Stage::Kept,
            brought: total,
            undated: undated(selection.candidates.iter().filter(|c| c.pinned)),
            total,
        });
    }
    let mut last = None;
    for stage in Stage::ALL.into_iter().filter(|s| *s != Stage::Kept) {
        let enough = match stage {
            Stage::Working => limits.enough.min(ENOUGH_PARTS),
            _ => limits.enough,
        };
        if total >= enough || (stage == Stage::Working && subject.works) {
            break;
        }
        let called_in =
            |comp: &&Candidate| comp.dropped.is_none() && !comp.pinned && comp.stage == stage;
        let called = || selection.candidates.iter().filter(called_in);
        let (brought, undated) = (called().count(), undated(called()));
        total += brought;
        last = Some(stage);
        if brought > 0 || stage == Stage::Exact {
            selection.steps.push(Step {
                stage,
                brought,
                undated,
                total,
            });
        }
    }
    let mut room = limits.most;
    for comp in selection
        .candidates
        .iter_mut()
        .filter(|c| c.dropped.is_none() && !c.pinned)
    {
        if Some(comp.stage) > last {
            comp.dropped = Some(match comp.stage {
                Stage::Working => Dropped::Working,
                Stage::Window if comp.sold_on.is_none() => Dropped::UndatedNotNeeded,
                stage => Dropped::NotNeeded(stage),
            });
        } else if room == 0 {
            comp.dropped = Some(Dropped::Surplus);
        } else {
            room -= 1;
        }
    }
    Ok(())
}

/// Number of undated comps among them.
fn undated<'a>(comps: impl Iterator<Item = &'a Candidate>) -> usize {
    comps.filter(|comp| comp.sold_on.is_none()).count()
}

fn mark_by_hand(candidates: &mut [Candidate], limits: &Limits<'_>) -> Result<(), WordError> {
    let kept = find(candidates, limits.keep)?;
    let dropped = find(candidates, limits.drop)?;
    if let Some(both) = kept.intersection(&dropped).next() {
        return Err(WordError::Both(candidates[*both].comp_id.clone()));
    }
    for at in dropped {
        candidates[at].dropped = Some(Dropped::ByHand);
    }
    for at in kept {
        let comp = &mut candidates[at];
        if let Some(why) = comp.dropped.filter(|why| !why.can_be_kept()) {
            return Err(WordError::Never(comp.comp_id.clone(), why.reason()));
        }
        comp.dropped = None;
        comp.pinned = true;
    }
    Ok(())
}

fn find(candidates: &[Candidate], words: &[String]) -> Result<HashSet<usize>, WordError> {
    let mut found = HashSet::new();
    for word in words {
        let exact = candidates.iter().position(|c| c.comp_id == *word);
        let fits: Vec<usize> = match exact {
            Some(at) => vec![at],
            None => (0..candidates.len())
                .filter(|&i| candidates[i].comp_id.starts_with(word.as_str()))
                .collect(),
        };
        match fits[..] {
            [] => return Err(WordError::Unknown(word.clone())),
            [one] => {
                found.insert(one);
            }
            _ => return Err(WordError::Ambiguous(word.clone(), fits.len())),
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rust_decimal::Decimal;

    fn comp(id: &str, stage: Stage) -> Candidate {
        Candidate {
            comp_id: id.into(),
            stage,
            ..Candidate::blank(Decimal::from(100))
        }
    }

    fn selection() -> Selection {
        let stages = [
            ("a1", Stage::Exact),
            ("a2", Stage::Exact),
            ("b1", Stage::Grade),
            ("c1", Stage::Completeness),
            ("w1", Stage::Window),
            ("k1", Stage::Working),
        ];
        Selection {
            candidates: stages.map(|(id, stage)| comp(id, stage)).into(),
            ..Selection::empty("Nulva 61K")
        }
    }

    fn widened(enough: usize, most: usize, keep: &[&str], drop: &[&str]) -> Selection {
        let mut found = selection();
        let words = |all: &[&str]| all.iter().map(|word| word.to_string()).collect::<Vec<_>>();
        let limits = Limits {
            enough,
            most,
            keep: &words(keep),
            drop: &words(drop),
        };
        widen(&mut found, &Unit::blank("Nulva 61K"), &limits).unwrap();
        found
    }

    fn used(found: &Selection) -> Vec<&str> {
        found.in_use().map(|comp| comp.comp_id.as_str()).collect()
    }

    #[test]
    fn widening_stops_once_there_are_enough() {
        let found = widened(3, 10, &[], &[]);
        assert_eq!(used(&found), ["a1", "a2", "b1"]);
        let taken: Vec<_> = found
            .steps
            .iter()
            .map(|s| (s.stage, s.brought, s.total))
            .collect();
        assert_eq!(taken, [(Stage::Exact, 2, 2), (Stage::Grade, 1, 3)]);
        let why = |id: &str| {
            found
                .candidates
                .iter()
                .find(|c| c.comp_id == id)
                .unwrap()
                .dropped
        };
        assert_eq!(why("c1"), Some(Dropped::NotNeeded(Stage::Completeness)));
        // No day was recorded.
        assert_eq!(why("w1"), Some(Dropped::UndatedNotNeeded));
        assert_eq!(used(&widened(4, 10, &[], &[])), ["a1", "a2", "b1", "c1"]);
    }

    #[test]
    fn working_units_are_for_parts_only_subjects() {
        assert_eq!(used(&widened(99, 10, &[], &[])).len(), 5);
        let mut found = selection();
        let parts = Unit {
            works: false,
            ..Unit::blank("Nulva 61K")
        };
        let limits = |enough| Limits {
            enough,
            most: 10,
            keep: &[],
            drop: &[],
        };
        // Five others are enough for a unit that does not work, however many are asked for.
        widen(&mut found, &parts, &limits(99)).unwrap();
        assert_eq!(found.candidates[5].dropped, Some(Dropped::Working));
        found = selection();
        found.candidates.remove(0);
        widen(&mut found, &parts, &limits(99)).unwrap();
        assert_eq!(found.candidates[4].dropped, None);
    }

    #[test]
    fn the_users_word_comes_first() {
        let found = widened(2, 10, &["c"], &["a1"]);
        assert_eq!(used(&found), ["a2", "c1"]);
        assert_eq!(found.steps[0].stage, Stage::Kept);
        // The most that a fit takes leave those kept alone.
        let found = widened(9, 1, &["w1"], &[]);
        assert_eq!(used(&found), ["a1", "w1"]);
        assert_eq!(found.candidates[1].dropped, Some(Dropped::Surplus));
        let refused = |keep: &[String], drop: &[String]| {
            let limits = Limits {
                enough: 1,
                most: 9,
                keep,
                drop,
            };
            let mut found = selection();
            found.candidates[2].dropped = Some(Dropped::Lot(3));
            widen(&mut found, &Unit::blank("Nulva 61K"), &limits).unwrap_err()
        };
        let word = |text: &str| [text.to_string()];
        assert_eq!(refused(&word("x"), &[]), WordError::Unknown("x".into()));
        assert_eq!(
            refused(&word("a"), &[]),
            WordError::Ambiguous("a".into(), 2)
        );
        assert_eq!(
            refused(&word("a1"), &word("a1")),
            WordError::Both("a1".into())
        );
        let never = WordError::Never("b1".into(), "lot of 3".into());
        assert_eq!(refused(&word("b1"), &[]), never);
    }
}
