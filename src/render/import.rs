//! The result of an import on the terminal.

use super::comps::changes;
use super::html::visible;
use super::numbers::count as counted;
use super::prose::fitted;
use super::undeclared::of_import;
use crate::app::import::{FileCount, Guessed, Imported, Plan, map_flag};
use crate::settings::Settings;
use crate::trade::text::{quoted, shorten};

/// Adds a sentence on lines of its own.
fn add(text: &mut String, sentence: &str, indent: &str, width: Option<u16>) {
    text.push_str(&fitted(sentence, indent, width));
    text.push('\n');
}

/// The report of an import, as far as it went.
pub fn report(imported: &Imported, settings: &Settings, width: Option<u16>) -> String {
    let mut text = summary(imported, width);
    text.push_str(&words(imported, width));
    text.push_str(&updates(imported, width));
    if imported.refused {
        return text;
    }
    let verb = if imported.dry_run {
        "would be set aside in"
    } else {
        "set aside in"
    };
    for (path, rows) in &imported.aside {
        let line = format!("{} {verb} {}", counted(*rows, "row"), path.display());
        add(&mut text, &line, "", width);
    }
    text.push_str(&counts(&imported.plan, imported.dry_run));
    if imported.dry_run {
        text.push_str("Nothing was written (--dry-run).\n");
    }
    if let Some((entry, path)) = &imported.entry {
        let line = format!(
            "Sale record {entry} in {}; `compband undo` removes it.",
            path.display()
        );
        add(&mut text, &line, "", width);
    }
    if imported.unfinished.is_some() {
        return text;
    }
    if let Some(name) = &imported.mapping {
        let line = format!("The mapping was saved; use it with --mapping {name:?}.");
        add(&mut text, &line, "", width);
    }
    text.push_str(&of_import(imported, settings, width));
    text
}

/// The first kinds of problems, one line each: a problem alone as it is; of several the first, with their number.
pub fn troubles(plan: &Plan, most: usize) -> Vec<String> {
    let shown = plan.troubles.iter().take(most).map(|trouble| {
        let problem = &trouble.problem;
        if trouble.rows == 1 {
            return problem.to_string();
        }
        let column = match problem.column.as_str() {
            column if !column.is_empty() && !trouble.columns => {
                format!(", column {}", visible(column))
            }
            _ => String::new(),
        };
        let found = match problem.value.as_str() {
            "" => String::new(),
            value => format!("found {} ", quoted(value)),
        };
        format!(
            "{}{column}: {found}in {}, first in row {}: expected {}; {}",
            visible(&problem.file),
            counted(trouble.rows, if trouble.columns { "cell" } else { "row" }),
            problem.row,
            visible(&problem.expected),
            visible(&problem.fix)
        )
    });
    shown.collect()
}

/// The words that the book knows from now on.
fn words(imported: &Imported, width: Option<u16>) -> String {
    if imported.words.is_empty() {
        return String::new();
    }
    let words = imported.words.iter().map(|one| {
        let value = match one.value.as_str() {
            "" => "blank",
            value => value,
        };
        format!(
            "{} {} = {value}",
            one.column,
            quoted(&shorten(&one.word, 30))
        )
    });
    let words: Vec<String> = words.collect();
    let verb = if imported.dry_run {
        "Would be kept"
    } else {
        "Kept"
    };
    let line = format!(
        "{verb} for later imports, in compband.toml: {}.",
        words.join(", ")
    );
    fitted(&line, "", width) + "\n"
}

/// Interpretation of each file.
fn summary(imported: &Imported, width: Option<u16>) -> String {
    let mut text = String::new();
    let files = imported.inputs.iter().zip(&imported.plan.files);
    for (at, (input, count)) in files.enumerate() {
        let mut how = vec![counted(count.rows, "row")];
        match &input.sheet {
            Some(sheet) => how.push(format!("sheet {}", quoted(&shorten(sheet, 40)))),
            None => how.extend([
                input.encoding.to_string(),
                format!("{} between cells", input.delimiter_name()),
            ]),
        }
        let noted_below = count.two_ways.is_some();
        let order = count.date_order.iter().filter(|_| !noted_below);
        how.extend(order.map(|order| format!("dates {order}")));
        how.extend(count.decimal_mark.clone());
        let how = format!("{}: {}", input.name, how.join(", "));
        add(&mut text, &how, "", width);
        let renamed: Vec<String> = input
            .mapping
            .taken()
            .into_iter()
            .filter(|(theirs, ours)| *theirs != ours.name())
            .map(|(theirs, ours)| format!("{} = {}", shorten(theirs, 40), ours.name()))
            .collect();
        if !renamed.is_empty() {
            let columns = format!("columns: {}", renamed.join(", "));
            add(&mut text, &columns, "  ", width);
        }
        let skipped = skipped(count).into_iter();
        let skipped = skipped.filter(|(number, ..)| *number > 0);
        let notes = skipped
            .map(|(number, one, many)| format!("{number} {}", if number == 1 { one } else { many }))
            .chain(labels(count))
            .chain(undated(count))
            .chain(not_used(imported, at))
            .chain(two_ways(count))
            .chain(parts_grades(count))
            .chain(split_lists(count));
        for note in notes {
            add(&mut text, &note, "  ", width);
        }
    }
    text
}

