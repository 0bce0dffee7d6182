//! Rules of thumb that are wrong: what they cost on the very draws.

use compband::settings::Settings;
use compband::trade::attributes::Direction;
use compband::trade::range::Range;
use rust_decimal::Decimal;

use super::draws::{Cell, Data, gather, ours_by};
use super::figure::Figure;

/// The size at which they are tried.
pub const SIZE: usize = 15;

/// How every rule is wrong.
#[derive(Clone, Copy, PartialEq)]
pub enum Wrong {
    TimesThree,
    ByThree,
    /// Where no sign is held; the others as they are.
    Opposite,
}

impl Wrong {
    pub const ALL: [Self; 3] = [Self::TimesThree, Self::ByThree, Self::Opposite];

    pub fn label(self) -> &'static str {
        match self {
            Self::TimesThree => "times three",
            Self::ByThree => "divided by three",
            Self::Opposite => "of the opposite sign",
        }
    }

    /// A rule made wrong so; `held` where its sign is.
    fn range(self, range: Range, held: bool) -> Range {
        let times = |factor: Decimal| Range {
            low: range.low * factor,
            high: range.high * factor,
            ..range
        };
        match self {
            Self::TimesThree => times(Decimal::from(3)),
            Self::ByThree => times(Decimal::ONE / Decimal::from(3)),
            Self::Opposite if held => range,
            Self::Opposite => Range {
                low: -range.high,
                high: -range.low,
                ..range
            },
        }
    }

    /// The settings of a set with every rule that it uses made wrong.
    pub fn settings(self, settings: &Settings) -> Settings {
        let mut wrong = settings.clone();
        let rules = &mut wrong.rules;
        for range in rules.grades.values_mut().chain(rules.extras.values_mut()) {
            *range = self.range(*range, true);
        }
        rules.variant = self.range(rules.variant, false);
        rules.trend_per_month = self.range(rules.trend_per_month, false);
        for family in wrong.families.values_mut() {
            for attribute in family.attributes.values_mut() {
                // A plain unit has no rule by default and is taken for this, either way.
                let rule = attribute.rule();
                if rule.is_none() {
                    attribute.sign = Direction::Either;
                }
                let held = attribute.sign != Direction::Either;
                attribute.rule =
                    Some(self.range(rule.unwrap_or_else(|| Range::percent(-30, 30)), held));
            }
        }
        wrong
    }
}

/// The score of each draw of a cell with rules made wrong, beside that with the rules as they are.
pub struct Tested {
    pub wrong: Wrong,
    pub pairs: Vec<(f64, f64)>,
}

impl Tested {
    pub fn of(wrong: Wrong, data: &Data, cell: &Cell) -> Self {
        let settings = wrong.settings(&data.settings);
        let scores = gather(cell.draws.len(), |draw| {
            ours_by(data, &settings, cell.n, draw).score
        });
        let right = cell.draws.iter().map(|draw| draw.ours.score);
        Self {
            wrong,
            pairs: scores.into_iter().zip(right).collect(),
        }
    }

    /// The score with wrong rules to that with the rules as they are.
    pub fn ratio(&self) -> Figure {
        Figure::ratio(self.pairs.iter().copied())
    }
}
