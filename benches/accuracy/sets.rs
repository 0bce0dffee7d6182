//! The open data sets: what their columns are declared to be, and their rows as a design.
//!
//! Declared is what a seller who knows the goods but not the data would: which columns are extras,
//! which numbers count by doublings or by steps, and which way more of them moves the price. The
//! rules of thumb are the defaults for every set.
//!
//! Which sets judge: those that had been looked at when the league was made are for choosing (the
//! first three, and the three whose figures were known). Every other set judges only, and so will
//! any set added later: no parameter of the estimator may be chosen on it.

use std::path::Path;

/// What a column of a set is declared to be.
#[derive(Clone, Copy, PartialEq)]
pub enum Role {
    Price,
    /// Grade A where 1, B where 0.
    GradeA,
    /// Each adds.
    Extra,
    /// A number that counts by doublings, either way.
    Doubling,
    /// A number that counts by doublings, more never lowering the price.
    DoublingUp,
    /// A number that counts by doublings, more never raising the price.
    DoublingDown,
    /// A number that counts by ones, either way.
    Step,
    /// A number that counts by ones, more never lowering the price.
    StepUp,
    /// A number that counts by ones, more never raising the price.
    StepDown,
    /// One of so many kinds, numbered from 0.
    Variant(usize),
    /// Month of the sale.
    Month,
}

impl Role {
    /// Places of the design that a column of it takes: a kind has one for each but the first.
    fn places(self) -> usize {
        match self {
            Self::Price => 0,
            Self::Variant(kinds) => kinds - 1,
            _ => 1,
        }
    }
}

/// A column of a set.
#[derive(Clone, Copy)]
pub struct Column {
    pub name: &'static str,
    pub role: Role,
}

/// A data set; its design is the intercept and then, in order, the columns but the price.
pub struct Set {
    pub name: &'static str,
    /// What was sold, for the head of the report.
    pub goods: &'static str,
    file: &'static str,
    /// Whether it judges only; the others may be looked at while choosing.
    pub judges: bool,
    /// The column whose values make the models of a book, where one does.
    pub models: Option<&'static str>,
    pub columns: Vec<Column>,
}

/// A sale, as a row of the design, its columns as they stand in the file, and its log price.
pub struct Row {
    pub cells: Vec<f64>,
    pub design: Vec<f64>,
    pub log_price: f64,
}

