//! What the facts of a unit do to its price.

use super::answer::{Adjustment, Estimate, Source};
use crate::fit::term::{OTHERS, Term};
use crate::trade::names::same;

/// What a fact of the unit does to its price.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Name for the reader.
    pub label: String,
    /// Difference from the same unit without it, money.
    pub money: f64,
    /// Its origin.
    pub source: Source,
}

impl Estimate {
    /// Whether the unit has what an adjustment is about for certain, rather than on average or in some amount.
    pub fn applies(&self, adjustment: &Adjustment) -> bool {
        let unknown = adjustment
            .term
            .fact()
            .is_some_and(|fact| self.unknown.iter().any(|one| one.fact == fact));
        let certain = !matches!(adjustment.term, Term::Trend | Term::Attribute(_))
            && adjustment.on_unit > 1.0 - 1e-6;
        certain && (!unknown || self.is_named(adjustment))
    }

    /// Whether an adjustment is about a piece that the unit lacks by its completeness, rather than because it
    /// is named.
    pub fn is_implied(&self, adjustment: &Adjustment) -> bool {
        matches!(&adjustment.term, Term::Missing(piece) if piece != OTHERS)
            && !self.is_named(adjustment)
    }

    /// Whether an adjustment is about a fact that neither the user nor a comp in use states.
    pub(super) fn is_unstated(&self, adjustment: &Adjustment) -> bool {
        let fact = adjustment.term.fact();
        !self.is_named(adjustment) && fact.is_some_and(|fact| self.unstated.contains(&fact))
    }

    /// Whether the unit was said to lack the piece, or to have the extra, of an adjustment.
    fn is_named(&self, adjustment: &Adjustment) -> bool {
        let (piece, named) = match &adjustment.term {
            Term::Missing(piece) => (piece, &self.subject.missing),
            Term::Extra(piece) => (piece, &self.subject.extras),
            _ => return false,
        };
        named.iter().any(|(name, _)| same(name, piece))
    }

    /// The effects of what is known of the unit, largest first. The steps from the best grade to that of the
    /// unit are one effect; so are those of completeness, and the pieces that the completeness implies.
    pub fn effects(&self) -> Vec<Effect> {
        let mut groups: Vec<(Group, Vec<&Adjustment>)> = Vec::new();
        for adjustment in &self.adjustments {
            let Some(group) = self.group(adjustment) else {
                continue;
            };
            match groups.iter_mut().find(|(other, _)| *other == group) {
                Some((_, members)) if group != Group::Alone => members.push(adjustment),
                _ => groups.push((group, vec![adjustment])),
            }
        }
        let mut effects: Vec<Effect> = groups
            .iter()
            .map(|(group, members)| self.effect(*group, members))
            .collect();
        effects.sort_by(|a, b| b.money.abs().total_cmp(&a.money.abs()));
        effects
    }

    /// The group of an adjustment; none if it says nothing of this unit.
    fn group(&self, adjustment: &Adjustment) -> Option<Group> {
        let stated = |name: &str| self.subject.attributes.get(name).is_some();
        match &adjustment.term {
            Term::Attribute(name) => stated(name).then_some(Group::Alone),
            _ if !self.applies(adjustment) || self.is_unstated(adjustment) => None,
            Term::Level | Term::Step(_) => None,
            Term::Grade(_) => self.subject.grade.as_ref().map(|_| Group::Grade),
            Term::Completeness(_) => self
                .subject
                .completeness
                .as_ref()
                .map(|_| Group::Completeness),
            _ if self.is_implied(adjustment) => Some(Group::Implied),
            _ => Some(Group::Alone),
        }
    }

    fn effect(&self, group: Group, members: &[&Adjustment]) -> Effect {
        let first = members[0];
        let from = first.label.split_once(" to ").map_or("", |(from, _)| from);
        let level = self.subject.completeness.as_deref().unwrap_or_default();
        let grade = self.subject.grade.as_deref().unwrap_or_default();
        let steps = |what: &str, to: &str| {
            let from = from.strip_prefix(what).unwrap_or(from);
            format!("{what}{to} instead of {from}")
        };
        let label = match group {
            Group::Implied => {
                let named = self.adjustments.iter().any(|a| {
                    matches!(a.term, Term::Missing(_)) && self.applies(a) && self.is_named(a)
                });
                implied(level, members, named)
            }
            Group::Grade => steps("grade ", grade),
            Group::Completeness => steps("", level),
            Group::Alone => first.label.clone(),
        };
        let logs = members.iter().map(|a| a.log_on_unit());
        let price = self.outcome.median().exp();
        let weight = |a: &&Adjustment| a.log_on_unit().abs();
        let all: f64 = members.iter().map(weight).sum();
        let share = |of: &dyn Fn(&Adjustment) -> f64| {
            let sum: f64 = members.iter().map(|a| weight(a) * of(a)).sum();
            if all > 0.0 { sum / all } else { of(first) }
        };
        let others = share(&|a| a.others.map_or(0.0, |others| others.share));
        Effect {
            label,
            money: price * -(-logs.sum::<f64>()).exp_m1(),
            source: Source::of(share(&|a| a.from_comps), others > 0.5),
        }
    }
}

/// Adjustments that are one effect.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Group {
    Alone,
    Grade,
    Completeness,
    Implied,
}

/// Most pieces that are named.
const NAMED: usize = 2;

/// The pieces that a completeness implies are missing, in a few words. `named`: whether the unit lacks a
/// piece by name too, which is an effect of its own.
fn implied(level: &str, members: &[&Adjustment], named: bool) -> String {
    let pieces = members.iter().filter_map(|a| match &a.term {
        Term::Missing(piece) => Some(piece.as_str()),
        _ => None,
    });
    let pieces: Vec<&str> = pieces.collect();
    let (many, other) = (pieces.len() > NAMED, if named { "other " } else { "" });
    let missing = match many {
        true => format!("{} {other}pieces missing", pieces.len()),
        false => format!("no {}", pieces.join(", no ")),
    };
    match level {
        "" => missing,
        _ if many => format!("{level}: {missing}"),
        _ => format!("{level} ({missing})"),
    }
}
