//! The best asking price and the offers to accept: a market of buyers for [`super::waiting`].
//!
//! 1. Buyers arrive at random (Poisson). A price paid for such a unit is assumed to be the most
//!    that the best of m buyers would pay, so that a single buyer would pay at most y with
//!    probability `F(y)^(1/m)`, where F is the distribution of single sales around the unit's level;
//!    F moves with the fitted trend.
//! 2. The level itself is uncertain, and all buyers share it: a [`Level`] with its probability for each
//!    value that it may have. A week without a sale makes high levels less probable, by Bayes' rule.
//! 3. A buyer who would pay the asking price pays it. Of the others, some offer a fixed share of
//!    the most they would pay, if that is not too far below the asking price; the rest leave
//!    without an offer (common practice, no source).
//! 4. Offers stand to the end of the week. The seller accepts the best, or none; a buyer who offers
//!    the asking price is not refused.
//! 5. Holding the unit has a cost per week, and money is discounted by the week.
//! 6. Each week has an asking price and a smallest acceptable offer. For a level k and the policy of the
//!    weeks that follow,
//!
//!    ```text
//!    J_t(k) = −c + β ( Σ money of sales in t + P_k(no sale in t) J_(t+1)(k) )
//!    ```
//!
//!    and the choice of week t has the largest mean of J_t over the levels, with the probabilities that
//!    they have if nothing was sold before t. These follow from the choices before, and J from those
//!    after; both are worked out in turn until nothing changes (policy iteration on the path without a
//!    sale; Sutton and Barto 2018, *Reinforcement learning*, section 4.3). With one level this is the
//!    dynamic programme of [`super::waiting`].
//!
//! Without a deadline the trend and the level are followed for a year, and the market then stays
//! constant.
//!
//! Not included: refused offers do not change the plan for later weeks, beyond that nothing was sold. The
//! uncertainty of the rate of buyers is common to all buyers and does not shrink while waiting.

mod both;
mod buyers;
mod market;
mod policy;
mod stall;
mod thresholds;

pub use both::{Both, plan_both};
pub use buyers::{Asks, Buyers, Level, buyers_behind};
pub use market::{Market, TREND_WEEKS};
pub use thresholds::{Answer, Selling, Thresholds, step};

#[cfg(test)]
mod tests;
