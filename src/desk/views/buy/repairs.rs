//! Repairs of a unit in a form: a few fields for each.

use std::collections::BTreeMap;

use maud::{Markup, html};

use crate::app::AppError;
use crate::app::amounts::{money, refused};
use crate::app::drawer::parts_for;
use crate::desk::fields::Fields;
use crate::desk::form::Form;
use crate::desk::ready::Ready;
use crate::parse::repairs::{self as parse, chance, minutes};
use crate::render::html::visible;
use crate::trade::Currency;
use crate::trade::items::split_count;
use crate::trade::part::part_name;
use crate::trade::repair::{FromDrawer, Repair, ValueFrom};
use rust_decimal::prelude::ToPrimitive;

/// Most repairs of a unit.
const MOST: usize = 8;

/// Most of one part to choose from.
const MOST_PARTS: u32 = 9;

/// Id of the list of what repairs are usually called.
const PARTS: &str = "drawer";

/// Name of a field of the repair at a place, counted from 1.
fn field(at: usize, what: &str) -> String {
    format!("repair_{at}_{what}")
}

/// Name of the same field in an error.
fn flag(at: usize, what: &str) -> String {
    format!("--repair-{at}-{what}")
}

/// The repairs of a form, in the order in which they are tried; rows without a name are left out.
///
/// # Errors
/// Invalid values, each by its field.
pub fn read(form: &Form, currency: &Currency) -> Result<Vec<Repair>, AppError> {
    let rows = (1..=MOST).filter(|at| form.has(&field(*at, "what")));
    rows.map(|at| one(form, at, currency)).collect()
}

fn one(form: &Form, at: usize, currency: &Currency) -> Result<Repair, AppError> {
    let typed = |what: &str| form.get(&field(at, what));
    let wrong = |what: &str, text: &str, expected: &str| refused(&flag(at, what), text, expected);
    let share = |what: &str, text: &str| {
        let share = chance(text).map_err(|expected| wrong(what, text, &expected))?;
        Ok::<_, AppError>(share.to_f64().unwrap_or_default())
    };
    let what = typed("what").unwrap_or_default();
    let drawer = typed("from").map(|text| drawn(text).map_err(|why| wrong("from", text, &why)));
    let drawer = drawer.transpose()?;
    let parts = typed("parts").map(|text| money(&flag(at, "parts"), text, currency));
    let parts = parts.transpose()?;
    if let (Some(_), Some(_), Some(text)) = (&drawer, parts, typed("parts")) {
        let expected = "nothing, as the part is from the drawer";
        return Err(wrong("parts", text, expected));
    }
    let success = typed("success").ok_or_else(|| {
        let expected = "the chance that it works, such as 0.9 or 90 %";
        wrong("success", "", expected)
    })?;
    let work = typed("minutes")
        .map(|text| minutes(text).map_err(|expected| wrong("minutes", text, &expected)));
    Ok(Repair {
        what: what.to_string(),
        parts: parts.unwrap_or_default(),
        drawer,
        minutes: work.transpose()?.unwrap_or_default(),
        success: share("success", success)?,
        spoils: typed("spoils").map_or(Ok(1.0), |text| share("spoils", text))?,
    })
}

/// Repairs as one text, as `compband compare` reads them; `None` if it would be read otherwise.
pub fn written(repairs: &[Repair], currency: &Currency) -> Option<String> {
    let one = |repair: &Repair| {
        let mut words = vec![format!("success {}", repair.success)];
        words.push(match &repair.drawer {
            Some(part) => format!("from drawer {} x{}", part.name, part.count),
            None => format!("parts {}", repair.parts.normalize()),
        });
        words.push(format!("minutes {}", repair.minutes.normalize()));
        words.push(format!("spoils {}", repair.spoils));
        format!("{}: {}", repair.what, words.join(", "))
    };
    let text: Vec<String> = repairs.iter().map(one).collect();
    let text = text.join("; ");
    (parse::repairs(&text, currency).as_deref() == Ok(repairs)).then_some(text)
}

/// Reads a part in the drawer: `display x2`.
fn drawn(text: &str) -> Result<FromDrawer, String> {
    let (name, count) = split_count(text).ok_or("a part in the drawer")?;
    Ok(FromDrawer {
        name: part_name(&name)?,
        count,
        valued: ValueFrom::Nothing,
    })
}

/// The parts at hand for repairs.
pub struct Workshop {
    /// Parts in the drawer that fit, each with how many there are.
    parts: BTreeMap<String, u32>,
}

impl Workshop {
    /// The parts at hand for units of a model.
    ///
    /// # Errors
    /// If the ledger cannot be read.
    pub fn of(ready: &Ready<'_>, model: &str) -> Result<Self, AppError> {
        let model = ready.settings().words.model(model);
        let parts = parts_for(ready.book(), model, ready.today(), &mut ready.notice())?;
        Ok(Self { parts })
    }

