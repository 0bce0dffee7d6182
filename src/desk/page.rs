//! The frame of the pages, and the replies of a view.

use maud::{DOCTYPE, Markup, html};

use crate::app::AppError;
use crate::render::html::{prose, visible};
use crate::render::prose::capitalised;

/// One of the pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum View {
    /// The price of a unit.
    Price,
    /// The most to pay for it.
    Buy,
    /// Its asking price.
    Sell,
    /// Sales: log, import, undo.
    Sales,
    /// Units, parts, money.
    Stock,
    /// Watched units.
    Watched,
    /// How past estimates did.
    Check,
}

impl View {
    /// All pages in the order of the links.
    pub const ALL: [Self; 7] = [
        Self::Price,
        Self::Buy,
        Self::Sell,
        Self::Sales,
        Self::Stock,
        Self::Watched,
        Self::Check,
    ];

    /// Its path.
    pub fn path(self) -> &'static str {
        self.words().0
    }

    /// Its name in the links, and its heading.
    pub fn name(self) -> &'static str {
        self.words().1
    }

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Price => ("/price", "Price"),
            Self::Buy => ("/buy", "Buy"),
            Self::Sell => ("/sell", "Sell"),
            Self::Sales => ("/sales", "Sales"),
            Self::Stock => ("/stock", "Stock and money"),
            Self::Watched => ("/watched", "Watched"),
            Self::Check => ("/check", "Was it right?"),
        }
    }

    /// The view of the first part of a path: `buy`.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|view| &view.path()[1..] == word)
    }
}

/// The reply of a view.
#[derive(Debug)]
pub enum Reply {
    /// A page.
    Page(Page),
    /// Go to this address of the desk (`/stock?deal=d7`) and look there; for what was written.
    SeeOther(String),
    /// A picture.
    Svg(String),
    /// A file to keep, under a name.
    Csv(&'static str, String),
    /// Data for the script.
    Json(String),
}

impl Reply {
    /// The reply with its page changed, if it is a page.
    #[must_use]
    pub fn with_page(self, change: impl FnOnce(Page) -> Page) -> Self {
        match self {
            Self::Page(page) => Self::Page(change(page)),
            other => other,
        }
    }
}

/// A page in its parts.
#[derive(Debug, Clone)]
pub struct Page {
    /// The view, for the heading and the links.
    pub view: View,
    /// Title of the window, without amounts: it stands in the browser's history.
    pub title: String,
    /// The question: the forms.
    pub ask: Markup,
    /// The answer; the script swaps it in.
    pub answer: Markup,
    /// Messages above both: errors first.
    pub messages: Vec<Message>,
}

/// A message on a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// Something failed.
    Error(String),
    /// Something was done, or is worth knowing.
    Note(String),
}

impl Page {
    /// A page of a view.
    pub fn new(view: View, ask: Markup, answer: Markup) -> Self {
        Self {
            view,
            title: view.name().to_string(),
            ask,
            answer,
            messages: Vec::new(),
        }
    }

    /// The page with an error on top.
    #[must_use]
    pub fn with_error(mut self, text: impl Into<String>) -> Self {
        self.messages.insert(0, Message::Error(text.into()));
        self
    }

    /// The page with a note.
    #[must_use]
    pub fn with_note(mut self, text: impl Into<String>) -> Self {
        self.messages.push(Message::Note(text.into()));
        self
    }

    /// The page with several notes.
    #[must_use]
    pub fn with_notes(self, texts: impl IntoIterator<Item = String>) -> Self {
        texts.into_iter().fold(self, Self::with_note)
    }

    /// The page with a title of its own, such as the unit; unchanged if that is empty.
    #[must_use]
    pub fn titled(mut self, title: &str) -> Self {
        if !title.is_empty() {
            self.title = format!("{title}: {}", self.view.name());
        }
        self
    }
}

/// An error in the place of an answer.
pub fn refused(error: &AppError) -> Markup {
    html! {
        section.fault {
            h2 { "This does not work yet" }
            p { (prose(&capitalised(&plain(&error.to_string())))) }
            @if !error.problems().is_empty() {
                ul { @for problem in error.problems() { li { (prose(&problem.to_string())) } } }
            }
            @if !error.next().is_empty() { p { (prose(&capitalised(&plain(error.next())))) } }
        }
    }
}

