//! A sheet of past sales: tried first, what is not known is asked, and then it is imported.

use std::sync::Arc;

use maud::{Markup, html};

use super::common::{DO, named, page};
use super::line::question;
use crate::app::AppError;
use crate::app::import::{Column, UnknownWord};
use crate::app::parallel::lock;
use crate::desk::fields::{Fields, chip, guarded, or_open, same, send};
use crate::desk::form::Form;
use crate::desk::page::{Page, Reply, View};
use crate::desk::ready::Ready;
use crate::desk::sheets::{self, BLANK, COLUMN, OPEN, Read, SHIPPING, Sheet, Slot, WORD, read};
use crate::render::html::{list, prose, visible};
use crate::render::numbers::count as counted;

/// Fields of the form for how to read a sheet.
const READ_AS: [&str; 9] = [
    "columns",
    "fill_model",
    "undated",
    "tab",
    "dates",
    "decimal",
    "keep_good",
    "mapping",
    "save_mapping",
];

/// The form that takes a sheet: pasted, chosen, or dropped by the script.
pub fn choose(fields: &Fields<'_>) -> Markup {
    html! {
        form.drop method="post" action="/sales/sheet" enctype="multipart/form-data" {
            h2 { "A sheet of past sales" }
            div.field {
                label for="f-file" { "Spreadsheet or CSV file" }
                input id="f-file" name="file" type="file" accept=".csv,.tsv,.txt,.xlsx,.xls,.ods"
                    aria-describedby="hint-file";
                p.hint id="hint-file" { "xlsx, xls, ods or CSV, up to 64 MB. You can drop it here." }
            }
            (fields.lines("text", "Or paste rows with their header", "", 3))
            (send("Look at it"))
            p.hint { "First you see what would be imported. Nothing is written before you say so." }
        }
    }
}

/// Takes a sheet, or more about one, and begins to try it.
///
/// # Errors
/// If there is nothing in it, or no work can be started.
pub fn take(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    if form.has("sheet") {
        return more_about(ready, form);
    }
    let (name, bytes) = match (form.file(), form.get("text")) {
        (Some(bytes), _) => (sheets::name_of(form.text("file_name")), bytes.to_vec()),
        (None, Some(text)) => ("pasted".to_string(), text.as_bytes().to_vec()),
        (None, None) => {
            let none = Form::default();
            let again = page(ready, &none, choose(&Fields::of(&none)))?;
            let text = "Choose a file, or paste rows with their header.";
            return Ok(again.with_page(|page| page.with_error(text)));
        }
    };
    let sheet = Sheet {
        name,
        bytes: Arc::new(bytes),
        answers: Form::default(),
        work: String::new(),
        read: Slot::default(),
    };
    let id = ready.sent().borrow_mut().sheets.keep(sheet);
    begin(ready, &id, true)
}

/// Keeps how to read a sheet, and begins to try it anew.
fn more_about(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let id = form.text("sheet");
    let now = came_of(ready, id).map_or_else(Vec::new, |read| read.columns.clone());
    // A column that stays what it was found to be is not kept.
    let found = |name: &str, value: &str| {
        let theirs = name.strip_prefix(COLUMN).unwrap_or_default();
        let mut columns = now.iter();
        columns.any(|(known, ours)| known == theirs && ours.as_deref().unwrap_or("-") == value)
    };
    {
        let mut sent = ready.sent().borrow_mut();
        let Some(sheet) = sent.sheets.get_mut(id) else {
            drop(sent);
            return Ok(gone(ready));
        };
        let mut answers = Form::default();
        let is_answer = |name: &str| [WORD, SHIPPING].iter().any(|begin| name.starts_with(begin));
        // Earlier answers and columns stay; the rest of how to read it is sent anew each time.
        for (name, value) in sheet.answers.fields() {
            let stays = is_answer(name) || name.starts_with(COLUMN);
            if stays && form.get(name).is_none() {
                answers.push(name, value);
            }
        }
        for (name, value) in form.fields() {
            let known = is_answer(name) || name.starts_with(COLUMN) || READ_AS.contains(&name);
            let stays = name.starts_with(COLUMN) && sheet.answers.get(name).is_none();
            if known && name != "columns" && !(stays && found(name, value)) {
                answers.push(name, value);
            }
        }
        // From then on a column named in the text is one that was chosen.
        for pair in form.text("columns").split(';').map(str::trim) {
            match pair.rsplit_once('=') {
                Some((theirs, ours)) => {
                    answers.set(&format!("{COLUMN}{}", theirs.trim()), ours.trim())
                }
                None => answers.push("columns", pair),
            }
        }
        sheet.answers = answers;
    }
    begin(ready, id, true)
}

