//! Selection: which comps speak for the unit at hand, and which do not and why.

pub mod order;
pub mod pieces;
pub mod plan;
pub mod trim;
pub mod widen;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::{Attributes, Foreign, HowSold, Items};
use pieces::{Described, Set, Wording};

/// A comp of the subject's model, with what selection made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The comp's identifier.
    pub comp_id: String,
    /// File and row it was read from.
    pub origin: String,
    /// Day of the sale, where recorded.
    pub sold_on: Option<NaiveDate>,
    /// Days from the sale to the day of the estimate, where its day is recorded.
    pub age_days: Option<i32>,
    /// Variant as recorded.
    pub variant: String,
    /// Completeness as recorded.
    pub completeness: String,
    /// Grade as recorded.
    pub grade: String,
    /// Pieces missing.
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
    /// What was paid, on the price basis in force; exact.
    pub paid: Decimal,
    /// What that was converted from, where it was paid in another currency.
    pub foreign: Option<Box<Foreign>>,
    /// The widening step that calls it in.
    pub stage: Stage,
    /// Why it is not used, where it is not.
    pub dropped: Option<Dropped>,
    /// Kept in by the user's word, whatever the tests say.
    pub pinned: bool,
}

impl Candidate {
    /// A working unit that was sold for `paid`, undated, of which nothing else was recorded.
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
            paid,
            foreign: None,
            stage: Stage::Exact,
            dropped: None,
            pinned: false,
        }
    }

    /// What it has and lacks, in canonical form.
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
    /// Sales before the window, and undated ones: it is not known that they are in it.
    Window,
    /// Working units, for a parts-only subject: they speak through the parts-only rule.
    Working,
    /// Kept in by the user's word.
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

    /// What the step calls in.
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

/// Why a comp is not used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dropped {
    /// Sold after the day of the estimate.
    Later,
    /// More than one unit for the price.
    Lot(u32),
    /// Parts-only, where the subject works.
    PartsOnly,
    /// Working, where the subject is parts-only.
    Working,
    /// Working, where the subject is parts-only: speaks through the parts-only rule.
    ThroughRule,
    /// There were enough comps before this step was reached.
    NotNeeded(Stage),
    /// Undated, where there were enough comps before the step of [`Stage::Window`].
    UndatedNotNeeded,
    /// More comps than a fit takes; the newest were kept.
    Surplus,
    /// By the user's word.
    ByHand,
    /// More likely mistyped than right in the light of all the others; the ratio of the price to what
    /// they say.
    GrossError(f64),
}

impl Dropped {
    /// Whether the comp was looked at and found wanting, rather than never called in.
    pub fn is_looked_at(self) -> bool {
        matches!(self, Self::GrossError(_) | Self::ByHand)
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
            Self::ThroughRule => "works: speaks through the parts-only rule".into(),
            Self::NotNeeded(stage) => format!("{}: enough without", stage.label()),
            Self::UndatedNotNeeded => "undated: enough without".into(),
            Self::Surplus => "enough newer comps".into(),
            Self::ByHand => "dropped by you".into(),
            Self::GrossError(ratio) if ratio >= 1.0 => {
                format!("looks mistyped: {ratio:.1} times the others, adjusted")
            }
            Self::GrossError(ratio) => {
                format!("looks mistyped: {ratio:.2} of the others, adjusted")
            }
        }
    }
}

/// One widening step as it was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Which.
    pub stage: Stage,
    /// Comps it brought.
    pub brought: usize,
    /// How many of these are undated.
    pub undated: usize,
    /// Comps with it and all steps before.
    pub total: usize,
}

impl Step {
    /// What the step called in.
    pub fn label(&self) -> &'static str {
        match self.stage {
            Stage::Window if self.undated > 0 => "older or undated sales",
            stage => stage.label(),
        }
    }
}

/// The comps of one model, sorted newest first (undated ones last), sifted for one subject.
#[derive(Debug, Clone)]
pub struct Selection {
    /// Model as most comps write it.
    pub model: String,
    /// Every comp looked at.
    pub candidates: Vec<Candidate>,
    /// Comps of the model in the book, those beyond [`Selection::candidates`] with them.
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

    /// The same question asked on the day `day`, with the window of `window_days`: ages count to
    /// then, and what was sold later is not there. The window of this selection must be
    /// unlimited.
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

    /// The same question asked of a unit that has what `own` says: comps that were called in
    /// whatever they have come with other completeness where they have something else.
    pub fn asked_of(mut self, own: &Set, wording: &Wording) -> Self {
        let nearer = |comp: &&mut Candidate| comp.stage < Stage::Completeness;
        for comp in self.candidates.iter_mut().filter(nearer) {
            if comp.pieces(wording).set() != Some(own) {
                comp.stage = Stage::Completeness;
            }
        }
        self
    }

    /// No comps of a model, for an estimate from its rule of thumb alone.
    pub fn empty(model: &str) -> Self {
        Self {
            model: model.to_string(),
            candidates: Vec::new(),
            seen: 0,
            steps: Vec::new(),
        }
    }
}
