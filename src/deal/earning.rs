//! The return of money in a week: the price of waiting.
//!
//! A rule of thumb holds until [`ENOUGH`] deals are closed. From then on the ledger's own return counts
//! as well: its profit per week on the average bankroll, idle cash included, never below 0. With n
//! closed deals and the rule of thumb worth [`WORTH`] of them,
//!
//! ```text
//! r = (n · ledger + WORTH · rule) / (n + WORTH)
//! ```

/// Number of closed deals from which the ledger counts.
pub const ENOUGH: usize = 5;

/// Number of closed deals that the rule of thumb is worth.
pub const WORTH: f64 = 5.0;

/// Largest return per week that is taken from a ledger: beyond it, money is turned so fast that there
/// is not always another such deal.
pub const MOST: f64 = 0.05;

/// Return per week of a seller in no hurry, and of one in a hurry, as multiples of the usual one.
pub const OTHERS: [f64; 2] = [0.25, 4.0];

/// The record of a ledger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recorded {
    /// Number of closed deals.
    pub closed: usize,
    /// Profit per week as a share of the average bankroll.
    pub weekly: f64,
}

/// The return per week, and whether the ledger is in it.
pub fn weekly(rule: f64, recorded: Option<Recorded>) -> (f64, bool) {
    match recorded {
        Some(Recorded { closed, weekly }) if closed >= ENOUGH && weekly.is_finite() => {
            let closed = closed as f64;
            let own = weekly.clamp(0.0, MOST);
            ((closed * own + WORTH * rule) / (closed + WORTH), true)
        }
        _ => (rule, false),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ledger_counts_from_five_deals_on() {
        let of = |closed, own| {
            weekly(
                0.01,
                Some(Recorded {
                    closed,
                    weekly: own,
                }),
            )
        };
        assert_eq!(weekly(0.01, None), (0.01, false));
        assert_eq!(of(4, 0.03), (0.01, false));
        let near = |found: (f64, bool), expected: f64| {
            assert!(found.1 && (found.0 - expected).abs() < 1e-12, "{found:?}");
        };
        near(of(5, 0.03), 0.02);
        near(of(45, 0.03), 0.028);
        near(of(45, -0.03), 0.001);
        near(of(5, 0.9), 0.03);
    }
}
