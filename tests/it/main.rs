//! Integration tests, one binary.

mod coverage;
mod import;
mod properties;
mod reference;
mod store;
