//! Maps the columns of a file to ours.

pub use super::column::{Column, Field, Ours, Wish};
use crate::book::csv::canonical::{OptionalColumn, PARSED};
use crate::sheets::column::{WEAK, fold};
use crate::trade::cells::Wrong;
use crate::trade::comp::COLUMNS;
use crate::trade::text::{did_you_mean, excerpt, listed, nearest};

use super::options::ReadOptions;
use crate::sheets::records::Cells;

/// Column of a file of rejected rows with the reason; ignored when the corrected file is read.
pub const REASON: &str = "reason";

/// Reads `their=ours`; `their=` and `their=-` ignore a column.
///
/// # Errors
/// A sentence with the error.
pub fn parse_wish(text: &str) -> Result<Wish, String> {
    let (theirs, ours) = text.rsplit_once('=').ok_or_else(|| {
        format!("{text:?} is not a mapping: write their=ours, such as Item=model")
    })?;
    wish(theirs, ours)
}

/// A wish from two names, as in the settings.
///
/// # Errors
/// A sentence with the error.
pub fn wish(theirs: &str, ours: &str) -> Result<Wish, String> {
    let (theirs, ours) = (theirs.trim(), ours.trim());
    if theirs.is_empty() {
        return Err(format!("no column of the file is named before \"={ours}\""));
    }
    let column = if ours.is_empty() || ours == "-" {
        None
    } else {
        Some(Ours::parse(ours)?)
    };
    Ok((theirs.to_string(), column))
}

/// A column of a file that is not used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unused {
    /// Its cell.
    pub cell: usize,
    /// Its name in quotes, or its number.
    pub shown: String,
    /// Its most likely meaning.
    pub likely: Likely,
}

/// The most likely meaning of a column that is not used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Likely {
    /// Nothing that is known.
    Nothing,
    /// One of our columns, for which another column of the file is taken.
    Taken(String),
    /// The column of ours with the most similar name.
    Column(&'static str),
    /// Shipping paid by the buyer: by its name, and because it has amounts.
    Shipping,
    /// Amounts.
    Amounts,
}

/// Words of shipping, folded; a heading with one of them may be what the buyer paid for it.
const SHIPPING_WORDS: &str = "post, postage, posting, ship, shipping, shipment, delivery, carriage, freight, versand, porto, \
     livraison, port, envío, spedizione, verzending";

/// Whether a heading names shipping.
fn is_shipping(heading: &str) -> bool {
    let mut words = heading.split(|c: char| !c.is_alphanumeric()).map(fold);
    words.any(|word| listed(SHIPPING_WORDS).any(|it| it == word))
}

/// The other words of a heading that names a currency by its code: `EUR got`, `Postage (GBP)`.
fn without_currency(heading: &str) -> Option<String> {
    let words = heading.split(|c: char| !c.is_alphanumeric());
    let words = words.filter(|word| !word.is_empty());
    let is_code = |word: &&str| word.len() == 3 && word.bytes().all(|b| b.is_ascii_uppercase());
    let (codes, others): (Vec<&str>, Vec<&str>) = words.partition(is_code);
    (codes.len() == 1 && !others.is_empty()).then(|| others.join(" "))
}

/// Interpretation of the header of one file.
#[derive(Debug, Clone, Default)]
pub struct Mapping {
    /// The file's column names, one per cell of a row.
    pub names: Vec<String>,
    /// Position of each of our columns in a row, in canonical order.
    pub cell_of: [Option<usize>; PARSED.len()],
    /// Numeric attributes, sorted by name, with the cell of each.
    pub attributes: Vec<(String, usize)>,
    /// Cells ignored on the user's wish (or a `reason`).
    pub left_out: Vec<usize>,
    /// Cells ignored because their name is unknown.
    pub unknown: Vec<usize>,
    /// Wishes for columns that the file does not have.
    pub unmet: Vec<String>,
    /// Pairs of the file's columns that map to the same one of ours.
    pub doubled: Vec<(Ours, usize, usize)>,
}

