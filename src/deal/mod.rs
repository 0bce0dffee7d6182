//! The deal: from the price of a unit to the bid for it.
//!
//! [`outlet`] computes selling costs, exact to the minor unit. [`prospect`] turns the predictive
//! distribution of the price into that of the proceeds, through repairs and selling costs. [`bid`]
//! compares them with the costs and the owner's aims, [`kelly`] finds the stake that maximises the
//! growth of a bankroll, [`harvest`] shares the cost of a unit among the parts taken out of it,
//! [`split`] one price among several units, [`knapsack`] chooses among several purchases under the
//! budgets of money and risk. [`waiting`] is optimal stopping, [`asking`] the market of buyers to which
//! it applies. [`haggle`] computes the offers to a seller, [`earning`] the return of money in a week,
//! [`survival`] the distribution of durations that are partly censored. [`ledger`] records actual costs
//! and earnings.

pub mod asking;
pub mod bid;
pub mod earning;
pub mod haggle;
pub mod harvest;
pub mod kelly;
pub mod knapsack;
pub mod ledger;
pub mod outlet;
pub mod prospect;
pub mod split;
pub mod survival;
pub mod waiting;
