//! Use cases that return values, for a command line, a web page or another program.
//!
//! No function of this room prints, prompts or ends the process. Messages besides the result go to
//! a `notice` that the caller passes.

pub mod amounts;
pub mod attributes;
pub mod check;
pub mod compare;
pub mod conflicts;
pub mod error;
pub(crate) mod kept;
pub mod parallel;
pub mod past;
pub mod reader;
pub mod record;
pub mod refresh;
pub mod related;
pub mod report;
pub mod timeline;
pub mod unit;
pub mod weigh;

pub use error::AppError;