impl Mapping {
    /// Maps the cells of a header. A wish has priority over an alias.
    pub fn new(header: &Cells, wishes: &[Wish]) -> Self {
        let names: Vec<String> = header.iter().map(|name| name.trim().to_string()).collect();
        let mut mapping = Self::default();
        let mut decided = vec![false; names.len()];
        for (theirs, ours) in wishes {
            let exact = names.iter().position(|name| name == theirs);
            let Some(cell) =
                exact.or_else(|| names.iter().position(|name| fold(name) == fold(theirs)))
            else {
                mapping.unmet.push(theirs.clone());
                continue;
            };
            decided[cell] = true;
            match ours {
                Some(ours) => mapping.place(ours.clone(), cell),
                None => mapping.left_out.push(cell),
            }
        }
        let taken = |mapping: &Self, ours: &Ours| {
            mapping
                .cell(ours)
                .is_some_and(|cell| decided.get(cell).copied().unwrap_or_default())
        };
        for (cell, name) in names.iter().enumerate().filter(|(cell, _)| !decided[*cell]) {
            match Ours::of_header(name) {
                Some(ours) if !taken(&mapping, &ours) => mapping.place(ours, cell),
                None if fold(name) == REASON => mapping.left_out.push(cell),
                _ => mapping.unknown.push(cell),
            }
        }
        for (name, column) in WEAK {
            let mut unknown = mapping.unknown.iter().copied();
            let cell = unknown.find(|cell| fold(&names[*cell]) == name);
            if let Some(cell) = cell.filter(|_| mapping.cell_of[column as usize].is_none()) {
                mapping.take(cell, column);
            }
        }
        for cell in mapping.unknown.clone() {
            let rest = without_currency(&names[cell]).and_then(|rest| Ours::of_header(&rest));
            if let Some(Ours::Column(column @ (Column::Price | Column::Shipping))) = rest
                && mapping.cell_of[column as usize].is_none()
            {
                mapping.take(cell, column);
            }
        }
        mapping.names = names;
        mapping
    }

    /// The cell of one of our columns.
    fn cell(&self, ours: &Ours) -> Option<usize> {
        match ours {
            Ours::Column(column) => self.cell_of[*column as usize],
            Ours::Attribute(name) => self
                .attributes
                .iter()
                .find(|(known, _)| known == name)
                .map(|(_, cell)| *cell),
        }
    }

    fn place(&mut self, ours: Ours, cell: usize) {
        if let Some(other) = self.cell(&ours) {
            self.doubled.push((ours, other, cell));
            return;
        }
        match ours {
            Ours::Column(column) => self.cell_of[column as usize] = Some(cell),
            Ours::Attribute(name) => {
                self.attributes.push((name, cell));
                self.attributes.sort_unstable();
            }
        }
    }

    /// Number of our columns that the file has.
    pub fn known(&self) -> usize {
        self.cell_of.iter().flatten().count() + self.attributes.len()
    }

    /// The cell of a field.
    pub fn cell_of_field(&self, field: Field) -> Option<usize> {
        match field {
            Field::Column(column) => self.cell_of[column as usize],
            Field::Attribute(at) => self.attributes.get(at).map(|(_, cell)| *cell),
        }
    }

    /// Required columns that neither the file nor `filled` has. The day is not required if the
    /// sales may be `undated`.
    pub fn lacking(&self, filled: &[(Column, String)], undated: bool) -> Vec<Column> {
        let absent = |column: &Column| {
            self.cell_of[*column as usize].is_none()
                && !(undated && *column == Column::SoldOn)
                && !filled
                    .iter()
                    .any(|(known, value)| known == column && !value.trim().is_empty())
        };
        Column::REQUIRED.into_iter().filter(absent).collect()
    }

    /// The file's name of a field, or ours if it has none.
    pub fn their_name(&self, field: impl Into<Field>) -> &str {
        let field = field.into();
        match (self.cell_of_field(field), field) {
            (Some(cell), _) if !self.names[cell].is_empty() => &self.names[cell],
            (_, Field::Column(column)) => column.name(),
            (_, Field::Attribute(at)) => self.attributes.get(at).map_or("", |(name, _)| name),
        }
    }

    /// Whether this is the header of a canonical file.
    pub fn is_canonical(&self) -> bool {
        let mut names = self.names.iter().map(String::as_str);
        let optional = |name| OptionalColumn::of_header(name).is_some_and(|it| it.name() == name);
        names.by_ref().take(COLUMNS.len()).eq(COLUMNS) && names.all(optional)
    }

