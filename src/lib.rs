//! compband: what a used item will sell for, from the sold comparables its owner recorded.
//!
//! Data flows one way through the rooms of this crate:
//!
//! [`book`] (read, validate, store comps) → [`select`] (filter, trim) → [`fit`] (adjustments)
//! → [`band`] (predictive distribution) → [`deal`] (what selling costs, what to pay) →
//! [`render`] (tables, charts), with [`cli`] on top.
//! The statistics know no files, and the files know no statistics.
//!
//! The method, with its formulas and their sources, stands in [`fit`] (adjustments) and in
//! [`band`] (predictive distribution, calibration, checks).

#![forbid(unsafe_code)]

pub mod app;
pub mod backtest;
pub mod band;
pub mod book;
pub mod cli;
pub mod deal;
pub mod fit;
pub mod parse;
pub mod render;
pub mod select;
pub mod settings;
pub mod sheets;
pub mod trade;
