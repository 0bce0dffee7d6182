//! Parts of a page: text made safe, tables.
//!
//! Whatever a user wrote reaches a page through [`escape`] alone: markup characters become entities,
//! and control characters, changes of writing direction and others that show nothing become visible
//! (`\u{202e}`), so that no text can pose as another.

use std::fmt::Write;

use crate::trade::text::shorten;

/// Text for the content of an element or an attribute between quotes.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in visible(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// Text in which nothing is hidden: see [`shorten`].
pub fn visible(text: &str) -> String {
    shorten(text, usize::MAX)
}

/// Where on a page markup stands: how deep its headings are, and what makes its ids its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Number of the part of the page; none where the page is about one thing.
    part: Option<usize>,
}

impl Place {
    /// A page about one thing.
    pub const WHOLE: Self = Self { part: None };

    /// A part of a page about several, each by its number.
    pub const fn part(number: usize) -> Self {
        Self { part: Some(number) }
    }

    /// An id that no other part has.
    pub fn id(self, id: &str) -> String {
        self.part
            .map_or_else(|| id.to_string(), |part| format!("part{part}-{id}"))
    }

    /// Id of the heading of a part.
    pub fn name_id(self) -> String {
        self.id("name")
    }

    /// Ids of what names the thing of this id: with the heading of its part, where there are several.
    fn labels(self, id: &str) -> String {
        let own = self.id(id);
        self.part
            .map_or_else(|| own.clone(), |_| format!("{} {own}", self.name_id()))
    }

    /// Markup below a heading; nothing where there is none.
    pub fn section(self, heading: &str, markup: &str) -> String {
        self.classed(heading, markup, "")
    }

    /// As [`Self::section`], of a class.
    pub fn classed(self, heading: &str, markup: &str, class: &str) -> String {
        if markup.is_empty() {
            return String::new();
        }
        let class = if class.is_empty() {
            String::new()
        } else {
            format!(" class=\"{class}\"")
        };
        format!(
            "<section{class}>\n{}{markup}</section>\n",
            self.heading(0, heading)
        )
    }

    /// A heading within a section.
    pub fn subheading(self, heading: &str) -> String {
        self.heading(1, heading)
    }

    fn heading(self, below: usize, heading: &str) -> String {
        let level = 2 + usize::from(self.part.is_some()) + below;
        format!("<h{level}>{}</h{level}>\n", escape(heading))
    }
}

/// What a column of a table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// What the row is about.
    Head,
    /// Words.
    Text,
    /// Numbers, set to the right and kept on one line.
    Number,
    /// Days and what else is kept on one line.
    Line,
}

/// A cell of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cell {
    text: String,
    value: Option<String>,
}

impl Cell {
    /// Text, sorted as it is read.
    pub fn text(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            value: None,
        }
    }

    /// Text that is sorted by a number; after all others where there is none.
    pub fn number(text: impl Into<String>, value: Option<f64>) -> Self {
        Self {
            text: text.into(),
            value: Some(value.map_or_else(String::new, |value| value.to_string())),
        }
    }
}

/// A table that scrolls within itself where the screen is too narrow.
#[derive(Debug, Clone)]
pub struct Table<'a> {
    /// What it is referred to by; unique in its part of the page.
    pub id: &'a str,
    /// What it shows, above it.
    pub caption: &'a str,
    /// Whether its rows may be put in another order.
    pub sortable: bool,
    /// Its columns with their titles.
    pub columns: Vec<(&'a str, Column)>,
    /// Its rows: one cell for each column, and whether the row is set apart as of less weight.
    pub rows: Vec<(Vec<Cell>, bool)>,
}

