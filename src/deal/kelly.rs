//! The stake that maximises the growth of a bankroll.
//!
//! J. L. Kelly, *A New Interpretation of Information Rate*, Bell System Technical Journal 35
//! (1956): for a bet that returns `r` per unit staked, the share `f` of the bankroll that maximises
//! `E ln(1 + f r)`.

/// Number of halvings in the search for the share.
const HALVINGS: usize = 50;

/// The share of the bankroll, from 0 to 1 (no borrowing), that maximises `E ln(1 + f r)` over pairs
/// of return `r` per unit staked and probability. 0 if the expected return is not above 0.
pub fn growth_share(bets: &[(f64, f64)]) -> f64 {
    let slope = |f: f64| -> f64 { bets.iter().map(|(r, p)| p * r / (1.0 + f * r)).sum() };
    let worst = bets.iter().map(|(r, _)| *r).fold(0.0, f64::min);
    if slope(0.0) <= 0.0 {
        return 0.0;
    }
    // The slope falls throughout, and to minus infinity where the worst case means ruin.
    let most = if worst < -1.0 { -1.0 / worst } else { 1.0 };
    if worst > -1.0 && slope(most) >= 0.0 {
        return most;
    }
    let (mut low, mut high) = (0.0, most);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if slope(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Whether [`growth_share`] is above `share`, which is above 0: one look at the slope there, as it falls
/// throughout.
pub fn grows_beyond(bets: impl IntoIterator<Item = (f64, f64)>, share: f64) -> bool {
    let mut slope = 0.0;
    for (r, p) in bets {
        let after = 1.0 + share * r;
        if after <= 0.0 {
            return false;
        }
        slope += p * r / after;
    }
    slope > 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A bet that pays `b` to one with probability `p` and is otherwise lost: `f = p − (1 − p)/b`
    /// (Kelly 1956; in any textbook).
    #[test]
    fn a_bet_that_is_won_or_lost() {
        for (p, b) in [
            (0.6, 1.0),
            (0.25, 4.0),
            (0.9, 0.3),
            (0.51, 1.0),
            (0.5, 1.0),
            (0.2, 2.0),
        ] {
            let share = growth_share(&[(b, p), (-1.0, 1.0 - p)]);
            let closed = f64::max(0.0, p - (1.0 - p) / b);
            assert!((share - closed).abs() < 1e-12, "{p} {b}: {share} {closed}");
        }
    }

    #[test]
    fn what_cannot_lose_takes_all_and_what_cannot_win_nothing() {
        assert_eq!(growth_share(&[(0.1, 0.5), (0.3, 0.5)]), 1.0);
        assert_eq!(growth_share(&[(-0.1, 0.5), (0.1, 0.5)]), 0.0);
        assert_eq!(growth_share(&[]), 0.0);
    }

    proptest! {
        /// No other share gives faster growth.
        #[test]
        fn it_is_the_best_share(bets in prop::collection::vec((-1.3..2.0f64, 0.05..1.0f64), 1..8), other in 0.0..1.0f64) {
            let total: f64 = bets.iter().map(|(_, p)| p).sum();
            let bets: Vec<(f64, f64)> = bets.into_iter().map(|(r, p)| (r, p / total)).collect();
            let growth = |f: f64| bets.iter().map(|(r, p)| p * (1.0 + f * r).max(0.0).ln()).sum::<f64>();
            let best = growth_share(&bets);
            prop_assert!(growth(best) >= growth(other) - 1e-9);
            if other > 0.0 && (best - other).abs() > 1e-9 {
                prop_assert_eq!(grows_beyond(bets, other), best > other);
            }
        }
    }
}
