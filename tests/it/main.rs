//! Integration tests, one binary.

mod coverage;
mod estimate;
mod import;
mod properties;
mod reference;
mod runner;
mod store;