    /// The file's name and ours for every mapped column, in the order of the file.
    pub fn taken(&self) -> Vec<(&str, Ours)> {
        let columns = Column::ALL
            .into_iter()
            .filter_map(|column| Some((self.cell_of[column as usize]?, Ours::Column(column))));
        let attributes = self
            .attributes
            .iter()
            .map(|(name, cell)| (*cell, Ours::Attribute(name.clone())));
        let mut taken: Vec<(usize, Ours)> = columns.chain(attributes).collect();
        taken.sort_unstable_by_key(|(cell, _)| *cell);
        taken
            .into_iter()
            .map(|(cell, ours)| (self.names[cell].as_str(), ours))
            .collect()
    }

    /// Mapping options that would provide a missing column, in words: unused columns of the file.
    /// For the day those in `dated`, otherwise the one with the most similar name.
    fn candidates(&self, lacking: &str, dated: &[usize]) -> String {
        let unclaimed = self.unknown.iter().map(|cell| self.names[*cell].as_str());
        let option = |theirs: &str| format!("--map \"{theirs}={lacking}\"");
        let days = dated.iter().filter(|cell| self.unknown.contains(*cell));
        let days: Vec<String> = days
            .map(|cell| self.names[*cell].as_str())
            .filter(|name| !name.is_empty() && lacking == Column::SoldOn.name())
            .map(option)
            .collect();
        if days.is_empty() {
            option(nearest(lacking, unclaimed).unwrap_or("THEIR NAME"))
        } else {
            days.join(" or ")
        }
    }

    /// `; recognised: "Item" as model, "Got" as price`, or empty.
    fn recognised(&self) -> String {
        let columns = PARSED.iter().zip(&self.cell_of);
        let known = columns.filter_map(|(ours, cell)| Some((ours, (*cell)?)));
        let known: Vec<String> = known
            .map(|(ours, cell)| format!("{} as {ours}", self.shown(cell)))
            .collect();
        if known.is_empty() {
            return String::new();
        }
        format!("; recognised: {}", known.join(", "))
    }

    /// The errors in the header under these options: cell (if there is one) and fault. `dated` are
    /// the cells with days in the rows below, `line` is where the header stands.
    pub fn faults(
        &self,
        options: &ReadOptions,
        dated: &[usize],
        line: u64,
    ) -> Vec<(String, Wrong)> {
        let mut faults = Vec::new();
        let lacking = self.lacking(&options.fills, options.undated);
        if let Some(first) = lacking.first() {
            let names: Vec<&str> = lacking.iter().map(|column| column.name()).collect();
            let maps: Vec<String> = names
                .iter()
                .map(|name| self.candidates(name, dated))
                .collect();
            let without = if lacking.contains(&Column::SoldOn) {
                "; sales whose day was not recorded come in with --undated"
            } else {
                ""
            };
            let fix = format!(
                "row {line} looks most like a header: say which column it is with {}, or give all rows one with --fill \
                 \"{}=…\"{without}",
                maps.join(" "),
                first.name()
            );
            let fix = fix + &self.recognised();
            let expected = format!("a header with a column for {}", in_words(&names));
            faults.push((String::new(), Wrong::new(expected, fix)));
        }
        for (ours, first, second) in &self.doubled {
            let column = self.names[*first].clone();
            let [first, second] = [first, second].map(|cell| self.shown(*cell));
            let expected = format!(
                "one column for {}, but {first} and {second} both stand for it",
                ours.name()
            );
            let fix = format!("leave one out with --map {second}=-");
            faults.push((column, Wrong::new(expected, fix)));
        }
        let strict = &options.must_have;
        for theirs in self.unmet.iter().filter(|theirs| strict.contains(theirs)) {
            let near = did_you_mean(theirs, self.names.iter().map(String::as_str));
            let expected = format!("a column {}, which --map names{near}", excerpt(theirs, 60));
            faults.push((
                String::new(),
                Wrong::new(expected, "give --map a name as it stands in the header"),
            ));
        }
        faults
    }

