//! Past estimates: what the book's own past sales would have been predicted to fetch, and how far
//! from that they were sold.

pub mod calibration;
pub mod ratio;
pub mod selfcheck;
pub mod verdict;
