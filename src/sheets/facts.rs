//! Facts of a whole column that its cells depend on: the order of day and month, and the decimal
//! mark. Computed only if some cell needs them, so that a file of unambiguous cells is read once.

use std::collections::HashSet;
use std::fmt::Display;
use std::sync::OnceLock;

use crate::parse::dates::{DateOrder, WrittenDate, read_date};
use crate::parse::lists::alone;
use crate::parse::money::{Amount, DecimalMark, read_amount, read_quantity, read_rate};
use crate::settings::Settings;
use crate::trade::Currency;
use crate::trade::text::shorten;

use crate::sheets::Input;
use crate::sheets::header::{Column, Field};
use crate::sheets::records::Cells;

/// Most names of pieces that are looked for in lists.
const MOST_PIECES: usize = 10_000;

/// A fact of a column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decided<T> {
    /// It is known.
    Known {
        /// Its value.
        value: T,
        /// Its source, for use after `as`.
        why: String,
    },
    /// No cell determines it, or the cells contradict each other.
    Open {
        /// The reason, for use after `and`.
        why: String,
        /// Whether cells contradict each other.
        contradicted: bool,
    },
}

/// Facts of the columns of one input, computed on demand.
pub struct Facts<'a> {
    input: &'a Input,
    settings: &'a Settings,
    currency: &'a Currency,
    dates: OnceLock<Decided<DateOrder>>,
    price: OnceLock<Decided<DecimalMark>>,
    shipping: OnceLock<Decided<DecimalMark>>,
    rate: OnceLock<Decided<DecimalMark>>,
    attributes: Vec<AttributeFacts>,
    pieces: OnceLock<HashSet<String>>,
}

/// Facts of the column of a numeric attribute.
#[derive(Default)]
struct AttributeFacts {
    mark: OnceLock<Decided<DecimalMark>>,
    unit: OnceLock<Option<(String, u64)>>,
}

/// Cells that are possible in one reading only.
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

    /// The reading on which all evidence agrees.
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
    /// Without any computed fact.
    pub fn new(input: &'a Input, settings: &'a Settings) -> Self {
        Self {
            input,
            settings,
            currency: &settings.currency,
            dates: OnceLock::new(),
            price: OnceLock::new(),
            shipping: OnceLock::new(),
            rate: OnceLock::new(),
            attributes: input
                .mapping
                .attributes
                .iter()
                .map(|_| AttributeFacts::default())
                .collect(),
            pieces: OnceLock::new(),
        }
    }

    /// The order of day and month in the dates: the user's choice, or else that of the dates that
    /// allow one order only, or else that of the book. Open if the dates contradict each other.
    pub fn date_order(&self) -> &Decided<DateOrder> {
        self.dates.get_or_init(|| {
            if let Some(value) = self.input.dates {
                return Decided::Known {
                    value,
                    why: "--dates says".to_string(),
                };
            }
            let mut evidence = Evidence::new([DateOrder::DayFirst, DateOrder::MonthFirst]);
            self.each_cell(Column::SoldOn.into(), |line, text| {
                if let Ok(WrittenDate::Numbers(numbers)) = read_date(text)
                    && let Some(order) = numbers.proves()
                {
                    evidence.add(order, line, text);
                }
            });
            match evidence.agreed() {
                Decided::Open {
                    contradicted: false,
                    ..
                } => Decided::Known {
                    value: self.settings.date_order(),
                    why: self.settings.date_order_why(),
                },
                decided => decided,
            }
        })
    }

    /// The names that stand alone in the lists of the file, folded: a list that could be split has these.
    pub fn pieces(&self) -> &HashSet<String> {
        self.pieces.get_or_init(|| {
            let mut names = HashSet::new();
            for column in [Column::Missing, Column::Extras, Column::Defects] {
                self.each_cell(column.into(), |_, text| {
                    if names.len() < MOST_PIECES {
                        names.extend(alone(text));
                    }
                });
            }
            names
        })
    }

    /// The decimal mark of the numbers in a column that allow one only, if these agree. For rates
    /// and attributes without such numbers, that of prices.
    pub fn decimal_mark(&self, field: Field) -> &Decided<DecimalMark> {
        let amount = |text: &str| read_amount(text, self.currency).ok();
        let quantity = |text: &str| Some(read_quantity(text).ok()?.0);
        let own = match field {
            Field::Column(Column::Rate) => {
                self.mark_in(&self.rate, field, |text| read_rate(text).ok())
            }
            Field::Attribute(at) => self.mark_in(&self.attributes[at].mark, field, quantity),
            Field::Column(Column::Shipping) => {
                return self.mark_in(&self.shipping, field, amount);
            }
            Field::Column(_) => return self.mark_in(&self.price, Column::Price.into(), amount),
        };
        match own {
            Decided::Open { .. } => self.decimal_mark(Column::Price.into()),
            known => known,
        }
    }

    fn mark_in<'s>(
        &self,
        place: &'s OnceLock<Decided<DecimalMark>>,
        field: Field,
        read: impl Fn(&str) -> Option<Amount>,
    ) -> &'s Decided<DecimalMark> {
        place.get_or_init(|| {
            let mut evidence = Evidence::new([DecimalMark::Point, DecimalMark::Comma]);
            self.each_cell(field, |line, text| {
                if let Some(mark) = read(text).and_then(|amount| amount.proves()) {
                    evidence.add(mark, line, text);
                }
            });
            evidence.agreed()
        })
    }

    /// The first unit in the column of an attribute, and its row.
    pub fn unit(&self, attribute: usize) -> Option<&(String, u64)> {
        let find = || {
            let mut first = None;
            self.each_cell(Field::Attribute(attribute), |line, text| {
                if first.is_none()
                    && let Ok((_, unit)) = read_quantity(text)
                    && !unit.is_empty()
                {
                    first = Some((shorten(unit, 40), line));
                }
            });
            first
        };
        self.attributes[attribute].unit.get_or_init(find).as_ref()
    }

    /// The date order, if some date needed it.
    pub fn date_order_if_asked(&self) -> Option<&Decided<DateOrder>> {
        self.dates.get()
    }

    /// The decimal mark of prices, or else of shipping, if some amount needed it.
    pub fn decimal_mark_if_asked(&self) -> Option<&Decided<DecimalMark>> {
        self.price.get().or_else(|| self.shipping.get())
    }

    fn each_cell(&self, field: Field, mut each: impl FnMut(u64, &str)) {
        let Some(at) = self.input.mapping.cell_of_field(field) else {
            return;
        };
        let mut cells = Cells::new(self.input.delimiter);
        for raw in self.input.rows() {
            cells.read(raw.text);
            each(raw.line, cells.get(at).trim());
        }
    }
}
