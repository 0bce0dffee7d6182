//! The description of a unit in a form: its fields, and their content.

use maud::{Markup, html};

use super::fields::{Choice, Fields, id_of, or_open, same};
use super::form::Form;
use super::ready::Ready;
use crate::app::AppError;
use crate::app::choices::{Choices, ModelName};
use crate::app::describe::{Description, how_sold};
use crate::app::meant::meant;
use crate::render::html::visible;
use crate::render::numbers::count;
use crate::settings::Settings;
use crate::trade::HowSold;
use crate::trade::names::match_key;

/// Beginning of the names of the fields of attributes.
const ATTRIBUTE: &str = "set.";

/// Id of the list of models.
pub const MODELS: &str = "models";

/// Most models in the list of a page; the script fetches others as they are typed.
pub const LISTED: usize = 200;

/// Most extras, and most defects, to choose from.
const CHOICES: usize = 12;

/// The description of a unit in a form, in the words of the flags of `compband estimate`. Its model is empty if the
/// form has none.
///
/// # Errors
/// A way of selling that is not known.
pub fn description(form: &Form, settings: &Settings) -> Result<Description, AppError> {
    let list = |name: &str| -> Vec<String> {
        let other = other(name);
        let typed = form.all(&other);
        form.all(name).chain(typed).map(String::from).collect()
    };
    let set = form.fields().filter_map(|(name, value)| {
        let name = name.strip_prefix(ATTRIBUTE)?;
        Some(format!("{name}={value}"))
    });
    let one = |name: &str| form.get(name).map(String::from);
    Ok(Description {
        model: form.text("model").to_string(),
        variant: one("variant"),
        completeness: one("completeness"),
        grade: one("grade"),
        missing: list("missing"),
        extra: list("extra"),
        defect: list("defect"),
        set: set.collect(),
        parts: form.has("parts"),
        how_sold: how_sold(form.get("how_sold"), settings)?,
        keep: list("keep"),
        drop: list("drop"),
        ..Description::default()
    })
}

/// Fields of the description of a unit beside which an error can stand ([`fields`]).
pub const DESCRIBED: [&str; 7] = [
    "grade",
    "completeness",
    "variant",
    "missing",
    "extra",
    "defect",
    "how_sold",
];

/// The form with the description of a unit that is named by its field `unit` (a deal `d7`, a watched unit or a
/// model), if there is one: links name units so.
///
/// # Errors
/// If nothing has this name, or the book cannot be read.
pub fn with_unit(ready: &Ready<'_>, form: &Form) -> Result<Form, AppError> {
    let Some(word) = form.get("unit") else {
        return Ok(of_its_model(form, ready.settings()));
    };
    let besides = description(form, ready.settings())?;
    let found = meant(ready.book(), word, besides, &mut ready.notice())?;
    Ok(with_description(form, &found.description))
}

/// The form without the description of another model: its field `of` names the model that its other fields were made
/// for.
fn of_its_model(form: &Form, settings: &Settings) -> Form {
    let key = |name: &str| match_key(settings.words.model(name));
    let same = |of: &str| key(of) == key(form.text("model"));
    if form.get("of").is_none_or(same) {
        return form.clone();
    }
    let mut new = Form::default();
    for (name, value) in form.fields() {
        let list = name.split('.').next().unwrap_or_default();
        let of_model = [
            "of", "missing", "extra", "defect", "variant", "keep", "drop", "set",
        ];
        if !of_model.contains(&list) {
            new.push(name, value);
        }
    }
    new
}

/// The form with the fields of a description in place of its own.
pub fn with_description(form: &Form, description: &Description) -> Form {
    let mut new = Form::default();
    let besides = ["unit", "of", "model", "parts", "keep", "drop"];
    for (name, value) in form.fields() {
        let described = besides.contains(&name) || DESCRIBED.contains(&name);
        if !described && !name.starts_with(ATTRIBUTE) {
            new.push(name, value);
        }
    }
    let mut one = |name: &str, value: Option<&str>| {
        if let Some(value) = value {
            new.push(name, value);
        }
    };
    one("model", Some(&description.model));
    one("variant", description.variant.as_deref());
    one("completeness", description.completeness.as_deref());
    one("grade", description.grade.as_deref());
    one("parts", description.parts.then_some("yes"));
    one("how_sold", description.how_sold.map(HowSold::as_str));
    for (name, values) in [
        ("missing", &description.missing),
        ("extra", &description.extra),
        ("defect", &description.defect),
    ] {
        values
            .iter()
            .flat_map(|text| text.split(';'))
            .for_each(|value| new.push(name, value.trim()));
    }
    for pair in &description.set {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        new.push(&format!("{ATTRIBUTE}{}", name.trim()), value.trim());
    }
    description.keep.iter().for_each(|id| new.push("keep", id));
    description.drop.iter().for_each(|id| new.push("drop", id));
    new
}

