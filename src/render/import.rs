//! The result of an import on the terminal.

use super::comps::changes;
use super::numbers::counted;
use super::sheet::fitted;
use super::undeclared::of_import;
use crate::app::import::{FileCount, Imported, Plan};
use crate::settings::Settings;
use crate::trade::text::{quoted, shorten};

/// The report of an import, as far as it went.
pub fn report(imported: &Imported, settings: &Settings, width: Option<u16>) -> String {
    let mut text = summary(imported, width);
    text.push_str(&words(imported));
    text.push_str(&updates(imported));
    if imported.refused {
        return text;
    }
    let verb = if imported.dry_run {
        "would be set aside in"
    } else {
        "set aside in"
    };
    for (path, rows) in &imported.aside {
        let line = format!("{} {verb} {}\n", counted(*rows, "row"), path.display());
        text.push_str(&line);
    }
    text.push_str(&counts(&imported.plan, imported.dry_run));
    if imported.dry_run {
        text.push_str("Nothing was written (--dry-run).\n");
    }
    if let Some((entry, path)) = &imported.entry {
        text.push_str(&format!(
            "Sale record {entry} in {}; `compband undo` removes it.\n",
            path.display()
        ));
    }
    if imported.unfinished.is_some() {
        return text;
    }
    if let Some(name) = &imported.mapping {
        text.push_str(&format!(
            "The mapping was saved; use it with --mapping {name:?}.\n"
        ));
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
        let column = if problem.column.is_empty() {
            String::new()
        } else {
            format!(", column {}", shorten(&problem.column, usize::MAX))
        };
        let found = if problem.value.is_empty() {
            String::new()
        } else {
            format!("found {} ", quoted(&problem.value))
        };
        format!(
            "{}{column}: {found}in {}, first in row {}: expected {}; {}",
            shorten(&problem.file, usize::MAX),
            counted(trouble.rows, "row"),
            problem.row,
            shorten(&problem.expected, usize::MAX),
            shorten(&problem.mend, usize::MAX)
        )
    });
    shown.collect()
}

/// The words that the book knows from now on.
fn words(imported: &Imported) -> String {
    if imported.words.is_empty() {
        return String::new();
    }
    let said: Vec<String> = imported
        .words
        .iter()
        .map(|one| {
            let value = if one.value.is_empty() {
                "blank"
            } else {
                &one.value
            };
            format!(
                "{} {} = {value}",
                one.column,
                quoted(&shorten(&one.word, 30))
            )
        })
        .collect();
    let verb = if imported.dry_run {
        "Would be kept"
    } else {
        "Kept"
    };
    format!(
        "{verb} for later imports, in compband.toml: {}.\n",
        said.join(", ")
    )
}

/// Interpretation of each file.
fn summary(imported: &Imported, width: Option<u16>) -> String {
    let mut text = String::new();
    for (input, count) in imported.inputs.iter().zip(&imported.plan.files) {
        let mut how = vec![counted(count.rows, "row")];
        match &input.sheet {
            Some(sheet) => how.push(format!("sheet {}", quoted(&shorten(sheet, 40)))),
            None => how.extend([
                input.encoding.to_string(),
                format!("{} between cells", input.delimiter_name()),
            ]),
        }
        how.extend(
            count
                .date_order
                .iter()
                .map(|order| format!("dates {order}")),
        );
        how.extend(count.decimal_mark.clone());
        let how = format!("{}: {}", input.name, how.join(", "));
        text.push_str(&format!("{}\n", fitted(&how, "", width)));
        let renamed: Vec<String> = input
            .mapping
            .taken()
            .into_iter()
            .filter(|(theirs, ours)| *theirs != ours.name())
            .map(|(theirs, ours)| format!("{} = {}", shorten(theirs, 40), ours.name()))
            .collect();
        if !renamed.is_empty() {
            let columns = format!("columns: {}", renamed.join(", "));
            text.push_str(&format!("{}\n", fitted(&columns, "  ", width)));
        }
        for (number, one, many) in passed_over(count) {
            if number > 0 {
                text.push_str(&format!(
                    "  {number} {}\n",
                    if number == 1 { one } else { many }
                ));
            }
        }
        text.push_str(&labels(count, width));
        text.push_str(&undated(count, width));
    }
    text
}

/// Rows that are not simply one sale: their numbers, and their names in singular and plural.
fn passed_over(count: &FileCount) -> [(u64, &'static str, &'static str); 6] {
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

/// `  2 rows of one cell skipped (the first in row 9: "March")`.
fn labels(count: &FileCount, width: Option<u16>) -> String {
    let Some((row, text)) = &count.first_label else {
        return String::new();
    };
    let note = match count.labels {
        1 => format!("1 row of one cell skipped (row {row}: {})", quoted(text)),
        number => format!(
            "{number} rows of one cell skipped (the first in row {row}: {})",
            quoted(text)
        ),
    };
    format!("{}\n", fitted(&note, "  ", width))
}

/// `  3 sales have no date (the first in row 5): they count as of average age`.
fn undated(count: &FileCount, width: Option<u16>) -> String {
    let Some(first) = count.first_undated else {
        return String::new();
    };
    let note = match count.undated {
        1 => format!("1 sale has no date (row {first}): it counts as of average age"),
        number => format!(
            "{number} sales have no date (the first in row {first}): they count as of average age"
        ),
    };
    format!("{}\n", fitted(&note, "  ", width))
}

/// The first changes, old → new.
fn updates(imported: &Imported) -> String {
    let plan = &imported.plan;
    let mut text = String::new();
    for new in &plan.updates {
        if let Some(old) = imported.before.get(&new.comp_id) {
            text.push_str(&format!(
                "{}: {}\n",
                new.comp_id,
                changes(old, new).join(", ")
            ));
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
