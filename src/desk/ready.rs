//! The open book, with results that are kept between requests until its files change.

use std::cell::{OnceCell, RefCell};
use std::collections::HashMap;
use std::rc::Rc;

use chrono::NaiveDate;

use super::checks::Checks;
use super::form::Form;
use super::jobs::Jobs;
use super::page::Reply;
use super::sheets::Sheets;
use crate::app::choices::{Choices, ModelName, choices, model_names};
use crate::app::describe::{Description, asked, question};
use crate::app::past::SMALL;
use crate::app::reader::Reader;
use crate::app::{AppError, Book};
use crate::settings::Settings;
use crate::trade::names::match_key;

/// Most readers kept.
const READERS: usize = 64;

/// The key of a model, and a day.
type OfDay = (String, NaiveDate);

/// An open book as its files were at one time.
pub struct Ready<'a> {
    book: &'a Book,
    today: NaiveDate,
    state: u64,
    sent: &'a RefCell<Sent>,
    long: &'a Jobs,
    checks: &'a Checks,
    readers: RefCell<HashMap<OfDay, Rc<Reader<'a>>>>,
    choices: RefCell<HashMap<String, Rc<Choices>>>,
    models: OnceCell<Vec<ModelName>>,
    notices: RefCell<Vec<String>>,
}

impl<'a> Ready<'a> {
    /// A book that was just opened; `state` is that of its files by [`crate::app::state`], the
    /// last two are those of the run.
    pub fn new(
        book: &'a Book,
        today: NaiveDate,
        state: u64,
        (sent, long, checks): (&'a RefCell<Sent>, &'a Jobs, &'a Checks),
    ) -> Self {
        Self {
            book,
            today,
            state,
            sent,
            long,
            checks,
            readers: RefCell::default(),
            choices: RefCell::default(),
            models: OnceCell::new(),
            notices: RefCell::default(),
        }
    }

    /// The book.
    pub fn book(&self) -> &'a Book {
        self.book
    }

