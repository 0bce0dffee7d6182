//! `compband desk`: the program runs on a port of its own, and requests are written as bytes.

mod buy;
mod price;
mod runner;
mod sales;
mod security;
mod seen;
mod sell;
mod stock;

pub use runner::{Answer, DeskRun, answer, encoded};
