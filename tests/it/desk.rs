//! `compband desk`: the program runs on a port of its own, and requests are written as bytes.

mod runner;
mod sales;
mod security;
mod stock;

pub use runner::{Answer, DeskRun};
