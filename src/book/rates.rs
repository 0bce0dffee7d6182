//! `rates.csv`: daily exchange rates, recorded by the owner of the book. This program only reads
//! it.

use std::collections::{BTreeMap, HashMap};

use chrono::{Days, NaiveDate};

use super::folder::Access;
use crate::book::csv::canonical::repeated;
use crate::book::csv::lines::{self, RowFault};
use crate::book::ids::{IdMap, id_hash};
use crate::book::{Book, BookError};
use crate::settings::Settings;
use crate::trade::cells::{Fault, Wrong};
use crate::trade::foreign::{Foreign, Rate};
use crate::trade::{Currency, Problem, checks};

/// Name of the file in the book's folder.
pub const FILE_NAME: &str = "rates.csv";

/// Its columns. A rate is the value of one unit of the currency in the book's.
pub const HEADER: [&str; 4] = ["date", "currency", "rate", "source"];

/// The rates of a book.
#[derive(Debug, Clone)]
pub struct Rates {
    /// The book's currency.
    ours: Currency,
    /// Number of days after its own for which a rate is valid.
    days: u32,
    /// Whether the book has the file.
    there: bool,
    by_code: HashMap<String, BTreeMap<NaiveDate, Rate>>,
}

impl Rates {
    /// No rates.
    pub fn none(settings: &Settings) -> Self {
        Self {
            ours: settings.currency.clone(),
            days: settings.rate_days,
            there: false,
            by_code: HashMap::new(),
        }
    }

    /// Reads the file; problems call it `name`.
    ///
    /// # Errors
    /// All problems in it, row by row.
    pub fn parse(bytes: &[u8], name: &str, settings: &Settings) -> Result<Self, Vec<Problem>> {
        let mut rates = Self {
            there: true,
            ..Self::none(settings)
        };
        let mut lines_of: HashMap<(String, NaiveDate), u64> = HashMap::new();
        let mut twice = Vec::new();
        let fix = "put this header above the rows, and commas between the cells";
        let mut each = |row: u64, cells: &[&str]| match rates.row(cells) {
            Err(faults) => faults,
            Ok((code, rate)) => {
                let first = *lines_of.entry((code.clone(), rate.date)).or_insert(row);
                if first != row {
                    let value = format!("{} {code}", rate.date);
                    twice.push(repeated(name, row, "date", &value, first));
                }
                rates
                    .by_code
                    .entry(code)
                    .or_default()
                    .insert(rate.date, rate);
                Vec::new()
            }
        };
        let read = lines::read(bytes, name, &HEADER, fix, &mut each);
        let mut problems = read.unwrap_or_else(|error| {
            let expected = format!("rows of cells, but {error}");
            vec![Wrong::new(expected, "save it as comma-separated text").at(name, 0, "", "")]
        });
        problems.extend(twice);
        problems.sort_by_key(|problem| problem.row);
        if problems.is_empty() {
            Ok(rates)
        } else {
            Err(problems)
        }
    }

    /// Currency and rate of a row.
    fn row(&self, cells: &[&str]) -> Result<(String, Rate), Vec<RowFault>> {
        let cells: Vec<&str> = cells.iter().map(|cell| cell.trim()).collect();
        let &[date, code, rate, source] = cells.as_slice() else {
            let fix = "write day, currency, rate and source; put text that holds a comma in double quotes";
            return Err(vec![Fault {
                column: "",
                value: format!("{} cells", cells.len()),
                wrong: Wrong::new(format!("{} cells", HEADER.len()), fix),
            }]);
        };
        let mut faults = Vec::new();
        let fault = |column, value: &str, wrong| Fault {
            column,
            value: value.to_string(),
            wrong,
        };
        let currency = self.other_currency(code);
        let currency = currency.map_err(|wrong| faults.push(fault("currency", code, wrong)));
        let columns = [HEADER[2], HEADER[0], HEADER[3]];
        let texts = [rate, date, source];
        let mut parsed = Rate::parse(texts, &mut |at, wrong| {
            faults.push(fault(columns[at], texts[at], wrong));
        });
        if let Err(wrong) = checks::text("rate_source", source) {
            faults.push(fault("source", source, wrong));
            parsed = None;
        }
        match (currency, parsed) {
            (Ok(currency), Some(rate)) => Ok((currency.code, rate)),
            _ => Err(faults),
        }
    }

    fn other_currency(&self, code: &str) -> Result<Currency, Wrong> {
        let ours = &self.ours.code;
        match Currency::of_code(code) {
            Some(currency) if currency.code == *ours => Err(Wrong::new(
                format!("a currency other than your own, {ours}"),
                "remove the row",
            )),
            Some(currency) => Ok(currency),
            None => Err(no_code()),
        }
    }

