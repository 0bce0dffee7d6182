//! Fields of forms: each with its label, the value that was sent, and what is wrong with it beside it.

use maud::{Markup, html};

use super::form::Form;
use super::guard::random;
use super::page::plain;
use super::ready::Ready;
use crate::app::AppError;
use crate::render::html::{prose, visible};

/// The fields of a form as they were sent, and what was wrong with one of them.
pub struct Fields<'f> {
    form: &'f Form,
    /// Name of a field, and what is wrong with it.
    faults: Vec<(String, String)>,
}

/// A choice: its value and its label.
pub type Choice<'c> = (&'c str, &'c str);

/// A name as a part of an id: without white space, at which lists of ids are split.
pub fn id_of(name: &str) -> String {
    name.split_whitespace().collect::<Vec<_>>().join("-")
}

impl<'f> Fields<'f> {
    /// The fields of a form.
    pub fn of(form: &'f Form) -> Self {
        Self {
            form,
            faults: Vec::new(),
        }
    }

    /// The same with an error of a use case: if it begins with a flag (`--grade …`), it stands beside that field.
    #[must_use]
    pub fn with_error(mut self, error: Option<&AppError>) -> Self {
        let Some(error) = error else { return self };
        if error.problems().is_empty() {
            self.faults.extend(beside(&error.to_string(), error.next()));
        }
        let problems = error.problems().iter();
        self.faults
            .extend(problems.filter_map(|problem| beside(&problem.to_string(), "")));
        self
    }

    /// Whether an error stands wholly beside its fields: its faults are of fields with these names.
    pub fn shows(&self, error: &AppError, names: &[&str]) -> bool {
        let count = error.problems().len().max(1);
        let shown = |(field, _): &&(String, String)| names.contains(&field.as_str());
        self.faults.iter().filter(shown).count() == count
    }

