//! Words that people write for a way of selling, for yes and no, and for nothing.

use crate::trade::HowSold;
use crate::trade::items::fold_name;
use crate::trade::text::listed;

/// Names in the model column of rows with totals.
pub const SUMS: &str =
    "total, totals, grand total, subtotal, sum, summe, gesamt, suma, somme, totale, totaal";

/// Words that mean no in a yes-or-no column and do not count as a grade.
const PLAIN_NO: &str = "no, n, false, 0, nein, non, nee";
const WORKS_YES: &str = "yes, y, true, 1, working, works, ok, functional, fully working, tested working, ja, oui, sí, si, \
     funktioniert";
const WORKS_NO: &str = "no, n, false, 0, broken, parts, parts only, for parts, for parts only, spares, for spares, \
     spares or repair, for parts or repair, parts or repair, for repair, not working, non working, \
     defective, faulty, dead, nein, non, nee, defekt, kaputt, en panne, averiado, guasto, kapot";

/// Words for shipping that cost the buyer nothing; an array, since every amount of shipping is compared with them.
const FREE: [&str; 9] = [
    "-",
    "free",
    "none",
    "n/a",
    "gratis",
    "kostenlos",
    "gratuit",
    "incl",
    "included",
];

const AUCTION: &str = "auction, bid, bids, bidding, auctioned, highest bid, auktion, versteigerung, enchère, subasta, asta, \
     veiling";
const FIXED: &str = "fixed, fixed price, buy now, asking, asking price, full price, list price, set price, bin, instant, \
     shop price, festpreis, prix fixe, precio fijo, prezzo fisso, vaste prijs";
const OFFER: &str = "offer, best offer, accepted, offer accepted, accepted offer, haggled, negotiated, counter offer, obo, \
     or best offer, ono, or near offer, verhandelt, négocié, negociado, trattato";

/// Whether `text` is one of the [`listed`] words, ignoring case, hyphens, slashes and spacing.
pub fn is_one_of(text: &str, words: &str) -> bool {
    if text.len() > 40 || text.is_empty() {
        return false;
    }
    if listed(words).any(|known| known.eq_ignore_ascii_case(text)) {
        return true;
    }
    let folded = fold_name(&text.replace(['-', '_', '/'], " "));
    listed(words).any(|known| known == folded)
}

/// Reads a way of selling in any usual word.
pub fn how_sold(text: &str) -> Option<HowSold> {
    let known = [
        (AUCTION, HowSold::Auction),
        (FIXED, HowSold::Fixed),
        (OFFER, HowSold::Offer),
    ];
    HowSold::parse(text).or_else(|| {
        let mut known = known.into_iter();
        known
            .find(|(words, _)| is_one_of(text.trim(), words))
            .map(|(_, how)| how)
    })
}

/// Reads whether a unit works.
pub fn works(text: &str) -> Option<bool> {
    if is_one_of(text, WORKS_YES) {
        return Some(true);
    }
    is_one_of(text, WORKS_NO).then_some(false)
}

/// Whether a word in place of a grade means a unit for parts.
pub fn is_for_parts(text: &str) -> bool {
    is_one_of(text, WORKS_NO) && !is_one_of(text, PLAIN_NO)
}

/// Whether a text means that shipping cost the buyer nothing.
pub fn is_free(text: &str) -> bool {
    let text = text.trim();
    text.is_empty() || FREE.iter().any(|word| text.eq_ignore_ascii_case(word))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ways_of_selling() {
        for (text, how) in [
            ("auction", Some(HowSold::Auction)),
            ("Bid", Some(HowSold::Auction)),
            ("fixed price", Some(HowSold::Fixed)),
            ("Buy-Now", Some(HowSold::Fixed)),
            ("haggled", Some(HowSold::Offer)),
            ("o.b.o", None),
            ("Best Offer", Some(HowSold::Offer)),
            ("raffle", None),
            ("", None),
        ] {
            assert_eq!(how_sold(text), how, "{text}");
        }
        for how in HowSold::ALL {
            assert_eq!(how_sold(how.as_str()), Some(how));
            assert_eq!(how_sold(how.word()), Some(how));
        }
        assert_eq!(HowSold::words(), "bid, fixed price, haggled");
    }

    #[test]
    fn yes_no_and_nothing() {
        assert_eq!(works("Fully working"), Some(true));
        assert_eq!(works("spares or repair"), Some(false));
        assert_eq!(works("maybe"), None);
        assert!(is_for_parts("For parts") && !is_for_parts("no"));
        assert!(is_free("Free") && is_free(" - ") && is_free("") && !is_free("4.90"));
    }
}
