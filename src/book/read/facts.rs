//! What a whole column tells about one of its cells: the order of day and month, and the
//! decimal mark. Looked into only when some cell needs it, so that a file of plain cells is
//! read once.

use std::fmt::Display;
use std::sync::OnceLock;

use crate::book::Currency;
use crate::book::dates::{DateOrder, WrittenDate, read_date};
use crate::book::money::{DecimalMark, read_amount};
use crate::book::problem::shorten;

use super::Input;
use super::header::Column;
use super::records::Cells;

/// What is known of a column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decided<T> {
    /// It is so.
    Known {
        /// What it is.
        value: T,
        /// Where it was learnt, to stand behind `as`.
        why: String,
    },
    /// No cell tells, or the cells contradict each other.
    Open {
        /// Why it is open, to stand behind `and`.
        why: String,
        /// Whether cells contradict each other.
        contradicted: bool,
    },
}

/// Facts about the columns of one input, found at the first question.
pub struct Facts<'a> {
    input: &'a Input,
    currency: &'a Currency,
    dates: OnceLock<Decided<DateOrder>>,
    price: OnceLock<Decided<DecimalMark>>,
    shipping: OnceLock<Decided<DecimalMark>>,
}

/// Cells that are possible under one reading only.
struct Evidence<T> {
    readings: [T; 2],
    first: [Option<(u64, String)>; 2],
}

impl<T: Copy + PartialEq + Display> Evidence<T> {
    fn new(readings: [T; 2]) -> Self {
        Self {
            readings,
            first: [None, None],
        }
    }

    fn add(&mut self, proven: T, line: u64, text: &str) {
        let at = usize::from(proven == self.readings[1]);
        self.first[at].get_or_insert_with(|| (line, shorten(text, 40)));
    }

    /// The reading that all proof is for.
    fn agreed(&self) -> Decided<T> {
        let [one, other] = self.readings;
        match &self.first {
            [Some((line, text)), None] => known(one, *line, text),
            [None, Some((line, text))] => known(other, *line, text),
            [None, None] => Decided::Open {
                why: "no other cell of the column tells which".into(),
                contradicted: false,
            },
            [Some((line, text)), Some((other_line, other_text))] => Decided::Open {
                why: format!(
                    "the column has both: {one} in row {line} ({text}), {other} in row {other_line} ({other_text})"
                ),
                contradicted: true,
            },
        }
    }
}

fn known<T>(value: T, line: u64, text: &str) -> Decided<T> {
    Decided::Known {
        value,
        why: format!("row {line} is ({text})"),
    }
}

impl<'a> Facts<'a> {
    /// Nothing is looked into yet.
    pub fn new(input: &'a Input, currency: &'a Currency) -> Self {
        Self {
            input,
            currency,
            dates: OnceLock::new(),
            price: OnceLock::new(),
            shipping: OnceLock::new(),
        }
    }

    /// The order of day and month in the dates: as said by the user, else that of the
    /// dates which allow one order only, where these agree.
    pub fn date_order(&self) -> &Decided<DateOrder> {
        self.dates.get_or_init(|| {
            if let Some(value) = self.input.dates {
                return Decided::Known {
                    value,
                    why: "--dates says".to_string(),
                };
            }
            let mut evidence = Evidence::new([DateOrder::DayFirst, DateOrder::MonthFirst]);
            self.each_cell(Column::SoldOn, |line, text| {
                if let Ok(WrittenDate::Numbers(numbers)) = read_date(text)
                    && let Some(order) = numbers.proves()
                {
                    evidence.add(order, line, text);
                }
            });
            evidence.agreed()
        })
    }

    /// The decimal mark of the amounts in a column that allow one only, where these agree.
    pub fn decimal_mark(&self, column: Column) -> &Decided<DecimalMark> {
        let place = if column == Column::Shipping {
            &self.shipping
        } else {
            &self.price
        };
        place.get_or_init(|| {
            let mut evidence = Evidence::new([DecimalMark::Point, DecimalMark::Comma]);
            self.each_cell(column, |line, text| {
                if let Some(mark) = read_amount(text, self.currency)
                    .ok()
                    .and_then(|amount| amount.proves())
                {
                    evidence.add(mark, line, text);
                }
            });
            evidence.agreed()
        })
    }

    /// The date order, where some date asked for it.
    pub fn date_order_if_asked(&self) -> Option<&Decided<DateOrder>> {
        self.dates.get()
    }

    /// The decimal mark of prices, or else of shipping, where some amount asked for it.
    pub fn decimal_mark_if_asked(&self) -> Option<&Decided<DecimalMark>> {
        self.price.get().or_else(|| self.shipping.get())
    }

    fn each_cell(&self, column: Column, mut each: impl FnMut(u64, &str)) {
        let Some(at) = self.input.mapping.cell_of[column as usize] else {
            return;
        };
        let mut cells = Cells::new(self.input.delimiter);
        for raw in self.input.rows() {
            cells.read(raw.text);
            each(raw.line, cells.get(at).trim());
        }
    }
}
