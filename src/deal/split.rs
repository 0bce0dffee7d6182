//! A price that includes several units, shared out.
//!
//! The share of each unit is in proportion to what it would sell for: the relative sales value method, which
//! IAS 2, *Inventories*, paragraph 14 names for products that share a cost. Shares are whole minor units by
//! the method of the largest remainder (Hamilton), so that they sum to the price exactly.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Shares of an amount in proportion to weights, in units of 10^-`decimals`; they sum to the amount exactly. Of
/// equal remainders the first gets more. Without weights above 0 the shares are equal.
pub fn shares(amount: Decimal, weights: &[Decimal], decimals: u32) -> Vec<Decimal> {
    let units = |value: Decimal, scale: u32| {
        let mut value = value.max(Decimal::ZERO).round_dp(scale);
        value.rescale(scale);
        value.mantissa()
    };
    let scale = weights.iter().map(Decimal::scale).max().unwrap_or(0);
    let mut weights: Vec<i128> = weights.iter().map(|one| units(*one, scale)).collect();
    if weights.iter().all(|one| *one == 0) {
        weights.fill(1);
    }
    in_proportion(units(amount, decimals), &weights)
        .into_iter()
        .map(|share| Decimal::from_i128_with_scale(share, decimals))
        .collect()
}

/// Whole shares of a whole in proportion to weights of at least 0, of which one is above 0: each is rounded
/// down, and what is left goes to the largest remainders.
pub fn in_proportion(whole: i128, weights: &[i128]) -> Vec<i128> {
    let total: i128 = weights.iter().sum::<i128>().max(1);
    let mut shares: Vec<i128> = weights.iter().map(|one| whole * one / total).collect();
    let left = whole - shares.iter().sum::<i128>();
    let mut order: Vec<usize> = (0..weights.len()).collect();
    order.sort_by_key(|at| std::cmp::Reverse(whole * weights[*at] % total));
    for at in order.into_iter().take(left.to_usize().unwrap_or_default()) {
        shares[at] += 1;
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn all(texts: &[&str]) -> Vec<Decimal> {
        texts.iter().map(|text| dec(text)).collect()
    }

    /// Ten seats for 100 000 votes by the largest remainder with the Hare quota, the example of
    /// Wikipedia, *Largest remainder method*: 5, 2, 1, 1, 1, 0.
    #[test]
    fn largest_remainders() {
        let votes = all(&["47000", "16000", "15900", "12000", "6000", "3100"]);
        let seats = shares(dec("10"), &votes, 0);
        assert_eq!(seats, all(&["5", "2", "1", "1", "1", "0"]));
    }

    /// A lump-sum purchase: 1 000 000 for land of 250 000 and a building of 800 000 come to 238 095 and
    /// 761 905 (the worked example of accountingtools.com, *Lump-sum purchase*).
    #[test]
    fn a_lump_sum_purchase() {
        let cost = shares(dec("1000000"), &all(&["250000", "800000"]), 0);
        assert_eq!(cost, all(&["238095", "761905"]));
    }

    /// A price of 100.00 for units that would sell for 148, 54 and 54 by hand: 57.8125, 21.09375 twice.
    #[test]
    fn a_price_by_likely_prices() {
        let cost = shares(dec("100.00"), &all(&["148", "54", "54"]), 2);
        assert_eq!(cost, all(&["57.81", "21.10", "21.09"]));
        assert_eq!(
            shares(dec("1"), &all(&["0", "0", "0"]), 2),
            all(&["0.34", "0.33", "0.33"])
        );
        assert_eq!(shares(dec("0"), &all(&["3", "1"]), 2), all(&["0", "0"]));
        assert_eq!(shares(dec("5"), &[], 2), []);
        assert_eq!(
            shares(dec("1000"), &all(&["1", "1", "1"]), 0),
            all(&["334", "333", "333"])
        );
    }

    proptest! {
        #[test]
        fn nothing_is_lost(
            cents in 0..10_000_000i64,
            weights in prop::collection::vec(0..1_000_000i64, 1..12),
            decimals in 0..4u32,
        ) {
            let amount = Decimal::new(cents, decimals);
            let weights: Vec<Decimal> = weights.iter().map(|cents| Decimal::new(*cents, 2)).collect();
            let shared = shares(amount, &weights, decimals);
            prop_assert_eq!(shared.iter().sum::<Decimal>(), amount);
            let sum: Decimal = weights.iter().sum();
            for (share, weight) in shared.iter().zip(&weights) {
                prop_assert!(*share >= Decimal::ZERO && share.normalize().scale() <= decimals);
                if !sum.is_zero() {
                    let exact = amount * (weight / sum);
                    prop_assert!((share - exact).abs() < Decimal::new(1, decimals) + Decimal::new(1, 12));
                }
            }
        }
    }
}