    /// The columns that are ignored without a wish of the user, each with what it most likely is. `amounts` are the
    /// cells with numbers in the rows below that may be amounts, `marked` those with decimals or signs of money.
    pub fn unused(&self, amounts: &[usize], marked: &[usize]) -> Vec<Unused> {
        let open = self.cell_of[Column::Shipping as usize].is_none();
        let unused = |cell: &usize| {
            let name = &self.names[*cell];
            let meaning = match Ours::of_header(name) {
                Some(ours) => Likely::Taken(ours.name()),
                None if open && amounts.contains(cell) && is_shipping(name) => Likely::Shipping,
                None => match nearest(name, PARSED) {
                    Some(near) => Likely::Column(near),
                    None if open && marked.contains(cell) => Likely::Amounts,
                    None => Likely::Nothing,
                },
            };
            Unused {
                cell: *cell,
                shown: self.shown(*cell),
                likely: meaning,
            }
        };
        let mut all: Vec<Unused> = self.unknown.iter().map(unused).collect();
        // Other amounts beside the shipping are fees and the like.
        if all.iter().any(|one| one.likely == Likely::Shipping) {
            let amounts = all.iter_mut().filter(|one| one.likely == Likely::Amounts);
            amounts.for_each(|one| one.likely = Likely::Nothing);
        }
        all
    }

    /// Takes an unused column as one of ours that the file does not have.
    pub fn take(&mut self, cell: usize, column: Column) {
        self.unknown.retain(|unknown| *unknown != cell);
        self.place(Ours::Column(column), cell);
    }

    /// A column of the file for a message: its name in quotes, or its number.
    fn shown(&self, cell: usize) -> String {
        match self.names[cell].as_str() {
            "" => format!("number {}", cell + 1),
            name => excerpt(name, 60),
        }
    }
}

