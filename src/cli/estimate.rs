//! `compband estimate`: what this unit will sell for.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::{Args, ValueEnum};

use super::attributes::read_attributes;
use super::siblings::Siblings;
use super::{CliError, SHORTEST_ID, notice, parse_day, say, today, undeclared};
use crate::band::estimate::{Estimate, EstimateError, estimate_among};
use crate::band::siblings::{MOST_MODELS, speak};
use crate::book::comp::match_key;
use crate::book::frame::short_ids;
use crate::book::problem::nearest;
use crate::book::settings::{PriceBasis, Settings};
use crate::book::store::Book;
use crate::book::{Attributes, BookError, HowSold, Items};
use crate::fit::pool::Pool;
use crate::render::chart::{self, BandChart, ChartError, Dot};
use crate::render::json;
use crate::render::sheet::{Listing, sheet};
use crate::render::table::terminal_width;
use crate::select::plan::{Query, SelectError, describe, select};
use crate::select::widen::{Limits, widen};
use crate::select::{Dropped, Selection, Subject};

/// Candidates brought out of the book for each comp that a fit may take.
const CANDIDATES_PER_COMP: usize = 3;

/// Most comps on a sheet: used, and not used for one reason.
const LISTED: (usize, usize) = (40, 4);

const EXAMPLES: &str = "\
Examples:
  compband estimate --model \"Nerrow F4\" --grade B --completeness usable --missing charger
  compband estimate --model \"Tolvik Page 6\" --grade C --defect \"dead pixels\" --chart page6.png
  compband estimate --model \"Tolvik Page 6\" --set storage=32
  compband estimate --model \"Brask M2\" --parts --band 50 --json

What is not said of the unit is taken to be what is commonest among the comps used, and the
sheet says so. The estimate is not a promise, and not tax or legal advice.";

