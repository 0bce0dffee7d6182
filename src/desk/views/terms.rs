//! Fields that several pages have: the outlet, and the terms of a sale there.

use maud::{Markup, html};

use crate::app::offering::SaleTyped;
use crate::desk::fields::Fields;
use crate::desk::form::Form;
use crate::settings::Settings;

/// What was typed into a field, if anything.
pub fn typed(form: &Form, name: &str) -> Option<String> {
    form.get(name).map(String::from)
}

/// How and where the unit of a form is sold.
pub fn sale(form: &Form) -> SaleTyped {
    SaleTyped {
        outlet: typed(form, "outlet"),
        weight: typed(form, "weight"),
        shipping: typed(form, "shipping"),
    }
}

/// The choice of an outlet, if the book has several; `open` says what it means to choose none, where that is
/// something else than the outlet that is set.
pub fn outlet_field(settings: &Settings, fields: &Fields<'_>, open: Option<&str>) -> Markup {
    if settings.outlets.len() < 2 {
        return Markup::default();
    }
    let set = settings.deal.outlet.as_str();
    let usual = match (open, set) {
        (Some(open), _) => open.to_string(),
        (None, "") => "choose one".to_string(),
        (None, set) => format!("{set} (usual)"),
    };
    let names = settings.outlets.keys().map(String::as_str);
    let names = names.filter(|name| open.is_some() || *name != set);
    let choices: Vec<_> = [("", usual.as_str())]
        .into_iter()
        .chain(names.map(|name| (name, name)))
        .collect();
    html! { (fields.one_of("outlet", "Sold through", &choices)) }
}
