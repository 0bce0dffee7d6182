//! Terms: the meaning of each column of a design.

use chrono::NaiveDate;

/// Most names of one kind, of those that the subject has or may have, with a separate column. The
/// time of a fit grows with the cube of its columns.
pub(crate) const MOST_OWN: usize = 24;

/// Name of the common column for rare names.
pub const OTHERS: &str = "other";

/// One adjustment.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Term {
    /// Log price of the reference unit.
    Level,
    /// The step from this grade (index, best first) to the next worse.
    Grade(usize),
    /// The step from this completeness level (index, least first) to the next.
    Completeness(usize),
    /// A missing piece.
    Missing(String),
    /// An extra.
    Extra(String),
    /// A defect.
    Defect(String),
    /// A step of a numeric attribute.
    Attribute(String),
    /// Sold this way rather than at a fixed price.
    Sold(SoldTerm),
    /// Sold at this outlet (by its name in the settings), which has a price factor, rather than at the other
    /// places.
    Outlet(String),
    /// This variant (by match key) rather than the mean of all.
    Variant(String),
    /// A month later.
    Trend,
    /// For parts rather than working.
    PartsOnly,
    /// Sold before this day, on which prices stepped ([`super::step`]).
    Step(NaiveDate),
}

impl Term {
    /// The fact of a unit that the term depends on; none if the fact is always known.
    pub fn fact(&self) -> Option<Fact> {
        match self {
            Self::Grade(_) => Some(Fact::Grade),
            Self::Completeness(_) | Self::Missing(_) | Self::Extra(_) => Some(Fact::Completeness),
            Self::Sold(_) => Some(Fact::HowSold),
            Self::Variant(_) => Some(Fact::Variant),
            Self::Attribute(name) => Some(Fact::Attribute(name.clone())),
            Self::Level
            | Self::Defect(_)
            | Self::Outlet(_)
            | Self::Trend
            | Self::Step(_)
            | Self::PartsOnly => None,
        }
    }

    /// The common column for rare names of this kind; none if the term is not a name.
    pub(super) fn pool(&self) -> Option<Self> {
        match self {
            Self::Missing(_) => Some(Self::Missing(OTHERS.into())),
            Self::Extra(_) => Some(Self::Extra(OTHERS.into())),
            Self::Defect(_) => Some(Self::Defect(OTHERS.into())),
            _ => None,
        }
    }
}

/// Ways of selling with a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SoldTerm {
    /// By auction.
    Auction,
    /// By an accepted offer.
    Offer,
}

/// A fact of a unit that may be unknown.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fact {
    /// Its grade.
    Grade,
    /// Its pieces.
    Completeness,
    /// How it is sold.
    HowSold,
    /// Its variant.
    Variant,
    /// A declared numeric attribute.
    Attribute(String),
}

impl Fact {
    /// Name of the fact.
    pub fn label(&self) -> &str {
        match self {
            Self::Grade => "grade",
            Self::Completeness => "completeness",
            Self::HowSold => "way of selling",
            Self::Variant => "variant",
            Self::Attribute(name) => name,
        }
    }
}
