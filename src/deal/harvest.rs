//! Units taken apart for the drawer: the cost of the parts, and what they are worth.
//!
//! The cost of the unit is a joint cost of its parts. It is shared by their relative sales values (the
//! *sales value at split-off* method; Horngren, Datar and Rajan, *Cost Accounting: A Managerial
//! Emphasis*, chapter on joint products): `cost · valueᵢ / Σ value`. No part costs more than it is worth
//! (lower of cost and net realisable value: IAS 2, *Inventories*, paragraph 9): where the values come to
//! less than the unit cost, each part costs its value, and the rest is lost.

use rust_decimal::Decimal;

use super::split::in_proportion;
use crate::trade::part::PartLine;
use crate::trade::repair::Repair;

/// Parts of one name that come out of a unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    /// Name, folded.
    pub name: String,
    /// How many.
    pub count: u32,
    /// The value of one of them.
    pub each: Decimal,
}

impl Taken {
    /// Their value.
    pub fn value(&self) -> Decimal {
        self.each * Decimal::from(self.count)
    }
}

/// The cost of a unit, shared among its parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shared {
    /// The parts with their cost.
    pub parts: Vec<PartLine>,
    /// The rest of the cost: it is written off.
    pub lost: Decimal,
}

/// Shares the cost of a unit among its parts, exact to the minor unit of `decimals` decimals. Each share
/// is first rounded down; the minor units left go to the largest remainders, the first of equal ones
/// first. Amounts are not negative.
pub fn share_cost(cost: Decimal, taken: &[Taken], decimals: u32) -> Shared {
    let units = |amount: Decimal| {
        let mut amount = amount.round_dp(decimals);
        amount.rescale(decimals);
        amount.mantissa()
    };
    let whole = units(cost);
    let values: Vec<i128> = taken.iter().map(|part| units(part.value())).collect();
    let total: i128 = values.iter().sum();
    let shares = if total <= whole {
        values
    } else {
        in_proportion(whole, &values)
    };
    let parts: Vec<PartLine> = taken
        .iter()
        .zip(shares)
        .map(|(part, share)| PartLine {
            name: part.name.clone(),
            count: part.count,
            cost: Decimal::from_i128_with_scale(share, decimals),
            lot: None,
        })
        .collect();
    let lost = cost - parts.iter().map(|part| part.cost).sum::<Decimal>();
    Shared { parts, lost }
}

/// The value of the parts of a unit if it is taken apart.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Donor {
    /// Its parts, in working order.
    pub parts: Vec<Taken>,
    /// Minutes that it takes.
    pub minutes: Decimal,
}