    /// Its settings.
    pub fn settings(&self) -> &'a Settings {
        self.book.settings()
    }

    /// The day of the requests.
    pub fn today(&self) -> NaiveDate {
        self.today
    }

    /// A hash of the state of the files as they were shown: the hidden field `seen` of forms that write.
    pub fn seen(&self) -> String {
        format!("{:016x}", self.state)
    }

    /// The forms that were sent and done.
    pub fn sent(&self) -> &RefCell<Sent> {
        self.sent
    }

    /// The answer to a form that was done: go to this address of the desk, where [`Self::messages`] gives these lines
    /// and the notices so far. The address contains only their key.
    pub fn see_other(&self, address: &str, lines: Vec<String>) -> Reply {
        let all = lines.into_iter().chain(self.take_notes()).collect();
        let key = self.sent.borrow_mut().keep_messages(all);
        let mark = if address.contains('?') { '&' } else { '?' };
        Reply::SeeOther(format!("{address}{mark}said={key}"))
    }

    /// The messages on the page that follows on a form that was done, by the field `said` of its address.
    pub fn messages(&self, form: &Form) -> Vec<String> {
        let sent = self.sent.borrow();
        let key = form.text("said").parse().ok();
        key.map_or_else(Vec::new, |key| sent.messages(key).to_vec())
    }

    /// The checks of past estimates that run or ran.
    pub fn checks(&self) -> &Checks {
        self.checks
    }

    /// Starts work that takes long, beside the thread of the book: `ready.long().start(view, "Import", …)`.
    pub fn long(&self) -> &Jobs {
        self.long
    }

    /// The reader of a model on a day; it is kept. A small book has one for all its models, which costs about as much
    /// as one for a single model.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn reader(&self, model: &str, as_of: NaiveDate) -> Result<Rc<Reader<'a>>, AppError> {
        let model = self.settings().words.model(model);
        let mut models = vec![model];
        let mut key = (match_key(model), as_of);
        if self.book.size()? <= SMALL {
            let all = self.models()?.iter();
            let all = all.filter(|one| one.sales.is_some_and(|sales| sales > 0));
            let all: Vec<&str> = all.map(|one| one.name.as_str()).collect();
            if all.iter().any(|one| match_key(one) == key.0) {
                (models, key.0) = (all, String::new());
            }
        }
        if let Some(known) = self.readers.borrow().get(&key) {
            return Ok(known.clone());
        }
        let reader = Reader::new(self.book, as_of, models, &mut self.notice())?;
        let reader = Rc::new(reader);
        let mut readers = self.readers.borrow_mut();
        if readers.len() >= READERS {
            readers.clear();
        }
        readers.insert(key, reader.clone());
        Ok(reader)
    }

    /// Reads what the first request will need.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn warm_up(&self) -> Result<(), AppError> {
        let models = self.models()?;
        let Some(first) = models.first().filter(|one| one.sales.is_some()) else {
            return Ok(());
        };
        let description = Description {
            model: first.name.clone(),
            ..Description::default()
        };
        let described = asked(&description, self.settings(), &mut |_| {})?;
        let reader = self.reader(&first.name, self.today)?;
        reader.unit(question(&description, described)).map(drop)
    }

    /// The choices for a model by the sales and the settings: its pieces, extras, defects, variants; it is kept.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn choices(&self, model: &str) -> Result<Rc<Choices>, AppError> {
        let key = match_key(self.settings().words.model(model));
        if let Some(known) = self.choices.borrow().get(&key) {
            return Ok(known.clone());
        }
        let known = Rc::new(choices(&*self.reader(model, self.today)?, model)?);
        self.choices.borrow_mut().insert(key, known.clone());
        Ok(known)
    }

    /// The models of the book, those with most sales first, and then other names of them.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn models(&self) -> Result<&[ModelName], AppError> {
        if let Some(known) = self.models.get() {
            return Ok(known);
        }
        let found = model_names(self.book, &mut self.notice())?;
        Ok(self.models.get_or_init(|| found))
    }

    /// [`Self::note`] as the `notice` of a use case: `&mut ready.notice()`.
    pub fn notice(&self) -> impl FnMut(&str) + '_ {
        |text| self.note(text)
    }

    /// Keeps a notice for the page that is being made.
    pub fn note(&self, text: &str) {
        let mut notices = self.notices.borrow_mut();
        if !notices.iter().any(|known| known == text) {
            notices.push(text.to_string());
        }
    }

    /// Takes the notices so far.
    pub fn take_notes(&self) -> Vec<String> {
        self.notices.take()
    }
}

/// Most forms remembered.
const REMEMBERED: usize = 2_000;

/// The forms that were sent and done, by their one-time number, with the address that showed the result: a form
/// sent again writes nothing.
#[derive(Debug, Default)]
pub struct Sent {
    done: HashMap<String, String>,
    messages: HashMap<u64, Vec<String>>,
    next: u64,
    /// Sheets that were sent to be imported.
    pub sheets: Sheets,
}

impl Sent {
    /// The address of the result of a form.
    pub fn result(&self, once: &str) -> Option<&str> {
        self.done.get(once).map(String::as_str)
    }

    /// Remembers the address of the result of a form.
    pub fn remember(&mut self, once: &str, address: &str) {
        if self.done.len() >= REMEMBERED {
            self.done.clear();
        }
        self.done.insert(once.to_string(), address.to_string());
    }

    /// Keeps the messages of the page after a form; returns their key.
    fn keep_messages(&mut self, lines: Vec<String>) -> u64 {
        if self.messages.len() >= REMEMBERED {
            self.messages.clear();
        }
        let key = self.next;
        self.next += 1;
        self.messages.insert(key, lines);
        key
    }

    fn messages(&self, key: u64) -> &[String] {
        self.messages.get(&key).map_or(&[], Vec::as_slice)
    }
}