/// The result of reading a sheet; none before its end, and of one that is not kept.
fn came_of(ready: &Ready<'_>, id: &str) -> Option<Arc<Read>> {
    let sent = ready.sent().borrow();
    lock(&sent.sheets.get(id)?.read).clone()
}

/// Begins to read a sheet beside the pages.
fn begin(ready: &Ready<'_>, id: &str, dry: bool) -> Result<Reply, AppError> {
    let sheet = ready.sent().borrow().sheets.get(id).cloned();
    let Some(mut sheet) = sheet else {
        return Ok(gone(ready));
    };
    sheet.read = Slot::default();
    let (mine, address, today) = (sheet.clone(), format!("/sales?sheet={id}"), ready.today());
    let doing = if dry { "Reading" } else { "Importing" };
    let title = format!("{doing} {}", sheet.name);
    let started = ready
        .long()
        .start(View::Sales, &title, move |book, progress| {
            let read = read(book, &mine, (dry, today), progress);
            *lock(&mine.read) = Some(Arc::new(read));
            Ok(address)
        })?;
    if let Reply::SeeOther(work) = &started {
        sheet.work.clone_from(work);
    }
    if let Some(known) = ready.sent().borrow_mut().sheets.get_mut(id) {
        *known = sheet;
    }
    Ok(started)
}

/// Imports a sheet as it was tried last.
///
/// # Errors
/// If no work can be started.
pub fn import(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    begin(ready, form.text("sheet"), false)
}

/// The rows that were set aside.
pub fn rejected(ready: &Ready<'_>, form: &Form) -> Option<Reply> {
    let read = came_of(ready, form.text("sheet"))?;
    let text = String::from_utf8_lossy(read.set_aside.as_ref()?).into_owned();
    Some(Reply::Csv("rejected.csv", text))
}

fn gone(ready: &Ready<'_>) -> Reply {
    let text = "That sheet is no longer kept: give it again. Nothing was changed.";
    ready.see_other("/sales", vec![text.into()])
}

/// The page of a sheet that was tried or imported; of one that is being read, the page of that work.
///
/// # Errors
/// If the settings cannot be read.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let id = form.text("sheet");
    let sheet = ready.sent().borrow().sheets.get(id).cloned();
    let Some(sheet) = sheet else {
        return Ok(gone(ready));
    };
    let Some(read) = came_of(ready, id) else {
        return Ok(Reply::SeeOther(sheet.work));
    };
    if read.entry.is_some()
        && let Some(sheet) = ready.sent().borrow_mut().sheets.get_mut(id)
    {
        sheet.bytes = Arc::default();
    }
    let (ask, answer) = (asks(ready, id, &sheet, &read), answers(id, &sheet, &read));
    let page = Page::new(View::Sales, ask, answer).titled("A sheet");
    Ok(Reply::Page(page.with_notes(ready.messages(form))))
}

/// The forms for how to read a sheet that was tried, and the button that imports it.
fn asks(ready: &Ready<'_>, id: &str, sheet: &Sheet, read: &Read) -> Markup {
    if !read.dry && read.failed.is_none() && (read.entry.is_some() || read.problems == 0) {
        return html! {};
    }
    let fields = Fields::of(&sheet.answers);
    let refused = read.problems > 0 && read.aside == 0;
    let may = read.failed.is_none() && !refused && read.writes();
    html! {
        @if may && read.dry {
            form method="post" action="/sales/do" {
                (guarded(ready))
                input type="hidden" name=(DO) value="import";
                input type="hidden" name="sheet" value=(id);
                h2 { "Import it?" }
                p { (prose(&would(read))) }
                (send("Import"))
            }
        }
        form method="post" action="/sales/sheet" {
            input type="hidden" name="sheet" value=(id);
            h2 { @if questions(read) { "What is not known" } @else { "Read it another way" } }
            @for (at, word) in read.unknown.iter().enumerate() { (unknown(at, word, &sheet.answers)) }
            @for (at, (column, examples)) in read.shipping.iter().enumerate() {
                (shipping(at, column, examples, &sheet.answers))
            }
            (how(ready, &fields, read))
            (send("Look again"))
            p { a href="/sales" { "Leave it" } }
        }
    }
}

