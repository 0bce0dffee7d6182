//! What a page of the desk shows, as text: labelled answers and rows of tables.

use serde_json::Value;

/// Text without markup; what only screen readers get stays.
pub fn text(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => out.push(c),
            _ => {}
        }
    }
    let plain = out
        .replace("&quot;", "\"")
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&amp;", "&");
    plain.replace(['\u{a0}', '\u{202f}', '\u{2009}'], " ")
}

/// The part of a page from the end of `mark` to `end`.
fn between<'b>(body: &'b str, mark: &str, end: &str) -> Option<&'b str> {
    let from = body.find(mark)? + mark.len();
    let to = body[from..].find(end)?;
    Some(&body[from..from + to])
}

/// The answer with this label (`dt`, `dd`), if the page has it.
pub fn labelled(body: &str, label: &str) -> Option<String> {
    let rest = between(body, &format!("<dt>{label}</dt>"), "</dd>")?;
    Some(text(rest).trim().to_string())
}

/// The amount with this label, without the currency.
pub fn amount_of(body: &str, label: &str) -> Option<String> {
    let shown = labelled(body, label)?;
    Some(shown.trim_end_matches(" EUR").to_string())
}

/// The cells after the head of a row in the table with this id.
pub fn row(body: &str, table: &str, head: &str) -> Vec<String> {
    let of = between(body, &format!("<caption id=\"{table}\">"), "</table>");
    let of = of.unwrap_or_else(|| panic!("no table {table}: {body}"));
    let mut rows = of
        .split("<tr")
        .filter(|row| row.contains("<th scope=\"row\""));
    let named =
        |row: &&str| text(between(row, "<th scope=\"row\">", "</th>").unwrap_or("")) == head;
    let row = rows.find(named);
    let row = row.unwrap_or_else(|| panic!("no row {head:?} in {table}: {of}"));
    let cells = row.split("<td").skip(1);
    cells
        .map(|cell| text(cell.split_once('>').unwrap().1).trim().to_string())
        .collect()
}

/// An amount of a document as a page writes it: groups of three digits, a true minus.
pub fn money(value: &Value) -> String {
    let Some(plain) = value.as_str() else {
        return "–".into();
    };
    let (sign, digits) = match plain.strip_prefix('-') {
        Some(digits) => ("−", digits),
        None => ("", plain),
    };
    let (whole, rest) = digits.split_once('.').unwrap_or((digits, ""));
    let groups: Vec<String> = whole
        .as_bytes()
        .rchunks(3)
        .rev()
        .map(|group| String::from_utf8_lossy(group).into_owned())
        .collect();
    format!("{sign}{}.{rest}", groups.join(" "))
}

/// Fields of a form, `name=value` apart by `;;`.
pub fn fields(text: &str) -> Vec<(&str, &str)> {
    let pairs = text
        .split(";;")
        .map(str::trim)
        .filter(|one| !one.is_empty());
    pairs.map(|pair| pair.split_once('=').unwrap()).collect()
}
