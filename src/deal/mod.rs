//! The deal: from what a unit will sell for to what it is worth paying.
//!
//! [`outlet`] is the arithmetic of selling costs, exact to the minor unit.

pub mod outlet;
