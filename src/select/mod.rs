//! Selection: which comps inform the estimate of a unit, and why the others do not.

pub mod order;
pub mod pieces;
pub mod plan;
pub mod trim;
pub mod widen;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::{Attributes, Foreign, HowSold, Items};
use pieces::{Described, Set, Wording};

/// A comp of the subject's model, with the decisions of the selection.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The comp's identifier.
    pub comp_id: String,
    /// File and row from which it was read.
    pub origin: String,
    /// Day of the sale, if recorded.
    pub sold_on: Option<NaiveDate>,
    /// Days from the sale to the day of the estimate, if its day is recorded.
    pub age_days: Option<i32>,
    /// Variant as recorded.
    pub variant: String,
    /// Completeness as recorded.
    pub completeness: String,
    /// Grade as recorded.
    pub grade: String,
    /// Missing pieces.
    pub missing: Items,
    /// Extras.
    pub extras: Items,
    /// Defects.
    pub defects: Items,
    /// Numeric attributes.
    pub attributes: Attributes,
    /// Whether it worked.
    pub works: bool,
    /// How it was sold.
    pub how_sold: Option<HowSold>,
    /// Where it was sold, as recorded.
    pub venue: String,
    /// Price paid, on the current price basis; exact.
    pub paid: Decimal,
    /// The original amount, if it was paid in another currency.
    pub foreign: Option<Box<Foreign>>,
    /// The widening step that includes it.
    pub stage: Stage,
    /// Reason why it is not used, if it is not.
    pub dropped: Option<Dropped>,
    /// The user keeps it, whatever the tests find.
    pub pinned: bool,
}

impl Candidate {
    /// An undated sale of a working unit for `paid`, with nothing else recorded.
    pub fn blank(paid: Decimal) -> Self {
        Self {
            comp_id: String::new(),
            origin: String::new(),
            sold_on: None,
            age_days: None,
            variant: String::new(),
            completeness: String::new(),
            grade: String::new(),
            missing: Items::NONE,
            extras: Items::NONE,
            defects: Items::NONE,
            attributes: Attributes::NONE,
            works: true,
            how_sold: None,
            venue: String::new(),
            paid,
            foreign: None,
            stage: Stage::Exact,
            dropped: None,
            pinned: false,
        }
    }

    /// Its pieces, in canonical form.
    pub fn pieces(&self, wording: &Wording) -> Described {
        wording.read(&self.completeness, &self.missing, &self.extras)
    }
}

/// Widening steps, in the order in which they are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// Same grade, completeness (the same pieces, however described) and variant, within the window.
    Exact,
    /// Other grades.
    Grade,
    /// Other completeness.
    Completeness,
    /// Other variants.
    Variant,
    /// Sales before the window, and undated ones, which may be outside it.
    Window,
    /// Working units, for a parts-only subject; the parts-only rule adjusts them.
    Working,
    /// Kept by the user.
    Kept,
}

impl Stage {
    /// Every step in order.
    pub const ALL: [Self; 7] = [
        Self::Exact,
        Self::Grade,
        Self::Completeness,
        Self::Variant,
        Self::Window,
        Self::Working,
        Self::Kept,
    ];

    /// Description of the sales that the step includes.
    pub fn label(self) -> &'static str {
        match self {
            Self::Exact => "same grade, completeness and variant",
            Self::Grade => "other grades",
            Self::Completeness => "other completeness",
            Self::Variant => "other variants",
            Self::Window => "older sales",
            Self::Working => "working units",
            Self::Kept => "kept by you",
        }
    }
}

/// Reason why a comp is not used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dropped {
    /// Sold after the day of the estimate.
    Later,
    /// The price covers more than one unit.
    Lot(u32),
    /// Parts-only, but the subject works.
    PartsOnly,
    /// Working, but the subject is parts-only.
    Working,
    /// Working, but the subject is parts-only; it informs the estimate through the parts-only rule.
    ThroughRule,
    /// There were enough comps before this step.
    NotNeeded(Stage),
    /// Undated, and there were enough comps before [`Stage::Window`].
    UndatedNotNeeded,
    /// There are more comps than a fit takes; the newest were used.
    Surplus,
    /// Dropped by the user.
    ByHand,
    /// Probably mistyped, judged by all the others; the ratio of the price to the predicted price.
    GrossError(f64),
}

impl Dropped {
    /// Whether the comp was examined and rejected, rather than never included.
    pub fn is_looked_at(self) -> bool {
        matches!(self, Self::GrossError(_) | Self::ByHand)
    }

