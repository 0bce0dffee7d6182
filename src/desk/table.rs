//! Tables of the commands as tables of a page: the same columns with the same cells.

use maud::{Markup, html};

use crate::render::html::visible;
use crate::render::table::{Grid, Kind};

/// A table that scrolls where the screen is too narrow. `link` gives the address of a cell, by the title of its
/// column and its text. Columns without content are left out.
pub fn table(
    id: &str,
    caption: &str,
    grid: &Grid<'_>,
    link: impl Fn(&str, &str) -> Option<String>,
) -> Markup {
    let columns = grid.filled();
    let rows = columns.first().map_or(0, |(.., cells)| cells.len());
    let class = |kind: Kind| match kind {
        Kind::Number => Some("number"),
        Kind::Fixed => Some("line"),
        Kind::Text => Some("words"),
    };
    html! {
        div.scroll role="region" aria-labelledby=(id) tabindex="0" {
            table {
                caption id=(id) { (visible(caption)) }
                thead {
                    tr {
                        @for (title, kind, _) in &columns {
                            @if title.is_empty() {
                                td class=[class(*kind)] {}
                            } @else {
                                th scope="col" class=[class(*kind)] { (visible(title)) }
                            }
                        }
                    }
                }
                tbody {
                    @for row in 0..rows {
                        "\n" tr {
                            @for (at, (title, kind, cells)) in columns.iter().enumerate() {
                                @if at == 0 && !cells[row].is_empty() {
                                    th scope="row" class=[class(*kind)] { (cell(cells[row], link(title, cells[row]))) }
                                } @else {
                                    td class=[class(*kind)] { (cell(cells[row], link(title, cells[row]))) }
                                }
                            }
                        }
                    }
                }
            }
        }
        "\n"
    }
}

fn cell(text: &str, address: Option<String>) -> Markup {
    html! {
        @match address {
            Some(address) => { a href=(address) { (visible(text)) } }
            None => { (visible(text)) }
        }
    }
}

/// No cell has an address.
pub fn plain(_: &str, _: &str) -> Option<String> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_escaped_and_may_be_links() {
        let mut grid = Grid::new(&[
            ("deal", Kind::Fixed),
            ("unit", Kind::Text),
            ("none", Kind::Text),
        ]);
        grid.push(vec!["d7".into(), "<b>&".into(), String::new()]);
        let link =
            |title: &str, text: &str| (title == "deal").then(|| format!("/stock?deal={text}"));
        let text = table("t", "A & B", &grid, link).into_string();
        for part in [
            "<caption id=\"t\">A &amp; B</caption>",
            "<th scope=\"row\" class=\"line\"><a href=\"/stock?deal=d7\">d7</a></th>",
            "<td class=\"words\">&lt;b&gt;&amp;</td>",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(!text.contains("none"));
    }
}
