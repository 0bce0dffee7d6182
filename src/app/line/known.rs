//! The possible meanings of the words of a line.

use std::collections::{BTreeSet, HashMap};

use chrono::{Datelike, NaiveDate};
use polars::prelude::DataFrame;
use rust_decimal::Decimal;

use super::reading::{ATTRIBUTE, Reading, column_named, columns_of, field_name};
use super::tokens::{Sign, Token, split};
use crate::app::AppError;
use crate::app::typed::{NOT_KNOWN, all_pieces, answer};
use crate::book::Book;
use crate::book::comps::frame::FrameRows;
use crate::parse::dates::{DateError, read_date};
use crate::parse::money::parse_amount;
use crate::select::pieces::PACKAGING;
use crate::settings::Settings;
use crate::trade::items::{fold_name, split_count};
use crate::trade::money::money_text;
use crate::trade::names::match_key;
use crate::trade::text::{nearest, quoted};
use crate::trade::{Currency, Items};

/// Columns whose values are read as in an answer to a question.
const READ: [&str; 5] = ["completeness", "grade", "works", "sold_on", "how_sold"];

/// Words for a unit that does not work.
const PARTS: [&str; 4] = ["parts", "for parts", "parts only", "for parts only"];

/// Words for shipping.
const SHIPPING: [&str; 3] = ["shipping", "postage", "ship"];

/// Fewest words of a line that are tried together; models and pieces may have more.
const LEAST_SPAN: usize = 5;

/// Facts of a model from its sales.
#[derive(Debug, Clone, Default)]
pub struct OfModel {
    /// Its variants.
    pub variants: BTreeSet<String>,
    /// Pieces that were missing or came with it.
    pub pieces: BTreeSet<String>,
    /// Where it was sold.
    pub venues: BTreeSet<String>,
}

/// The names that a book knows.
pub struct Known<'k> {
    settings: &'k Settings,
    today: NaiveDate,
    /// Models by the key of each of their names.
    models: HashMap<String, String>,
    /// Other currencies that have rates.
    currencies: Vec<Currency>,
    /// Most words tried together.
    longest: usize,
    of_model: Box<dyn Fn(&str) -> OfModel + 'k>,
    of_others: Box<dyn Fn() -> BTreeSet<String> + 'k>,
}

