//! The book: a folder of plain files that holds the settings and every comp its owner recorded.

pub mod comp;
pub mod dates;
pub mod import;
pub mod items;
pub mod money;
pub mod problem;
pub mod read;
pub mod settings;

pub use comp::{Comp, HowSold};
pub use items::Items;
pub use money::Currency;
pub use problem::{BookError, Problem};
pub use settings::Settings;
