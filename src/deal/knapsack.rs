//! The most valuable choice of items under two budgets, exactly (the 0/1 knapsack).
//!
//! The search carries a list of choices, none of which is beaten in both weights and the value, from
//! item to item (G. L. Nemhauser and Z. Ullmann, *Discrete Dynamic Programming and Capital
//! Allocation*, Management Science 15, 1969). It drops choices that cannot beat the best known one
//! even if fractions of items filled the rest of the budget (G. B. Dantzig, *Discrete-Variable
//! Extremum Problems*, Operations Research 5, 1957). For that, both budgets count as one, in the
//! proportion that gives the lowest bound (F. Glover, *Surrogate Constraints*, Operations Research
//! 16, 1968).

use std::collections::BTreeMap;

/// Proportions of the two budgets that are tried, less one.
const MIXES: i64 = 8;

/// An item to choose or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Item {
    /// Parts of the budgets that it uses.
    pub weights: [i64; 2],
    /// Its value.
    pub value: i64,
}

/// A choice among the items processed so far.
#[derive(Debug, Clone, Copy)]
struct State {
    weights: [i64; 2],
    /// Both weights as one.
    mixed: i128,
    value: i128,
    /// The last item chosen: its position in the record of choices.
    last: Option<usize>,
}

/// The items that can be chosen, by descending ratio of value to mixed weight.
struct Ordered {
    /// Position among all, mixed weight, and the item.
    items: Vec<(usize, i128, Item)>,
    /// Mixed weight and value of the items before each, and of all.
    before: Vec<(i128, i128)>,
    budgets: [i64; 2],
    /// Both budgets as one.
    mixed: i128,
}

/// The positions, ascending, of the items with the largest total value whose total weights are at
/// most `budgets`; among equals, one with the smallest first weight. Items without value are not
/// chosen; negative weights count as 0.
pub fn best_choice(items: &[Item], budgets: [i64; 2]) -> Vec<usize> {
    let ordered = Ordered::tightest(items, budgets);
    let mut record: Vec<(usize, Option<usize>)> = Vec::new();
    let mut states = vec![State::EMPTY];
    let mut known = 0;
    for (at, &(position, mixed, item)) in ordered.items.iter().enumerate() {
        let likeliest = states.iter().max_by_key(|state| ordered.bound(at, state));
        known = known.max(likeliest.map_or(0, |state| ordered.filled(at, state)));
        let mut with = Vec::with_capacity(states.len());
        for state in &states {
            let next = state.and(mixed, &item);
            if within(next.weights, budgets) {
                record.push((position, state.last));
                with.push(State {
                    last: Some(record.len() - 1),
                    ..next
                });
            }
        }
        states = undominated(states, with);
        states.retain(|state| ordered.bound(at + 1, state) >= known);
    }
    let best = states
        .iter()
        .max_by_key(|state| (state.value, -state.weights[0]));
    let mut chosen = Vec::new();
    let mut link = best.and_then(|state| state.last);
    while let Some(at) = link {
        let (position, before) = record[at];
        chosen.push(position);
        link = before;
    }
    chosen.sort_unstable();
    chosen
}

fn within(weights: [i64; 2], budgets: [i64; 2]) -> bool {
    weights[0] <= budgets[0] && weights[1] <= budgets[1]
}

/// Merges two lists, without dominated states.
fn undominated(without: Vec<State>, with: Vec<State>) -> Vec<State> {
    let mut all = without;
    all.extend(with);
    all.sort_by_key(|state| (state.weights, -state.value));
    // The best value by second weight, among states with no larger first weight: rising in both.
    let mut best: BTreeMap<i64, i128> = BTreeMap::new();
    all.retain(|state| {
        let [_, second] = state.weights;
        let lighter = best.range(..=second).next_back();
        if lighter.is_some_and(|(_, value)| *value >= state.value) {
            return false;
        }
        while let Some((&heavier, _)) = best
            .range(second..)
            .next()
            .filter(|(_, value)| **value <= state.value)
        {
            best.remove(&heavier);
        }
        best.insert(second, state.value);
        true
    });
    all
}

impl State {
    const EMPTY: Self = Self {
        weights: [0, 0],
        mixed: 0,
        value: 0,
        last: None,
    };

    /// The choice with one more item.
    fn and(&self, mixed: i128, item: &Item) -> Self {
        let sum = |at: usize| self.weights[at].saturating_add(item.weights[at]);
        Self {
            weights: [sum(0), sum(1)],
            mixed: self.mixed + mixed,
            value: self.value + i128::from(item.value),
            last: self.last,
        }
    }
}