/// `a`, `a and b`, `a, b and c`.
fn in_words(names: &[&str]) -> String {
    match names {
        [but_last @ .., last] if !but_last.is_empty() => {
            format!("{} and {last}", but_last.join(", "))
        }
        _ => names.concat(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheets::column::ALIASES;

    pub(crate) fn map(header: &str, wishes: &[&str]) -> Mapping {
        let mut cells = Cells::new(b',');
        cells.read(header);
        let wishes: Vec<Wish> = wishes
            .iter()
            .map(|wish| parse_wish(wish).unwrap())
            .collect();
        Mapping::new(&cells, &wishes)
    }

    fn faults(mapping: &Mapping, must_have: &[&str]) -> Vec<String> {
        let options = ReadOptions {
            must_have: must_have.iter().map(ToString::to_string).collect(),
            ..ReadOptions::default()
        };
        let faults = mapping.faults(&options, &[], 1).into_iter();
        faults
            .map(|(_, wrong)| format!("expected {}; {}", wrong.expected, wrong.fix))
            .collect()
    }

    #[test]
    fn columns_stand_where_their_names_do() {
        for (column, name) in Column::ALL.into_iter().zip(PARSED) {
            assert_eq!(column.name(), name);
            assert_eq!(Column::parse(name), Ok(column));
        }
        assert!(
            Column::parse("prise")
                .unwrap_err()
                .contains("did you mean \"price\"?")
        );
    }

    #[test]
    fn no_alias_stands_for_two_columns() {
        let aliases = ALIASES.into_iter().flat_map(listed);
        let mut all: Vec<String> = aliases.map(str::to_string).collect();
        all.extend(PARSED.map(fold));
        all.push(REASON.into());
        all.sort_unstable();
        let repeated: Vec<_> = all
            .windows(2)
            .filter(|pair| pair[0] == pair[1])
            .map(|pair| &pair[0])
            .collect();
        assert_eq!(repeated, [] as [&String; 0]);
    }

    #[test]
    fn aliases_and_wishes() {
        let mapping = map(
            "Sale Date, ITEM ,Sold-for,Condition,Title,reason",
            &["title=variant", "condition="],
        );
        let taken = mapping.taken();
        let expected = [
            ("Sale Date", Ours::Column(Column::SoldOn)),
            ("ITEM", Ours::Column(Column::Model)),
            ("Sold-for", Ours::Column(Column::Price)),
            ("Title", Ours::Column(Column::Variant)),
        ];
        assert_eq!(taken, expected);
        assert_eq!(mapping.left_out, [3, 5]);
        assert!(faults(&mapping, &[]).is_empty() && mapping.unused(&[], &[]).is_empty());
    }

    #[test]
    fn attributes_are_found_by_prefix_and_by_wish() {
        let mapping = map(
            "date,item,price,Attr Storage,Health (%),attr.memory,storage",
            &[
                "health (%)=attr.Battery_Health",
                "memory=-",
                "attr.memory=-",
            ],
        );
        let attributes = [
            ("battery health".to_string(), 4),
            ("storage".to_string(), 3),
        ];
        assert_eq!(mapping.attributes, attributes);
        assert_eq!(mapping.their_name(Field::Attribute(0)), "Health (%)");
        assert_eq!(mapping.cell_of[Column::Variant as usize], Some(6));
        let named: Vec<String> = mapping
            .taken()
            .iter()
            .map(|(_, ours)| ours.name())
            .collect();
        assert_eq!(
            named,
            [
                "sold_on",
                "model",
                "price",
                "attr.storage",
                "attr.battery health",
                "variant"
            ]
        );
        let twice = map("date,item,price,attr.a,Attr A", &[]);
        assert!(
            faults(&twice, &[])[0]
                .contains("one column for attr.a, but \"attr.a\" and \"Attr A\" both")
        );
        assert!(parse_wish("x=attr.").is_err());
        let canonical = |extra: &str| map(&format!("{}{extra}", COLUMNS.join(",")), &[]);
        assert!(canonical("").is_canonical() && canonical(",attr.a b").is_canonical());
        assert!(!canonical(",attr.A").is_canonical() && !canonical(",a").is_canonical());
    }

    #[test]
    fn a_wish_goes_before_an_alias() {
        let mapping = map("date,item,amount,net", &["net=price"]);
        assert_eq!(mapping.their_name(Column::Price), "net");
        let unused = mapping.unused(&[2], &[]);
        assert_eq!(
            (unused[0].shown.as_str(), &unused[0].likely),
            ("\"amount\"", &Likely::Taken("price".into()))
        );
    }

    #[test]
    fn what_is_wrong_with_a_header() {
        let mapping = map("date,sold,modle,", &["nett=price"]);
        let faults = faults(&mapping, &["nett"]);
        assert!(
            faults[0].contains("a column for model") && faults[0].contains("--map \"modle=model\""),
            "{faults:?}"
        );
        assert!(
            faults
                .iter()
                .any(|fault| fault.contains("\"date\" and \"sold\" both stand for it")),
            "{faults:?}"
        );
        assert!(
            faults
                .iter()
                .any(|fault| fault.contains("a column \"nett\", which --map names")),
            "{faults:?}"
        );
        assert_eq!(mapping.unused(&[], &[])[1].shown, "number 4");
    }

    #[test]
    fn weak_names_count_where_nothing_else_does() {
        let column = |header: &str, column: Column| map(header, &[]).cell_of[column as usize];
        assert_eq!(column("Day,Thing,price", Column::SoldOn), Some(0));
        assert_eq!(column("Day,Thing,price", Column::Model), Some(1));
        let mapping = map("Day,date,item,price,How", &[]);
        assert!(faults(&mapping, &[]).is_empty() && mapping.unknown == [0]);
        assert_eq!(mapping.cell_of[Column::HowSold as usize], Some(4));
        let mapping = map("Day,date,item,price", &["day=sold_on", "date=-"]);
        assert_eq!(mapping.cell_of[Column::SoldOn as usize], Some(0));
    }

    #[test]
    fn unused_columns_have_likely_meanings() {
        let header = "date,item,price,Post paid by buyer,Buyer,Fees,grdae,Delivery note";
        let mut mapping = map(header, &[]);
        let likely = |mapping: &Mapping| -> Vec<Likely> {
            let unused = mapping.unused(&[3, 5], &[5]).into_iter();
            unused.map(|one| one.likely).collect()
        };
        assert_eq!(
            likely(&mapping),
            [
                Likely::Shipping,
                Likely::Nothing,
                Likely::Nothing,
                Likely::Column("grade"),
                // It has no amounts.
                Likely::Nothing,
            ]
        );
        let fees = map("date,item,price,Fees", &[]).unused(&[3], &[3]);
        assert_eq!(fees[0].likely, Likely::Amounts);
        mapping.take(3, Column::Shipping);
        assert_eq!(mapping.cell_of[Column::Shipping as usize], Some(3));
        assert_eq!(
            likely(&mapping),
            [
                Likely::Nothing,
                Likely::Nothing,
                Likely::Column("grade"),
                Likely::Nothing
            ]
        );
    }
}
