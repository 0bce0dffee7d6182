//! Several units bought at one price: each becomes a deal of its own, with its share of the price.

use rust_decimal::Decimal;

use super::AppError;
use super::deals::{Books, Dated, Entered, overpaid};
use super::describe::{Description, fit_to_keep, one_line, subject};
use crate::deal::ledger::{Purchase, name};
use crate::deal::split::shares;
use crate::parse::money::parse_amount;
use crate::settings::{Settings, Values};
use crate::trade::entry::{Entry, Foreseen};
use crate::trade::items::MOST;
use crate::trade::money::grouped;
use crate::trade::text::{excerpt, joined, nearest};
use crate::trade::unit::Unit;
use crate::trade::{Currency, HowSold};

/// Form of a unit, for messages.
pub const FORM: &str =
    "a unit as \"Nulva 61K: grade B, missing charger\", with x2 after the model for two of them";

/// Words of a unit, each with a value but `parts`.
const WORDS: [&str; 9] = [
    "variant",
    "completeness",
    "grade",
    "missing",
    "extra",
    "defect",
    "set",
    "how-sold",
    "parts",
];

/// Most units of one purchase.
const MOST_UNITS: usize = 200;

/// The share of a unit in the price.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Share {
    /// In proportion to its estimate.
    Estimate,
    /// This amount.
    Description(Decimal),
}

/// Several units bought at one price.
#[derive(Debug)]
pub struct Lot {
    /// The units.
    pub units: Vec<Unit>,
    /// The share of each; empty: all by their estimates.
    pub split: Vec<Share>,
    /// Price of all without shipping.
    pub price: Decimal,
    /// Shipping and other costs of getting all of them here.
    pub inbound: Decimal,
}

/// One unit of a lot.
#[derive(Debug)]
pub struct OfLot {
    /// The unit.
    pub unit: Unit,
    /// Number of its deal.
    pub deal: u32,
    /// Number of its entry.
    pub entry: u32,
    /// Estimate of the day.
    pub estimate: Option<Foreseen>,
    /// Its share of the price.
    pub price: Decimal,
    /// Its share of the costs of getting all here.
    pub inbound: Decimal,
}

impl OfLot {
    /// Its cost.
    pub fn cost(&self) -> Decimal {
        self.price + self.inbound
    }
}