    /// Whether the user can keep such a comp all the same.
    pub fn can_be_kept(self) -> bool {
        !matches!(self, Self::Later | Self::Lot(_))
    }

    /// A short word for tables and JSON.
    pub fn code(self) -> &'static str {
        match self {
            Self::Later => "later",
            Self::Lot(_) => "lot",
            Self::PartsOnly => "parts-only",
            Self::Working => "working",
            Self::ThroughRule => "through-rule",
            Self::NotNeeded(_) | Self::UndatedNotNeeded => "not-needed",
            Self::Surplus => "surplus",
            Self::ByHand => "by-hand",
            Self::GrossError(_) => "gross-error",
        }
    }

    /// The reason in words.
    pub fn reason(self) -> String {
        match self {
            Self::Later => "sold after the day of the estimate".into(),
            Self::Lot(units) => format!("lot of {units}"),
            Self::PartsOnly => "parts only".into(),
            Self::Working => "works; the unit is for parts".into(),
            Self::ThroughRule => "works: counts through the parts-only rule".into(),
            Self::NotNeeded(stage) => format!("{}: enough without", stage.label()),
            Self::UndatedNotNeeded => "undated: enough without".into(),
            Self::Surplus => "enough newer sales".into(),
            Self::ByHand => "left out by you".into(),
            Self::GrossError(ratio) if ratio >= 1.0 => {
                format!("price looks mistyped: {ratio:.1} times the others")
            }
            Self::GrossError(ratio) => {
                format!("price looks mistyped: {ratio:.2} of the others")
            }
        }
    }
}

/// One widening step that was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// The step.
    pub stage: Stage,
    /// Number of comps it added.
    pub brought: usize,
    /// Number of undated comps among these.
    pub undated: usize,
    /// Number of comps after this step and all before it.
    pub total: usize,
}

impl Step {
    /// Description of the sales that the step includes.
    pub fn label(&self) -> &'static str {
        match self.stage {
            Stage::Window if self.undated > 0 => "older or undated sales",
            stage => stage.label(),
        }
    }
}

/// The comps of one model, newest first (undated ones last), selected for one subject.
#[derive(Debug, Clone)]
pub struct Selection {
    /// Model, in the commonest spelling of the comps.
    pub model: String,
    /// All comps examined.
    pub candidates: Vec<Candidate>,
    /// Number of comps of the model in the book, including those beyond [`Selection::candidates`].
    pub seen: usize,
    /// Widening steps taken.
    pub steps: Vec<Step>,
}

impl Selection {
    /// Positions of the comps in use.
    pub fn used(&self) -> Vec<usize> {
        (0..self.candidates.len())
            .filter(|&i| self.candidates[i].dropped.is_none())
            .collect()
    }

    /// The comps in use.
    pub fn in_use(&self) -> impl Iterator<Item = &Candidate> {
        self.candidates.iter().filter(|c| c.dropped.is_none())
    }

    /// The same question on `day`, with a window of `window_days`: ages count to that day, and
    /// later sales are excluded. The window of this selection must be unlimited.
    pub fn asked_on(&self, day: NaiveDate, window_days: u32) -> Self {
        let on_day = |comp: &Candidate| -> Option<Candidate> {
            let age = comp.sold_on.map(|sold| (day - sold).num_days());
            if age.is_some_and(|age| age < 0) {
                return None;
            }
            let older = age.is_some_and(|age| age > i64::from(window_days));
            Some(Candidate {
                age_days: age.and_then(|age| i32::try_from(age).ok()),
                stage: match comp.stage {
                    Stage::Working => Stage::Working,
                    _ if older => Stage::Window,
                    stage => stage,
                },
                ..comp.clone()
            })
        };
        Self {
            model: self.model.clone(),
            candidates: self.candidates.iter().filter_map(on_day).collect(),
            seen: self.seen,
            steps: Vec::new(),
        }
    }

    /// The same question for a unit with the pieces `own`: comps with other pieces move to the step
    /// of other completeness.
    pub fn asked_of(mut self, own: &Set, wording: &Wording) -> Self {
        let nearer = |comp: &&mut Candidate| comp.stage < Stage::Completeness;
        for comp in self.candidates.iter_mut().filter(nearer) {
            if comp.pieces(wording).set() != Some(own) {
                comp.stage = Stage::Completeness;
            }
        }
        self
    }

    /// A selection without comps, for an estimate from rules of thumb alone.
    pub fn empty(model: &str) -> Self {
        Self {
            model: model.to_string(),
            candidates: Vec::new(),
            seen: 0,
            steps: Vec::new(),
        }
    }
}