/// Estimate what a unit will sell for, with a band
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct EstimateArgs {
    /// Model of the unit (case and spacing do not matter)
    #[arg(long, value_name = "MODEL")]
    model: String,
    /// Variant: colour, storage, revision
    #[arg(long, value_name = "VARIANT")]
    variant: Option<String>,
    /// Completeness, a level of the book's scale (bare, usable, full, boxed, sealed)
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Grade, a letter of the book's scale (A, B, C, D)
    #[arg(long, value_name = "GRADE")]
    grade: Option<String>,
    /// Pieces missing beyond that, apart by commas ("charger, battery x2")
    #[arg(long, value_name = "PIECES")]
    missing: Vec<String>,
    /// Things beyond that, apart by commas ("battery x2")
    #[arg(long, value_name = "THINGS")]
    extra: Vec<String>,
    /// Faults that do not stop it working, apart by commas
    #[arg(long, value_name = "FAULTS")]
    defect: Vec<String>,
    /// A numeric attribute, such as storage=256 or "storage=256 GB"; can be given several times
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// The unit does not work: for parts only
    #[arg(long)]
    parts: bool,
    /// How it will be sold
    #[arg(long, value_name = "HOW", value_enum)]
    how_sold: Option<SoldArg>,
    /// Day of the estimate: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<NaiveDate>,
    /// Chance of the band in per cent [default: the book's, 80]
    #[arg(long, value_name = "PERCENT", value_parser = clap::value_parser!(u8).range(1..=99))]
    band: Option<u8>,
    /// Which price is meant [default: the book's, delivered]
    #[arg(long, value_name = "BASIS", value_enum)]
    basis: Option<BasisArg>,
    /// Use this comp whatever the tests say (an id or its beginning)
    #[arg(long, value_name = "ID")]
    keep: Vec<String>,
    /// Leave this comp out (an id or its beginning)
    #[arg(long, value_name = "ID")]
    drop: Vec<String>,
    /// Comps at which widening the search stops [default: the book's, 40]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    enough: Option<u32>,
    /// Days looked back on before the last widening step [default: the book's, 365]
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    window: Option<u32>,
    /// Draw a chart into FILE (.png or .svg); can be given twice
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
    /// List every comp on the sheet
    #[arg(long)]
    all_comps: bool,
    /// Print the query plan instead of an estimate
    #[arg(long, conflicts_with_all = ["json", "chart"])]
    show_plan: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum SoldArg {
    Auction,
    Fixed,
    Offer,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum BasisArg {
    Delivered,
    Item,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, a value is not of the book's scales, or nothing speaks of
/// the unit.
pub fn run(args: &EstimateArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = Book::open(book)?;
    let settings = args.settings(book.settings());
    let subject = args.subject(&settings)?;
    let as_of = args.as_of.unwrap_or_else(today);
    let speaks = |other: &str| speak(&subject.model, other, &settings);
    let (comps, others) = book.frame_among(&subject.model, MOST_MODELS, &speaks, &mut notice)?;
    let query = Query {
        subject: &subject,
        as_of,
        window_days: settings.estimate.window_days,
        basis: settings.price_basis,
        most: if args.keep.is_empty() && args.drop.is_empty() {
            settings.estimate.most_comps * CANDIDATES_PER_COMP
        } else {
            usize::MAX
        },
    };
    let selection = match select(&comps, &query) {
        Err(SelectError::NoModel { .. })
            if settings
                .kit(&subject.model)
                .is_some_and(|kit| kit.price.is_some()) =>
        {
            Selection::empty(&subject.model)
        }
        other => other?,
    };
    if args.show_plan {
        return say(&format!("{}\n", describe(&comps, &query)?.trim_end()));
    }
    let pool = Siblings::new(&others, &settings)?.pool(&match_key(&subject.model), as_of, true)?;
    let made = args.estimate(selection, &subject, &pool, &settings, as_of)?;
    if !args.chart.is_empty() {
        super::draw(&band_chart(&made), &args.chart)?;
    }
    if args.json {
        return say(&format!("{:#}\n", json::document(&made)));
    }
    let ids: Vec<&str> = made
        .comps
        .iter()
        .map(|line| line.comp.comp_id.as_str())
        .collect();
    let ids = short_ids(&comps, &ids, SHORTEST_ID)?;
    let (used, dropped) = if args.all_comps {
        (usize::MAX, usize::MAX)
    } else {
        LISTED
    };
    say(&sheet(
        &made,
        &Listing {
            used,
            dropped,
            ids: &ids,
        },
        terminal_width(),
    ))
}

impl EstimateArgs {
    /// The book's settings with what the command line overrules.
    fn settings(&self, settings: &Settings) -> Settings {
        let mut settings = settings.clone();
        let estimate = &mut settings.estimate;
        estimate.band = self.band.unwrap_or(estimate.band);
        estimate.enough = self.enough.map_or(estimate.enough, |n| n as usize);
        estimate.window_days = self.window.unwrap_or(estimate.window_days);
        match self.basis {
            Some(BasisArg::Delivered) => settings.price_basis = PriceBasis::Delivered,
            Some(BasisArg::Item) => settings.price_basis = PriceBasis::Item,
            None => {}
        }
        settings
    }

    fn subject(&self, settings: &Settings) -> Result<Subject, CliError> {
        let grades: Vec<&str> = settings.grades.iter().map(|g| g.name.as_str()).collect();
        let levels: Vec<&str> = settings
            .completeness
            .iter()
            .map(|c| c.name.as_str())
            .collect();
        let missing = items("--missing", &self.missing)?;
        self.check_kit(&missing, settings)?;
        Ok(Subject {
            model: self.model.trim().to_string(),
            variant: self
                .variant
                .as_deref()
                .map(str::trim)
                .filter(|v| !v.is_empty())
                .map(str::to_string),
            completeness: of_scale("--completeness", self.completeness.as_deref(), &levels)?,
            grade: of_scale("--grade", self.grade.as_deref(), &grades)?,
            missing,
            extras: items("--extra", &self.extra)?,
            defects: items("--defect", &self.defect)?,
            attributes: self.attributes(settings)?,
            works: !self.parts,
            how_sold: self.how_sold.map(|how| match how {
                SoldArg::Auction => HowSold::Auction,
                SoldArg::Fixed => HowSold::Fixed,
                SoldArg::Offer => HowSold::Offer,
            }),
        })
    }

    fn attributes(&self, settings: &Settings) -> Result<Attributes, CliError> {
        let mut problems = Vec::new();
        let attributes = read_attributes(&self.set, &self.model, settings, &mut problems);
        if !problems.is_empty() {
            return Err(BookError::Rows(problems).into());
        }
        for (name, _) in attributes.iter() {
            if settings.attribute(&self.model, name).is_none() {
                notice(&undeclared(name, &self.model));
            }
        }
        Ok(attributes)
    }

    /// No more of a piece can be missing than the kit has.
    fn check_kit(&self, missing: &Items, settings: &Settings) -> Result<(), CliError> {
        let Some(kit) = settings.kit(&self.model) else {
            return Ok(());
        };
        for (piece, count) in missing.iter() {
            let shipped = kit.ships_with.count(piece);
            if shipped > 0 && count > shipped {
                return Err(CliError::Refused {
                    message: format!(
                        "--missing {piece} x{count}: the kit of {:?} has {shipped}",
                        self.model
                    ),
                    next: "say how many of those are missing, or mend the kit in compband.toml"
                        .into(),
                });
            }
        }
        Ok(())
    }

    fn estimate(
        &self,
        mut selection: Selection,
        subject: &Subject,
        pool: &Pool,
        settings: &Settings,
        as_of: NaiveDate,
    ) -> Result<Estimate, CliError> {
        let limits = Limits {
            enough: settings.estimate.enough,
            most: settings.estimate.most_comps,
            keep: &self.keep,
            drop: &self.drop,
        };
        widen(&mut selection, subject, &limits).map_err(|error| CliError::Refused {
            message: error.to_string(),
            next: format!("`compband comps --model {:?}` shows the ids", subject.model),
        })?;
        Ok(estimate_among(
            pool,
            selection,
            subject,
            settings,
            as_of,
            settings.estimate.band,
        )?)
    }
}

impl From<SelectError> for CliError {
    fn from(error: SelectError) -> Self {
        match error {
            SelectError::NoModel { asked, near } => super::no_such_model(&asked, &near),
            SelectError::Query(error) => Self::Table(error),
        }
    }
}

impl From<ChartError> for CliError {
    fn from(error: ChartError) -> Self {
        match error {
            ChartError::Io { path, source } => Self::Book(BookError::Io {
                path,
                doing: "write",
                source,
            }),
            other => Self::Refused {
                message: other.to_string(),
                next: String::new(),
            },
        }
    }
}

impl From<EstimateError> for CliError {
    fn from(error: EstimateError) -> Self {
        Self::Absent {
            message: error.to_string(),
            next: "`compband comps` lists what the book holds".into(),
        }
    }
}

/// A value of one of the book's scales in the scale's own spelling.
fn of_scale(flag: &str, given: Option<&str>, scale: &[&str]) -> Result<Option<String>, CliError> {
    let Some(given) = given else { return Ok(None) };
    if let Some(name) = scale
        .iter()
        .find(|name| name.eq_ignore_ascii_case(given.trim()))
    {
        return Ok(Some((*name).to_string()));
    }
    let near = nearest(given, scale.iter().copied())
        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
    Err(CliError::Refused {
        message: format!("{flag} {given:?} is not on the book's scale"),
        next: format!("{near}The scale is {} (compband.toml)", scale.join(", ")),
    })
}

fn items(flag: &str, given: &[String]) -> Result<Items, CliError> {
    Items::parse(&given.join(";").replace(',', ";")).map_err(|entry| CliError::Refused {
        message: format!("{flag} {entry:?} is not a thing or a count of it"),
        next: "write names apart by commas, with a count where there are several: \"charger, battery x2\"".into(),
    })
}

fn band_chart(made: &Estimate) -> BandChart {
    let float = |money| rust_decimal::prelude::ToPrimitive::to_f64(&money).unwrap_or(f64::NAN);
    BandChart {
        title: crate::render::sheet::unit(&made.subject),
        subtitle: format!(
            "{}, from {}; {}",
            made.as_of,
            super::count(made.evidence.used, "comp"),
            crate::render::sheet::basis(made.basis)
        ),
        currency: made.currency.clone(),
        chance: made.chance,
        median: float(made.median),
        low: float(made.low),
        high: float(made.high),
        density: made.density.clone(),
        dots: made
            .comps
            .iter()
            .filter(|line| line.comp.dropped.is_none_or(Dropped::is_looked_at))
            .filter_map(|line| {
                Some(Dot {
                    adjusted: line.adjusted?,
                    at_date: line.at_date?,
                    sold_on: line.comp.sold_on,
                    weight: line.weight,
                    used: line.comp.dropped.is_none(),
                })
            })
            .collect(),
        trend: made.trend.clone(),
    }
}
