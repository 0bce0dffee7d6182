//! The deal: from what a unit will sell for to what it is worth paying.
//!
//! [`outlet`] is the arithmetic of selling costs, exact to the minor unit. [`prospect`] takes the
//! predictive distribution of the price through repairs and that arithmetic, [`bid`] holds what
//! comes of it against what is paid and the owner's aims, [`kelly`] finds the stake that makes a
//! bankroll grow fastest, [`knapsack`] chooses among several purchases under one budget. [`waiting`]
//! is optimal stopping, [`asking`] the market of buyers that it is applied to. [`ledger`] is what was
//! really paid and earned.

pub mod asking;
pub mod bid;
pub mod kelly;
pub mod knapsack;
pub mod ledger;
pub mod outlet;
pub mod prospect;
pub mod waiting;