/// Reads a unit, `Nulva 61K x2: grade B, missing charger`, and how many there are of it.
///
/// # Errors
/// The expected form, or a value that is not on the book's scales.
pub fn read_units(
    text: &str,
    settings: &Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Unit>, AppError> {
    let (model, rest) = match text.split_once(": ") {
        Some((model, rest)) => (model, rest),
        None => (text.trim_end().trim_end_matches(':'), ""),
    };
    let (model, count) = counted(model.trim());
    if model.is_empty() {
        return Err(refused(text, FORM));
    }
    let mut given = Description {
        model: one_line("UNIT", model)?,
        ..Description::default()
    };
    for entry in rest.split(',').map(str::trim).filter(|one| !one.is_empty()) {
        read_word(&mut given, entry, settings).map_err(|expected| refused(entry, &expected))?;
    }
    let unit = subject(&given, settings, notice)?;
    fit_to_keep(&unit)?;
    Ok(vec![unit; count])
}

/// A unit as [`read_units`] reads it; `None` if what it is cannot be written so, such as a name with a comma.
pub fn written(unit: &Unit, settings: &Settings) -> Option<String> {
    let counted = |(name, count): (&str, u32)| match count {
        1 => name.to_string(),
        count => format!("{name} x{count}"),
    };
    let mut words: Vec<String> = Vec::new();
    let mut each = |word: &str, values: Vec<String>| {
        words.extend(values.into_iter().map(|value| format!("{word} {value}")));
    };
    each("variant", unit.variant.iter().cloned().collect());
    each("completeness", unit.completeness.iter().cloned().collect());
    each("grade", unit.grade.iter().cloned().collect());
    each("missing", unit.missing.iter().map(counted).collect());
    each("extra", unit.extras.iter().map(counted).collect());
    each("defect", unit.defects.iter().map(counted).collect());
    let set = unit.attributes.iter();
    each(
        "set",
        set.map(|(name, value)| format!("{name}={value}")).collect(),
    );
    let how = unit.how_sold.iter();
    each(
        "how-sold",
        how.map(|how| how.as_str().to_string()).collect(),
    );
    words.extend((!unit.works).then(|| "parts".to_string()));
    let text = match words.as_slice() {
        [] => unit.model.clone(),
        words => format!("{}: {}", unit.model, words.join(", ")),
    };
    let read = read_units(&text, settings, &mut |_| {}).ok()?;
    let same = matches!(read.as_slice(), [one] if Unit { venue: unit.venue.clone(), ..one.clone() } == *unit);
    same.then_some(text)
}

/// A model with a count behind it: `Bolv 83V x2`.
fn counted(text: &str) -> (&str, usize) {
    let parsed = text.rsplit_once(" x").and_then(|(model, count)| {
        let count = count
            .parse()
            .ok()
            .filter(|count| (1..=MOST).contains(count))?;
        Some((model.trim_end(), count as usize))
    });
    parsed.unwrap_or((text, 1))
}

fn read_word(given: &mut Description, entry: &str, settings: &Settings) -> Result<(), String> {
    let (word, value) = entry.split_once(char::is_whitespace).unwrap_or((entry, ""));
    let value = value.trim().to_string();
    let known = WORDS.iter().find(|known| known.eq_ignore_ascii_case(word));
    let values = Values::of(settings);
    match known.copied() {
        Some("parts") if value.is_empty() => given.parts = true,
        None if values.grade(entry).is_some() => {
            given.grade = Some(entry.to_string());
        }
        None if values.completeness(entry).is_some() => {
            given.completeness = Some(entry.to_string());
        }
        None => {
            let near = nearest(&word.to_lowercase(), WORDS)
                .map_or(String::new(), |near| format!(": did you mean {near}?"));
            return Err(format!(
                "one of {}, each before its value{near}",
                WORDS.join(", ")
            ));
        }
        Some(word) if value.is_empty() != (word == "parts") => {
            return Err(if value.is_empty() {
                format!("{word} with its value, as in {FORM}")
            } else {
                "the word parts alone: the unit is for parts".into()
            });
        }
        Some("variant") => given.variant = Some(value),
        Some("completeness") => given.completeness = Some(value),
        Some("grade") => given.grade = Some(value),
        Some("missing") => given.missing.push(value),
        Some("extra") => given.extra.push(value),
        Some("defect") => given.defect.push(value),
        Some("set") => given.set.push(value),
        Some(_) => {
            let how = values.how_sold(&value);
            let words = HowSold::words();
            given.how_sold = how.ok_or_else(|| format!("how-sold with one of {words}"))?;
        }
    }
    Ok(())
}

fn refused(found: &str, expected: &str) -> AppError {
    AppError::Refused {
        message: format!("UNIT {}: expected {expected}", excerpt(found, 60)),
        next: "`compband buy-lot --help` shows how units are written".into(),
    }
}

/// Reads a split: `estimate`, or a share for each unit apart by `;`, of which some may be `estimate`.
///
/// # Errors
/// The expected form.
pub fn read_split(text: &str, currency: &Currency) -> Result<Vec<Share>, AppError> {
    if text.trim().eq_ignore_ascii_case("estimate") {
        return Ok(Vec::new());
    }
    let one = |part: &str| -> Result<Share, AppError> {
        if part.eq_ignore_ascii_case("estimate") {
            return Ok(Share::Estimate);
        }
        let amount = parse_amount(part, currency).ok();
        let amount = amount.filter(|amount| *amount >= Decimal::ZERO);
        amount
            .map(Share::Description)
            .ok_or_else(|| AppError::Refused {
                message: format!(
                    "--split {}: expected an amount, or estimate",
                    excerpt(part, 40)
                ),
                next: "write a share for each unit, separated by semicolons: \"60; 20; estimate\""
                    .into(),
            })
    };
    text.split(';').map(|part| one(part.trim())).collect()
}

impl Lot {
    /// The share of each unit in the price.
    fn prices(
        &self,
        estimates: &[Option<Foreseen>],
        currency: &Currency,
    ) -> Result<Vec<Decimal>, AppError> {
        let split = if self.split.is_empty() {
            vec![Share::Estimate; self.units.len()]
        } else {
            self.split.clone()
        };
        if split.len() != self.units.len() {
            return Err(AppError::Refused {
                message: format!(
                    "--split has {} shares for {} units",
                    split.len(),
                    self.units.len()
                ),
                next: "write one for each unit, separated by semicolons, in the order of the units"
                    .into(),
            });
        }
        let money = |amount| format!("{} {}", grouped(&currency.plain(amount)), currency.code);
        let given: Decimal = split.iter().map(|share| given_amount(*share)).sum();
        let rest = self.price - given;
        let open = split.contains(&Share::Estimate);
        if rest < Decimal::ZERO || (!open && !rest.is_zero()) {
            let far = if rest < Decimal::ZERO { "more" } else { "less" };
            return Err(AppError::Refused {
                message: format!(
                    "the shares of --split come to {}, {} {far} than the price",
                    money(given),
                    money(rest.abs())
                ),
                next:
                    "write shares that add up to the price, or estimate for units that share the rest"
                        .into(),
            });
        }
        self.without_estimate(&split, estimates)?;
        let by_estimate = |at: &usize| split[*at] == Share::Estimate;
        let places: Vec<usize> = (0..split.len()).filter(by_estimate).collect();
        let likely = |at: &usize| estimates[*at].map_or(Decimal::ZERO, |made| made.likely);
        let weights: Vec<Decimal> = places.iter().map(likely).collect();
        let mut prices: Vec<Decimal> = split.into_iter().map(given_amount).collect();
        for (at, share) in places
            .iter()
            .zip(shares(rest, &weights, currency.decimals()))
        {
            prices[*at] = share;
        }
        Ok(prices)
    }

    /// Refuses units that have neither an estimate nor a share.
    fn without_estimate(
        &self,
        split: &[Share],
        estimates: &[Option<Foreseen>],
    ) -> Result<(), AppError> {
        let unknown: Vec<String> = (0..self.units.len())
            .filter(|at| split[*at] == Share::Estimate && estimates[*at].is_none())
            .map(|at| format!("{} ({})", at + 1, self.units[at].model))
            .collect();
        if unknown.is_empty() {
            return Ok(());
        }
        let example: Vec<&str> = (0..self.units.len())
            .map(|at| {
                if estimates[at].is_some() {
                    "estimate"
                } else {
                    "SHARE"
                }
            })
            .collect();
        Err(AppError::Refused {
            message: format!(
                "unit {} has no estimate to split the price by",
                unknown.join(", ")
            ),
            next: format!("give its share: --split \"{}\"", example.join("; ")),
        })
    }
}

fn given_amount(share: Share) -> Decimal {
    match share {
        Share::Description(amount) => amount,
        Share::Estimate => Decimal::ZERO,
    }
}

impl Books<'_> {
    /// The units of a lot with their shares, as they would be entered.
    ///
    /// # Errors
    /// If the price cannot be shared out.
    pub fn share_out(&mut self, lot: &Lot, dated: &Dated) -> Result<Vec<OfLot>, AppError> {
        if !(2..=MOST_UNITS).contains(&lot.units.len()) {
            return Err(AppError::Refused {
                message: format!("a lot of {} units", lot.units.len()),
                next: format!(
                    "name 2 to {MOST_UNITS}, each in quotes; for one unit use `compband buy`"
                ),
            });
        }
        let mut estimates: Vec<Option<Foreseen>> = Vec::new();
        for (at, unit) in lot.units.iter().enumerate() {
            let same = lot.units[..at].iter().position(|other| other == unit);
            let made = match same {
                Some(same) => estimates[same],
                None => self.foresee(unit, dated.on)?,
            };
            estimates.push(made);
        }
        let currency = &self.book.settings().currency;
        let prices = lot.prices(&estimates, currency)?;
        let inbound = shares(lot.inbound, &prices, currency.decimals());
        let deal = self.ledger.next_deal();
        let units = lot.units.iter().cloned().zip(estimates);
        let parts = prices.into_iter().zip(inbound);
        Ok((0..)
            .zip(units.zip(parts))
            .map(|(at, ((unit, estimate), (price, inbound)))| OfLot {
                unit,
                deal: deal + at,
                entry: self.ledger.next_number() + at,
                estimate,
                price,
                inbound,
            })
            .collect())
    }

    /// Records a purchase of several units, all or none.
    ///
    /// # Errors
    /// If the price cannot be shared out, the ledger refuses it, or the book cannot be written.
    pub fn buy_lot(mut self, lot: &Lot, dated: Dated) -> Result<(Vec<OfLot>, Entered), AppError> {
        let made = self.share_out(lot, &dated)?;
        let currency = &self.book.settings().currency;
        let total = currency.plain(lot.price + lot.inbound);
        let entry = |(at, one): (usize, &OfLot)| {
            let purchase = Purchase {
                paid: one.cost(),
                unit: one.unit.clone(),
                estimate: one.estimate,
                asked: None,
            };
            let together = format!("{} of {} bought together for {total}", at + 1, made.len());
            Entry {
                number: one.entry,
                deal: Some(one.deal),
                note: joined(&[&together, &dated.note], "; "),
                ..self.ledger.buy(dated.on, purchase)
            }
        };
        let entries = made.iter().enumerate().map(entry).collect();
        let entered = self.enter_all(entries, dated)?;
        for one in &made {
            let deal = self.ledger.deal(one.deal);
            if let Some(doubt) = deal.and_then(|deal| overpaid(deal, one.entry, currency)) {
                (self.notice)(&format!("{}: {doubt}", name(one.deal)));
            }
        }
        Ok((made, entered))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::comp::PriceBasis;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn eur() -> Currency {
        Currency { code: "EUR".into() }
    }

    #[test]
    fn a_unit_is_written_so_that_it_is_read_again_or_not_at_all() {
        let settings = Settings::default();
        for text in [
            "Nulva 61K",
            "Nulva 61K: completeness usable, grade B, missing charger, missing battery x2, parts",
            "Bolv 83V: variant dark, extra strap, defect dead row, set storage=32, how-sold bid",
        ] {
            let unit = &read_units(text, &settings, &mut |_| {}).unwrap()[0];
            let again = written(unit, &settings).unwrap();
            let read = &read_units(&again, &settings, &mut |_| {}).unwrap()[0];
            assert_eq!(read, unit, "{again}");
        }
        for odd in ["Box: parts", "Box x2"] {
            let unit = Unit {
                model: odd.into(),
                ..read_units("Box", &settings, &mut |_| {}).unwrap()[0].clone()
            };
            assert_eq!(written(&unit, &settings), None, "{odd}");
        }
    }

    fn likely(text: &str) -> Option<Foreseen> {
        Some(Foreseen {
            likely: dec(text),
            low: dec(text),
            high: dec(text),
            level: 80,
            basis: PriceBasis::Delivered,
        })
    }

    fn of(split: &str, price: &str) -> Lot {
        Lot {
            units: ["A1", "B2", "C3"].map(Unit::blank).to_vec(),
            split: read_split(split, &eur()).unwrap(),
            price: dec(price),
            inbound: Decimal::ZERO,
        }
    }

    fn prices(
        split: &str,
        price: &str,
        made: [Option<Foreseen>; 3],
    ) -> Result<Vec<String>, String> {
        let prices = of(split, price).prices(&made, &eur());
        prices
            .map(|prices| prices.iter().map(|one| eur().plain(*one)).collect())
            .map_err(|error| error.to_string())
    }

    #[test]
    fn a_price_is_split_by_estimate_by_hand_or_both() {
        let made = || [likely("148"), likely("54"), likely("54")];
        assert_eq!(
            prices("estimate", "100.00", made()).unwrap(),
            ["57.81", "21.10", "21.09"]
        );
        assert_eq!(
            prices("60; 20; 20,00", "100.00", [None; 3]).unwrap(),
            ["60.00", "20.00", "20.00"]
        );
        assert_eq!(
            prices(
                "estimate; 19; estimate",
                "100.00",
                [likely("2"), None, likely("1")]
            )
            .unwrap(),
            ["54.00", "19.00", "27.00"]
        );
        for (split, made, expected) in [
            (
                "60; 20; 19",
                made(),
                "come to 99.00 EUR, 1.00 EUR less than the price",
            ),
            (
                "60; 20; 21",
                made(),
                "come to 101.00 EUR, 1.00 EUR more than the price",
            ),
            (
                "estimate; 101; 0",
                made(),
                "come to 101.00 EUR, 1.00 EUR more",
            ),
            ("60; 40", made(), "--split has 2 shares for 3 units"),
            (
                "estimate",
                [likely("1"), None, None],
                "unit 2 (B2), 3 (C3) has no estimate",
            ),
        ] {
            let error = prices(split, "100.00", made).unwrap_err();
            assert!(error.contains(expected), "{split}: {error}");
        }
        assert!(read_split("60; much", &eur()).is_err());
        assert!(read_split("60; -20", &eur()).is_err());
    }

    #[test]
    fn units_as_typed() {
        let settings = Settings::default();
        let read = |text: &str| read_units(text, &settings, &mut |_| ());
        let two = read("Nulva 61K x2: B, boxed, missing charger, missing battery x2, extra case")
            .unwrap();
        assert_eq!(two.len(), 2);
        let unit = &two[0];
        assert_eq!((unit.model.as_str(), unit.works), ("Nulva 61K", true));
        assert_eq!(unit.grade.as_deref(), Some("B"));
        assert_eq!(unit.completeness.as_deref(), Some("boxed"));
        assert_eq!(unit.missing.to_string(), "battery x2; charger");
        assert_eq!(unit.extras.to_string(), "case");
        let parts = read("R:2 x1: parts, set storage=256, variant black").unwrap();
        assert_eq!((parts[0].model.as_str(), parts.len()), ("R:2", 1));
        assert!(!parts[0].works);
        assert_eq!(read("Wide x0").unwrap()[0].model, "Wide x0");
        for (wrong, expected) in [
            ("", "a unit as"),
            (": parts", "a unit as"),
            ("A1: grad B", "did you mean grade?"),
            ("A1: grade", "grade with its value"),
            ("A1: grade E", "--grade \"E\" is not on the book's scale"),
            ("A1: parts 3", "parts"),
            ("A1: how-sold gladly", "how-sold with one of"),
        ] {
            let error = read(wrong).unwrap_err().to_string();
            assert!(error.contains(expected), "{wrong}: {error}");
        }
    }
}
