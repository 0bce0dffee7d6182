//! How past estimates compare with what was paid.

use crate::app::AppError;
use crate::desk::form::Form;
use crate::desk::page::{Reply, View, being_built};
use crate::desk::ready::Ready;

/// The page.
///
/// # Errors
/// If the book cannot be read.
pub fn show(_ready: &Ready<'_>, _form: &Form) -> Result<Reply, AppError> {
    Ok(being_built(View::Check))
}

/// Writes what the form says.
///
/// # Errors
/// What is wrong with it; nothing is then written.
pub fn act(_ready: &Ready<'_>, _form: &Form) -> Result<Reply, AppError> {
    Ok(being_built(View::Check))
}
