//! Fields of forms: each with its label, the value that was sent, and what is wrong with it beside it.

use maud::{Markup, html};

use super::form::Form;
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

    /// Whether the error stands beside one of its fields.
    pub fn has_fault(&self) -> bool {
        !self.faults.is_empty()
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

    fn input(&self, kind: &Kind<'_>, name: &str, label: &str, hint: &str) -> Markup {
        let id = format!("f-{}", id_of(name));
        html! {
            div.field {
                label for=(id) { (visible(label)) }
                input id=(id) name=(name) type=(kind.of) inputmode=[kind.mode] list=[kind.list]
                    autocomplete="off" autocapitalize="off" spellcheck="false" maxlength="400"
                    value=(self.form.text(name)) aria-describedby=[self.described(name, hint)]
                    aria-invalid=[self.fault(name).map(|_| "true")] data-anew=[kind.anew];
                @if !hint.is_empty() { p.hint id={ "hint-" (id_of(name)) } { (prose(hint)) } }
                (self.fault_part(name))
            }
        }
    }

    /// A line of text; `hint` may be empty.
    pub fn line(&self, name: &str, label: &str, hint: &str) -> Markup {
        self.input(&Kind::plain("text"), name, label, hint)
    }

    /// A line of text with suggestions: `list` is the id of a `datalist`. If `anew`, the script fetches the forms
    /// anew when it changes, not only the answer.
    pub fn listed(&self, name: &str, label: &str, hint: &str, list: &str, anew: bool) -> Markup {
        let kind = Kind {
            list: Some(list),
            anew: anew.then_some("yes"),
            ..Kind::plain("text")
        };
        self.input(&kind, name, label, hint)
    }

    /// An amount of money or another number, as people type it.
    pub fn number(&self, name: &str, label: &str, hint: &str) -> Markup {
        let kind = Kind {
            mode: Some("decimal"),
            ..Kind::plain("text")
        };
        self.input(&kind, name, label, hint)
    }

    /// A day.
    pub fn day(&self, name: &str, label: &str, hint: &str) -> Markup {
        self.input(&Kind::plain("date"), name, label, hint)
    }

    /// Some lines of text.
    pub fn lines(&self, name: &str, label: &str, hint: &str, rows: u8) -> Markup {
        let id = format!("f-{}", id_of(name));
        html! {
            div.field {
                label for=(id) { (visible(label)) }
                textarea id=(id) name=(name) rows=(rows) autocomplete="off" spellcheck="false"
                    aria-describedby=[self.described(name, hint)]
                    aria-invalid=[self.fault(name).map(|_| "true")] { "\n" (self.form.text(name)) }
                @if !hint.is_empty() { p.hint id={ "hint-" (id_of(name)) } { (prose(hint)) } }
                (self.fault_part(name))
            }
        }
    }

    /// One of a few: buttons side by side, the first one taken unless another was sent.
    pub fn one_of(&self, name: &str, label: &str, choices: &[Choice<'_>]) -> Markup {
        let sent = self.form.text(name);
        let known = choices.iter().any(|(value, _)| *value == sent);
        let taken = |at: usize, value: &str| if known { value == sent } else { at == 0 };
        html! {
            fieldset.field aria-describedby=[self.described(name, "")] {
                legend { (visible(label)) }
                div.chips {
                    @for (at, (value, words)) in choices.iter().enumerate() {
                        label.chip {
                            input type="radio" id={ "f-" (id_of(name)) "-" (at) } name=(name) value=(value)
                                checked[taken(at, value)];
                            span { (visible(words)) }
                        }
                    }
                }
                (self.fault_part(name))
            }
        }
    }

    /// Any of a few: buttons that are pressed or not.
    pub fn any_of(&self, name: &str, label: &str, choices: &[Choice<'_>]) -> Markup {
        html! {
            @if !choices.is_empty() {
                fieldset.field aria-describedby=[self.described(name, "")] {
                    legend { (visible(label)) }
                    div.chips {
                        @for (at, (value, words)) in choices.iter().enumerate() {
                            label.chip {
                                input type="checkbox" id={ "f-" (id_of(name)) "-" (at) } name=(name) value=(value)
                                    checked[self.form.is(name, value)];
                                span { (visible(words)) }
                            }
                        }
                    }
                    (self.fault_part(name))
                }
            }
        }
    }

    /// One box to tick; its value is `yes`.
    pub fn tick(&self, name: &str, label: &str) -> Markup {
        html! {
            div.field {
                label.chip {
                    input type="checkbox" id={ "f-" (id_of(name)) } name=(name) value="yes"
                        checked[self.form.has(name)];
                    span { (visible(label)) }
                }
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
        let id = format!("f-{}", id_of(name));
        html! {
            div.field {
                label for=(id) { (visible(label)) }
                select id=(id) name=(name) aria-describedby=[self.described(name, hint)]
                    data-anew=[anew.then_some("yes")] {
                    @for (value, words) in choices {
                        option value=(value) selected[self.form.text(name) == *value] { (visible(words)) }
                    }
                }
                @if !hint.is_empty() { p.hint id={ "hint-" (id_of(name)) } { (prose(hint)) } }
                (self.fault_part(name))
            }
        }
    }

    /// A field that is kept and not shown.
    pub fn kept(&self, name: &str) -> Markup {
        html! {
            @for value in self.form.all(name) {
                input type="hidden" name=(name) value=(value);
            }
        }
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

impl<'k> Kind<'k> {
    fn plain(of: &'k str) -> Self {
        Self {
            of,
            mode: None,
            list: None,
            anew: None,
        }
    }
}

/// The button that sends a form.
pub fn send(label: &str) -> Markup {
    html! { p.send { button.send type="submit" { (visible(label)) } } }
}

/// Hidden fields of a form that writes: the state of the book that it was made from, and a number that is used
/// once.
pub fn guarded(ready: &Ready<'_>) -> Markup {
    let mut bytes = [0_u8; 16];
    // Without randomness the form is sent without a number, and the state of the book alone guards it.
    let once = getrandom::fill(&mut bytes).map(|()| {
        bytes
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect::<String>()
    });
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
