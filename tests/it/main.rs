//! The whole program, run as its users run it.

mod store;
