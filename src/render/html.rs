//! Parts of a page: safe text, tables.
//!
//! User text reaches a page only through [`visible`] and the escaping of `maud`: markup characters
//! become entities; control characters, changes of writing direction and other invisible characters
//! become visible (`\u{202e}`), so that no text can look like another.

use maud::{Markup, html};

use crate::trade::text::shorten;

/// Text with all invisible characters made visible: see [`shorten`].
pub fn visible(text: &str) -> String {
    shorten(text, usize::MAX)
}

/// Position of markup on a page: the depth of its headings, and the part that makes its ids unique.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Number of the part of the page; none on a page about one thing.
    part: Option<usize>,
}

impl Place {
    /// A page about one thing.
    pub const WHOLE: Self = Self { part: None };

    /// A part of a page about several things, by its number.
    pub const fn part(number: usize) -> Self {
        Self { part: Some(number) }
    }

    /// An id that is unique to this part.
    pub fn id(self, id: &str) -> String {
        self.part
            .map_or_else(|| id.to_string(), |part| format!("part{part}-{id}"))
    }

    /// Id of the heading of a part.
    pub fn name_id(self) -> String {
        self.id("name")
    }

    /// Ids of the labels of an element: with the heading of its part, if there are several parts.
    fn labels(self, id: &str) -> String {
        let own = self.id(id);
        self.part
            .map_or_else(|| own.clone(), |_| format!("{} {own}", self.name_id()))
    }

    /// Markup below a heading; empty if it is empty.
    pub fn section(self, heading: &str, markup: &Markup) -> Markup {
        self.classed(heading, markup, None)
    }

    /// Like [`Self::section`], with a class.
    pub fn classed(self, heading: &str, markup: &Markup, class: Option<&str>) -> Markup {
        html! {
            @if !markup.0.is_empty() {
                section class=[class] { (self.heading(0, heading)) (markup) } "\n"
            }
        }
    }

    /// A heading within a section.
    pub fn subheading(self, heading: &str) -> Markup {
        self.heading(1, heading)
    }

    fn heading(self, below: usize, heading: &str) -> Markup {
        let heading = visible(heading);
        html! {
            @match below + usize::from(self.part.is_some()) {
                0 => { h2 { (heading) } }
                1 => { h3 { (heading) } }
                _ => { h4 { (heading) } }
            }
        }
    }
}

/// Type of a column of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Subject of the row.
    Head,
    /// Words.
    Text,
    /// Numbers, right-aligned on one line.
    Number,
    /// Days and other text on one line.
    Line,
}

impl Column {
    /// Columns with these titles: the subject of the row, then numbers.
    pub fn head_and_numbers(titles: &[impl AsRef<str>]) -> Vec<(&str, Self)> {
        let kinds = std::iter::once(Self::Head).chain(std::iter::repeat(Self::Number));
        titles.iter().map(AsRef::as_ref).zip(kinds).collect()
    }

    fn class(self) -> Option<&'static str> {
        match self {
            Self::Number => Some("number"),
            Self::Line => Some("line"),
            Self::Head | Self::Text => None,
        }
    }
}

/// A cell of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cell {
    text: String,
    value: Option<String>,
}

impl Cell {
    /// Text, sorted as text.
    pub fn text(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            value: None,
        }
    }

    /// Text sorted by a number; after all others if there is none.
    pub fn number(text: impl Into<String>, value: Option<f64>) -> Self {
        Self {
            text: text.into(),
            value: Some(value.map_or_else(String::new, |value| value.to_string())),
        }
    }
}

/// A table that scrolls if the screen is too narrow.
#[derive(Debug, Clone)]
pub struct Table<'a> {
    /// Its id; unique in its part of the page.
    pub id: &'a str,
    /// Caption above it.
    pub caption: &'a str,
    /// Whether the reader can sort its rows.
    pub sortable: bool,
    /// Its columns with their titles.
    pub columns: Vec<(&'a str, Column)>,
    /// Its rows: one cell for each column, and whether the row is dimmed as less important.
    pub rows: Vec<(Vec<Cell>, bool)>,
}