    /// The form.
    pub fn form(&self) -> &'f Form {
        self.form
    }

    fn fault(&self, name: &str) -> Option<&str> {
        let mut faults = self.faults.iter();
        let found = faults.find(|(field, _)| field == name);
        found.map(|(_, text)| text.as_str())
    }

    fn fault_part(&self, name: &str) -> Markup {
        html! {
            @if let Some(text) = self.fault(name) {
                p.wrong id={ "wrong-" (id_of(name)) } { (prose(text)) }
            }
        }
    }

    fn described(&self, name: &str, hint: &str) -> Option<String> {
        let hint = (!hint.is_empty()).then(|| format!("hint-{}", id_of(name)));
        let fault = self.fault(name).map(|_| format!("wrong-{}", id_of(name)));
        let ids: Vec<String> = fault.into_iter().chain(hint).collect();
        (!ids.is_empty()).then(|| ids.join(" "))
    }

    /// A field with its label before it, its hint and what is wrong with it after it.
    fn framed(&self, [name, label, hint]: [&str; 3], input: &Markup) -> Markup {
        let id = id_of(name);
        html! {
            div.field {
                label for={ "f-" (id) } { (visible(label)) }
                (input)
                @if !hint.is_empty() { p.hint id={ "hint-" (id) } { (prose(hint)) } }
                (self.fault_part(name))
            }
        }
    }

    fn input(&self, kind: &Kind<'_>, name: &str, label: &str, hint: &str) -> Markup {
        let input = html! {
            input id={ "f-" (id_of(name)) } name=(name) type=(kind.of) inputmode=[kind.mode] list=[kind.list]
                autocomplete="off" autocapitalize="off" spellcheck="false" maxlength="400"
                value=(self.form.text(name)) aria-describedby=[self.described(name, hint)]
                aria-invalid=[self.fault(name).map(|_| "true")] data-anew=[kind.anew];
        };
        self.framed([name, label, hint], &input)
    }

    /// A line of text; `hint` may be empty.
    pub fn line(&self, name: &str, label: &str, hint: &str) -> Markup {
        self.input(&TEXT, name, label, hint)
    }

    /// A line of text with suggestions: `list` is the id of a `datalist`. If `anew`, the script fetches the forms
    /// anew when it changes, not only the answer.
    pub fn listed(&self, name: &str, label: &str, hint: &str, list: &str, anew: bool) -> Markup {
        let kind = Kind {
            list: Some(list),
            anew: anew.then_some("yes"),
            ..TEXT
        };
        self.input(&kind, name, label, hint)
    }

    /// An amount of money or another number, as people type it.
    pub fn number(&self, name: &str, label: &str, hint: &str) -> Markup {
        let kind = Kind {
            mode: Some("decimal"),
            ..TEXT
        };
        self.input(&kind, name, label, hint)
    }

    /// A day.
    pub fn day(&self, name: &str, label: &str, hint: &str) -> Markup {
        self.input(&Kind { of: "date", ..TEXT }, name, label, hint)
    }

    /// Some lines of text.
    pub fn lines(&self, name: &str, label: &str, hint: &str, rows: u8) -> Markup {
        let input = html! {
            textarea id={ "f-" (id_of(name)) } name=(name) rows=(rows) autocomplete="off" spellcheck="false"
                aria-describedby=[self.described(name, hint)]
                aria-invalid=[self.fault(name).map(|_| "true")] { "\n" (self.form.text(name)) }
        };
        self.framed([name, label, hint], &input)
    }

    /// One of a few: buttons side by side, the first one taken unless another was sent.
    pub fn one_of(&self, name: &str, label: &str, choices: &[Choice<'_>]) -> Markup {
        let sent = self.form.text(name);
        let known = choices.iter().any(|(value, _)| *value == sent);
        self.chips("radio", [name, label], choices, |at, value| {
            if known { value == sent } else { at == 0 }
        })
    }

    /// Any of a few: buttons that are pressed or not.
    pub fn any_of(&self, name: &str, label: &str, choices: &[Choice<'_>]) -> Markup {
        if choices.is_empty() {
            return Markup::default();
        }
        self.chips("checkbox", [name, label], choices, |_, value| {
            self.form.is(name, value)
        })
    }

    /// Buttons side by side; `taken` states whether one is pressed, by its place and its value.
    fn chips(
        &self,
        kind: &str,
        [name, label]: [&str; 2],
        choices: &[Choice<'_>],
        taken: impl Fn(usize, &str) -> bool,
    ) -> Markup {
        html! {
            fieldset.field aria-describedby=[self.described(name, "")] {
                legend { (visible(label)) }
                div.chips {
                    @for (at, (value, words)) in choices.iter().enumerate() {
                        (chip(kind, &format!("f-{}-{at}", id_of(name)), (name, value), words, taken(at, value)))
                    }
                }
                (self.fault_part(name))
            }
        }
    }

    /// One box to tick; its value is `yes`.
    pub fn tick(&self, name: &str, label: &str) -> Markup {
        html! {
            div.field {
                (chip("checkbox", &format!("f-{}", id_of(name)), (name, "yes"), label, self.form.has(name)))
                (self.fault_part(name))
            }
        }
    }

    /// One of many, in a list that opens.
    pub fn select(&self, name: &str, label: &str, hint: &str, choices: &[Choice<'_>]) -> Markup {
        self.select_of((name, label, hint), choices, false)
    }

    /// The same; the script fetches the forms anew when it changes, not only the answer.
    pub fn select_anew(
        &self,
        name: &str,
        label: &str,
        hint: &str,
        choices: &[Choice<'_>],
    ) -> Markup {
        self.select_of((name, label, hint), choices, true)
    }

    fn select_of(
        &self,
        (name, label, hint): (&str, &str, &str),
        choices: &[Choice<'_>],
        anew: bool,
    ) -> Markup {
        let input = html! {
            select id={ "f-" (id_of(name)) } name=(name) aria-describedby=[self.described(name, hint)]
                data-anew=[anew.then_some("yes")] {
                @for (value, words) in choices {
                    option value=(value) selected[self.form.text(name) == *value] { (visible(words)) }
                }
            }
        };
        self.framed([name, label, hint], &input)
    }

    /// A field that is kept and not shown.
    pub fn kept(&self, name: &str) -> Markup {
        hidden(self.form.all(name).map(|value| (name, value)))
    }
}

/// The field of an error that begins with a flag, and the rest of its text with what to do.
fn beside(text: &str, next: &str) -> Option<(String, String)> {
    let (flag, rest) = text.strip_prefix("--")?.split_once([' ', ':'])?;
    let next = match next {
        "" => String::new(),
        next => format!("; {next}"),
    };
    Some((
        flag.replace('-', "_"),
        plain(&format!("{}{next}", rest.trim())),
    ))
}

/// Kind of an input.
struct Kind<'k> {
    of: &'k str,
    mode: Option<&'k str>,
    list: Option<&'k str>,
    anew: Option<&'k str>,
}

/// A line of text.
const TEXT: Kind<'static> = Kind {
    of: "text",
    mode: None,
    list: None,
    anew: None,
};

/// A button that is pressed or not: an input of the type `radio` or `checkbox`, with its name and value.
pub fn chip(kind: &str, id: &str, (name, value): Choice<'_>, words: &str, taken: bool) -> Markup {
    html! {
        label.chip {
            input type=(kind) id=(id) name=(name) value=(value) checked[taken];
            span { (visible(words)) }
        }
    }
}

/// The same, not pressed; with `must`, the form is not sent before it or another one of its name is pressed.
pub fn open_chip(
    kind: &str,
    id: &str,
    (name, value): Choice<'_>,
    words: &str,
    must: bool,
) -> Markup {
    html! {
        label.chip {
            input type=(kind) id=(id) name=(name) value=(value) required[must];
            span { (visible(words)) }
        }
    }
}

/// Fields that are sent along and not shown.
pub fn hidden<'v>(fields: impl IntoIterator<Item = (impl AsRef<str>, &'v str)>) -> Markup {
    html! {
        @for (name, value) in fields { input type="hidden" name=(name.as_ref()) value=(value); }
    }
}

/// Choices after one that leaves the question open.
pub fn or_open<'c>(
    open: &'c str,
    choices: impl IntoIterator<Item = Choice<'c>>,
) -> Vec<Choice<'c>> {
    [("", open)].into_iter().chain(choices).collect()
}

