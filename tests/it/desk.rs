//! `compband desk`: the program runs on a port of its own, and requests are written as bytes.

mod buy;
mod check;
mod price;
mod runner;
mod sales;
mod security;
mod seen;
mod sell;
mod stock;
mod watched;

pub use runner::{Answer, DeskRun, answer, encoded};