impl Ordered {
    /// Items ordered by the mix of the two weights with the lowest bound on the value.
    fn tightest(items: &[Item], budgets: [i64; 2]) -> Self {
        let mut best = Self::new(items, budgets, MIXES);
        for first in 0..MIXES {
            let other = Self::new(items, budgets, first);
            if other.bound(0, &State::EMPTY) < best.bound(0, &State::EMPTY) {
                best = other;
            }
        }
        best
    }

    /// Items ordered by a mix of the two weights: `first` parts of [`MIXES`] of the first one, each
    /// as a share of its budget.
    fn new(items: &[Item], budgets: [i64; 2], first: i64) -> Self {
        let [one, other] = budgets.map(|budget| i128::from(budget.max(1)));
        let (first, second) = (i128::from(first), i128::from(MIXES - first));
        let mix = |[a, b]: [i64; 2]| first * other * i128::from(a) + second * one * i128::from(b);
        let light = |item: &Item| Item {
            weights: item.weights.map(|weight| weight.max(0)),
            ..*item
        };
        let mut all: Vec<(usize, i128, Item)> = items
            .iter()
            .map(light)
            .enumerate()
            .filter(|(_, item)| item.value > 0 && within(item.weights, budgets))
            .map(|(at, item)| (at, mix(item.weights), item))
            .collect();
        all.sort_by(|(_, a, one), (_, b, other)| {
            let (ahead, behind) = (i128::from(one.value) * b, i128::from(other.value) * a);
            behind.cmp(&ahead).then(other.value.cmp(&one.value))
        });
        let sums = all
            .iter()
            .scan((0, 0), |(weight, value), (_, mixed, item)| {
                *weight += mixed;
                *value += i128::from(item.value);
                Some((*weight, *value))
            });
        Self {
            before: [(0, 0)].into_iter().chain(sums).collect(),
            items: all,
            budgets,
            mixed: mix(budgets),
        }
    }

    /// Value of a state after adding the items from `at` on that still fit, in order.
    fn filled(&self, at: usize, state: &State) -> i128 {
        let mut filled = *state;
        for (_, mixed, item) in &self.items[at..] {
            let next = filled.and(*mixed, item);
            if within(next.weights, self.budgets) {
                filled = next;
            }
        }
        filled.value
    }