impl<'k> Known<'k> {
    /// The names that a book knows on this day.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn of(book: &'k Book, today: NaiveDate) -> Result<Self, AppError> {
        let codes = book.rates()?.codes();
        let known = Self::new(book.settings(), book.models()?, codes, today)
            .with_pieces(|| pieces_of_all(book).unwrap_or_default());
        Ok(known.with_sales(|model| of_model(book, model).unwrap_or_default()))
    }

    /// With these models, and the codes of other currencies.
    pub fn new(
        settings: &'k Settings,
        models: Vec<String>,
        codes: Vec<String>,
        today: NaiveDate,
    ) -> Self {
        let mut by_key = HashMap::new();
        for model in models.into_iter().chain(settings.kits.keys().cloned()) {
            by_key.entry(match_key(&model)).or_insert(model);
        }
        for (name, model) in settings.words.of("model") {
            let model = by_key.get(&match_key(model)).map_or(model, String::as_str);
            let model = model.to_string();
            by_key.insert(name, model);
        }
        let words = |name: &String| name.split_whitespace().count();
        let longest = by_key.values().map(words).max().unwrap_or_default();
        Self {
            settings,
            today,
            models: by_key,
            currencies: codes.into_iter().map(|code| Currency { code }).collect(),
            longest: longest.max(LEAST_SPAN),
            of_model: Box::new(|_| OfModel::default()),
            of_others: Box::new(BTreeSet::new),
        }
    }

    /// With the pieces that the sales of all models name.
    pub fn with_pieces(self, of_others: impl Fn() -> BTreeSet<String> + 'k) -> Self {
        Self {
            of_others: Box::new(of_others),
            ..self
        }
    }

    /// With the facts of each model from its sales.
    pub fn with_sales(self, of_model: impl Fn(&str) -> OfModel + 'k) -> Self {
        Self {
            of_model: Box::new(of_model),
            ..self
        }
    }

    /// The facts of a model from its sales.
    pub(super) fn of_model(&self, model: &str) -> OfModel {
        (self.of_model)(model)
    }

    /// A model of the book by one of its names.
    pub fn model(&self, name: &str) -> Option<&str> {
        self.models.get(&match_key(name)).map(String::as_str)
    }

    /// All models, each in one spelling.
    pub fn models(&self) -> Vec<String> {
        let models: BTreeSet<&String> = self.models.values().collect();
        models.into_iter().cloned().collect()
    }

    /// The first model that a line names.
    pub(super) fn first_model(&self, tokens: &[Token]) -> Option<String> {
        (0..tokens.len()).find_map(|at| {
            if let Some(key) = &tokens[at].key {
                return (column_named(key) == Some("model")).then(|| tokens[at].text.clone());
            }
            let most = self.longest.min(tokens.len() - at);
            let spans = (1..=most).rev().map(|length| &tokens[at..at + length]);
            let mut plain = spans.filter(|span| span.iter().all(Token::is_plain));
            plain.find_map(|span| self.model(&text_of(span)).map(str::to_string))
        })
    }

    /// The column of which a text is plainly a value, if it is none of this one: a price where a grade is asked for.
    pub fn other_field(&self, column: &str, text: &str) -> Option<&'static str> {
        let tokens = split(&[text.to_string()]);
        let plain =
            !tokens.is_empty() && tokens.iter().all(|token| token.is_plain() && !token.quoted);
        if !plain || tokens.len() > self.longest {
            return None;
        }
        let readings = self.readings(&tokens, None, &OfModel::default());
        let columns = columns_of(&readings);
        let first = columns.first().copied();
        first.filter(|_| !columns.contains(&column))
    }

    /// Number of the words at the beginning that mean something together, as many as possible, with their readings;
    /// without readings, what would make the first word understood.
    pub(super) fn longest(
        &self,
        tokens: &[Token],
        facts: &OfModel,
    ) -> (usize, Vec<Reading>, String) {
        let first = &tokens[0];
        if let Some(key) = &first.key {
            let reading = match column_named(key) {
                Some("sold_on") => (
                    "sold_on",
                    self.day(&first.text).unwrap_or(first.text.clone()),
                ),
                Some(column) => (column, first.text.clone()),
                None => (ATTRIBUTE, format!("{key}={}", first.text)),
            };
            return (1, vec![vec![reading]], String::new());
        }
        if let Some(sign) = first.sign {
            return self.signed(tokens, sign, facts);
        }
        let plain = tokens.iter().take_while(|token| token.is_plain()).count();
        for length in (1..=self.longest.min(plain)).rev() {
            let (span, next) = tokens.split_at(length);
            let readings = self.readings(span, next.first(), facts);
            if !readings.is_empty() {
                return (length, readings, String::new());
            }
        }
        if first.is("sold") && tokens.len() > 1 {
            return (1, vec![Vec::new()], String::new());
        }
        (1, Vec::new(), self.hint(first))
    }

    /// All readings of some words together.
    fn readings(&self, span: &[Token], next: Option<&Token>, facts: &OfModel) -> Vec<Reading> {
        let text = text_of(span);
        let mut readings: Vec<Reading> = Vec::new();
        let mut add = |column: &'static str, value: Option<String>| {
            readings.extend(value.map(|value| vec![(column, value)]));
        };
        add("model", self.model(&text).map(str::to_string));
        add("variant", among(&facts.variants, &text));
        add("venue", among(&facts.venues, &text));
        for column in READ {
            add(column, self.value(column, &text));
        }
        let defects = self.settings.rules.defects.keys();
        let defect = defects
            .filter(|name| *name != "any")
            .find(|name| fold_name(name) == fold_name(&text));
        add("defects", defect.cloned());
        add("lot_size", units(span));
        let undated = matches!(span, [one] if one.is("undated"));
        add("sold_on", undated.then(|| NOT_KNOWN.to_string()));
        if let [lead, rest @ ..] = span
            && !rest.is_empty()
        {
            let rest = text_of(rest);
            if lead.is("grade") {
                add("grade", self.value("grade", &rest));
            }
            if lead.is("on") {
                add("sold_on", self.value("sold_on", &rest));
            }
        }
        readings.extend(self.shipping(span, next));
        readings.extend(self.price(span));
        readings
    }

    /// A value of a column, if the text is one.
    fn value(&self, column: &str, text: &str) -> Option<String> {
        // Words for yes and no have no meaning without a question.
        let short = text.chars().count() < 4;
        let read = match column {
            "works" if PARTS.contains(&text.to_lowercase().as_str()) => return Some("no".into()),
            "works" if short || ["true", "false"].contains(&text.to_lowercase().as_str()) => {
                return None;
            }
            "sold_on" => self.day(text),
            _ => None,
        };
        if text.is_empty() || text == "-" {
            return None;
        }
        read.or_else(|| answer(column, text, self.settings, self.today).ok())
            .filter(|value| !value.is_empty() && value != "-")
    }

    /// A day without its year, `20.11.`: the last one until today.
    fn day(&self, text: &str) -> Option<String> {
        let (day, month) = text.strip_suffix('.')?.split_once('.')?;
        let number = |text: &str| text.parse::<u32>().ok().filter(|_| text.len() <= 2);
        let (day, month) = (number(day)?, number(month)?);
        let years = (0..=8).map(|back| self.today.year() - back);
        let mut days = years.filter_map(|year| NaiveDate::from_ymd_opt(year, month, day));
        days.find(|day| *day <= self.today)
            .map(|day| day.to_string())
    }

    /// A price, with shipping after a plus: `120`, `EUR 120`, `for 120`, `120+4.90`.
    fn price(&self, span: &[Token]) -> Option<Reading> {
        let span = match span {
            [lead, rest @ ..] if ["for", "at", "price"].iter().any(|word| lead.is(word)) => rest,
            span => span,
        };
        if let Some((value, code)) = self.amount(span) {
            let code = code.map(|code| ("currency", code));
            return Some([("price", value)].into_iter().chain(code).collect());
        }
        let text = text_of(span);
        let (price, shipping) = text.split_once('+')?;
        let amount = |text: &str| positive(text.trim(), &self.settings.currency);
        Some(vec![
            ("price", amount(price)?),
            ("shipping", amount(shipping)?),
        ])
    }

    /// `shipping 4.90`, `4.90 shipping`, `free shipping`.
    fn shipping(&self, span: &[Token], next: Option<&Token>) -> Option<Reading> {
        let word = |token: &Token| SHIPPING.iter().any(|word| token.is(word));
        let value = match span {
            [one, other] if (one.is("free") && word(other)) || (word(one) && other.is("free")) => {
                "0".into()
            }
            [lead, rest @ ..] if word(lead) => self.amount(rest)?.0,
            // In "120 shipping 4.90" the word belongs to what follows.
            [rest @ .., last]
                if word(last)
                    && next
                        .is_none_or(|next| self.amount(std::slice::from_ref(next)).is_none()) =>
            {
                self.amount(rest)?.0
            }
            _ => return None,
        };
        Some(vec![("shipping", value)])
    }

    /// An amount, with the code of its currency where that is not the book's.
    fn amount(&self, span: &[Token]) -> Option<(String, Option<String>)> {
        let text = text_of(span);
        let ours = &self.settings.currency;
        let has_digit = |token: &&Token| token.text.contains(|c: char| c.is_ascii_digit());
        // Two numbers side by side are no amount, although a space may part its thousands.
        if span.len() > 2 || span.iter().filter(has_digit).count() != 1 {
            return None;
        }
        if let Some(value) = positive(&text, ours) {
            return Some((value, None));
        }
        let mut others = self.currencies.iter();
        others.find_map(|other| Some((positive(&text, other)?, Some(other.code.clone()))))
    }

    /// A piece with a sign before it, or shipping: `-charger`, `+battery`, `-"lens cap x2"`, `+4.90`.
    fn signed(
        &self,
        tokens: &[Token],
        sign: Sign,
        facts: &OfModel,
    ) -> (usize, Vec<Reading>, String) {
        let first = &tokens[0];
        let amount = positive(&first.text, &self.settings.currency).filter(|_| !first.quoted);
        let column = match (sign, amount) {
            (Sign::Plus, Some(value)) => {
                return (1, vec![vec![("shipping", value)]], String::new());
            }
            (Sign::Minus, Some(_)) => return (1, Vec::new(), "a negative amount".into()),
            (Sign::Plus, None) => "extras",
            (Sign::Minus, None) => "missing",
        };
        if first.quoted {
            return (1, vec![vec![(column, first.text.clone())]], String::new());
        }
        let pieces = self.pieces(facts);
        let follow = tokens[1..]
            .iter()
            .take_while(|token| token.is_plain() && !token.quoted);
        for length in (1..=self.longest.min(1 + follow.count())).rev() {
            let text = text_of(&tokens[..length]);
            if let Some(value) = self.piece(&text, &pieces) {
                return (length, vec![vec![(column, value)]], String::new());
            }
        }
        let hint = self.odd_piece(&first.text, &pieces);
        let readings = match hint {
            Some(_) => Vec::new(),
            None => vec![vec![(column, first.text.clone())]],
        };
        (1, readings, hint.unwrap_or_default())
    }

    /// Names of pieces.
    fn pieces(&self, facts: &OfModel) -> BTreeSet<String> {
        let rules = &self.settings.rules;
        let ruled = rules.missing.keys().chain(rules.extras.keys());
        let mut pieces = all_pieces(self.settings);
        pieces.extend(ruled.filter(|name| *name != "any").cloned());
        pieces.extend(facts.pieces.iter().cloned());
        pieces.insert(PACKAGING.to_string());
        pieces
    }

    /// A known piece with its count, as an entry of a list.
    fn piece(&self, text: &str, pieces: &BTreeSet<String>) -> Option<String> {
        let (name, count) = split_count(text)?;
        if let Some(meant) = self.settings.words.get("pieces", text) {
            return Some(meant.to_string());
        }
        // In "-battery x2" the count may be that of the units.
        if count != 1 && !text.starts_with(|c: char| c.is_ascii_digit()) {
            return None;
        }
        let key = match_key(&name);
        let known = pieces.iter().find(|piece| match_key(piece) == key)?;
        Some(if count == 1 {
            known.clone()
        } else {
            format!("{known} x{count}")
        })
    }

    /// The reason why a name is not taken for that of a new piece: it resembles a known one, or is plainly something else.
    fn odd_piece(&self, name: &str, pieces: &BTreeSet<String>) -> Option<String> {
        let near = |pieces: &BTreeSet<String>| {
            let near = nearest(name, pieces.iter().map(String::as_str));
            near.map(|near| format!("did you mean {near:?}?"))
        };
        if let Some(near) = near(pieces) {
            return Some(near);
        }
        // A piece that other models have is none of theirs misspelt.
        let others = (self.of_others)();
        if others
            .iter()
            .any(|piece| match_key(piece) == match_key(name))
        {
            return None;
        }
        if let Some(near) = near(&others) {
            return Some(near);
        }
        let other = self.other_field("missing", name);
        let other = other.map(|other| {
            format!(
                "{} reads as {}, not a piece",
                quoted(name),
                field_name(other)
            )
        });
        other.or_else(|| {
            (split_count(name).is_none_or(|(_, count)| count != 1))
                .then(|| "a count without a name".into())
        })
    }

    /// The reason why a text that is read as a day cannot be the day of a sale.
    fn no_day_of_sale(&self, text: &str) -> Option<String> {
        let future = |day: String| format!("{day} is in the future; today is {}", self.today);
        if text.eq_ignore_ascii_case("tomorrow") {
            return Some(future("tomorrow".into()));
        }
        match read_date(text) {
            Ok(written) => {
                let day = written.day(self.settings.date_order())?;
                (day > self.today).then(|| future(day.to_string()))
            }
            Err(DateError::NoSuchDay) => Some("the calendar has no such day".into()),
            Err(_) => None,
        }
    }

    /// The change that would make a word understood.
    fn hint(&self, token: &Token) -> String {
        let text = token.text.as_str();
        if let Some(why) = self.no_day_of_sale(text) {
            return why;
        }
        let mut letters = text.chars();
        if letters.next().is_some_and(char::is_alphabetic) && letters.next().is_none() {
            let scale: Vec<&str> = self.settings.grade_names().collect();
            return format!("if it is a grade: the grades are {}", scale.join(", "));
        }
        if text.contains(['.', '/', '-']) && text.starts_with(|c: char| c.is_ascii_digit()) {
            return "a date as 2026-11-20, an amount as 12.50".into();
        }
        let other = |sign: &str| self.settings.currency.answers_to(sign) == Some(false);
        let sign = text.trim_matches(|c: char| c.is_ascii_digit() || ".,".contains(c));
        if !sign.is_empty() && sign != text && other(sign) {
            return format!(
                "the book is in {}; another currency needs its rates",
                self.settings.currency.code
            );
        }
        let near = nearest(text, self.models.values().map(String::as_str));
        near.map_or(String::new(), |near| format!("did you mean {near:?}?"))
    }
}

