//! Entries of the ledger, in double entry: the accounts of each entry sum to zero.

use crate::trade::Unit;
use crate::trade::comp::{PriceBasis, basis_word};
use crate::trade::money::money_text;
use crate::trade::part::PartLine;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use std::ops::AddAssign;

/// An account of the double entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Account {
    /// Money at hand.
    Cash,
    /// Units in stock, at cost including parts.
    Stock,
    /// Money that the owner put in, less money taken out.
    Capital,
    /// Prices.
    Sales,
    /// Shipping that buyers paid.
    ShippingPaid,
    /// Fees of outlets and of payment.
    Fees,
    /// Postage and packing.
    Postage,
    /// Money given back to buyers.
    Refunds,
    /// Cost of units sold.
    Cost,
    /// Cost of units and parts scrapped, less the scrap price.
    WriteOff,
    /// Parts at hand, at cost.
    Drawer,
    /// Expenses that belong to no unit.
    Overheads,
}

impl Account {
    /// Every account, in the order of the columns.
    pub const ALL: [Self; 12] = [
        Self::Cash,
        Self::Stock,
        Self::Capital,
        Self::Sales,
        Self::ShippingPaid,
        Self::Fees,
        Self::Postage,
        Self::Refunds,
        Self::Cost,
        Self::WriteOff,
        Self::Drawer,
        Self::Overheads,
    ];

    /// Name of its column.
    pub fn column(self) -> &'static str {
        match self {
            Self::Cash => "cash",
            Self::Stock => "stock",
            Self::Capital => "capital",
            Self::Sales => "sales",
            Self::ShippingPaid => "shipping_paid",
            Self::Fees => "fees",
            Self::Postage => "sending",
            Self::Refunds => "refunds",
            Self::Cost => "cost",
            Self::WriteOff => "losses",
            Self::Drawer => "drawer",
            Self::Overheads => "overheads",
        }
    }

    /// Whether the account counts towards profit (income or expense).
    pub fn is_result(self) -> bool {
        !matches!(
            self,
            Self::Cash | Self::Stock | Self::Capital | Self::Drawer
        )
    }
}

/// An amount for each account: debit positive, credit negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Postings([Decimal; Account::ALL.len()]);

impl Postings {
    /// These amounts, and zero for all other accounts.
    pub fn of(amounts: &[(Account, Decimal)]) -> Self {
        let mut postings = Self::default();
        for (account, amount) in amounts {
            postings.0[*account as usize] += *amount;
        }
        postings
    }

    /// The amount of an account.
    pub fn get(&self, account: Account) -> Decimal {
        self.0[account as usize]
    }

    /// The accounts that are not zero, with their amounts.
    pub fn iter(&self) -> impl Iterator<Item = (Account, Decimal)> {
        let all = Account::ALL.into_iter().zip(self.0);
        all.filter(|(_, amount)| !amount.is_zero())
    }

    /// Sum over the accounts: zero if they balance.
    pub fn sum(&self) -> Decimal {
        self.0.iter().sum()
    }

    /// The same amounts with debit and credit exchanged.
    pub fn reversed(&self) -> Self {
        Self(self.0.map(|amount| -amount))
    }

    /// Income less expenses.
    pub fn profit(&self) -> Decimal {
        let results = self.iter().filter(|(account, _)| account.is_result());
        results.fold(Decimal::ZERO, |profit, (_, amount)| profit - amount)
    }
}

impl AddAssign for Postings {
    fn add_assign(&mut self, other: Self) {
        for (mine, amount) in self.0.iter_mut().zip(other.0) {
            *mine += amount;
        }
    }
}

/// Type of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The owner puts money in.
    Fund,
    /// The owner takes money out.
    Draw,
    /// A unit is bought, which opens a deal.
    Buy,
    /// Money or time is spent on the unit.
    Spend,
    /// The description of the unit changes.
    Describe,
    /// The unit is sold.
    Sold,
    /// The unit is scrapped, or sold as scrap.
    Scrap,
    /// The buyer gets money back.
    Refund,
    /// The buyer returns the unit: it is in stock again.
    Return,
    /// Another entry is reversed.
    Reverse,
    /// The unit is put up for sale at an outlet, or its asking price there changes.
    List,
    /// A listing ends without a sale.
    Unlist,
    /// A buyer makes an offer.
    Offer,
    /// Parts are bought for the drawer.
    Part,
    /// Parts from the drawer go into the unit.
    Use,
    /// Parts leave the drawer: broken, lost, thrown away or sold as scrap.
    Drop,
    /// The unit is taken apart for the drawer.
    Harvest,
    /// Money or time is spent that belongs to no unit.
    Overhead,
}