    /// Codes of the currencies that have rates.
    pub fn codes(&self) -> Vec<String> {
        self.by_code.keys().cloned().collect()
    }

    /// The rate for a sale on this day: that of the day, or the latest one before it that is not
    /// too old. Never a later one.
    ///
    /// # Errors
    /// If there is none; the message names the missing line.
    pub fn on(&self, code: &str, day: NaiveDate) -> Result<&Rate, Wrong> {
        let known = self.by_code.get(code);
        let before = known.and_then(|rates| rates.range(..=day).next_back());
        let first = day
            .checked_sub_days(Days::new(self.days.into()))
            .unwrap_or(NaiveDate::MIN);
        match before {
            Some((date, rate)) if *date >= first => Ok(rate),
            found => Err(self.lacking(code, day, found.map(|(date, _)| *date))),
        }
    }

    /// The error for a missing rate; `latest` is the last earlier day that has one.
    fn lacking(&self, code: &str, day: NaiveDate, latest: Option<NaiveDate>) -> Wrong {
        let ours = &self.ours.code;
        let within = match self.days {
            0 => String::new(),
            1 => " or the day before".to_string(),
            days => format!(" or at most {days} days before"),
        };
        let why = match latest {
            _ if !self.there => ", but the book has no such file".to_string(),
            Some(latest) => format!(
                ", but the latest before it is of {latest} (rate_days in compband.toml: {})",
                self.days
            ),
            None => format!(", but it has none of {code} up to then"),
        };
        let line = format!("{day},{code},RATE,SOURCE");
        let how = if self.there {
            format!("add the line {line:?} to it")
        } else {
            format!(
                "make it, with the lines {:?} and {line:?}",
                HEADER.join(",")
            )
        };
        Wrong::new(
            format!("a rate of {code} of {day}{within} in {FILE_NAME}{why}"),
            format!("{how} (RATE: what 1 {code} was worth in {ours})"),
        )
    }
}

/// The exchange rates of the sales already in the book.
#[derive(Debug, Default)]
pub struct KeptRates(IdMap<(Option<NaiveDate>, Foreign)>);

impl KeptRates {
    /// Adds identifiers, days of the sale and texts of [`Foreign`].
    pub(crate) fn add<'a>(
        &mut self,
        sales: impl IntoIterator<Item = (&'a str, Option<NaiveDate>, &'a str)>,
    ) {
        let sale = |(id, day, text)| Some((id_hash(id), (day, Foreign::parse(text)?)));
        self.0.extend(sales.into_iter().filter_map(sale));
    }

    /// The rate of the sale with this identifier, if its currency and day match.
    pub fn rate(&self, comp_id: &str, code: &str, day: Option<NaiveDate>) -> Option<Rate> {
        let (sold_on, paid) = self.0.get(&id_hash(comp_id))?;
        (paid.currency == code && *sold_on == day).then(|| paid.rate.clone())
    }
}

/// Returns the rate of the sale in the book with an identifier, currency and day.
pub type Kept<'a> = dyn Fn(&str, &str, Option<NaiveDate>) -> Option<Rate> + Sync + 'a;

/// Sources of the rate of a sale in another currency.
#[derive(Clone, Copy)]
pub struct Conversion<'a> {
    /// The rates recorded by the owner.
    pub rates: &'a Rates,
    /// The rate of the sale in the book with this identifier, currency and day.
    pub kept: &'a Kept<'a>,
}

impl Conversion<'_> {
    /// The rate of a sale: the one it already has in the book, so that it stays the same, or else
    /// the one of its day.
    ///
    /// # Errors
    /// Those of [`Rates::on`], and a new sale without a recorded day.
    pub fn rate(&self, comp_id: &str, code: &str, day: Option<NaiveDate>) -> Result<Rate, Wrong> {
        if let Some(rate) = (self.kept)(comp_id, code, day) {
            return Ok(rate);
        }
        self.rates
            .on(code, day.ok_or_else(|| no_day(code))?)
            .cloned()
    }
}

/// The error for a text that is no code of a currency.
pub fn no_code() -> Wrong {
    Wrong::new(
        "a currency code of three letters (ISO 4217)",
        "write the code, such as EUR: a sign can stand for several currencies",
    )
}

/// The error for a sale in another currency without a recorded day.
pub fn no_day(code: &str) -> Wrong {
    Wrong::new(
        format!("the date of a sale in {code}, since its rate depends on the date"),
        "write the date of the sale",
    )
}

