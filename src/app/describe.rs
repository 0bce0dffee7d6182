//! Reads the description of a unit from the command line or `watch.toml`.

use chrono::NaiveDate;

use super::AppError;
use super::attributes::read_attributes;
use super::reader::{Asked, Reader};
use super::unit::{AskedUnit, kit_fault};
use crate::book::{Book, BookError};
use crate::settings::{Settings, Values};
use crate::trade::cells::Wrong;
use crate::trade::names::composed;
use crate::trade::text::{excerpt, nearest};
use crate::trade::{Attributes, HowSold, Items, Unit, checks};

pub use crate::book::watch::Watched as Description;

/// The described unit with the comps of its model and the context of its estimate.
///
/// # Errors
/// If a value is not on the book's scales, or the book cannot be read.
///
/// # Examples
///
/// ```
/// use compband::app::describe::{Description, unit};
///
/// # use compband::app::{Book, record::record_sale};
/// # use compband::trade::Comp;
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// # let dir = tempfile::tempdir()?;
/// # let book = Book::init(dir.path())?;
/// # for (day, price) in [("2026-03-01", 118), ("2026-03-04", 124), ("2026-03-09", 121), ("2026-03-20", 119)] {
/// #     let lock = book.lock(&mut |_| {})?;
/// #     let sale = Comp {
/// #         model: "Nulva 61K".into(),
/// #         grade: "B".into(),
/// #         sold_on: Some(day.parse()?),
/// #         price: price.into(),
/// #         ..Comp::blank("EUR")
/// #     };
/// #     record_sale(&book, &lock, sale, &mut |_| {})?;
/// # }
/// // A book with four sales for 118 to 124.
/// let description = Description {
///     model: "Nulva 61K".into(),
///     grade: Some("B".into()),
///     ..Description::default()
/// };
/// let unit = unit(&book, &description, "2026-03-31".parse()?, &mut |_| {})?;
/// let made = unit.estimate(unit.selection()?)?;
/// assert!(made.low < 118.into() && made.high > 124.into());
/// assert_eq!(made.evidence.used, 4);
/// # Ok(())
/// # }
/// ```
pub fn unit<'k>(
    book: &Book,
    given: &'k Description,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<AskedUnit<'k>, AppError> {
    // Errors in the description are reported before the slow reading of the book.
    let asked = asked(given, book.settings(), notice)?;
    let reader = Reader::new(book, as_of, [asked.1.model.as_str()], notice)?;
    reader.unit(question(given, asked))
}

/// The book's settings with the changes in the description, and the unit.
///
/// # Errors
/// If a value is not on the book's scales.
pub fn asked(
    given: &Description,
    settings: &Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<(Settings, Unit), AppError> {
    let mut settings = settings.clone();
    let estimate = &mut settings.estimate;
    estimate.band = given.band.unwrap_or(estimate.band);
    estimate.enough = given.enough.map_or(estimate.enough, |n| n as usize);
    estimate.window_days = given.window.unwrap_or(estimate.window_days);
    settings.price_basis = given.basis.unwrap_or(settings.price_basis);
    let subject = subject(given, &settings, notice)?;
    Ok((settings, subject))
}

/// The question to a reader of the book.
pub fn question(given: &Description, (settings, subject): (Settings, Unit)) -> Asked<'_> {
    Asked {
        settings: settings.into(),
        subject,
        keep: &given.keep,
        drop: &given.drop,
    }
}