    /// The fields of the repairs: those that are filled in, and a blank one.
    pub fn fields(&self, fields: &Fields<'_>) -> Markup {
        let form = fields.form();
        let said = |at: &usize| form.has(&field(*at, "what"));
        let filled = (1..=MOST).filter(said).count();
        let last = (1..=MOST).rfind(said).unwrap_or_default();
        let shown = (last + 1).min(MOST);
        html! {
            details.repairs id="repairs" open[filled > 0] {
                summary {
                    "Repairs"
                    @if filled > 0 { " (" (filled) ")" }
                }
                p.hint { "In the order in which you try them." }
                @for at in 1..=shown { (self.row(fields, at)) }
                datalist id=(PARTS) { @for part in self.parts.keys() { option value=(part) {} } }
            }
        }
    }

    fn row(&self, fields: &Fields<'_>, at: usize) -> Markup {
        let name = |what: &str| field(at, what);
        let said = fields.form().has(&name("what"));
        let from = self.choices(fields.form().text(&name("from")));
        let from: Vec<_> = from.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
        let label = if at == 1 { "Repair" } else { "Another repair" };
        html! {
            (fields.listed(&name("what"), label, "What is done: new battery.", PARTS, true))
            @if said {
                div.few {
                    @if from.len() > 1 {
                        (fields.select_anew(&name("from"), "Part", "", &from))
                    }
                    @if !fields.form().has(&name("from")) {
                        (fields.number(&name("parts"), "Part costs", ""))
                    }
                    (fields.number(&name("success"), "Chance it works", "90 % or 0.9"))
                    (fields.number(&name("minutes"), "Minutes", ""))
                    (fields.number(&name("spoils"), "A failure ruins the part", "Usually always: 100 %"))
                }
            }
        }
    }

    /// Where a part comes from: bought, or one of those in the drawer; `sent` stays a choice.
    fn choices(&self, sent: &str) -> Vec<(String, String)> {
        let mut all = vec![(String::new(), "to be bought".to_string())];
        for (part, there) in &self.parts {
            for count in 1..=(*there).min(MOST_PARTS) {
                let value = match count {
                    1 => part.clone(),
                    count => format!("{part} x{count}"),
                };
                let words = format!("from the drawer: {}", visible(&value));
                all.push((value, words));
            }
        }
        if !all.iter().any(|(value, _)| value == sent) {
            all.push((
                sent.to_string(),
                format!("from the drawer: {}", visible(sent)),
            ));
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parse::repairs::repairs;

    /// The fields are read as the flag `--repair` is.
    #[test]
    fn repairs_are_read_as_the_flag_reads_them() {
        let eur = Currency { code: "EUR".into() };
        let form = Form::parse(
            b"repair_1_what=new+battery&repair_1_parts=14&repair_1_minutes=30&repair_1_success=0.9\
              &repair_2_what=&repair_2_parts=9&repair_3_what=display&repair_3_from=Display+x2\
              &repair_3_success=80+%25&repair_3_spoils=0.5",
        );
        let same = repairs(
            "new battery: parts 14, minutes 30, success 0.9; display: from drawer display x2, success 0.8, spoils 50 %",
            &eur,
        );
        let read = read(&form.unwrap(), &eur).unwrap();
        assert_eq!(read, same.unwrap());
        let text = written(&read, &eur).unwrap();
        assert_eq!(repairs(&text, &eur).unwrap(), read, "{text}");
        let odd = [Repair::new("a: b", 0.5)];
        assert_eq!(written(&odd, &eur), None);
    }

    #[test]
    fn a_wrong_value_is_named_by_its_field() {
        let eur = Currency { code: "EUR".into() };
        for (text, field) in [
            ("&repair_2_success=9", "--repair-2-success"),
            ("", "--repair-2-success"),
            ("&repair_2_success=1&repair_2_parts=-1", "--repair-2-parts"),
            (
                "&repair_2_success=1&repair_2_minutes=x",
                "--repair-2-minutes",
            ),
            ("&repair_2_success=1&repair_2_spoils=2", "--repair-2-spoils"),
            ("&repair_2_success=1&repair_2_from=a+x0", "--repair-2-from"),
            (
                "&repair_2_success=1&repair_2_from=a&repair_2_parts=3",
                "--repair-2-parts",
            ),
        ] {
            let form = Form::parse(format!("repair_2_what=x{text}").as_bytes()).unwrap();
            let error = read(&form, &eur).unwrap_err().to_string();
            assert!(error.starts_with(field), "{text}: {error}");
        }
    }
}