impl Table<'_> {
    /// The table as markup.
    pub fn render(&self, place: Place) -> String {
        let mut out = String::new();
        let class = if self.sortable {
            " class=\"sortable\""
        } else {
            ""
        };
        let _ = writeln!(
            out,
            "<div class=\"scroll\" role=\"region\" aria-labelledby=\"{}\" tabindex=\"0\">\n\
             <table{class}>\n<caption id=\"{}\"><span>{}</span></caption>\n<thead>\n<tr>",
            place.labels(self.id),
            place.id(self.id),
            escape(self.caption)
        );
        for (title, column) in &self.columns {
            let _ = writeln!(
                out,
                "<th scope=\"col\"{}>{}</th>",
                class_of(*column),
                escape(title)
            );
        }
        out.push_str("</tr>\n</thead>\n<tbody>\n");
        for (cells, quiet) in &self.rows {
            out.push_str(if *quiet {
                "<tr class=\"quiet\">"
            } else {
                "<tr>"
            });
            for (cell, (_, column)) in cells.iter().zip(&self.columns) {
                self.cell(&mut out, cell, *column);
            }
            out.push_str("</tr>\n");
        }
        out.push_str("</tbody>\n</table>\n</div>\n");
        out
    }

    fn cell(&self, out: &mut String, cell: &Cell, column: Column) {
        let (open, close) = match column {
            Column::Head => ("th scope=\"row\"", "th"),
            Column::Text | Column::Number | Column::Line => ("td", "td"),
        };
        let value = cell.value.as_ref().filter(|_| self.sortable);
        let value = value.map_or_else(String::new, |value| {
            format!(" data-value=\"{}\"", escape(value))
        });
        let _ = write!(
            out,
            "<{open}{}{value}>{}</{close}>",
            class_of(column),
            escape(&cell.text)
        );
    }
}

fn class_of(column: Column) -> &'static str {
    match column {
        Column::Number => " class=\"number\"",
        Column::Line => " class=\"line\"",
        Column::Head | Column::Text => "",
    }
}

/// Text of running words: [`escape`], and a number and its sign stay on one line.
pub fn prose(text: &str) -> String {
    escape(&text.replace(" %", "\u{a0}%"))
}

/// Paragraphs.
pub fn paragraphs<T: AsRef<str>>(texts: impl IntoIterator<Item = T>) -> String {
    each("p", texts)
}

/// An unordered list; nothing for no items.
pub fn list<T: AsRef<str>>(items: impl IntoIterator<Item = T>) -> String {
    let items = each("li", items);
    if items.is_empty() {
        return items;
    }
    format!("<ul>\n{items}</ul>\n")
}

fn each<T: AsRef<str>>(element: &str, texts: impl IntoIterator<Item = T>) -> String {
    texts
        .into_iter()
        .map(|text| format!("<{element}>{}</{element}>\n", prose(text.as_ref())))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_a_text_is_markup_or_hidden() {
        assert_eq!(
            escape("<b title=\"x\" id='y'>a & b</b>\u{202e}\u{0}\u{7}é\u{200b}"),
            "&lt;b title=&quot;x&quot; id=&#39;y&#39;&gt;a &amp; b&lt;/b&gt;\\u{202e}\\u{0}\\u{7}é\\u{200b}"
        );
    }

    #[test]
    fn cells_carry_what_they_are_sorted_by_only_where_they_can_be() {
        let mut table = Table {
            id: "t",
            caption: "A & B",
            sortable: true,
            columns: vec![("what", Column::Head), ("n", Column::Number)],
            rows: vec![
                (vec![Cell::text("x"), Cell::number("−1", Some(-1.0))], false),
                (vec![Cell::text("y"), Cell::number("–", None)], true),
            ],
        };
        let sortable = table.render(Place::WHOLE);
        assert!(sortable.contains("<caption id=\"t\"><span>A &amp; B</span></caption>"));
        assert!(sortable.contains(
            "<tr><th scope=\"row\">x</th><td class=\"number\" data-value=\"-1\">−1</td></tr>"
        ));
        assert!(sortable.contains(
            "<tr class=\"quiet\"><th scope=\"row\">y</th><td class=\"number\" data-value=\"\">–"
        ));
        table.sortable = false;
        assert!(!table.render(Place::WHOLE).contains("data-value"));
    }

    #[test]
    fn parts_of_a_page_have_their_own_ids_and_deeper_headings() {
        let table = Table {
            id: "t",
            caption: "A",
            sortable: false,
            columns: vec![("what", Column::Head)],
            rows: Vec::new(),
        };
        let whole = Place::WHOLE.section("One", &table.render(Place::WHOLE));
        assert!(whole.contains("<h2>One</h2>") && whole.contains("aria-labelledby=\"t\""));
        let part = Place::part(2);
        let second = part.classed("One", &table.render(part), "care");
        for wanted in [
            "<section class=\"care\">\n<h3>One</h3>",
            "aria-labelledby=\"part2-name part2-t\"",
            "<caption id=\"part2-t\">",
        ] {
            assert!(second.contains(wanted), "{wanted}: {second}");
        }
        assert_eq!(part.subheading("<a>"), "<h4>&lt;a&gt;</h4>\n");
        assert_eq!(part.section("None", ""), "");
    }
}
