//! The whole program, run as its users run it.

mod import;
mod store;
