//! The page for the desk: the open book as a web page on this computer only.
//!
//! [`server`] listens on 127.0.0.1 and answers; [`guard`] lets in only the browser that got the token of the run;
//! [`worker`] is the one thread that owns the book and does every job in order, [`jobs`] what takes long; [`views`] are the pages. Every
//! number comes from a use case of `app`, as that of a command does.

pub mod checks;
pub mod fields;
pub mod form;
pub mod guard;
pub mod jobs;
pub mod multipart;
pub mod page;
pub mod ready;
pub mod server;
pub mod sheets;
pub mod table;
pub mod unit;
pub mod views;
pub mod worker;

pub use server::{Desk, open};