/// The pieces that the sales of a book name.
fn pieces_of_all(book: &Book) -> Result<BTreeSet<String>, AppError> {
    let mut lists: BTreeSet<String> = BTreeSet::new();
    let mut add = |lists: &mut BTreeSet<String>, part: DataFrame| {
        for column in ["missing", "extras"] {
            let texts = part.column(column)?.str()?;
            lists.extend(texts.iter().flatten().map(str::to_string));
        }
        Ok(())
    };
    lists.extend(book.fold_models(&mut |_| {}, &mut add)?);
    let mut pieces = BTreeSet::new();
    for list in lists.iter().filter_map(|list| Items::parse(list).ok()) {
        pieces.extend(list.iter().map(|(name, _)| name.to_string()));
    }
    Ok(pieces)
}

/// The facts of a model from its sales.
fn of_model(book: &Book, model: &str) -> Result<OfModel, AppError> {
    let frame = book.frame_of_model(model, &mut |_| {})?;
    let rows = FrameRows::new(&frame, &book.settings().currency)?;
    let mut facts = OfModel::default();
    for comp in rows.comps() {
        let pieces = comp.missing.iter().chain(comp.extras.iter());
        facts
            .pieces
            .extend(pieces.map(|(name, _)| name.to_string()));
        facts.variants.insert(comp.variant);
        facts.venues.insert(comp.venue);
    }
    Ok(facts)
}

/// The text of some words together.
fn text_of(span: &[Token]) -> String {
    let texts: Vec<&str> = span.iter().map(|token| token.text.as_str()).collect();
    texts.join(" ")
}

/// The known spelling of a name.
fn among(known: &BTreeSet<String>, text: &str) -> Option<String> {
    let key = match_key(text);
    let mut named = known.iter().filter(|name| !name.is_empty());
    named.find(|name| match_key(name) == key).cloned()
}

/// An amount of 0 or more, in its canonical form.
fn positive(text: &str, currency: &Currency) -> Option<String> {
    let amount: Decimal = parse_amount(text, currency).ok()?;
    (!amount.is_sign_negative()).then(|| money_text(amount))
}

/// Number of units: `x3`, `3x`, `lot of 3`.
fn units(span: &[Token]) -> Option<String> {
    let digits = |text: &str| {
        let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        plain.then(|| text.to_string())
    };
    match span {
        [one] => {
            let before = one.text.strip_prefix(['x', 'X', '×']);
            digits(before.or_else(|| one.text.strip_suffix(['x', 'X', '×']))?)
        }
        [lot, of, count] if lot.is("lot") && of.is("of") => digits(&count.text),
        _ => None,
    }
}