impl Book {
    /// The rates recorded by the owner; none if there is no `rates.csv`.
    ///
    /// # Errors
    /// [`BookError::Rows`] with all problems in the file, [`BookError::Io`] if it cannot be read.
    pub fn rates(&self) -> Result<Rates, BookError> {
        let path = self.root().join(FILE_NAME);
        let read = self.folder().read(&path, Access::ReadLinked);
        match read.map_err(BookError::io(path, "read"))? {
            Some(bytes) => {
                Rates::parse(&bytes, FILE_NAME, self.settings()).map_err(BookError::Rows)
            }
            None => Ok(Rates::none(self.settings())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        crate::trade::cells::day(text).unwrap()
    }

    fn parse(rows: &str) -> Result<Rates, Vec<String>> {
        let text = format!("date,currency,rate,source\n{rows}");
        Rates::parse(text.as_bytes(), FILE_NAME, &Settings::default())
            .map_err(|problems| problems.iter().map(Problem::to_string).collect())
    }

    #[test]
    fn a_sale_takes_the_latest_rate_of_the_week_before_it() {
        let rates = parse(
            "2026-03-10,XCU,0.92,list\n2026-03-02, xcu ,0.9132,\"bank, monthly\"\n\n2026-03-04,XTS,2,list\n",
        )
        .unwrap();
        let of = |date| rates.on("XCU", day(date)).ok().map(|rate| rate.date);
        for (sold, rate) in [
            ("2026-03-01", None),
            ("2026-03-02", Some("2026-03-02")),
            ("2026-03-09", Some("2026-03-02")),
            ("2026-03-10", Some("2026-03-10")),
            ("2026-03-17", Some("2026-03-10")),
            ("2026-03-18", None),
        ] {
            assert_eq!(of(sold), rate.map(day), "{sold}");
        }
        let lacking = |code, date| {
            let wrong = rates.on(code, day(date)).unwrap_err();
            format!("{}; {}", wrong.expected, wrong.fix)
        };
        assert_eq!(
            lacking("XCU", "2026-03-18"),
            "a rate of XCU of 2026-03-18 or at most 7 days before in rates.csv, but the latest before it is of \
             2026-03-10 (rate_days in compband.toml: 7); add the line \"2026-03-18,XCU,RATE,SOURCE\" to it (RATE: what 1 XCU was worth in EUR)"
        );
        assert!(lacking("XTS", "2026-03-03").contains("none of XTS up to then"));
        let none = Rates::none(&Settings::default());
        let wrong = none.on("XCU", day("2026-03-18")).unwrap_err();
        assert!(
            wrong
                .fix
                .contains("\"date,currency,rate,source\" and \"2026-03-18,XCU,RATE,SOURCE\"")
        );
    }

    #[test]
    fn the_days_of_grace_are_a_setting() {
        let settings = Settings {
            rate_days: 0,
            ..Settings::default()
        };
        let text = b"date,currency,rate,source\n2026-03-02,XCU,1,list\n";
        let rates = Rates::parse(text, FILE_NAME, &settings).unwrap();
        assert!(rates.on("XCU", day("2026-03-02")).is_ok());
        let wrong = rates.on("XCU", day("2026-03-03")).unwrap_err();
        assert!(wrong.expected.starts_with("a rate of XCU of 2026-03-03 in"));
    }

    #[test]
    fn every_wrong_cell_is_named() {
        let problems = parse(
            "2026-02-30,$,0,\n2026-03-02,EUR,1,list\n2026-03-02,XCU,1\n2026-03-03,XCU,1,list\n2026-03-03,xcu,1.1,list\n",
        )
        .unwrap_err();
        let begins = [
            "rates.csv, row 2, column currency: found \"$\": expected a currency code",
            "rates.csv, row 2, column rate: found \"0\": expected a rate above 0",
            "rates.csv, row 2, column date: found \"2026-02-30\": expected a day",
            "rates.csv, row 2, column source: expected where the rate comes from",
            "rates.csv, row 3, column currency: found \"EUR\": expected a currency other than",
            "rates.csv, row 4: found \"3 cells\": expected 4 cells",
            "rates.csv, row 6, column date: found \"2026-03-03 XCU\": expected one row with it; row 5",
        ];
        assert_eq!(problems.len(), begins.len(), "{problems:#?}");
        for (problem, begin) in problems.iter().zip(begins) {
            assert!(problem.starts_with(begin), "{problem}");
        }
        let other = Rates::parse(b"day,rate\n", FILE_NAME, &Settings::default()).unwrap_err();
        assert!(
            other[0]
                .to_string()
                .contains("expected the header \"date,currency,rate,source\"")
        );
        assert!(parse("").unwrap().on("XCU", day("2026-03-02")).is_err());
    }
}