impl Donor {
    /// The parts that are worth something after the repair at a position has failed: not those that this
    /// or a later one was to fix, as they are broken.
    pub fn after(&self, repairs: &[Repair], failed: usize) -> Vec<&Taken> {
        let broken = |part: &Taken| repairs[failed..].iter().any(|one| one.is_about(&part.name));
        self.parts.iter().filter(|part| !broken(part)).collect()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn taken(parts: &[(u32, &str)]) -> Vec<Taken> {
        let part = |(at, (count, each)): (usize, &(u32, &str))| Taken {
            name: format!("part {at}"),
            count: *count,
            each: dec(each),
        };
        parts.iter().enumerate().map(part).collect()
    }

    fn costs(shared: &Shared) -> Vec<Decimal> {
        shared.parts.iter().map(|part| part.cost).collect()
    }

    /// Horngren, Datar and Rajan, *Cost Accounting: A Managerial Emphasis*, chapter on joint products. The
    /// worked example of the chapter, from memory: joint cost 400 000, cream 25 000 at 8, skim 75 000
    /// at 4; shares 160 000 and 240 000. Problem 16-30 (13th edition; its figures as published): joint
    /// cost 20 000, 10 000 pounds of butter at 2, 20 000 quarts of buttermilk at 1.50; shares by its
    /// rule 8 000 and 12 000.
    #[test]
    fn a_joint_cost_is_shared_by_sales_values() {
        let cream = share_cost(dec("400000"), &taken(&[(25_000, "8"), (75_000, "4")]), 2);
        assert_eq!(costs(&cream), [dec("160000"), dec("240000")]);
        assert_eq!(cream.lost, Decimal::ZERO);
        let butter = share_cost(dec("20000"), &taken(&[(10_000, "2"), (20_000, "1.50")]), 2);
        assert_eq!(costs(&butter), [dec("8000"), dec("12000")]);
    }

    /// Under this method every joint product has the same gross margin. A published exercise on goat milk
    /// (EX 16-3): joint cost 72 240, 26 100 gallons at 3.50 and 32 400 at 2.50; the margin is 58.1 %,
    /// one of the answers that it offers.
    #[test]
    fn all_parts_have_the_same_margin() {
        let parts = taken(&[(26_100, "3.50"), (32_400, "2.50")]);
        let shared = share_cost(dec("72240"), &parts, 2);
        assert_eq!(costs(&shared).iter().sum::<Decimal>(), dec("72240"));
        for (part, cost) in parts.iter().zip(costs(&shared)) {
            let margin = (part.value() - cost) / part.value() * Decimal::ONE_HUNDRED;
            assert_eq!(margin.round_dp(1), dec("58.1"));
        }
    }

    #[test]
    fn the_last_coins_and_the_rest() {
        // Thirds of 10.00: the coin that is left goes to the first of equal remainders.
        let thirds = share_cost(dec("10"), &taken(&[(1, "9"), (1, "9"), (1, "9")]), 2);
        assert_eq!(costs(&thirds), [dec("3.34"), dec("3.33"), dec("3.33")]);
        // 2/9 and 7/9 of 10.00: 2.22 and 7.77, remainders 2/9 and 7/9 of a coin.
        let ninths = share_cost(dec("10"), &taken(&[(1, "4"), (2, "7")]), 2);
        assert_eq!(costs(&ninths), [dec("2.22"), dec("7.78")]);
        // Worth less than the unit cost: at their value, the rest is lost.
        let less = share_cost(dec("40"), &taken(&[(1, "18"), (2, "6")]), 2);
        assert_eq!(costs(&less), [dec("18"), dec("12")]);
        assert_eq!(less.lost, dec("10"));
        let nothing = share_cost(dec("40"), &taken(&[(1, "0")]), 2);
        assert_eq!((costs(&nothing), nothing.lost), (vec![dec("0")], dec("40")));
        let whole = share_cost(dec("100"), &taken(&[(1, "200"), (1, "100")]), 0);
        assert_eq!(costs(&whole), [dec("67"), dec("33")]);
        let free = share_cost(dec("0"), &taken(&[(1, "5")]), 2);
        assert_eq!((costs(&free), free.lost), (vec![dec("0")], dec("0")));
    }

    #[test]
    fn what_is_broken_is_worth_nothing() {
        let donor = Donor {
            parts: ["display", "battery", "lid"]
                .map(|name| Taken {
                    name: name.into(),
                    count: 1,
                    each: dec("5"),
                })
                .to_vec(),
            minutes: dec("30"),
        };
        let repairs = ["new display", "Battery"].map(|what| Repair::new(what, 0.5));
        let names = |failed| -> Vec<&str> {
            let parts = donor.after(&repairs, failed).into_iter();
            parts.map(|part| part.name.as_str()).collect()
        };
        assert_eq!(names(0), ["lid"]);
        assert_eq!(names(1), ["display", "lid"], "the new display is whole");
    }

    proptest! {
        /// Nothing is gained or lost, no part costs more than it is worth, and each share is within a
        /// coin of the exact one.
        #[test]
        fn shares_sum_to_the_cost(
            cost in 0..1_000_000i64,
            parts in prop::collection::vec((1..9u32, 0..200_000i64), 1..8),
        ) {
            let cost = Decimal::new(cost, 2);
            let parts: Vec<Taken> = parts
                .into_iter()
                .map(|(count, each)| Taken { name: String::new(), count, each: Decimal::new(each, 2) })
                .collect();
            let shared = share_cost(cost, &parts, 2);
            let total: Decimal = parts.iter().map(Taken::value).sum();
            prop_assert_eq!(costs(&shared).iter().sum::<Decimal>() + shared.lost, cost);
            prop_assert_eq!(shared.lost, (cost - total).max(Decimal::ZERO));
            for (part, share) in parts.iter().zip(costs(&shared)) {
                prop_assert!(share >= Decimal::ZERO && share <= part.value());
                if total > cost {
                    let exact = cost * part.value() / total;
                    prop_assert!((share - exact).abs() < Decimal::new(1, 2));
                }
            }
        }
    }
}
