//! A price that includes several units, shared out.
//!
//! The share of each unit is in proportion to what it would sell for: the relative sales value method, which
//! IAS 2, *Inventories*, paragraph 14 names for products that share a cost. Shares are whole minor units by
//! the method of the largest remainder (Hamilton), so that they sum to the price exactly.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Shares of an amount of at least 0 in proportion to weights, in units of 10^-`decimals`; they sum to the
/// amount exactly. Of equal remainders the first gets more. Without weights above 0 the shares are equal.
pub fn shares(amount: Decimal, weights: &[Decimal], decimals: u32) -> Vec<Decimal> {
    let positive = |weight: &Decimal| (*weight).max(Decimal::ZERO);
    let sum: Decimal = weights.iter().map(positive).sum();
    let weight = |weight: &Decimal| {
        if sum.is_zero() {
            Decimal::ONE
        } else {
            positive(weight)
        }
    };
    let all: Decimal = weights.iter().map(weight).sum();
    if all.is_zero() {
        return Vec::new();
    }
    // Divided first, so that no product is too large for a decimal.
    let exact: Vec<Decimal> = weights
        .iter()
        .map(|one| amount * (weight(one) / all))
        .collect();
    let mut shares: Vec<Decimal> = exact
        .iter()
        .map(|share| share.trunc_with_scale(decimals))
        .collect();
    let coin = Decimal::new(1, decimals);
    let mut rest = ((amount - shares.iter().sum::<Decimal>()) / coin)
        .to_usize()
        .unwrap_or_default();
    let mut order: Vec<usize> = (0..shares.len()).collect();
    order.sort_by_key(|at| std::cmp::Reverse(exact[*at] - shares[*at]));
    for at in order.into_iter().cycle() {
        if rest == 0 {
            break;
        }
        shares[at] += coin;
        rest -= 1;
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
