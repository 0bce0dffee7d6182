//! Figures packed into text.
//!
//! Row by row, each figure as its distance from what the row before leads one to expect: the likely price from the
//! one before, everything else from its own before in the proportion of the likely prices. Distances are mostly of one
//! byte: zigzag, then seven bits in each byte, least first, the eighth set in all but the last (LEB128, as in DWARF and
//! WebAssembly); then base 64 (RFC 4648).

use crate::app::pocket::values::{AtOutlet, Figures, Most};

/// Packs rows of figures; `priced` is, for each outlet, whether it has prices of its own, which are otherwise left out.
pub fn packed(rows: &[Option<Figures>], priced: &[bool]) -> String {
    let mut bytes = Vec::new();
    let mut before: Option<(i64, Vec<i64>)> = None;
    for row in rows {
        let last = before.as_ref().map_or(0, |(likely, _)| likely + 1);
        let Some(figures) = row else {
            // A likely price of 0 stands for none: there is nothing to go by.
            push(&mut bytes, -last);
            continue;
        };
        push(&mut bytes, figures.likely + 1 - last);
        let values = values(figures, priced);
        for (at, value) in values.iter().enumerate() {
            let expected = before.as_ref().map_or(0, |(likely, before)| {
                expected(before[at], figures.likely, *likely)
            });
            push(&mut bytes, value - expected);
        }
        before = Some((figures.likely, values));
    }
    base64(&bytes)
}

/// All figures of a row but the likely price, in their order on the page. Those that may be none are 2 more than their
/// amount: 0 if not known, 1 if there is no such price.
fn values(figures: &Figures, priced: &[bool]) -> Vec<i64> {
    let mut values = vec![figures.low, figures.high];
    for (at, priced) in figures.at.iter().zip(priced) {
        let AtOutlet { likely, kept, most } = at;
        values.extend(priced.then_some(*likely));
        values.push(*kept);
        values.extend(most.map(|most| match most {
            Most::Unknown => 0,
            Most::Nothing => 1,
            Most::Amount(amount) => amount + 2,
        }));
    }
    values
}

/// A figure in the proportion of the likely prices, rounded to the nearest, halves up. The page does the same sum with
/// the same numbers.
fn expected(before: i64, likely: i64, last: i64) -> i64 {
    if last <= 0 {
        return before;
    }
    (before as f64 * likely as f64 / last as f64 + 0.5).floor() as i64
}

fn push(bytes: &mut Vec<u8>, value: i64) {
    let mut rest = ((value << 1) ^ (value >> 63)) as u64;
    loop {
        let low = (rest & 0x7f) as u8;
        rest >>= 7;
        if rest == 0 {
            return bytes.push(low);
        }
        bytes.push(low | 0x80);
    }
}

fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let three = [0, 1, 2].map(|at| u32::from(group.get(at).copied().unwrap_or_default()));
        let bits = three[0] << 16 | three[1] << 8 | three[2];
        for at in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * at) & 0x3f) as usize];
            text.push(if at <= group.len() {
                char::from(letter)
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The test vectors of RFC 4648, section 10.
    #[test]
    fn base_64() {
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    /// DWARF 4, figure 22: unsigned LEB128 of 2, 127, 128, 129, 130 and 12857, here after zigzag.
    #[test]
    fn numbers_in_bytes() {
        for (value, expected) in [
            (1, vec![2]),
            (-64, vec![127]),
            (64, vec![0x80, 1]),
            (-65, vec![0x81, 1]),
            (65, vec![0x82, 1]),
            (-6429, vec![0x80 + 57, 100]),
        ] {
            let mut bytes = Vec::new();
            push(&mut bytes, value);
            assert_eq!(bytes, expected, "{value}");
        }
    }
}
