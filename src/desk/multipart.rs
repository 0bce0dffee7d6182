//! Reads forms that carry a file (`multipart/form-data`, RFC 7578; parts as in RFC 2046, section 5.1).

use memchr::memmem::find;

use super::form::Form;

/// Most parts of a body.
const MOST_PARTS: usize = 200;

/// The text between the parts, from the content type of a request.
pub fn boundary(kind: &str) -> Option<&str> {
    let mut params = kind.split(';').map(str::trim);
    let is_ours = params.next()?.eq_ignore_ascii_case("multipart/form-data");
    let given = params.find_map(|param| {
        let (name, value) = param.split_once('=')?;
        name.eq_ignore_ascii_case("boundary").then_some(value)
    })?;
    let text = given.trim_matches('"');
    (is_ours && !text.is_empty() && text.len() <= 70).then_some(text)
}

/// Adds the fields of a body to a form; the part named `file` becomes its file, and its name there the field
/// `file_name`.
///
/// # Errors
/// If it is no such body, as a sentence.
pub fn read(mut form: Form, body: &[u8], boundary: &str) -> Result<Form, String> {
    let wrong = || "The form is not whole.".to_string();
    let between = format!("\r\n--{boundary}");
    let first = &between[2..];
    let mut rest = body.strip_prefix(first.as_bytes()).ok_or_else(wrong)?;
    for _ in 0..MOST_PARTS {
        if rest.starts_with(b"--") {
            return Ok(form);
        }
        rest = rest.strip_prefix(b"\r\n").ok_or_else(wrong)?;
        let head = find(rest, b"\r\n\r\n").ok_or_else(wrong)?;
        let content = &rest[head + 4..];
        let end = find(content, between.as_bytes()).ok_or_else(wrong)?;
        let head = std::str::from_utf8(&rest[..head]).map_err(|_| wrong())?;
        let content_of = &content[..end];
        match (param(head, "name"), param(head, "filename")) {
            (Some(name), Some(file)) if name == "file" && !content_of.is_empty() => {
                form.push("file_name", &file);
                form = form.with_file(content_of.to_vec());
            }
            (Some(name), None) => {
                let text = std::str::from_utf8(content_of).map_err(|_| "The form is not UTF-8.")?;
                form.push(&name, text.trim());
            }
            _ => {}
        }
        rest = &content[end + between.len()..];
    }
    Err(format!("The form has more than {MOST_PARTS} parts."))
}

/// A parameter of the disposition of a part: browsers write a quotation mark in it as `%22`.
fn param(head: &str, wanted: &str) -> Option<String> {
    let mut lines = head.split("\r\n");
    let disposition = lines.find_map(|line| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("content-disposition")
            .then_some(value)
    })?;
    let mark = format!("; {wanted}=\"");
    let from = disposition.find(&mark)? + mark.len();
    let end = disposition[from..].find('"')?;
    Some(disposition[from..from + end].replace("%22", "\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    const BODY: &[u8] = b"--xyz\r\nContent-Disposition: form-data; name=\"sheet\"\r\n\r\n a b \r\n\
        --xyz\r\nContent-Disposition: form-data; name=\"file\"; filename=\"../my %22sales%22.csv\"\r\n\
        Content-Type: text/csv\r\n\r\nmodel,price\r\nA,1\r\n\0\xff\r\n--xyz--\r\n";

    #[test]
    fn fields_and_a_file_are_read() {
        let form = read(Form::default(), BODY, "xyz").unwrap();
        assert_eq!(form.get("sheet"), Some("a b"));
        assert_eq!(form.get("file_name"), Some("../my \"sales\".csv"));
        assert_eq!(form.file(), Some(&b"model,price\r\nA,1\r\n\0\xff"[..]));
    }

    #[test]
    fn what_is_cut_off_is_refused() {
        for end in 0..BODY.len() - 4 {
            assert!(read(Form::default(), &BODY[..end], "xyz").is_err(), "{end}");
        }
        let many = b"--b\r\nContent-Disposition: form-data; name=\"a\"\r\n\r\n1\r\n"
            .repeat(MOST_PARTS + 1);
        assert!(read(Form::default(), &[&many, &b"--b--"[..]].concat(), "b").is_err());
    }

    #[test]
    fn the_boundary_is_that_of_the_content_type() {
        assert_eq!(boundary("multipart/form-data; boundary=xyz"), Some("xyz"));
        assert_eq!(
            boundary("multipart/form-data; boundary=\"x y\""),
            Some("x y")
        );
        for other in [
            "multipart/form-data",
            "text/plain; boundary=x",
            "multipart/form-data; boundary=",
        ] {
            assert_eq!(boundary(other), None, "{other}");
        }
    }
}
