//! The book: a folder of plain files that holds the settings and every comp its owner recorded.

pub mod attributes;
mod cache;
pub mod canonical;
pub mod checks;
pub mod comp;
pub mod dates;
pub mod declare;
pub mod files;
pub mod foreign;
pub mod frame;
pub mod history;
pub mod import;
pub mod items;
pub mod ledger;
mod lines;
pub mod log;
pub mod money;
pub mod near;
pub mod problem;
pub mod rates;
pub mod read;
mod rows;
pub mod rule;
pub mod settings;
pub mod store;
pub mod trade;
pub mod watch;

pub use attributes::Attributes;
pub use comp::{Comp, HowSold};
pub use foreign::Foreign;
pub use items::Items;
pub use money::Currency;
pub use problem::{BookError, Problem};
pub use rows::Index;
pub use settings::Settings;
pub use store::{Book, BookLock};