impl<'a> Table<'a> {
    /// A table that cannot be sorted, with rows of texts, none of them dimmed.
    pub fn plain<R: IntoIterator<Item: Into<String>>>(
        id: &'a str,
        caption: &'a str,
        columns: Vec<(&'a str, Column)>,
        rows: impl IntoIterator<Item = R>,
    ) -> Self {
        let rows = rows.into_iter();
        Self {
            id,
            caption,
            sortable: false,
            columns,
            rows: rows
                .map(|row| (row.into_iter().map(Cell::text).collect(), false))
                .collect(),
        }
    }

    /// The table as markup.
    pub fn render(&self, place: Place) -> Markup {
        html! {
            div.scroll role="region" aria-labelledby=(place.labels(self.id)) tabindex="0" {
                table class=[self.sortable.then_some("sortable")] {
                    caption id=(place.id(self.id)) { span { (visible(self.caption)) } }
                    thead {
                        tr {
                            @for (title, column) in &self.columns {
                                @if title.is_empty() {
                                    td class=[column.class()] {}
                                } @else {
                                    th scope="col" class=[column.class()] { (visible(title)) }
                                }
                            }
                        }
                    }
                    tbody {
                        @for (cells, quiet) in &self.rows {
                            "\n" tr class=[quiet.then_some("quiet")] {
                                @for (cell, (_, column)) in cells.iter().zip(&self.columns) {
                                    (self.cell(cell, *column))
                                }
                            }
                        }
                    }
                }
            }
            "\n"
        }
    }

    fn cell(&self, cell: &Cell, column: Column) -> Markup {
        let value = cell.value.as_deref().filter(|_| self.sortable);
        let text = visible(&cell.text);
        html! {
            @if column == Column::Head {
                th scope="row" data-value=[value] { (text) }
            } @else {
                td class=[column.class()] data-value=[value] { (text) }
            }
        }
    }
}

/// Running text: [`visible`], with each number and its sign on one line.
pub fn prose(text: &str) -> String {
    visible(&text.replace(" %", "\u{a0}%"))
}

/// Paragraphs.
pub fn paragraphs<T: AsRef<str>>(texts: impl IntoIterator<Item = T>) -> Markup {
    html! {
        @for text in texts { p { (prose(text.as_ref())) } "\n" }
    }
}

/// An unordered list; empty without items.
pub fn list<T: AsRef<str>>(items: impl IntoIterator<Item = T>) -> Markup {
    let mut items = items.into_iter().peekable();
    html! {
        @if items.peek().is_some() {
            ul {
                @for item in items { li { (prose(item.as_ref())) } "\n" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_a_text_is_markup_or_hidden() {
        let page = paragraphs(["<b title=\"x\">a & b</b>\u{202e}\u{0}\u{7}é\u{200b}"]);
        assert_eq!(
            page.into_string(),
            "<p>&lt;b title=&quot;x&quot;&gt;a &amp; b&lt;/b&gt;\\u{202e}\\u{0}\\u{7}é\\u{200b}</p>\n"
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
        let sortable = table.render(Place::WHOLE).into_string();
        assert!(sortable.contains("<caption id=\"t\"><span>A &amp; B</span></caption>"));
        assert!(sortable.contains(
            "<tr><th scope=\"row\">x</th><td class=\"number\" data-value=\"-1\">−1</td></tr>"
        ));
        assert!(sortable.contains(
            "<tr class=\"quiet\"><th scope=\"row\">y</th><td class=\"number\" data-value=\"\">–"
        ));
        table.sortable = false;
        let plain = table.render(Place::WHOLE).into_string();
        assert!(!plain.contains("data-value"));
    }

    #[test]
    fn parts_of_a_page_have_their_own_ids_and_deeper_headings() {
        let table = Table::plain("t", "A", vec![("what", Column::Head)], [[""; 0]; 0]);
        let whole = Place::WHOLE
            .section("One", &table.render(Place::WHOLE))
            .into_string();
        assert!(whole.contains("<h2>One</h2>") && whole.contains("aria-labelledby=\"t\""));
        let part = Place::part(2);
        let second = part.classed("One", &table.render(part), Some("care"));
        let second = second.into_string();
        for wanted in [
            "<section class=\"care\"><h3>One</h3>",
            "aria-labelledby=\"part2-name part2-t\"",
            "<caption id=\"part2-t\">",
        ] {
            assert!(second.contains(wanted), "{wanted}: {second}");
        }
        assert_eq!(part.subheading("<a>").into_string(), "<h4>&lt;a&gt;</h4>");
        assert_eq!(part.section("None", &html! {}).into_string(), "");
    }
}