/// The list of models for the field `model`: names with their number of sales, and other names of them.
pub fn model_list(models: &[ModelName]) -> Markup {
    html! {
        datalist id=(MODELS) {
            @for model in models.iter().take(LISTED) {
                option value=(model.name) label=[hint(model)] {}
            }
        }
    }
}

/// The hint beside a name of a model.
pub fn hint(model: &ModelName) -> Option<String> {
    match (&model.stands_for, model.sales) {
        (Some(other), _) => Some(format!("another name of {}", visible(other))),
        (None, Some(0)) => Some("no sales yet".into()),
        (None, Some(sales)) => Some(count(sales as usize, "sale")),
        (None, None) => None,
    }
}

/// The field for the model with its list.
///
/// # Errors
/// If the book cannot be read.
pub fn model_field(ready: &Ready<'_>, fields: &Fields<'_>) -> Result<Markup, AppError> {
    let models = ready.models()?;
    let many = models.len() > LISTED;
    Ok(html! {
        @if fields.form().has("model") {
            input type="hidden" name="of" value=(fields.form().text("model"));
        }
        div data-many=[many.then_some("yes")] {
            (fields.listed("model", "Model", "Type a part of its name.", MODELS, true))
            (model_list(models))
        }
    })
}

/// The fields that describe a unit of a model, besides the model itself: grade, completeness, pieces, extras,
/// defects, variant, attributes, how it is sold.
pub fn fields(settings: &Settings, known: &Choices, fields: &Fields<'_>) -> Markup {
    let form = fields.form();
    let how = HowSold::ALL.map(|how| (how.as_str(), how.word()));
    let single = known.pieces.iter().filter(|(_, count)| *count == 1);
    let single: Vec<&str> = single.map(|(piece, _)| piece.as_str()).collect();
    let several = known.pieces.iter().filter(|(_, count)| *count > 1);
    let counts: Vec<String> = several
        .clone()
        .flat_map(|(piece, n)| counted(piece, *n))
        .collect();
    let missing = chosen(&single, "missing", form, &counts);
    let few = |names: &[String]| -> Vec<String> { names.iter().take(CHOICES).cloned().collect() };
    let (extras, defects) = (few(&known.extras), few(&known.defects));
    let extras = chosen(&strs(&extras), "extra", form, &[]);
    let defects = chosen(&strs(&defects), "defect", form, &[]);
    html! {
        (fields.one_of("grade", "Grade", &scale(settings.grade_names())))
        (fields.one_of("completeness", "How complete", &scale(settings.completeness_names())))
        (fields.any_of("missing", "Missing", &choices(&missing)))
        @for (piece, count) in several { (how_many(form, piece, *count)) }
        (fields.any_of("extra", "With", &choices(&extras)))
        (fields.any_of("defect", "Defects", &choices(&defects)))
        (fields.tick("parts", "Does not work: for parts"))
        @for (name, unit, values) in &known.attributes {
            (attribute(fields, name, unit, values))
        }
        @if !known.variants.is_empty() {
            (fields.listed("variant", "Variant", "", "variants", false))
            datalist id="variants" { @for one in &known.variants { option value=(one) {} } }
        }
        (fields.one_of("how_sold", "How it will be sold", &or_open(NOT_STATED, how)))
        details open[LISTS.iter().any(|(name, _)| form.has(&other(name)))] {
            summary { "Something else" }
            @for (name, label) in LISTS {
                (fields.line(&other(name), label, "Separate names by commas: battery x2, strap"))
            }
        }
    }
}

