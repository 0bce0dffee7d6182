//! Widening: calling in less and less like sales until there are enough.

use std::collections::HashSet;

use super::{Candidate, Dropped, Selection, Stage, Step, Subject};

/// Comps at which a parts-only subject no longer calls in working units.
pub const ENOUGH_PARTS: usize = 5;

/// Limits of a search.
#[derive(Debug, Clone)]
pub struct Limits<'a> {
    /// Comps at which widening stops.
    pub enough: usize,
    /// Most comps used, newest first.
    pub most: usize,
    /// Comps kept in whatever the tests say, by identifier or a prefix of it.
    pub keep: &'a [String],
    /// Comps left out.
    pub drop: &'a [String],
}

/// An identifier on the command line that does not name one comp.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WordError {
    /// No comp of the model begins so.
    #[error("no comp of this model has an id that begins with {0:?}")]
    Unknown(String),
    /// Several do.
    #[error("{0:?} fits {1} comps of this model; write more of the id")]
    Ambiguous(String, usize),
    /// Kept and dropped at once.
    #[error("{0:?} is both kept and dropped")]
    Both(String),
}

/// Takes widening steps in order until enough comps are in; marks the rest with why they are
/// not used. The user's own `keep` and `drop` come first: a kept comp is used at any step, save
/// one sold after the day of the estimate.
///
/// # Errors
/// [`WordError`] where an identifier names no comp, or several.
pub fn widen(
    selection: &mut Selection,
    subject: &Subject,
    limits: &Limits<'_>,
) -> Result<(), WordError> {
    let kept = find(&selection.candidates, limits.keep)?;
    let dropped = find(&selection.candidates, limits.drop)?;
    if let Some(both) = kept.intersection(&dropped).next() {
        return Err(WordError::Both(selection.candidates[*both].comp_id.clone()));
    }
    for &i in &dropped {
        selection.candidates[i].dropped = Some(Dropped::ByHand);
    }
    for &i in &kept {
        let comp = &mut selection.candidates[i];
        if comp.dropped != Some(Dropped::Later) {
            comp.dropped = None;
            comp.pinned = true;
        }
    }
    let mut total = 0;
    let mut last = None;
    for stage in Stage::ALL {
        let enough = if stage == Stage::Working {
            limits.enough.min(ENOUGH_PARTS)
        } else {
            limits.enough
        };
        if total >= enough || (stage == Stage::Working && subject.works) {
            break;
        }
        let called_in = |comp: &&Candidate| {
            comp.dropped.is_none()
                && stage
                    == if comp.pinned {
                        Stage::Exact
                    } else {
                        comp.stage
                    }
        };
        let brought = selection.candidates.iter().filter(called_in).count();
        total += brought;
        last = Some(stage);
        if brought > 0 || stage == Stage::Exact {
            selection.steps.push(Step {
                stage,
                brought,
                total,
            });
        }
    }
    let mut room = limits.most;
    for comp in &mut selection.candidates {
        if comp.dropped.is_some() {
            continue;
        }
        if !comp.pinned && Some(comp.stage) > last {
            let works = comp.stage == Stage::Working;
            comp.dropped = Some(if works {
                Dropped::Working
            } else {
                Dropped::NotNeeded(comp.stage)
            });
        } else if room == 0 {
            comp.dropped = Some(Dropped::Surplus);
        } else {
            room -= 1;
        }
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