fn questions(read: &Read) -> bool {
    !read.unknown.is_empty() || !read.shipping.is_empty()
}

/// How to read the sheet.
fn how(ready: &Ready<'_>, fields: &Fields<'_>, read: &Read) -> Markup {
    let dates = [
        ("", "by what is there"),
        ("dmy", "day first"),
        ("mdy", "month first"),
    ];
    let marks = [
        ("", "by what is there"),
        ("point", "1,234.50"),
        ("comma", "1.234,50"),
    ];
    let mappings = ready.settings().mappings.keys();
    let saved = or_open("none", mappings.map(|name| same(name)));
    html! {
        (fields.tick("keep_good", "Import the good rows, set the wrong ones aside"))
        details open[read.failed.is_some()] id="how" {
            summary { "Columns, dates, amounts" }
            @for (at, (theirs, ours)) in read.columns.iter().enumerate() {
                (column(at, theirs, ours.as_deref(), fields.form()))
            }
            @if read.columns.is_empty() {
                (fields.line("columns", "Which column is which", "Title=model; Paid=price; Fee=-"))
            }
            (fields.line("fill_model", "The model of all rows", "For a sheet that names none."))
            (fields.tick("undated", "The days of the sales are not known"))
            (fields.line("tab", "Name of the tab", "Of a spreadsheet with several; the one with most sales if left out."))
            (fields.one_of("dates", "Dates such as 3/4/2026", &dates))
            (fields.one_of("decimal", "Amounts such as 1,234", &marks))
            @if saved.len() > 1 { (fields.select("mapping", "Saved names of columns", "", &saved)) }
            (fields.line("save_mapping", "Save the names of the columns as", "For sheets like this one."))
        }
    }
}

/// One column of the sheet: which of ours it is.
fn column(at: usize, theirs: &str, ours: Option<&str>, answers: &Form) -> Markup {
    let name = format!("{COLUMN}{theirs}");
    let chosen = answers.get(&name).or(ours).unwrap_or("-");
    let known = Column::ALL.map(Column::name);
    let own = (!known.contains(&chosen) && chosen != "-").then_some(chosen);
    html! {
        div.field.row {
            label for={ "c-" (at) } { (visible(theirs)) }
            select id={ "c-" (at) } name=(name) {
                option value="-" selected[chosen == "-"] { "not used" }
                @for one in known { option value=(one) selected[one == chosen] { (one.replace('_', " ")) } }
                @if let Some(own) = own { option value=(own) selected { (visible(own)) } }
            }
        }
    }
}

/// The question what a word of the sheet means.
fn unknown(at: usize, word: &UnknownWord, answers: &Form) -> Markup {
    let name = format!("{WORD}{}:{}", word.column.name(), word.word);
    let rows = format!(
        "in {}, first in row {}",
        counted(word.rows, "row"),
        word.first
    );
    let mut choices: Vec<(String, String)> = Vec::new();
    let legend = if word.column == Column::Model {
        let near = word.likely.clone().unwrap_or_default();
        choices.push((near.clone(), format!("the same as {near}")));
        choices.push((OPEN.into(), "a model of its own".into()));
        html! { "Model " (named(&word.word)) " is new" }
    } else {
        choices.extend(
            word.values
                .iter()
                .map(|value| (value.clone(), value.clone())),
        );
        choices.push((BLANK.into(), "as if blank".into()));
        choices.push((OPEN.into(), "leave it: its rows are wrong".into()));
        html! { "Which " (word.column.name().replace('_', " ")) " is " (named(&word.word)) "?" }
    };
    if answers.get(&name).is_some_and(|answer| answer == OPEN) {
        return html! {};
    }
    // An answer is not required: the others can be given first.
    question((1_000 + at, false), &name, &legend, &rows, &choices)
}

