//! Listings compared as a document, `compband.compare/1`.

use serde::Serialize;

use super::bid::{Measures, Offers, advice, measures, offers};
use super::{Money, VERSION, number};
use crate::render::bid::{advice_words, aim};
use crate::render::compare::Content;

/// Listings to buy.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Compare<'a> {
    /// Name and version of this document.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// The budget.
    pub budget: Money,
    /// The aims.
    pub aims: Vec<String>,
    /// The listings, highest profit per stake and week first.
    pub listings: Vec<Listing<'a>>,
    /// Total stake, including all parts.
    pub put_in: Money,
    /// Expected profit.
    pub expected_profit: Money,
    /// Expected profit per week of all listings to buy.
    pub expected_profit_per_week: Money,
    /// Disclaimer.
    pub disclaimer: &'static str,
    /// What the listings to buy earn most of: `profit per week`, which assumes that short deals can be repeated, or `total profit`.
    pub chosen_for: &'static str,
    /// The cash; null if not known. No more than this is invested.
    pub cash: Option<Money>,
    /// Whether the cash is assumed to be the bankroll less the stock, as the ledger has no money paid in.
    pub cash_assumed: bool,
    /// Share that the listings to buy use of what their risk allows together, 0 to 1: each its
    /// stake as a share of the largest one that its own risk allows; null if the bankroll is not
    /// known.
    pub risk_used: Option<f64>,
}

/// One listing.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Listing<'a> {
    /// Its name.
    pub listing: &'a str,
    /// Asking price.
    pub asked: Money,
    /// Weeks from payment to the proceeds: as given, or from the asking policy; null if neither, as it
    /// cannot be estimated.
    pub weeks: Option<String>,
    /// Whether it is among those to buy.
    pub bought: bool,
    /// Advice at that price.
    pub advice: Option<&'static str>,
    /// Highest bid that meets every aim; null if none does.
    pub most: Option<Money>,
    /// The aims that the price does not meet, in words.
    pub why: Option<Vec<String>>,
    /// Result at that price.
    pub measures: Option<Measures>,
    /// Reason why it cannot be estimated; null if it can.
    pub no_estimate: Option<&'a str>,
    /// What to offer the seller; null if the advice is to pass.
    pub offers: Option<Offers>,
    /// Its note in the table; absent if it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<&'a str>,
    /// Its link in the table; absent if it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub link: Option<&'a str>,
}

/// The document of a comparison.
pub fn document<'a>(content: &Content<'a>) -> Compare<'a> {
    let (put_in, profit, weekly) = content.sums();
    let funds = content.means.funds;
    let listing = |at: usize| {
        let candidate = &content.candidates[at];
        let judged = candidate.judged.as_ref().ok();
        Listing {
            listing: &candidate.name,
            asked: candidate.asked.into(),
            weeks: judged
                .map(|judged| judged.weeks)
                .or(candidate.weeks)
                .map(number),
            bought: content.bought.contains(&at),
            advice: judged.map(advice),
            most: judged.and_then(|judged| judged.most).map(Money::from),
            why: judged.map(|judged| advice_words(judged, content.currency).1),
            measures: judged.map(|judged| measures(&judged.measures)),
            no_estimate: candidate.judged.as_ref().err().map(String::as_str),
            offers: judged.and_then(offers),
            note: candidate.note.as_deref(),
            link: candidate.link.as_deref(),
        }
    };
    Compare {
        schema: "compband.compare/1",
        compband: VERSION,
        currency: &content.currency.code,
        budget: content.means.budget.into(),
        aims: content
            .means
            .aims
            .iter()
            .map(|one| aim(*one, content.currency))
            .collect(),
        listings: content.ranked().into_iter().map(listing).collect(),
        put_in: put_in.into(),
        expected_profit: profit.into(),
        expected_profit_per_week: weekly.round_dp(content.currency.decimals()).into(),
        disclaimer: "Worked out from recorded sales, not a promise; not tax or legal advice.",
        chosen_for: if content.means.total {
            "total profit"
        } else {
            "profit per week"
        },
        cash: funds.cash.map(|cash| cash.amount.into()),
        cash_assumed: funds.cash.is_some_and(|cash| cash.assumed),
        risk_used: funds.bankroll.map(|_| content.risk),
    }
}
