//! Sales that were imported before with other facts: they now count twice.

use std::collections::{HashMap, HashSet};

use polars::prelude::*;

use super::super::AppError;
use crate::book::Book;

/// Size of comps files up to which a book is searched.
const MOST_BYTES: u64 = 1 << 20;

/// The number of sales of an entry with the model, day and price of a sale of an earlier entry; 0 in a
/// large book, which is not searched.
pub(super) fn count(
    book: &Book,
    entry: u64,
    notice: &mut dyn FnMut(&str),
) -> Result<usize, AppError> {
    if book.size()? > MOST_BYTES {
        return Ok(0);
    }
    let frame = book.frame(notice)?;
    Ok(of_frame(&frame, entry)?)
}

fn of_frame(frame: &DataFrame, entry: u64) -> PolarsResult<usize> {
    let days = frame.column("sold_on")?.i32()?.iter();
    let models = frame.column("model_key")?.str()?.iter();
    let prices = frame.column("price_minor")?.i64()?.iter();
    let entries = frame.column("entry")?.i64()?.iter();
    let sales = models.zip(days).zip(prices).zip(entries);
    let mut earlier = HashSet::new();
    let mut new: HashMap<_, usize> = HashMap::new();
    for (((model, day), price), of) in sales.filter(|(((_, day), _), _)| day.is_some()) {
        match of.map(i64::cast_unsigned) {
            Some(of) if of == entry => *new.entry((model, day, price)).or_default() += 1,
            _ => {
                earlier.insert((model, day, price));
            }
        }
    }
    let twice = new.iter().filter(|(sale, _)| earlier.contains(*sale));
    Ok(twice.map(|(_, count)| count).sum())
}

/// The notice about them, for `count` sales.
pub(super) fn notice(count: usize) -> String {
    let (have, same) = match count {
        1 => ("sale has", "it is the same sale, it now counts"),
        _ => ("sales have", "they are the same sales, they now count"),
    };
    format!(
        "{count} new {have} the model, day and price of a sale that was in the book before: if {same} twice. `compband undo` takes \
         this import back; to replace the earlier one too, undo it as well and import once"
    )
}
