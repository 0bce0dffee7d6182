//! Events that several pages record: a listing, a sale; and the message about them.

use super::terms::{day, sale, typed, worth};
use crate::app::AppError;
use crate::app::amounts::{money, refused};
use crate::app::deals::{Books, Dated, Entered, OfDeal};
use crate::app::describe::one_line;
use crate::app::listed::{How, place, to_be_sold};
use crate::app::record::{Outcome, Recorded};
use crate::app::sold::Typed;
use crate::desk::form::Form;
use crate::desk::page::Reply;
use crate::desk::ready::Ready;
use crate::render::comps::line;
use crate::render::ledger::balances;
use crate::render::sheet;

/// Most offers for one unit.
const MOST_OFFERS: u32 = 100_000;

/// A recorded event of a deal, in sentences.
pub struct Event {
    /// The deal and its entry.
    pub of_deal: OfDeal,
    /// Sentences about what was done.
    pub lines: Vec<String>,
}

impl Event {
    /// The answer on the page at an address: what was done, and the money after it.
    pub fn reply(&self, ready: &Ready<'_>, address: &str) -> Reply {
        recorded(ready, &self.of_deal.entered, address, &self.lines)
    }
}

/// The answer: what was done, more about it, and the money after it.
pub fn recorded(ready: &Ready<'_>, entered: &Entered, address: &str, lines: &[String]) -> Reply {
    let text = format!(
        "{} {} Ledger entry {}.",
        lines.join(" "),
        balances(entered, &ready.settings().currency),
        entered.number
    );
    ready.see_other(address, vec![text])
}

/// The day of a form, by default today, and its note.
///
/// # Errors
/// Anything but a day up to today, or a note of more than one line.
pub fn dated(ready: &Ready<'_>, form: &Form) -> Result<Dated, AppError> {
    let today = ready.today();
    Ok(Dated {
        on: day(ready, form)?.unwrap_or(today),
        today,
        note: one_line("--note", form.text("note"))?,
    })
}

/// Puts a unit up for sale at the price of the form, or changes its asking price.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn list(
    ready: &Ready<'_>,
    form: &Form,
    (deal, outlet): (&str, Option<&str>),
) -> Result<Event, AppError> {
    let settings = ready.settings();
    let ask = money("--ask", form.text("ask"), &settings.currency)?;
    let dated = dated(ready, form)?;
    let on = dated.on;
    let mut notice = |text: &str| ready.note(text);
    let made = Books::open(ready.book(), &mut notice)?.list(deal, ask, outlet, dated)?;
    let what = match made.how {
        How::Listed => "Listed",
        How::Repriced(_) => "Repriced",
        How::Relisted(_) => "Listed again",
    };
    let mut lines = vec![format!(
        "{what} {} on {on}{} for {}.",
        made.of_deal.deal.name(),
        place(&made.outlet),
        worth(settings, ask)
    )];
    let left = made.left;
    lines.extend(
        left.map(|left| format!("Sold at that price, you keep {}.", worth(settings, left))),
    );
    Ok(Event {
        of_deal: made.of_deal,
        lines,
    })
}

/// Records the sale of the form; `how` is its field for the way of selling.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn sold(ready: &Ready<'_>, form: &Form, deal: &str, how: &str) -> Result<Event, AppError> {
    let (book, settings) = (ready.book(), ready.settings());
    let dated = dated(ready, form)?;
    let on = dated.on;
    let mut notice = |text: &str| ready.note(text);
    let stocked = to_be_sold(book, deal, form.get("outlet"), on, &mut notice)?;
    let [price, fees, sending] = ["price", "fees", "sending"].map(|name| typed(form, name));
    let offers = form.get("offers").map(|text| {
        let read = text.parse().ok().filter(|n| *n <= MOST_OFFERS);
        read.ok_or_else(|| refused("--offers", text, &format!("a number up to {MOST_OFFERS}")))
    });
    let said = Typed {
        deal,
        price: price.as_ref(),
        sale: sale(form),
        fees: fees.as_ref(),
        sending: sending.as_ref(),
        how_sold: form.get(how),
        offers: offers.transpose()?,
        minutes: form.get("minutes"),
        log_comp: form.has("log_comp"),
    };
    let said = said.read(settings, stocked.as_ref())?;
    let sold = Books::open(book, &mut notice)?.sold(deal, &said, dated)?;
    let (made, amount) = (&sold.of_deal.deal, |value| worth(settings, value));
    let mut lines = vec![
        format!(
            "Sold {}: {}, on {on}{} for {}.",
            made.name(),
            sheet::unit(&sold.subject),
            place(&sold.comp.venue),
            amount(sold.figures.price)
        ),
        format!(
            "Fees {}, shipping and packing {}. Cost {}, profit {}.",
            amount(sold.figures.fees),
            amount(sold.figures.postage),
            amount(made.cost()),
            amount(made.profit())
        ),
    ];
    let recorded = sold.recorded.as_ref();
    lines.extend(recorded.map(|Recorded(comp, outcome)| match outcome {
        Outcome::Recorded(entry, _) => {
            format!("The sale counts in estimates (sale record {entry}).")
        }
        _ => format!("The comps already have this sale: {}.", line(comp)),
    }));
    Ok(Event {
        of_deal: sold.of_deal,
        lines,
    })
}
