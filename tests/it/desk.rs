//! `compband desk`: the program runs on a port of its own, and requests are written as bytes.

mod price;
mod runner;
mod security;

pub use runner::{Answer, DeskRun, answer, encoded};
