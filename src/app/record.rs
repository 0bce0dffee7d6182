//! Records one sale: detects duplicates, keeps its rate, and points out possible mistakes.

use crate::book::{Book, BookLock, Index};
use crate::trade::Comp;
use crate::trade::money::{MINOR_SCALE, minor_units};
use crate::trade::names::match_key;
use crate::trade::near::KnownModels;
use polars::prelude::{IntoLazy, col, lit};

use super::AppError;
use crate::book::comps::frame::FrameRows;
use crate::trade::Foreign;

/// Factor above or below the median price of the model from which a price is pointed out.
pub const FAR: f64 = 4.0;

/// Result of an attempt to record a sale.
#[derive(Debug)]
pub enum Outcome {
    /// Recorded in this entry, with the sale that it replaces, if any.
    Recorded(u64, Option<Comp>),
    /// The book already has exactly this sale, under the given identifier.
    Known,
    /// The book already has an equal sale, and the user did not mark this one as another.
    Same,
    /// The book has this different sale under the identifier, and the user did not ask for an
    /// update.
    Differs(Comp),
}

/// The sale with this identifier, or the only one whose identifier begins with it.
pub fn sale_of(book: &Book, id: &str, notice: &mut dyn FnMut(&str)) -> Result<Comp, AppError> {
    let frame = book.frame(notice)?;
    let rows = FrameRows::new(&frame, &book.settings().currency)?;
    let begins = |at: &usize| !id.is_empty() && rows.comp_id(*at).starts_with(id);
    let mut found: Vec<usize> = (0..rows.len()).filter(begins).collect();
    found.sort_unstable_by_key(|at| rows.comp_id(*at));
    let whole = found.iter().find(|at| rows.comp_id(**at) == id);
    match (whole, found.as_slice()) {
        (Some(at), _) | (None, [at]) => Ok(rows.comp(*at)),
        (None, []) => Err(AppError::Refused {
            message: format!("--id: no sale in the book has an id that begins with {id:?}"),
            next: "`compband comps` lists the ids; leave out --update to record a new sale".into(),
        }),
        (None, several) => {
            let shown: Vec<&str> = several.iter().take(5).map(|at| rows.comp_id(*at)).collect();
            let more = if several.len() > shown.len() {
                ", …"
            } else {
                ""
            };
            Err(AppError::Refused {
                message: format!(
                    "--id: {} sales have an id that begins with {id:?}: {}{more}",
                    several.len(),
                    shown.join(", ")
                ),
                next: "write more of the id".into(),
            })
        }
    }
}

/// Options for recording a comp.
#[derive(Clone, Copy, Default)]
pub struct Writing {
    /// The identifier is the user's.
    pub named: bool,
    /// It is another sale, even if the book has an equal one.
    pub again: bool,
    /// It replaces the sale that the book has under its identifier.
    pub update: bool,
}

/// A sale made elsewhere in the program, and the result of recording it.
#[derive(Debug)]
pub struct Recorded(pub Comp, pub Outcome);

/// Records a sale made elsewhere in the program, unless the book has exactly that sale.
///
/// # Errors
/// If it cannot be written.
///
/// # Examples
///
/// ```
/// use compband::app::{Book, record::{Outcome, Recorded, record_sale}};
/// use compband::trade::Comp;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// # let dir = tempfile::tempdir()?;
/// let book = Book::init(dir.path())?;
/// let sale = Comp {
///     model: "Nulva 61K".into(),
///     grade: "B".into(),
///     sold_on: Some("2026-03-01".parse()?),
///     price: 118.into(),
///     ..Comp::blank("EUR")
/// };
/// let lock = book.lock(&mut |_| {})?;
/// let Recorded(_, first) = record_sale(&book, &lock, sale.clone(), &mut |_| {})?;
/// let Recorded(_, second) = record_sale(&book, &lock, sale, &mut |_| {})?;
/// assert!(matches!(first, Outcome::Recorded(..)));
/// assert!(matches!(second, Outcome::Same));
/// # Ok(())
/// # }
/// ```
pub fn record_sale(
    book: &Book,
    lock: &BookLock,
    comp: Comp,
    notice: &mut dyn FnMut(&str),
) -> Result<Recorded, AppError> {
    let (comp, outcome) = record(book, lock, comp, Writing::default(), notice)?;
    Ok(Recorded(comp, outcome))
}