/// A choice whose label is its value.
pub fn same(value: &str) -> Choice<'_> {
    (value, value)
}

/// The button that sends a form.
pub fn send(label: &str) -> Markup {
    html! { p.send { button.send type="submit" { (visible(label)) } } }
}

/// Hidden fields of a form that writes: the state of the book that it was made from, and a number that is used
/// once.
pub fn guarded(ready: &Ready<'_>) -> Markup {
    // Without randomness the form is sent without a number, and the state of the book alone guards it.
    let once = random::<16>();
    html! {
        input type="hidden" name="seen" value=(ready.seen());
        input type="hidden" name="once" value=(once.unwrap_or_default());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_stands_beside_its_field_with_what_was_typed() {
        let form = Form::parse(b"grade=%3Cb%3E&price=x").unwrap();
        let error = AppError::Refused {
            message: "--grade \"<b>\" is not on the book's scale".into(),
            next: "the scale is A, B".into(),
        };
        let fields = Fields::of(&form).with_error(Some(&error));
        let field = fields.line("grade", "Grade", "").into_string();
        for part in [
            "value=\"&lt;b&gt;\"",
            "aria-describedby=\"wrong-grade\"",
            "aria-invalid=\"true\"",
            "id=\"wrong-grade\">&quot;&lt;b&gt;&quot; is not on the book's scale; the scale is A, B<",
        ] {
            assert!(field.contains(part), "{part}: {field}");
        }
        assert!(
            !fields
                .number("price", "Price", "")
                .into_string()
                .contains("wrong")
        );
    }

    #[test]
    fn what_was_sent_is_taken() {
        let form = Form::parse(b"grade=B&missing=charger&missing=battery").unwrap();
        let fields = Fields::of(&form);
        let chips = fields.one_of(
            "grade",
            "Grade",
            &[("", "not said"), ("A", "A"), ("B", "B")],
        );
        assert!(chips.into_string().contains("value=\"B\" checked"));
        let pieces = [("charger", "charger"), ("strap", "strap")];
        let chips = fields.any_of("missing", "Missing", &pieces).into_string();
        assert_eq!(chips.matches(" checked").count(), 1);
        let none = Form::default();
        let chips = Fields::of(&none).one_of("grade", "Grade", &[("", "not said"), ("A", "A")]);
        assert!(chips.into_string().contains("value=\"\" checked"));
    }
}
