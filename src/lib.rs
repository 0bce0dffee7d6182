//! Predicts the price of a used item from the sold comparables that its owner recorded.
//!
//! Data flows one way through the rooms of this crate:
//!
//! [`trade`] (business values) → [`parse`] (what people type), [`settings`] → [`book`] (the folder on
//! disk) → [`sheets`] (foreign spreadsheets); [`select`] (filter, trim) → [`fit`] (adjustments) →
//! [`band`] (predictive distribution) → [`backtest`] (past estimates); [`deal`] (selling costs,
//! bids). [`app`] composes all of these into use cases that return values; [`render`] shows their results
//! (tables, charts), [`desk`] is a page for the browser and [`cli`] the command line. `DEVELOPERS.md` states which room imports which;
//! a test checks it.
//!
//! The statistics know no files, and the files know no statistics.
//!
//! The method, with its formulas and their sources, is described in [`fit`] (adjustments) and in
//! [`band`] (predictive distribution, calibration, checks).
//!
//! # How an estimate is made
//!
//! 1. Sales of the model are included step by step: first those of the same grade, completeness (the
//!    same pieces, however they were described) and variant of the last year, then others until there
//!    are enough. Lots, for-parts units and sales after the day asked about are not used.
//! 2. The other models of the book update the rules of thumb and the usual spread of single sales, the
//!    more the more they agree; how far models differ is itself estimated (a hierarchical normal
//!    model).
//! 3. A robust regression of log price finds what each difference is worth; recent sales weigh more.
//!    The rules of thumb are its priors, with heavy tails: a stated range holds about two times in
//!    three, so that sales win against a rule that is far off. Signs are held: a missing piece never
//!    adds, an extra never takes off.
//! 4. How single sales vary is not known in advance. Heavy tails, a normal distribution, and a normal
//!    one among mistyped prices are weighted by how well they explain the sales. A price that is
//!    mistyped with a probability above 70 %, given all the others, is not used.
//! 5. All prices of a model may step up or down on one day. Such days are looked for. A step that is
//!    certain enters the fit; while it is not, the estimate is an average over both cases.
//! 6. What is not said of a unit is unknown: it may be anything that the sales are, as often as among
//!    them.
//! 7. The band is the predictive distribution of *one* sale. It has two parts: the uncertainty about
//!    the level of such units, which more sales reduce, and the spread of single sales around it,
//!    which they do not. From 50 past sales on, the book's own calibration makes it wider or narrower.
//!
//! # From CSV text to a band
//!
//! ```
//! use compband::band::estimate;
//! use compband::book::csv::canonical::{self, Layout};
//! use compband::book::history::frame_of;
//! use compband::select::pieces::Wording;
//! use compband::select::plan::{Query, select};
//! use compband::select::widen::{Limits, widen};
//! use compband::trade::Unit;
//! use compband::settings::Settings;
//! use compband::trade::comp::{COLUMNS, PriceBasis};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let csv = format!(
//!     "{}
//! c1,2026-03-01,Nulva 61K,,,B,,,,yes,118,0,EUR,fixed,,1,
//! c2,2026-03-04,Nulva 61K,,,B,,,,yes,124,0,EUR,fixed,,1,
//! c3,2026-03-09,Nulva 61K,,,B,,,,yes,121,0,EUR,fixed,,1,
//! c4,2026-03-20,Nulva 61K,,,B,,,,yes,119,0,EUR,fixed,,1,
//! ",
//!     COLUMNS.join(",")
//! );
//! let settings = Settings::default();
//! let mut comps = Vec::new();
//! let layout = Layout::Import(1);
//! let problems = canonical::read(csv.as_bytes(), "sales.csv", layout, &settings, &mut |row| {
//!     comps.push(row.comp);
//! })?;
//! assert!(problems.is_empty());
//!
//! let subject = Unit {
//!     grade: Some("B".into()),
//!     ..Unit::blank("Nulva 61K")
//! };
//! let as_of = "2026-03-31".parse()?;
//! let query = Query {
//!     subject: &subject,
//!     wording: Wording::of(&subject.model, &settings),
//!     as_of,
//!     window_days: settings.estimate.window_days,
//!     basis: PriceBasis::Delivered,
//!     most: usize::MAX,
//! };
//! let mut selection = select(&frame_of(&comps)?, &query)?;
//! let limits = Limits {
//!     enough: settings.estimate.enough,
//!     most: settings.estimate.most_comps,
//!     keep: &[],
//!     drop: &[],
//! };
//! widen(&mut selection, &subject, &limits)?;
//! let made = estimate(selection, &subject, &settings, as_of, 80)?;
//!
//! // The band is of log prices.
//! let (low, high) = made.outcome.band(0.8);
//! assert!(low.exp() < 120.0 && 120.0 < high.exp());
//! # Ok(())
//! # }
//! ```

#![forbid(unsafe_code)]

pub mod app;
pub mod backtest;
pub mod band;
pub mod book;
pub mod cli;
pub mod deal;
pub mod desk;
pub mod fit;
pub mod parse;
pub mod render;
pub mod select;
pub mod settings;
pub mod sheets;
pub mod trade;
