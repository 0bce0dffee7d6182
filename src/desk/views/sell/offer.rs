//! The unit that is sold, the fields of a form about waiting for buyers, and an offer for it.

use std::ops::RangeInclusive;

use crate::app::AppError;
use crate::app::amounts::{money, refused};
use crate::app::ask::{Basis, Judged, judge};
use crate::app::describe::Description;
use crate::app::listed::{Stocked, in_stock};
use crate::app::meant::meant;
use crate::app::offering::{WaitingTyped, with_listing};
use crate::app::unit::AskedUnit;
use crate::desk::form::Form;
use crate::desk::ready::Ready;
use crate::desk::unit::{self, with_unit};
use crate::desk::views::terms::{sale, typed};

/// Latest deadline, and the latest week of an offer.
const LATEST: u16 = 104;

/// The unit for sale: the form with the unit filled in, its description, and the deal in stock, if it is one.
pub struct Subject {
    /// The form.
    pub form: Form,
    /// The description.
    pub description: Description,
    /// The deal with its listing.
    pub stocked: Option<Stocked>,
}

/// The unit that a form is about.
///
/// # Errors
/// If nothing has its name, the deal is not in stock, or the book cannot be read.
pub fn subject(ready: &Ready<'_>, form: &Form) -> Result<Subject, AppError> {
    let settings = ready.settings();
    if let Some(word) = form.get("unit") {
        let found = meant(
            ready.book(),
            word,
            Description::default(),
            &mut ready.notice(),
        )?;
        if let Some(id) = found.deal() {
            let outlet = form.get("outlet");
            let stocked = in_stock(ready.book(), id, outlet, ready.today(), &mut ready.notice())?;
            return Ok(Subject {
                form: form.clone(),
                description: found.description,
                stocked: Some(stocked),
            });
        }
    }
    let form = with_unit(ready, form)?;
    Ok(Subject {
        description: unit::description(&form, settings)?,
        form,
        stocked: None,
    })
}

/// A whole number of a field.
fn whole(form: &Form, name: &str, range: RangeInclusive<u16>) -> Result<Option<u16>, AppError> {
    let Some(text) = form.get(name) else {
        return Ok(None);
    };
    let number = text.parse().ok().filter(|number| range.contains(number));
    number.map(Some).ok_or_else(|| {
        let expected = format!("a whole number from {} to {}", range.start(), range.end());
        refused(&format!("--{}", name.replace('_', "-")), text, &expected)
    })
}

/// The fields about waiting.
///
/// # Errors
/// Invalid values, by field.
pub fn waiting(form: &Form) -> Result<WaitingTyped, AppError> {
    let needs = |name: &str, other: &str, what: &str| {
        let missing = form.has(name) && !form.has(other);
        let error = AppError::Refused {
            message: format!("--{other}: expected {what} too"),
            next: String::new(),
        };
        if missing { Err(error) } else { Ok(()) }
    };
    needs("exit", "deadline", "the number of weeks")?;
    needs("offers", "over", "the weeks in which the offers came")?;
    needs("over", "offers", "the number of offers")?;
    Ok(WaitingTyped {
        deadline: whole(form, "deadline", 1..=LATEST)?,
        exit: typed(form, "exit"),
        cost_per_week: typed(form, "cost_per_week"),
        return_per_year: typed(form, "return_per_year"),
        asking: typed(form, "asking"),
        offers: whole(form, "offers", 0..=u16::MAX)?,
        over: typed(form, "over"),
    })
}

/// The offer in a form with the advice on it, if there is one.
///
/// # Errors
/// Invalid values, an offer after the deadline, or no evidence for the unit.
pub fn judged<'a>(
    ready: &Ready<'a>,
    subject: &Subject,
    unit: &AskedUnit<'_>,
) -> Result<Option<(Basis<'a>, Judged)>, AppError> {
    let Subject { form, stocked, .. } = subject;
    let Some(text) = form.get("offer") else {
        return Ok(None);
    };
    let up = stocked.as_ref().and_then(|stocked| stocked.up.as_ref());
    let offer = money("--offer", text, &unit.settings.currency)?;
    let week = whole(form, "week", 0..=LATEST)?.unwrap_or_default();
    let waiting = with_listing(waiting(form)?.read(&unit.settings)?, up, 1);
    let through = sale(form).at_listing(up).read(ready.settings())?;
    let found = judge(
        ready.book(),
        unit,
        through,
        waiting,
        (offer, week),
        &mut ready.notice(),
    );
    found.map(Some)
}