/// Lists that take what is not among the choices, with their labels.
const LISTS: [(&str, &str); 3] = [
    ("missing", "Also missing"),
    ("extra", "Also with it"),
    ("defect", "Also broken"),
];

/// Name of the field for what is not among the choices.
fn other(name: &str) -> String {
    format!("{name}.other")
}

/// The label of a choice that leaves the fact open.
const NOT_STATED: &str = "not said";

fn scale<'s>(names: impl Iterator<Item = &'s str>) -> Vec<Choice<'s>> {
    or_open(NOT_STATED, names.map(same))
}

fn strs(names: &[String]) -> Vec<&str> {
    names.iter().map(String::as_str).collect()
}

fn choices(names: &[String]) -> Vec<Choice<'_>> {
    names.iter().map(|name| same(name)).collect()
}

/// Names to choose from, and then those that were sent besides.
fn chosen(names: &[&str], field: &str, form: &Form, elsewhere: &[String]) -> Vec<String> {
    let mut all: Vec<String> = names.iter().map(|name| (*name).to_string()).collect();
    for sent in form.all(field) {
        if !all.iter().chain(elsewhere).any(|known| known == sent) {
            all.push(sent.to_string());
        }
    }
    all
}

/// A piece of which several ship, missing once, twice and so on.
fn counted(piece: &str, count: u32) -> Vec<String> {
    let several = (2..=count.min(20)).map(|n| format!("{piece} x{n}"));
    [piece.to_string()].into_iter().chain(several).collect()
}

fn how_many(form: &Form, piece: &str, count: u32) -> Markup {
    let id = format!("f-missing-{}", id_of(piece));
    html! {
        div.field.row {
            label for=(id) { (visible(piece)) " missing" }
            select id=(id) name="missing" {
                option value="" { "none" }
                @for (n, value) in (1..).zip(counted(piece, count)) {
                    option value=(value) selected[form.is("missing", &value)] { (n) " of " (count) }
                }
            }
        }
    }
}

fn attribute(fields: &Fields<'_>, name: &str, unit: &str, values: &[String]) -> Markup {
    let list = format!("values-{}", id_of(name));
    let label = if unit.is_empty() {
        name.to_string()
    } else {
        format!("{name} ({unit})")
    };
    html! {
        (fields.listed(&format!("{ATTRIBUTE}{name}"), &label, "", &list, false))
        datalist id=(list) { @for value in values { option value=(value) {} } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_description_survives_a_form() {
        let before = Description {
            model: "Nulva 61K".into(),
            grade: Some("B".into()),
            missing: vec!["charger".into(), "battery x2".into()],
            set: vec!["storage=32".into()],
            parts: true,
            how_sold: Some(HowSold::Auction),
            drop: vec!["a1".into()],
            ..Description::default()
        };
        let form = with_description(&Form::parse(b"model=x&day=1&extra=y").unwrap(), &before);
        assert_eq!(description(&form, &Settings::default()).unwrap(), before);
        assert_eq!(form.get("day"), Some("1"));
    }

    #[test]
    fn the_description_of_another_model_is_left_out() {
        let text =
            b"of=Bolv+83V&model=nulva+61k&grade=B&missing=strap&missing.other=x&set.age=3&drop=a";
        let form = Form::parse(text).unwrap();
        let settings = Settings::default();
        assert_eq!(
            of_its_model(&form, &settings).query(),
            "model=nulva+61k&grade=B"
        );
        let same = Form::parse(b"of=NULVA+61K&model=nulva+61k&missing=strap").unwrap();
        assert_eq!(of_its_model(&same, &settings), same);
    }

    #[test]
    fn what_was_sent_can_be_taken_back() {
        let known = Choices {
            pieces: vec![("charger".into(), 1), ("battery".into(), 2)],
            ..Choices::default()
        };
        let form = Form::parse(b"missing=battery+x2&missing=odd+thing").unwrap();
        let shown = fields(&Settings::default(), &known, &Fields::of(&form)).into_string();
        assert!(shown.contains("value=\"odd thing\" checked"), "{shown}");
        assert!(shown.contains("value=\"battery x2\" selected"), "{shown}");
        assert!(!shown.contains("value=\"battery x2\" checked"), "{shown}");
    }
}
