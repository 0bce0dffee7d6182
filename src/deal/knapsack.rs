//! The most valuable choice of items under one budget, exactly (the 0/1 knapsack).
//!
//! The search carries a list of choices, none of which is beaten in both weight and value, from
//! item to item (G. L. Nemhauser and Z. Ullmann, *Discrete Dynamic Programming and Capital
//! Allocation*, Management Science 15, 1969). It drops choices that cannot beat the best known one
//! even if fractions of items filled the rest of the budget (G. B. Dantzig, *Discrete-Variable
//! Extremum Problems*, Operations Research 5, 1957).

/// An item to choose or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Item {
    /// Part of the budget that it uses.
    pub weight: i64,
    /// Its value.
    pub value: i64,
}

/// A choice among the items processed so far.
#[derive(Debug, Clone, Copy)]
struct State {
    weight: i64,
    value: i128,
    /// The last item chosen: its position in the record of choices.
    last: Option<usize>,
}

/// The items that can be chosen, by descending ratio of value to weight.
struct Ordered {
    items: Vec<Item>,
    /// Their positions among all.
    positions: Vec<usize>,
    /// Weight and value of the items before each, and of all.
    before: Vec<(i128, i128)>,
    budget: i64,
}

/// The positions, ascending, of the items with the largest total value whose total weight is at
/// most `budget`; among equals, one with the smallest weight. Items without value are not chosen;
/// negative weights count as 0.
pub fn best_choice(items: &[Item], budget: i64) -> Vec<usize> {
    let ordered = Ordered::new(items, budget);
    let mut record: Vec<(usize, Option<usize>)> = Vec::new();
    let mut states = vec![State {
        weight: 0,
        value: 0,
        last: None,
    }];
    let mut known = 0;
    for (at, item) in ordered.items.iter().enumerate() {
        let likeliest = states.iter().max_by_key(|state| ordered.bound(at, state));
        known = known.max(likeliest.map_or(0, |state| ordered.filled(at, state)));
        let position = ordered.positions[at];
        let mut with = Vec::with_capacity(states.len());
        for state in &states {
            let weight = state.weight.saturating_add(item.weight);
            if weight <= budget {
                record.push((position, state.last));
                with.push(State {
                    weight,
                    value: state.value + i128::from(item.value),
                    last: Some(record.len() - 1),
                });
            }
        }
        states = undominated(states, with);
        states.retain(|state| ordered.bound(at + 1, state) >= known);
    }
    let best = states
        .iter()
        .max_by_key(|state| (state.value, -state.weight));
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

/// Merges two lists by ascending weight, without dominated states.
fn undominated(without: Vec<State>, with: Vec<State>) -> Vec<State> {
    let mut all = without;
    all.extend(with);
    all.sort_by_key(|state| (state.weight, -state.value));
    let mut best = -1;
    all.retain(|state| {
        let better = state.value > best;
        best = best.max(state.value);
        better
    });
    all
}

impl Ordered {
    fn new(items: &[Item], budget: i64) -> Self {
        let light = |item: &Item| Item {
            weight: item.weight.max(0),
            ..*item
        };
        let mut all: Vec<(usize, Item)> = items.iter().map(light).enumerate().collect();
        all.retain(|(_, item)| item.value > 0 && item.weight <= budget);
        let worth = |one: &Item, other: &Item| i128::from(one.value) * i128::from(other.weight);
        all.sort_by(|(_, a), (_, b)| worth(b, a).cmp(&worth(a, b)).then(b.value.cmp(&a.value)));
        let (positions, items): (Vec<usize>, Vec<Item>) = all.into_iter().unzip();
        let sums = items.iter().scan((0, 0), |(weight, value), item| {
            *weight += i128::from(item.weight);
            *value += i128::from(item.value);
            Some((*weight, *value))
        });
        Self {
            before: [(0, 0)].into_iter().chain(sums).collect(),
            items,
            positions,
            budget,
        }
    }

    /// Value of a state after adding the items from `at` on that still fit, in order.
    fn filled(&self, at: usize, state: &State) -> i128 {
        let (mut room, mut value) = (self.budget - state.weight, state.value);
        for item in &self.items[at..] {
            if item.weight <= room {
                room -= item.weight;
                value += i128::from(item.value);
            }
        }
        value
    }

    /// Upper bound of a state: items from `at` on in order, and a fraction of the first that does
    /// not fit, rounded down.
    fn bound(&self, at: usize, state: &State) -> i128 {
        let (weight, value) = self.before[at];
        let room = i128::from(self.budget - state.weight);
        let fits = self.before[at..].partition_point(|(sum, _)| sum - weight <= room);
        let last = at + fits - 1;
        let (taken, worth) = self.before[last];
        let part = self.items.get(last).map_or(0, |item| {
            i128::from(item.value) * (room - (taken - weight)) / i128::from(item.weight)
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
            .map(|(&weight, &value)| Item { weight, value })
            .collect()
    }

    fn sums(items: &[Item], chosen: &[usize]) -> (i64, i64) {
        let sum = |of: &dyn Fn(&Item) -> i64| chosen.iter().map(|&at| of(&items[at])).sum();
        (sum(&|item| item.weight), sum(&|item| item.value))
    }

    /// Two small instances of public test collections, from memory: ten items for 165, optimum
    /// 309; fifteen for 750 (Kreher and Stinson, *Combinatorial Algorithms*), optimum 1458.
    #[test]
    fn published_instances() {
        let ten = items(
            &[23, 31, 29, 44, 53, 38, 63, 85, 89, 82],
            &[92, 57, 49, 68, 60, 43, 67, 84, 87, 72],
        );
        let chosen = best_choice(&ten, 165);
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
        assert_eq!(sums(&fifteen, &best_choice(&fifteen, 750)), (749, 1458));
    }

    #[test]
    fn nothing_to_choose() {
        assert!(best_choice(&[], 100).is_empty());
        assert!(best_choice(&items(&[5, 5], &[3, 0]), 4).is_empty());
        assert_eq!(best_choice(&items(&[0, 5], &[3, 9]), 0), [0]);
        assert!(best_choice(&items(&[1], &[1]), -1).is_empty());
    }

    /// Dynamic programming over every weight (Bellman 1957).
    fn by_weight(items: &[Item], budget: usize) -> i64 {
        let mut best = vec![0; budget + 1];
        for item in items {
            for room in (item.weight as usize..=budget).rev() {
                best[room] = best[room].max(best[room - item.weight as usize] + item.value);
            }
        }
        best[budget]
    }

    proptest! {
        #[test]
        fn every_choice_tried_finds_no_better(
            pairs in prop::collection::vec((0..60i64, 0..60i64), 0..=15), budget in 0..200i64,
        ) {
            let all: Vec<Item> = pairs.into_iter().map(|(weight, value)| Item { weight, value }).collect();
            let chosen = best_choice(&all, budget);
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

        /// Many items with values close to weights (the hard case).
        #[test]
        fn many_items_are_exact_too(
            pairs in prop::collection::vec((1..80i64, 0..8i64), 30..90), budget in 0..900i64,
        ) {
            let all: Vec<Item> = pairs.into_iter().map(|(weight, more)| Item { weight, value: weight + more }).collect();
            let (weight, value) = sums(&all, &best_choice(&all, budget));
            prop_assert!(weight <= budget);
            prop_assert_eq!(value, by_weight(&all, budget as usize));
        }
    }
}
