//! Decodes bytes to text.

use encoding_rs::{UTF_16BE, UTF_16LE, WINDOWS_1252};

use crate::trade::cells::Wrong;

/// The text of a file and its encoding.
#[derive(Debug)]
pub struct Text {
    /// Everything after a byte order mark.
    pub text: String,
    /// Name of the encoding, for the reader.
    pub encoding: &'static str,
    /// Whether the text was converted or had a byte order mark, so that a spreadsheet needs a mark
    /// to read its UTF-8 form.
    pub marked: bool,
    /// Message about the conversion.
    pub notice: Option<String>,
}

/// Decodes UTF-8 and UTF-16 by their byte order marks, else UTF-8 if it is valid, else
/// Windows-1252.
///
/// # Errors
/// The row (0: the whole file) and the error, if the bytes are no text.
pub fn decode(bytes: Vec<u8>) -> Result<Text, (u64, Wrong)> {
    let utf16 = match bytes.get(..2) {
        Some([0xff, 0xfe]) => Some((UTF_16LE, "UTF-16 (little endian)")),
        Some([0xfe, 0xff]) => Some((UTF_16BE, "UTF-16 (big endian)")),
        _ => None,
    };
    let text = match utf16 {
        Some((encoding, name)) => {
            let (text, damaged) = encoding.decode_with_bom_removal(&bytes);
            if damaged {
                return Err((
                    0,
                    Wrong::new(
                        "UTF-16 text",
                        "the file is damaged: save it again as CSV (UTF-8)",
                    ),
                ));
            }
            Text {
                text: text.into_owned(),
                encoding: name,
                marked: true,
                notice: None,
            }
        }
        None => decode_bytes(bytes)?,
    };
    if let Some(at) = text.text.find('\0') {
        return Err((line_of(text.text.as_bytes(), at), binary()));
    }
    Ok(text)
}

fn decode_bytes(bytes: Vec<u8>) -> Result<Text, (u64, Wrong)> {
    match String::from_utf8(bytes) {
        Ok(mut text) => {
            let marked = text.starts_with('\u{feff}');
            if marked {
                text.drain(..'\u{feff}'.len_utf8());
            }
            let encoding = if marked {
                "UTF-8 with byte order mark"
            } else {
                "UTF-8"
            };
            Ok(Text {
                text,
                encoding,
                marked,
                notice: None,
            })
        }
        Err(error) => {
            let valid = error.utf8_error().valid_up_to();
            let bytes = error.into_bytes();
            if !bytes[..valid].is_ascii() {
                let fault = Wrong::new(
                    "text in one encoding, but the file is UTF-8 up to this row and something else from here",
                    "save it again as CSV (UTF-8), and check the letters beyond A to Z",
                );
                return Err((line_of(&bytes, valid), fault));
            }
            if bytes.contains(&0) {
                return Err((0, binary()));
            }
            let (text, _) = WINDOWS_1252.decode_without_bom_handling(&bytes);
            let notice = format!(
                "not UTF-8 (row {}), so it was read as Windows-1252; look at the letters beyond A to Z",
                line_of(&bytes, valid)
            );
            Ok(Text {
                text: text.into_owned(),
                encoding: "Windows-1252",
                marked: true,
                notice: Some(notice),
            })
        }
    }
}

fn binary() -> Wrong {
    Wrong::new(
        "a spreadsheet (.xlsx, .xls or .ods) or a text file (CSV), but this one holds other data",
        "open it in the program it comes from and save it as CSV (UTF-8)",
    )
}

fn line_of(bytes: &[u8], at: usize) -> u64 {
    1 + bytes[..at].iter().filter(|b| **b == b'\n').count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: &[u8]) -> (String, &'static str) {
        let text = decode(bytes.to_vec()).unwrap();
        (text.text, text.encoding)
    }

    #[test]
    fn encodings() {
        assert_eq!(text("price €".as_bytes()), ("price €".into(), "UTF-8"));
        assert_eq!(
            text("\u{feff}price".as_bytes()),
            ("price".into(), "UTF-8 with byte order mark")
        );
        assert_eq!(
            text(b"price \x80 caf\xe9"),
            ("price € café".into(), "Windows-1252")
        );
        assert_eq!(
            text(b"\xff\xfea\0\xac\x20"),
            ("a€".into(), "UTF-16 (little endian)")
        );
        assert_eq!(
            text(b"\xfe\xff\0a\x20\xac"),
            ("a€".into(), "UTF-16 (big endian)")
        );
        assert_eq!(text(b""), (String::new(), "UTF-8"));
    }

    #[test]
    fn what_is_no_text() {
        assert_eq!(decode(b"a\nb\0c".to_vec()).unwrap_err().0, 2);
        assert!(decode(b"PK\x03\x04\0rest".to_vec()).is_err());
        assert!(decode(b"\xff\xfe\x00\xd8".to_vec()).is_err());
        assert!(decode(b"a\xff\0".to_vec()).is_err());
        let (row, fault) = decode(b"caf\xc3\xa9\ncaf\xe9".to_vec()).unwrap_err();
        assert_eq!(row, 2);
        assert!(fault.expected.contains("one encoding"));
    }
}
