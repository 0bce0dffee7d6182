//! Repairs of a unit before it is sold.

use chrono::NaiveDate;
use rust_decimal::Decimal;

/// One repair. Repairs are tried in order; the first failure ends them.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// Description.
    pub what: String,
    /// Cost of the parts: what they take to buy or, if they come from the drawer, to replace.
    pub parts: Decimal,
    /// The parts in the drawer that it takes, if they come from there.
    pub drawer: Option<FromDrawer>,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Probability of success, 0..=1.
    pub success: f64,
    /// Probability that a failure spoils the parts, 0..=1. Otherwise they are in the drawer
    /// afterwards, at their cost.
    pub spoils: f64,
}

/// Parts in the drawer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FromDrawer {
    /// Name, folded ([`crate::trade::items::fold_name`]).
    pub name: String,
    /// How many.
    pub count: u32,
    /// How it is known what they take to replace.
    pub valued: ValueFrom,
}

/// How it is known what a part takes to replace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ValueFrom {
    /// It is not known.
    #[default]
    Nothing,
    /// By the settings.
    Settings,
    /// By its last purchase.
    Purchase(NaiveDate),
    /// By its cost when it was last taken out of a unit.
    Harvest(NaiveDate),
}

impl Repair {
    /// A repair without parts and work, whose failure spoils what it takes.
    pub fn new(what: impl Into<String>, success: f64) -> Self {
        Self {
            what: what.into(),
            parts: Decimal::ZERO,
            drawer: None,
            minutes: Decimal::ZERO,
            success,
            spoils: 1.0,
        }
    }

    /// Cost of the parts to be bought for it.
    pub fn to_buy(&self) -> Decimal {
        match self.drawer {
            Some(_) => Decimal::ZERO,
            None => self.parts,
        }
    }

    /// Whether it is about a part: its description or what it takes from the drawer names it, as whole
    /// words. `name` is folded.
    pub fn is_about(&self, name: &str) -> bool {
        let drawn = self.drawer.as_ref().is_some_and(|part| part.name == name);
        drawn || names_part(&self.what, name)
    }
}

/// Whether a text names a part, as whole words: `new battery` names `battery`. `name` is folded.
pub fn names_part(text: &str, name: &str) -> bool {
    let text = super::items::fold_name(text);
    let text: Vec<&str> = words(&text).collect();
    let name: Vec<&str> = words(name).collect();
    !name.is_empty() && text.windows(name.len()).any(|some| some == name)
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_named_in_a_text() {
        for (text, name, named) in [
            ("new Battery", "battery", true),
            ("battery-door", "battery", true),
            ("clean the battery door", "battery door", true),
            ("new batteries", "battery", false),
            ("door of the battery", "battery door", false),
            ("", "battery", false),
            ("battery", "", false),
        ] {
            assert_eq!(names_part(text, name), named, "{text} {name}");
        }
        let drawn = Repair {
            drawer: Some(FromDrawer {
                name: "display".into(),
                count: 1,
                valued: ValueFrom::Nothing,
            }),
            ..Repair::new("new screen", 0.8)
        };
        assert!(drawn.is_about("display") && drawn.is_about("screen") && !drawn.is_about("jack"));
    }
}