fn set(
    (name, goods): (&'static str, &'static str),
    file: &'static str,
    judges: bool,
    models: Option<&'static str>,
    columns: &[(&'static str, Role)],
) -> Set {
    let columns = columns.iter().map(|&(name, role)| Column { name, role });
    Set {
        name,
        goods,
        file,
        judges,
        models,
        columns: columns.collect(),
    }
}

/// All sets with all their columns, those for choosing first.
pub fn sets() -> Vec<Set> {
    choosing().into_iter().chain(judging()).collect()
}

/// Those that may be looked at while choosing.
fn choosing() -> [Set; 6] {
    use Role::{Doubling, DoublingDown, DoublingUp, Extra, GradeA, Month, Price, StepUp, Variant};
    [
        set(
            ("auctions", "video games"),
            "tests/reference/textbook_auctions.csv",
            false,
            Some("duration"),
            &[
                ("total_pr", Price),
                ("cond", GradeA),
                ("stock_photo", Extra),
                ("wheels", Extra),
                ("duration", Doubling),
            ],
        ),
        set(
            ("computers", "personal computers"),
            "benches/accuracy/computers.csv",
            false,
            Some("speed"),
            &[
                ("price", Price),
                ("speed", DoublingUp),
                ("hd", DoublingUp),
                ("ram", DoublingUp),
                ("screen", DoublingUp),
                ("cd", Extra),
                ("multi", Extra),
                ("premium", Variant(2)),
                ("trend", Month),
            ],
        ),
        set(
            ("houses", "houses"),
            "benches/accuracy/houses.csv",
            false,
            Some("bedrooms"),
            &[
                ("price", Price),
                ("lotsize", DoublingUp),
                ("bedrooms", Extra),
                ("bathrooms", Extra),
                ("stories", Extra),
                ("driveway", Extra),
                ("recreation", Extra),
                ("fullbase", Extra),
                ("gasheat", Extra),
                ("aircon", Extra),
                ("garage", Extra),
                ("prefer", Extra),
            ],
        ),
        set(
            ("cars", "used cars of one year"),
            "benches/accuracy/cars.csv",
            false,
            Some("make"),
            &[
                ("price", Price),
                ("mileage", DoublingDown),
                ("cylinders", DoublingUp),
                ("doors", Doubling),
                ("cruise", Extra),
                ("sound", Extra),
                ("leather", Extra),
                ("make", Variant(6)),
            ],
        ),
        set(
            ("stones", "cut stones"),
            "benches/accuracy/stones.csv",
            false,
            Some("colour"),
            &[
                ("price", Price),
                ("carat", DoublingUp),
                ("colour", StepUp),
                ("clarity", StepUp),
            ],
        ),
        set(
            ("town-houses", "houses"),
            "benches/accuracy/town_houses.csv",
            false,
            Some("beds"),
            &[
                ("price", Price),
                ("area", DoublingUp),
                ("beds", Extra),
                ("baths", StepUp),
                ("kind", Variant(3)),
            ],
        ),
    ]
}

/// Those that judge only.
fn judging() -> [Set; 8] {
    use Role::{
        Doubling, DoublingDown, DoublingUp, Extra, Month, Price, Step, StepDown, StepUp, Variant,
    };
    [
        set(
            ("sedans", "used cars of one model"),
            "benches/accuracy/sedans.csv",
            true,
            None,
            &[
                ("price", Price),
                ("age", StepDown),
                ("mileage", DoublingDown),
            ],
        ),
        set(
            ("three-cars", "used cars"),
            "benches/accuracy/three_cars.csv",
            true,
            Some("make"),
            &[
                ("price", Price),
                ("age", StepDown),
                ("mileage", DoublingDown),
                ("make", Variant(3)),
            ],
        ),
        set(
            ("horses", "horses"),
            "benches/accuracy/horses.csv",
            true,
            Some("sex"),
            &[
                ("price", Price),
                ("age", Step),
                ("height", StepUp),
                ("sex", Variant(2)),
            ],
        ),
        set(
            ("gems", "cut stones"),
            "benches/accuracy/gems.csv",
            true,
            Some("colour"),
            &[
                ("price", Price),
                ("carat", DoublingUp),
                ("depth", Doubling),
                ("colour", StepUp),
                ("clarity", StepUp),
            ],
        ),
        set(
            ("homes", "houses"),
            "benches/accuracy/homes.csv",
            true,
            Some("bedrooms"),
            &[
                ("price", Price),
                ("lot", DoublingUp),
                ("area", DoublingUp),
                ("bedrooms", Extra),
                ("colonial", Variant(2)),
            ],
        ),
        set(
            ("suburb", "houses in two years"),
            "benches/accuracy/suburb.csv",
            true,
            Some("rooms"),
            &[
                ("price", Price),
                ("area", DoublingUp),
                ("land", DoublingUp),
                ("rooms", Extra),
                ("baths", Extra),
                ("decades", StepDown),
                ("month", Month),
            ],
        ),
        set(
            ("forest", "houses"),
            "benches/accuracy/forest.csv",
            true,
            Some("beds"),
            &[
                ("price", Price),
                ("area", DoublingUp),
                ("lot", DoublingUp),
                ("beds", Extra),
                ("baths", StepUp),
                ("built", StepUp),
                ("central", Extra),
            ],
        ),
        set(
            ("new-cars", "new cars of many models"),
            "benches/accuracy/new_cars.csv",
            true,
            Some("kind"),
            &[
                ("price", Price),
                ("power", DoublingUp),
                ("engine", DoublingUp),
                ("weight", DoublingUp),
                ("economy", Doubling),
                ("airbags", Extra),
                ("kind", Variant(6)),
            ],
        ),
    ]
}

impl Set {
    /// The rows of the file, in its order.
    pub fn load(&self) -> Vec<Row> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(self.file);
        let mut reader = csv::Reader::from_path(path).expect("the data set");
        let header = reader.headers().expect("a header").clone();
        let places: Vec<usize> = self
            .columns
            .iter()
            .map(|c| header.iter().position(|h| h == c.name).expect("the column"))
            .collect();
        reader
            .records()
            .map(|record| {
                let record = record.expect("a row");
                self.row(places.iter().map(|at| number(&record[*at])).collect())
            })
            .collect()
    }

    fn row(&self, cells: Vec<f64>) -> Row {
        let mut row = Row {
            cells,
            design: vec![1.0],
            log_price: 0.0,
        };
        for (column, &value) in self.columns.iter().zip(&row.cells) {
            match column.role {
                Role::Price => row.log_price = value.ln(),
                Role::Doubling | Role::DoublingUp | Role::DoublingDown => {
                    row.design.push(value.log2());
                }
                Role::Variant(kinds) => {
                    assert!((value as usize) < kinds, "{} {value}", column.name);
                    row.design
                        .extend((1..kinds).map(|kind| f64::from(u8::from(kind == value as usize))));
                }
                _ => row.design.push(value),
            }
        }
        row
    }

    /// What each place of the design behind the intercept is of.
    pub fn designed(&self) -> impl Iterator<Item = (usize, Role)> {
        let roles = self
            .columns
            .iter()
            .flat_map(|c| std::iter::repeat_n(c.role, c.role.places()));
        (1..).zip(roles)
    }
}

fn number(cell: &str) -> f64 {
    match cell {
        "yes" | "new" => 1.0,
        "no" | "used" => 0.0,
        other => other.parse().expect("a number"),
    }
}