/// Text of a command without the dashes of its flags: `--how-sold "Z" is …` becomes `how sold "Z" is …`. What stands
/// between backquotes is a command and stays.
pub fn plain(text: &str) -> String {
    let mut made = String::with_capacity(text.len());
    for (at, part) in text.split('`').enumerate() {
        if at > 0 {
            made.push('`');
        }
        if at % 2 == 1 {
            made.push_str(part);
            continue;
        }
        for word in part.split_inclusive(' ') {
            // A bracket or a quote may stand before the flag.
            let opened = word.trim_start_matches(['(', '"']);
            match opened.strip_prefix("--") {
                Some(flag) if flag.starts_with(|c: char| c.is_ascii_lowercase()) => {
                    made.push_str(&word[..word.len() - opened.len()]);
                    made.push_str(&flag.replace('-', " "));
                }
                _ => made.push_str(word),
            }
        }
    }
    made
}

/// An error with its advice.
pub fn sentence(error: &AppError) -> String {
    match error.next() {
        "" => plain(&error.to_string()),
        next => plain(&format!("{error}. {next}")),
    }
}

/// A page as a document.
pub fn document(page: &Page, book: &str) -> String {
    let main = html! {
        h1 { (visible(page.view.name())) }
        (messages(&page.messages))
        div.two {
            @if !page.ask.0.is_empty() { div.ask { (page.ask) } }
            div.answer id="answer" { (page.answer) }
        }
    };
    framed(&page.title, Some(page.view), book, &main)
}

/// Messages, errors first.
pub fn messages(messages: &[Message]) -> Markup {
    let errors = messages
        .iter()
        .filter(|one| matches!(one, Message::Error(_)));
    let notes = messages
        .iter()
        .filter(|one| matches!(one, Message::Note(_)));
    html! {
        div id="messages" {
            @for message in errors.chain(notes) {
                @match message {
                    Message::Error(text) => { p.message.error role="alert" { (prose(text)) } }
                    Message::Note(text) => { p.message { (prose(text)) } }
                }
            }
        }
    }
}

/// A page of a few sentences, such as an error; with links if the reader may follow them.
pub fn plain_page(title: &str, lines: &[&str], links: bool) -> String {
    let main = html! {
        h1 { (visible(title)) }
        div id="answer" { @for line in lines { p { (prose(line)) } } }
    };
    if links {
        return framed(title, None, "", &main);
    }
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (visible(title)) }
            }
            body { main { (main) } }
        }
    }
    .into_string()
}

fn framed(title: &str, view: Option<View>, book: &str, main: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (visible(title)) " · compband" }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/look.css";
                link rel="stylesheet" href="/desk.css";
                script src="/desk.js" defer {}
                @if main.0.contains("data-poll=") {
                    noscript { meta http-equiv="refresh" content="1"; }
                }
            }
            "\n"
            body {
                a.skip href="#answer" { "Skip to the answer" }
                header {
                    p.name { "compband" @if !book.is_empty() { " " span { (visible(book)) } } }
                    nav aria-label="Pages" {
                        ul {
                            @for one in View::ALL {
                                li {
                                    a href=(one.path()) aria-current=[(view == Some(one)).then_some("page")] {
                                        (one.name())
                                    }
                                }
                            }
                        }
                    }
                }
                "\n"
                main id="main" { (main) }
                "\n"
                footer {
                    p {
                        "Estimates from the sales you recorded: no promise, and not tax or legal advice. "
                        "This page stays on this computer."
                    }
                    p.unseen id="status" role="status" {}
                }
            }
        }
        "\n"
    }
    .into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_are_words_on_a_page_and_commands_stay() {
        for (text, expected) in [
            ("--how-sold: found \"x\"", "how sold: found \"x\""),
            (
                "--km and an amount (--in-all) give it twice",
                "km and an amount (in all) give it twice",
            ),
            (
                "`compband undo --all` takes it back, not --undo",
                "`compband undo --all` takes it back, not undo",
            ),
            ("a -- b --", "a -- b --"),
        ] {
            assert_eq!(plain(text), expected);
        }
    }
}
