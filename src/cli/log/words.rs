//! Messages about a recorded or refused sale.

use crate::app::AppError;
use crate::app::record::{Outcome, Recorded};
use crate::cli::{CliError, fitted, notice, print, strong};
use crate::render::comps::{changes, line};
use crate::trade::{Comp, Currency};

pub(super) fn report_outcome(comp: &Comp, outcome: Outcome) -> Result<(), CliError> {
    let id = &comp.comp_id;
    match outcome {
        Outcome::Recorded(entry, None) => print(&format!(
            "{} (sale record {entry})\n  {}\n{}To remove it: compband undo\n",
            strong("Recorded"),
            line(comp),
            converted(comp)
        )),
        Outcome::Recorded(entry, Some(old)) => print(&format!(
            "{}\n{}To undo that: compband undo (sale record {entry})\n",
            old_to_new(&old, comp),
            converted(comp)
        )),
        Outcome::Known => print(&format!(
            "{id} is already in the book, just the same; nothing was changed\n"
        )),
        Outcome::Same => Err(AppError::Refused {
            message: format!("the book already has this sale: {}", line(comp)),
            next: "add --again if this was another one".into(),
        }
        .into()),
        Outcome::Differs(old) => Err(AppError::Refused {
            message: format!(
                "the book has this sale with other details. {}",
                old_to_new(&old, comp)
            ),
            next: "add --update to change it, or record another sale (--again, or another --id)"
                .into(),
        }
        .into()),
    }
}

/// The conversion of an amount in another currency, as a line.
pub(super) fn converted(comp: &Comp) -> String {
    let currency = Currency {
        code: comp.currency.clone(),
    };
    comp.foreign.as_ref().map_or(String::new(), |foreign| {
        let line = format!(
            "{} {}",
            foreign.worked_out(comp.price, comp.shipping, &currency),
            comp.currency
        );
        fitted(&line, "  ") + "\n"
    })
}

/// Old and new cells of a sale, one change a line.
pub(super) fn old_to_new(old: &Comp, new: &Comp) -> String {
    let mut text = format!("Sale {}, old → new:", new.comp_id);
    for change in changes(old, new) {
        text.push_str(&format!("\n  {change}"));
    }
    text
}

/// Reports whether the sale was recorded or was already in the book.
///
/// # Errors
/// If it cannot be written.
pub fn report_recorded(recorded: Recorded) -> Result<(), CliError> {
    match (recorded.0, recorded.1) {
        (comp, Outcome::Same | Outcome::Known | Outcome::Differs(_)) => {
            notice(&format!(
                "the comps already have this sale, so it is not recorded again: {}",
                line(&comp)
            ));
            Ok(())
        }
        (comp, outcome) => report_outcome(&comp, outcome),
    }
}
