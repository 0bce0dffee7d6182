//! The cost of parts, by the ledger.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::Ledger;
use super::drawer::names;
use crate::trade::entry::{Entry, Kind};
use crate::trade::items::fold_name;
use crate::trade::part::PartLine;

/// The last cost of a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LastCost {
    /// Cost of one, rounded half-even to the minor unit.
    pub each: Decimal,
    /// The day.
    pub on: NaiveDate,
    /// Whether it was taken out of a unit and not bought.
    pub harvested: bool,
}

impl Ledger {
    /// The entries in force that brought parts, with each line of parts.
    fn brought(&self) -> impl Iterator<Item = (&Entry, &PartLine)> {
        self.entries
            .iter()
            .filter(|entry| matches!(entry.kind, Kind::Part | Kind::Harvest))
            .filter(|entry| !self.reversed.contains_key(&entry.number))
            .flat_map(|entry| entry.parts.iter().map(move |line| (entry, line)))
    }

    /// The cost of a part that fits a model when it was last bought, or else taken out of a unit.
    pub fn last_cost(&self, name: &str, model: &str) -> Option<LastCost> {
        let name = fold_name(name);
        let found = self.brought().filter(|(entry, line)| {
            line.name == name && (entry.fits.is_empty() || names(&entry.fits, model))
        });
        let (entry, line) =
            found.max_by_key(|(entry, _)| (entry.kind == Kind::Part, entry.on, entry.number))?;
        let each = line.cost / Decimal::from(line.count.max(1));
        Some(LastCost {
            each: each.round_dp(self.decimals),
            on: entry.on,
            harvested: entry.kind == Kind::Harvest,
        })
    }

    /// Names of all parts that were ever in the drawer and recorded to fit a model, each once, in
    /// alphabetical order.
    pub fn parts_of(&self, model: &str) -> Vec<&str> {
        let of_model = self
            .brought()
            .filter(|(entry, _)| names(&entry.fits, model));
        let mut names: Vec<&str> = of_model.map(|(_, line)| line.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// Names of all parts that were ever in the drawer.
    pub fn part_names(&self) -> impl Iterator<Item = &str> {
        self.brought().map(|(_, line)| line.name.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample::day;
    use super::*;
    use crate::trade::part::parse_parts;

    #[test]
    fn the_last_purchase_in_force_counts() {
        let mut ledger = Ledger::new(2);
        let mut part = |at, parts: &str, fits: &[&str]| {
            let fits = fits.iter().map(|model| (*model).to_string()).collect();
            let entry = ledger.part(day(at), parse_parts(parts).unwrap(), fits);
            ledger.enter(entry).unwrap();
        };
        part(5, "display x3 = 10.00", &["Bolv 83V"]);
        part(2, "display x1 = 9.00", &["Bolv 83V", "Nulva 61K"]);
        part(7, "cable x1 = 1.50", &[]);
        part(9, "display x1 = 7.00", &["Bolv 83V"]);
        let back = ledger.reverse(None, 4).unwrap();
        ledger.enter(back).unwrap();
        let each = |name, model| ledger.last_cost(name, model).map(|last| last.each);
        let money = |text: &str| Some(text.parse().unwrap());
        assert_eq!(each("Display", "bolv 83v"), money("3.33"));
        assert_eq!(each("display", "Nulva 61K"), money("9.00"));
        assert_eq!(each("cable", "Nulva 61K"), money("1.50"));
        assert_eq!(each("display", "Tumrik QN 948"), None);
        assert_eq!(ledger.parts_of("Bolv 83V"), ["display"]);
        assert_eq!(ledger.parts_of("Tumrik QN 948"), [""; 0]);
    }
}
