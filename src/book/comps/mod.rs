//! Comps in force, imported and logged, as one frame, and the cache of large books.

pub(crate) mod cache;
pub mod frame;
pub mod log;
pub(crate) mod rows;
