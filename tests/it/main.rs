//! The whole program, run as its users run it.

mod accuracy;
mod ask;
mod check;
mod coverage;
mod currency;
mod deal;
mod ease;
mod edges;
mod estimate;
mod faults;
mod fuzz;
mod import;
mod large;
mod ledger;
mod past;
mod pieces;
mod pool;
mod posterior;
mod properties;
mod ratio;
mod reference;
mod report;
mod runner;
mod store;
mod undeclared;
mod watch;