/// `columns not used: "Buyer", "Town" (--map "Buyer=…" takes one in)`, and a line for each that may be of use.
fn not_used(imported: &Imported, at: usize) -> Vec<String> {
    let all = imported.not_used(at);
    let (hinted, plain): (Vec<_>, Vec<_>) = all.into_iter().partition(|one| one.hint.is_some());
    let names: Vec<&str> = plain.iter().map(|one| one.shown.as_str()).collect();
    let lines = hinted.into_iter().map(|one| {
        let hint = one.hint.unwrap_or_default();
        format!("column {} is not used: {hint}", one.shown)
    });
    let mut lines: Vec<String> = lines.collect();
    if let Some(first) = names.first() {
        let (columns, takes) = match names.len() {
            1 => ("column", "takes it in"),
            _ => ("columns", "takes one in"),
        };
        let all = names.join(", ");
        lines.push(format!(
            "{columns} not used: {all} ({} {takes}, as attr.NAME if it holds numbers of the unit)",
            map_flag(first, "…")
        ));
    }
    lines
}

/// The reading of dates that could be read two ways.
fn two_ways(count: &FileCount) -> Option<String> {
    let found = count.two_ways.as_ref()?;
    let order = count.date_order.as_deref()?;
    let other = count.other_order;
    let (dates, were) = match found.rows {
        1 => ("1 date".to_string(), "was"),
        many => (format!("{many} dates"), "were"),
    };
    Some(format!(
        "{dates} could be read two ways and {were} read {order}: {} in row {} is {}{} (--dates {other} reads them the \
         other way)",
        found.text,
        found.first,
        found.read,
        also_in(found)
    ))
}

/// `; also in rows 9, 12`, with an ellipsis if there are more.
fn also_in(found: &Guessed) -> String {
    let rows: Vec<String> = found.more.iter().map(ToString::to_string).collect();
    if rows.is_empty() {
        return String::new();
    }
    let row = if rows.len() == 1 { "row" } else { "rows" };
    let more = if found.rows > rows.len() as u64 + 1 {
        ", …"
    } else {
        ""
    };
    format!("; also in {row} {}{more}", rows.join(", "))
}

/// The units that were taken to be for parts by the word in the column of the grade.
fn parts_grades(count: &FileCount) -> Option<String> {
    let found = count.parts_grades.as_ref()?;
    Some(format!(
        "for parts by the grade: {} ({} in row {}{})",
        counted(found.rows, "sale"),
        quoted(&found.text),
        found.first,
        also_in(found)
    ))
}

/// The reading of lists that were split by a guess.
fn split_lists(count: &FileCount) -> Option<String> {
    let found = count.split_lists.as_ref()?;
    let text = &found.text;
    let rows = counted(found.rows, "row");
    Some(format!(
        "lists split at a slash or \"and\" in {rows}, a guess: {} in row {} is {} (--value \"pieces:{text}={text}\" \
         keeps it whole)",
        quoted(text),
        found.first,
        found.read
    ))
}

/// Rows that are not simply one sale: their numbers, and their names in singular and plural.
fn skipped(count: &FileCount) -> [(u64, &'static str, &'static str); 6] {
    [
        (count.sums, "row of sums skipped", "rows of sums skipped"),
        (count.blank, "blank line skipped", "blank lines skipped"),
        (
            count.repeated_headers,
            "repeated header skipped",
            "repeated headers skipped",
        ),
        (
            count.repeated,
            "row skipped: the same as an earlier one of the same comp_id",
            "rows skipped: the same as earlier ones of the same comp_id",
        ),
        (
            count.identical,
            "row like an earlier one counted as a separate sale",
            "rows like earlier ones counted as separate sales",
        ),
        (
            count.foreign,
            "sale in another currency, converted (one that the book has keeps its rate; --new-rates takes a new one)",
            "sales in other currencies, converted (those that the book has keep their rates; --new-rates takes new ones)",
        ),
    ]
}

/// `2 rows of one cell skipped (the first in row 9: "March")`.
fn labels(count: &FileCount) -> Option<String> {
    let (row, text) = count.first_label.as_ref()?;
    Some(match count.labels {
        1 => format!("1 row of one cell skipped (row {row}: {})", quoted(text)),
        number => format!(
            "{number} rows of one cell skipped (the first in row {row}: {})",
            quoted(text)
        ),
    })
}

/// `3 sales have no date (the first in row 5): they count as of average age`.
fn undated(count: &FileCount) -> Option<String> {
    let first = count.first_undated?;
    Some(match count.undated {
        1 => format!("1 sale has no date (row {first}): it counts as of average age"),
        number => format!(
            "{number} sales have no date (the first in row {first}): they count as of average age"
        ),
    })
}

/// The first changes, old → new.
fn updates(imported: &Imported, width: Option<u16>) -> String {
    let plan = &imported.plan;
    let mut text = String::new();
    for new in &plan.updates {
        if let Some(old) = imported.before.get(&new.comp_id) {
            let line = format!("{}: {}", new.comp_id, changes(old, new).join(", "));
            add(&mut text, &line, "", width);
        }
    }
    let more = plan.updated.saturating_sub(plan.updates.len() as u64);
    if more > 0 {
        text.push_str(&format!("and {} more changed\n", counted(more, "comp")));
    }
    text
}

/// The numbers of new, updated and unchanged sales.
fn counts(plan: &Plan, dry_run: bool) -> String {
    if plan.written() == 0 {
        return match plan.unchanged {
            0 => "No sales to import: nothing was changed.\n".to_string(),
            n => format!(
                "The book already has {}, unchanged: nothing was changed.\n",
                counted(n, "sale")
            ),
        };
    }
    let parts: Vec<String> = [
        (plan.new, "new"),
        (plan.updated, "changed"),
        (plan.unchanged, "unchanged"),
    ]
    .into_iter()
    .filter(|(number, _)| *number > 0)
    .map(|(number, what)| format!("{number} {what}"))
    .collect();
    let head = if dry_run {
        "Sales as they would be"
    } else {
        "Sales"
    };
    format!("{head}: {}.\n", parts.join(", "))
}