impl Kind {
    pub(crate) const ALL: [Self; 18] = [
        Self::Fund,
        Self::Draw,
        Self::Buy,
        Self::Spend,
        Self::Describe,
        Self::Sold,
        Self::Scrap,
        Self::Refund,
        Self::Return,
        Self::Reverse,
        Self::List,
        Self::Unlist,
        Self::Offer,
        Self::Part,
        Self::Use,
        Self::Drop,
        Self::Harvest,
        Self::Overhead,
    ];

    /// Word for it in the file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Fund => "fund",
            Self::Draw => "draw",
            Self::Buy => "buy",
            Self::Spend => "spend",
            Self::Describe => "describe",
            Self::Sold => "sold",
            Self::Scrap => "scrap",
            Self::Refund => "refund",
            Self::Return => "return",
            Self::Reverse => "reverse",
            Self::List => "list",
            Self::Unlist => "unlist",
            Self::Offer => "offer",
            Self::Part => "part",
            Self::Use => "use",
            Self::Drop => "drop",
            Self::Harvest => "harvest",
            Self::Overhead => "overhead",
        }
    }

    /// Whether such an entry belongs to a deal. A reversal does if the entry that it reverses does.
    pub fn of_deal(self) -> bool {
        !matches!(
            self,
            Self::Fund | Self::Draw | Self::Reverse | Self::Part | Self::Drop | Self::Overhead
        )
    }
}

/// An estimate as recorded in an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Foreseen {
    /// Likely price.
    pub likely: Decimal,
    /// Lower end of the band.
    pub low: Decimal,
    /// Upper end of the band.
    pub high: Decimal,
    /// Level of the band, per cent.
    pub level: u8,
    /// Price basis.
    pub basis: PriceBasis,
}

impl Foreseen {
    /// The cells of its fields in a file of the book, in their order.
    pub fn cells(&self) -> [String; 5] {
        let [likely, low, high] = [self.likely, self.low, self.high].map(money_text);
        let basis = basis_word(self.basis).to_string();
        [likely, low, high, self.level.to_string(), basis]
    }
}

/// One entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Number: 1, 2, 3, …
    pub number: u32,
    /// Day.
    pub on: NaiveDate,
    /// Type.
    pub kind: Kind,
    /// Deal that it belongs to.
    pub deal: Option<u32>,
    /// Entry that it reverses.
    pub reverses: Option<u32>,
    /// Amounts that it moves between the accounts.
    pub postings: Postings,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Outlet where the unit was sold.
    pub outlet: String,
    /// Number of offers before the sale, including the accepted one.
    pub offers: Option<u32>,
    /// Estimate on that day.
    pub estimate: Option<Foreseen>,
    /// The unit, if it is bought or its description changes.
    pub unit: Option<Unit>,
    /// A price that was named and moves no money: the asking price of a listing, the amount of an offer, what
    /// the seller asked at a purchase, with shipping as in what was paid.
    pub quoted: Option<Decimal>,
    /// Parts that come into the drawer or leave it.
    pub parts: Vec<PartLine>,
    /// Models that these parts fit.
    pub fits: Vec<String>,
    /// Anything else.
    pub note: String,
}

impl Entry {
    /// The same entry as one of another kind.
    pub fn of(self, kind: Kind) -> Self {
        Self { kind, ..self }
    }

    /// An entry without amounts, to be filled in.
    pub fn blank(number: u32, on: NaiveDate, kind: Kind) -> Self {
        Self {
            number,
            on,
            kind,
            deal: None,
            reverses: None,
            postings: Postings::default(),
            minutes: Decimal::ZERO,
            outlet: String::new(),
            offers: None,
            estimate: None,
            unit: None,
            quoted: None,
            parts: Vec::new(),
            fits: Vec::new(),
            note: String::new(),
        }
    }
}
