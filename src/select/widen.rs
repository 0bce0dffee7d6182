//! Widening: includes less and less similar sales until there are enough.

use std::collections::HashSet;

use super::{Candidate, Dropped, Selection, Stage, Step, Subject};

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
    subject: &Subject,
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
        if let Some(why @ (Dropped::Later | Dropped::Lot(_))) = comp.dropped {
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