/// Records a comp; derives its identifier if none was given.
pub fn record(
    book: &Book,
    lock: &BookLock,
    mut comp: Comp,
    writing: Writing,
    notice: &mut dyn FnMut(&str),
) -> Result<(Comp, Outcome), AppError> {
    book.repair_log(lock, notice)?;
    let index = book.index()?;
    if !writing.named {
        comp.comp_id = comp.derive_id(0);
        if writing.again {
            comp.comp_id = free_id(&comp, &index);
        }
    }
    if !writing.update {
        keep_rate(book, &mut comp)?;
    }
    let outcome = match index.get(&comp.comp_id) {
        None => Outcome::Recorded(append(book, lock, &comp, notice)?, None),
        Some(hash) if hash == comp.content_hash() => {
            if writing.named || writing.update {
                Outcome::Known
            } else {
                Outcome::Same
            }
        }
        Some(_) => {
            let ids = [comp.comp_id.clone()].into();
            let old = book.comps_by_id(&ids)?.remove(&comp.comp_id);
            match old {
                Some(old) if !writing.update => Outcome::Differs(old),
                old => Outcome::Recorded(append(book, lock, &comp, notice)?, old),
            }
        }
    };
    Ok((comp, outcome))
}

/// Gives a sale that the book already has the exchange rate recorded there, as an import does.
pub fn keep_rate(book: &Book, comp: &mut Comp) -> Result<(), AppError> {
    let Some(paid) = comp.foreign.as_deref() else {
        return Ok(());
    };
    let old = book.comps_by_id(&[comp.comp_id.clone()].into())?;
    let kept = old
        .get(&comp.comp_id)
        .filter(|old| old.sold_on == comp.sold_on);
    let kept = kept.and_then(|old| old.foreign.as_deref());
    if let Some(old) = kept.filter(|old| old.currency == paid.currency) {
        let rate = old.rate.clone();
        let paid = paid.clone();
        // If that rate does not suit the amount, the new rate stays, and the sale counts as
        // different.
        let _ = comp.set_foreign(Foreign { rate, ..paid }, &book.settings().currency);
    }
    Ok(())
}

/// Appends the sale and points out possible mistakes.
pub fn append(
    book: &Book,
    lock: &BookLock,
    comp: &Comp,
    notice: &mut dyn FnMut(&str),
) -> Result<u64, AppError> {
    let doubts = [misspelt(book, comp)?, far_off(book, comp)?];
    let entry = book.append(lock, comp, notice)?;
    doubts.iter().flatten().for_each(|doubt| notice(doubt));
    Ok(entry)
}

/// The message about a new model with a name similar to one of the book.
pub fn misspelt(book: &Book, comp: &Comp) -> Result<Option<String>, AppError> {
    let models = book.models()?;
    let known = KnownModels::new(models.iter().map(String::as_str));
    let near = known.near(&comp.model);
    Ok(near.map(|near| new_model(&comp.model, near)))
}

/// `new model "Quolbi 7R3"; did you mean "Quolby 7R3"?`
pub fn new_model(model: &str, near: &str) -> String {
    format!("new model {model:?}; did you mean {near:?}?")
}

/// The message about a price more than [`FAR`] times above or below the median of the other single
/// working units of the model.
pub fn far_off(book: &Book, comp: &Comp) -> Result<Option<String>, AppError> {
    let priced = minor_units(comp.price).filter(|_| comp.works && comp.lot_size == 1);
    let Some(price) = priced else {
        return Ok(None);
    };
    let alike = col("model_key")
        .eq(lit(match_key(&comp.model)))
        .and(col("works"))
        .and(col("lot_size").eq(lit(1_i64)))
        .and(col("comp_id").neq(lit(comp.comp_id.as_str())));
    let table = book
        .frame_of_model(&comp.model, &mut |_| {})?
        .lazy()
        .filter(alike)
        .select([col("price_minor").median()])
        .collect()?;
    let Some(median) = table.column("price_minor")?.f64()?.get(0) else {
        return Ok(None);
    };
    let times = price as f64 / median;
    let how = if times > FAR {
        format!("over {FAR} times")
    } else if times * FAR < 1.0 {
        format!("under 1/{FAR} of")
    } else {
        return Ok(None);
    };
    let currency = &book.settings().currency;
    let median = currency.from_statistics(median / 10_f64.powi(MINOR_SCALE as i32));
    Ok(Some(format!(
        "the price of {} is {how} the median of this model, {} {}; if that is a slip, `compband undo` removes the sale",
        currency.exact(comp.price),
        median.map_or(String::new(), |median| currency.plain(median)),
        currency.code
    )))
}

/// The first derived identifier, by occurrence, that the book does not have.
pub fn free_id(comp: &Comp, index: &Index) -> String {
    (0..)
        .map(|occurrence| comp.derive_id(occurrence))
        .find(|id| index.get(id).is_none())
        .unwrap_or_default()
}