/// The described unit.
///
/// # Errors
/// If a value is not on the book's scales.
pub fn subject(
    given: &Description,
    settings: &Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<Unit, AppError> {
    let values = Values::of(settings);
    let model = composed(given.model.trim());
    let model = settings.words.model(&model);
    let missing = items("--missing", &given.missing, &values, notice)?;
    if let Some(fault) = kit_fault(model, &missing, settings) {
        return Err(AppError::Refused {
            message: format!("--missing {fault}"),
            next: "give the number that is missing, or fix the kit in compband.toml".into(),
        });
    }
    let variant = given.variant.as_deref().map(str::trim);
    let variant = variant.map(|variant| values.meaning("variant", variant));
    Ok(Unit {
        model: model.to_string(),
        variant: variant
            .filter(|variant| !variant.is_empty())
            .map(|variant| composed(variant).into_owned()),
        completeness: on_scale("completeness", given.completeness.as_deref(), settings)?,
        grade: on_scale("grade", given.grade.as_deref(), settings)?,
        missing,
        extras: items("--extra", &given.extra, &values, notice)?,
        defects: items("--defect", &given.defect, &values, notice)?,
        attributes: attributes(&given.set, model, settings, notice)?,
        works: !given.parts,
        how_sold: given.how_sold,
        venue: None,
    })
}

fn attributes(
    set: &[String],
    model: &str,
    settings: &Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<Attributes, AppError> {
    let mut problems = Vec::new();
    let attributes = read_attributes(set, model, settings, &mut problems);
    BookError::refuse(problems)?;
    for (name, _) in attributes.iter() {
        if settings.attribute(model, name).is_none() {
            notice(&not_declared(name, model));
        }
    }
    Ok(attributes)
}

/// Notice about an attribute without a declaration for the model.
pub fn not_declared(attribute: &str, model: &str) -> String {
    format!(
        "no family in compband.toml declares {attribute:?} for {model:?}, so estimates do not use it"
    )
}

/// A value of the scale of a column in the spelling of the scale; none if it is a word for a blank.
///
/// # Errors
/// A word that is neither on the scale nor among those that the book knows.
pub fn on_scale(
    column: &str,
    given: Option<&str>,
    settings: &Settings,
) -> Result<Option<String>, AppError> {
    let Some(given) = given else { return Ok(None) };
    if let Some(name) = Values::of(settings).on_scale(column, given) {
        return Ok((!name.is_empty()).then(|| name.to_string()));
    }
    let scale: Vec<&str> = match column {
        "grade" => settings.grade_names().collect(),
        _ => settings.completeness_names().collect(),
    };
    let near = nearest(given, scale.iter().copied())
        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
    Err(AppError::Refused {
        message: format!("--{column} {given:?} is not on the book's scale"),
        next: format!("{near}The scale is {} (compband.toml)", scale.join(", ")),
    })
}

/// A way of selling.
///
/// # Errors
/// The flag, and the words that are known.
pub fn how_sold(given: Option<&str>, settings: &Settings) -> Result<Option<HowSold>, AppError> {
    let Some(given) = given else { return Ok(None) };
    Values::of(settings)
        .how_sold(given)
        .ok_or_else(|| AppError::Refused {
            message: format!(
                "--how-sold {}: expected one of {}",
                excerpt(given, 40),
                HowSold::words()
            ),
            next: String::new(),
        })
}

fn items(
    flag: &str,
    given: &[String],
    values: &Values<'_>,
    notice: &mut dyn FnMut(&str),
) -> Result<Items, AppError> {
    let text = given.join(";");
    let list = values
        .list(&text, |_| false)
        .map_err(|entry| AppError::Refused {
            message: format!("{flag} {entry:?} is not a name, or a name with a count"),
            next: "separate names by commas, with a count if there are several: \"charger, battery x2\"".into(),
        })?;
    if list.guessed {
        notice(&format!(
            "{flag} {} is read as {}",
            excerpt(&text, 60),
            list.items
        ));
    }
    Ok(list.items)
}

/// Trims and checks text for one cell of a file of the book.
///
/// # Errors
/// If it has several lines or control characters, or is too long for a cell.
pub fn one_line(flag: &str, text: &str) -> Result<String, AppError> {
    let text = text.trim();
    checks::text("model", text).map_err(|wrong| not_kept(flag, wrong))?;
    Ok(composed(text).into_owned())
}

/// Checks that the description of a unit can be stored, flag by flag, as [`one_line`] does.
///
/// # Errors
/// The flag, and the expected text.
pub fn fit_to_keep(unit: &Unit) -> Result<(), AppError> {
    let given = [
        ("--variant", unit.variant.clone().unwrap_or_default()),
        ("--missing", unit.missing.to_string()),
        ("--extra", unit.extras.to_string()),
        ("--defect", unit.defects.to_string()),
    ];
    given.iter().try_for_each(|(flag, text)| {
        checks::text("variant", text).map_err(|wrong| not_kept(flag, wrong))
    })
}

fn not_kept(flag: &str, wrong: Wrong) -> AppError {
    AppError::Refused {
        message: format!("{flag}: expected {}", wrong.expected),
        next: wrong.fix,
    }
}