fn shipping(at: usize, column: &str, examples: &[String], answers: &Form) -> Markup {
    let name = format!("{SHIPPING}{column}");
    let chosen = answers.text(&name);
    html! {
        fieldset.field.asked {
            legend { "Is the column " (visible(column)) " what the buyer paid for shipping?" }
            p.hint { (visible(&examples.join(", "))) }
            div.chips {
                @for (value, words) in [("yes", "Yes"), ("no", "No: not used")] {
                    (chip("radio", &format!("s-{at}-{value}"), (&name, value), words, chosen == value))
                }
            }
        }
    }
}

/// `12 sales would be added, 1 changed; 3 are in the book already.`
fn would(read: &Read) -> String {
    let [new, changed, same] = read.counts;
    let mut answers = Vec::new();
    if new > 0 || changed == 0 {
        answers.push(format!("{} would be added", counted(new, "sale")));
    }
    if changed > 0 {
        answers.push(format!("{} would be changed", counted(changed, "sale")));
    }
    if same > 0 {
        answers.push(format!("{same} in the book already"));
    }
    if read.aside > 0 {
        answers.push(format!("{} set aside", counted(read.aside, "row")));
    }
    format!("{}.", answers.join(", "))
}

/// The result of reading a sheet.
fn answers(id: &str, sheet: &Sheet, read: &Read) -> Markup {
    if let Some((why, problems)) = &read.failed {
        return html! {
            section.fault {
                h2 { (visible(&sheet.name)) " cannot be read so" }
                @if problems.is_empty() { p { (prose(why)) } }
                (list(problems))
                p { "Nothing was written." }
            }
        };
    }
    html! {
        (head(id, sheet, read))
        @if !read.troubles.is_empty() {
            section.care {
                h2 { (counted(read.problems, "problem")) }
                (list(&read.troubles))
                @if read.more_troubles > 0 { p { "And " (counted(read.more_troubles, "more kind")) "." } }
            }
        }
        @if !read.columns.is_empty() {
            section {
                h2 { "Columns" }
                div.scroll role="region" aria-labelledby="columns" tabindex="0" {
                    table {
                        caption id="columns" { "How each column of the sheet is read" }
                        thead { tr { th scope="col" { "column" } th scope="col" { "read as" } } }
                        tbody {
                            @for (theirs, ours) in &read.columns {
                                tr class=[ours.is_none().then_some("quiet")] {
                                    th scope="row" { (visible(theirs)) }
                                    td { (visible(&ours.as_deref().unwrap_or("not used").replace('_', " "))) }
                                }
                            }
                        }
                    }
                }
            }
        }
        @if !read.report.is_empty() || !read.notices.is_empty() {
            section {
                h2 { "In detail" }
                (list(&read.notices))
                (list(&read.report))
            }
        }
    }
}

/// The content of the sheet, first.
fn head(id: &str, sheet: &Sheet, read: &Read) -> Markup {
    let nothing = "Nothing was written.";
    html! {
        section data-say="" {
            @if let Some(entry) = read.entry {
                h2 { "Imported" }
                p { (prose(&would(read).replace("would be ", ""))) " Sale record " (entry) "." }
                p { a href="/sales?undo=last" { "Undo it" } " or " a href="/sales" { "see the sales" } }
                @if read.set_aside.is_some() {
                    p { a href={ "/sales/rejected?sheet=" (id) } { "Rows set aside, as a CSV file" } }
                }
            } @else {
                h2 { (visible(&sheet.name)) }
                p { (prose(&would(read))) }
                @if read.problems > 0 && read.aside == 0 {
                    p { "It is not imported while rows are wrong. Fix the rows, say what the words mean, or set the wrong rows aside." }
                } @else if !read.dry {
                    p { "There was nothing new in it." }
                }
                p { @if read.dry { "This is a trial. " } (nothing) }
            }
        }
    }
}
