//! Rendering: the sheet on the terminal, JSON and charts.

pub mod ask;
pub mod bid;
mod cautions;
pub mod change;
pub mod chart;
pub mod check;
pub mod compare;
pub mod comps;
pub mod contradicted;
pub mod document;
pub mod drawer;
pub mod html;
pub mod import;
pub mod journal;
pub mod ledger;
pub mod listed;
pub mod lot;
pub mod models;
pub mod net;
pub mod numbers;
pub mod report;
pub mod sheet;
mod spares;
pub mod spreadsheet;
pub mod table;
pub mod undeclared;
pub mod year;