    /// Upper bound of a state: items from `at` on in order, and a fraction of the first that does
    /// not fit, rounded down.
    fn bound(&self, at: usize, state: &State) -> i128 {
        let (weight, value) = self.before[at];
        let room = self.mixed - state.mixed;
        let fits = self.before[at..].partition_point(|(sum, _)| sum - weight <= room);
        // None fits if the budget is below 0.
        let last = (at + fits).saturating_sub(1);
        let (taken, worth) = self.before[last];
        let part = self.items.get(last).map_or(0, |(_, mixed, item)| {
            i128::from(item.value) * (room - (taken - weight)) / mixed
        });
        state.value + worth - value + part
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn items(weights: &[i64], values: &[i64]) -> Vec<Item> {
        let pairs = weights.iter().zip(values);
        pairs
            .map(|(&weight, &value)| light(weight, value))
            .collect()
    }

    /// An item that uses only the first budget.
    fn light(weight: i64, value: i64) -> Item {
        Item {
            weights: [weight, 0],
            value,
        }
    }

    fn best_of(items: &[Item], budget: i64) -> Vec<usize> {
        best_choice(items, [budget, 0])
    }

    fn sums(items: &[Item], chosen: &[usize]) -> (i64, i64) {
        let sum = |of: &dyn Fn(&Item) -> i64| chosen.iter().map(|&at| of(&items[at])).sum();
        (sum(&|item| item.weights[0]), sum(&|item| item.value))
    }

    /// Two small instances of public test collections, from memory: ten items for 165, optimum
    /// 309; fifteen for 750 (Kreher and Stinson, *Combinatorial Algorithms*), optimum 1458.
    #[test]
    fn published_instances() {
        let ten = items(
            &[23, 31, 29, 44, 53, 38, 63, 85, 89, 82],
            &[92, 57, 49, 68, 60, 43, 67, 84, 87, 72],
        );
        let chosen = best_of(&ten, 165);
        assert_eq!(
            (chosen.as_slice(), sums(&ten, &chosen)),
            (&[0, 1, 2, 3, 5][..], (165, 309))
        );
        let fifteen = items(
            &[
                70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120,
            ],
            &[
                135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240,
            ],
        );
        assert_eq!(sums(&fifteen, &best_of(&fifteen, 750)), (749, 1458));
    }

    #[test]
    fn nothing_to_choose() {
        assert!(best_of(&[], 100).is_empty());
        assert!(best_of(&items(&[5, 5], &[3, 0]), 4).is_empty());
        assert_eq!(best_of(&items(&[0, 5], &[3, 9]), 0), [0]);
        assert!(best_of(&items(&[1], &[1]), -1).is_empty());
    }

    /// A hundred listings in cents and millionths, both budgets short: it must end soon.
    #[test]
    fn a_hundred_listings() {
        let all: Vec<Item> = (0..100_i64)
            .map(|k| {
                let stake = 2000 + 7919 * k % 9000;
                let share = stake * 1_000_000 / 30_000 * 100 / (85 + 31 * k % 15);
                let value = stake * (250 + 613 * k % 90);
                Item {
                    weights: [stake, share],
                    value,
                }
            })
            .collect();
        for budgets in [[26_000, 1_000_000], [60_000, 2_200_000]] {
            let chosen = best_choice(&all, budgets);
            assert!(chosen.len() > 2);
            let used = chosen.iter().fold([0, 0], |[a, b], &at| {
                [a + all[at].weights[0], b + all[at].weights[1]]
            });
            assert!(within(used, budgets), "{used:?}");
        }
    }

    /// Dynamic programming over every weight (Bellman 1957).
    fn by_weight(items: &[Item], budget: usize) -> i64 {
        let mut best = vec![0; budget + 1];
        for item in items {
            for room in (item.weights[0] as usize..=budget).rev() {
                best[room] = best[room].max(best[room - item.weights[0] as usize] + item.value);
            }
        }
        best[budget]
    }

    proptest! {
        #[test]
        fn every_choice_tried_finds_no_better(
            pairs in prop::collection::vec((0..60i64, 0..60i64), 0..=15), budget in 0..200i64,
        ) {
            let all: Vec<Item> = pairs.into_iter().map(|(weight, value)| light(weight, value)).collect();
            let chosen = best_of(&all, budget);
            let (weight, value) = sums(&all, &chosen);
            let mut best = (0, 0);
            for set in 0..1_u32 << all.len() {
                let tried: Vec<usize> = (0..all.len()).filter(|at| set >> at & 1 == 1).collect();
                let (weight, value) = sums(&all, &tried);
                if weight <= budget {
                    best = best.max((value, -weight));
                }
            }
            prop_assert_eq!((value, -weight), best);
        }

        /// Every choice under both budgets tried.
        #[test]
        fn two_budgets(
            triples in prop::collection::vec((0..60i64, 0..60i64, 0..60i64), 0..=12),
            budgets in (0..200i64, 0..200i64),
        ) {
            let all: Vec<Item> = triples.into_iter().map(|(a, b, value)| Item { weights: [a, b], value }).collect();
            let budgets = [budgets.0, budgets.1];
            let sum = |chosen: &[usize]| chosen.iter().fold([0, 0, 0], |sum, &at| {
                let Item { weights: [a, b], value } = all[at];
                [sum[0] + value, sum[1] + a, sum[2] + b]
            });
            let mut best = (0, 0);
            for set in 0..1_u32 << all.len() {
                let tried: Vec<usize> = (0..all.len()).filter(|at| set >> at & 1 == 1).collect();
                let [value, a, b] = sum(&tried);
                if within([a, b], budgets) {
                    best = best.max((value, -a));
                }
            }
            let [value, a, b] = sum(&best_choice(&all, budgets));
            prop_assert!(within([a, b], budgets));
            prop_assert_eq!((value, -a), best);
        }

        /// More items under both budgets, by dynamic programming over every pair of weights.
        #[test]
        fn two_budgets_with_many_items(
            triples in prop::collection::vec((1..30i64, 1..30i64, 1..40i64), 15..40), budget in 20..90usize,
        ) {
            let all: Vec<Item> = triples.into_iter().map(|(a, b, value)| Item { weights: [a, b], value }).collect();
            let side = budget + 1;
            let mut best = vec![0; side * side];
            for item in &all {
                let [a, b] = item.weights.map(|weight| weight as usize);
                for one in (a..side).rev() {
                    for other in (b..side).rev() {
                        let with = best[(one - a) * side + other - b] + item.value;
                        best[one * side + other] = with.max(best[one * side + other]);
                    }
                }
            }
            let chosen = best_choice(&all, [budget as i64; 2]);
            let value: i64 = chosen.iter().map(|&at| all[at].value).sum();
            prop_assert_eq!(value, best[side * side - 1]);
        }

        /// Many items with values close to weights (the hard case).
        #[test]
        fn many_items_are_exact_too(
            pairs in prop::collection::vec((1..80i64, 0..8i64), 30..90), budget in 0..900i64,
        ) {
            let all: Vec<Item> = pairs.into_iter().map(|(weight, more)| light(weight, weight + more)).collect();
            let (weight, value) = sums(&all, &best_of(&all, budget));
            prop_assert!(weight <= budget);
            prop_assert_eq!(value, by_weight(&all, budget as usize));
        }
    }
}
