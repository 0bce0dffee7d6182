//! The open data sets: what their columns are declared to be, and their rows as a design.

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
    /// One of several kinds, either way.
    Variant,
    /// Month of the sale.
    Month,
}

/// A column of a set.
#[derive(Clone, Copy)]
pub struct Column {
    pub name: &'static str,
    pub role: Role,
    /// Whether the stated floor is fitted on it.
    pub stated: bool,
}

/// A data set; its design is the intercept and then, in order, the columns but the price.
pub struct Set {
    pub name: &'static str,
    file: &'static str,
    pub columns: Vec<Column>,
}

/// A sale, as a row of the design, its columns as they stand in the file, and its log price.
pub struct Row {
    pub cells: Vec<f64>,
    pub design: Vec<f64>,
    pub log_price: f64,
}

const fn column(name: &'static str, role: Role) -> Column {
    Column {
        name,
        role,
        stated: true,
    }
}

/// A column that the stated floor knows nothing of.
const fn unstated(name: &'static str, role: Role) -> Column {
    Column {
        name,
        role,
        stated: false,
    }
}

/// The three sets with all their columns.
pub fn sets() -> [Set; 3] {
    use Role::{Doubling, DoublingUp, Extra, GradeA, Month, Price, Variant};
    [
        Set {
            name: "auctions",
            file: "tests/reference/mariokart.csv",
            columns: vec![
                column("total_pr", Price),
                column("cond", GradeA),
                unstated("stock_photo", Extra),
                column("wheels", Extra),
                unstated("duration", Doubling),
            ],
        },
        Set {
            name: "computers",
            file: "benches/accuracy/computers.csv",
            columns: vec![
                column("price", Price),
                column("speed", DoublingUp),
                column("hd", DoublingUp),
                column("ram", DoublingUp),
                column("screen", DoublingUp),
                column("cd", Extra),
                column("multi", Extra),
                unstated("premium", Variant),
                column("trend", Month),
            ],
        },
        Set {
            name: "houses",
            file: "benches/accuracy/houses.csv",
            columns: vec![
                column("price", Price),
                column("lotsize", DoublingUp),
                column("bedrooms", Extra),
                column("bathrooms", Extra),
                column("stories", Extra),
                column("driveway", Extra),
                column("recreation", Extra),
                column("fullbase", Extra),
                column("gasheat", Extra),
                column("aircon", Extra),
                column("garage", Extra),
                column("prefer", Extra),
            ],
        },
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
                Role::Doubling | Role::DoublingUp => row.design.push(value.log2()),
                Role::GradeA | Role::Extra | Role::Variant | Role::Month => row.design.push(value),
            }
        }
        row
    }

    /// The columns of the design behind the intercept, each with its place.
    pub fn designed(&self) -> impl Iterator<Item = (usize, &Column)> {
        (1..).zip(self.columns.iter().filter(|c| c.role != Role::Price))
    }

    /// Which places of the design the stated floor is fitted on.
    pub fn stated(&self) -> Vec<usize> {
        let stated = self.designed().filter(|(_, c)| c.stated);
        std::iter::once(0).chain(stated.map(|(at, _)| at)).collect()
    }
}

fn number(cell: &str) -> f64 {
    match cell {
        "yes" | "new" => 1.0,
        "no" | "used" => 0.0,
        other => other.parse().expect("a number"),
    }
}
