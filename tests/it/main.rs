//! The whole program, run as its users run it.

mod coverage;
mod import;
mod properties;
mod reference;
mod store;
