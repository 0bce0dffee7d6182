//! The ledger as a plain-text accounting journal, in the part of the format common to hledger and
//! Ledger: a `commodity` directive, dated transactions with a code, comments as tags, and balance
//! assertions. The last transaction asserts the balance of every account, so that every program
//! that reads the file checks the sums.

use std::collections::BTreeMap;
use std::fmt::Write;

use rust_decimal::Decimal;

use super::ledger::model_of;
use crate::deal::ledger::{Ledger, name};
use crate::trade::Currency;
use crate::trade::entry::{Account, Entry, Kind};
use crate::trade::part::parts_text;

/// Column in which amounts end.
const AMOUNTS_END: usize = 52;

/// The journal.
pub fn journal(ledger: &Ledger, currency: &Currency) -> String {
    let code = &currency.code;
    let mut out = format!(
        "; The ledger of a compband book. Every transaction is one ledger entry, with its number in\n\
         ; brackets. A reversing transaction undoes an earlier one.\n\ncommodity {code}\n"
    );
    let decimals = currency.decimals();
    if decimals > 0 {
        let _ = writeln!(
            out,
            "    format 1000.{} {code}",
            "0".repeat(decimals as usize)
        );
    }
    let mut sorted: Vec<&Entry> = ledger
        .entries()
        .iter()
        .filter(|entry| entry.postings.iter().next().is_some())
        .collect();
    sorted.sort_by_key(|entry| (entry.on, entry.number));
    let mut balances: BTreeMap<String, Decimal> = BTreeMap::new();
    for entry in &sorted {
        transaction(&mut out, ledger, entry, currency);
        for (account, amount) in entry.postings.iter() {
            *balances.entry(account_name(account, entry)).or_default() += amount;
        }
    }
    if let Some(last) = sorted.last() {
        let _ = writeln!(out, "\n{} * Balances", last.on);
        for (account, balance) in balances {
            let line = posting(&account, Decimal::ZERO, currency);
            let _ = writeln!(out, "{line} = {} {code}", currency.plain(balance));
        }
    }
    out
}

fn transaction(out: &mut String, ledger: &Ledger, entry: &Entry, currency: &Currency) {
    let _ = writeln!(
        out,
        "\n{} * ({}) {}",
        entry.on,
        entry.number,
        title(ledger, entry)
    );
    let mut tag = |key: &str, value: &str| {
        if !value.is_empty() {
            let _ = writeln!(out, "    ; {key}: {}", plain(value));
        }
    };
    tag("deal", &entry.deal.map_or(String::new(), name));
    tag("outlet", &entry.outlet);
    if !entry.minutes.is_zero() {
        tag("minutes", &entry.minutes.normalize().to_string());
    }
    if let Some(made) = &entry.estimate {
        let money = |amount| currency.plain(amount);
        let text = format!(
            "{} {} % range {} to {}",
            money(made.likely),
            made.level,
            money(made.low),
            money(made.high)
        );
        tag("estimate", &text);
    }
    tag("parts", &parts_text(&entry.parts));
    tag("note", &entry.note);
    for (account, amount) in entry.postings.iter() {
        let _ = writeln!(
            out,
            "{}",
            posting(&account_name(account, entry), amount, currency)
        );
    }
}

fn posting(account: &str, amount: Decimal, currency: &Currency) -> String {
    let amount = currency.plain(amount);
    let room = AMOUNTS_END.saturating_sub(4 + account.chars().count());
    // At least two spaces end the name of an account.
    format!(
        "    {account}  {amount:>room$} {}",
        currency.code,
        room = room.saturating_sub(2)
    )
}

fn account_name(account: Account, entry: &Entry) -> String {
    let name = match account {
        Account::Cash => "Assets:Cash",
        Account::Stock => {
            return entry.deal.map_or("Assets:Stock".into(), |deal| {
                format!("Assets:Stock:{}", name(deal))
            });
        }
        Account::Capital => "Equity:Capital",
        Account::Sales => "Income:Sales",
        Account::ShippingPaid => "Income:Shipping",
        Account::Fees => "Expenses:Fees",
        Account::Postage => "Expenses:Sending",
        Account::Refunds => "Expenses:Refunds",
        Account::Cost => "Expenses:Cost of sales",
        Account::WriteOff => "Expenses:Losses",
        Account::Drawer => "Assets:Parts",
        Account::Overheads => "Expenses:Overheads",
    };
    name.into()
}

fn title(ledger: &Ledger, entry: &Entry) -> String {
    let model = entry.deal.and_then(|deal| model_of(ledger, deal));
    let model = plain(model.unwrap_or_default());
    match entry.kind {
        Kind::Fund => "Paid in".into(),
        Kind::Draw => "Taken out".into(),
        Kind::Buy => format!("Bought {model}"),
        Kind::Spend => format!("Spent on {model}"),
        Kind::Describe => format!("Described {model}"),
        Kind::Sold => format!("Sold {model}"),
        Kind::Scrap => format!("Scrapped {model}"),
        Kind::Refund => format!("Refunded {model}"),
        Kind::Return => format!("Returned {model}"),
        Kind::List => format!("Listed {model}"),
        Kind::Unlist => format!("Ended the listing of {model}"),
        Kind::Offer => format!("Offer for {model}"),
        Kind::Part => "Bought parts".into(),
        Kind::Use => format!("Used parts for {model}"),
        Kind::Drop => "Removed parts".into(),
        Kind::Harvest => format!("Took apart {model}"),
        Kind::Overhead => "Overheads".into(),
        Kind::Reverse => format!("Reversed entry {}", entry.reverses.unwrap_or_default()),
    }
}

/// Text without characters that have a meaning in a journal: comments, payees, tags, line ends.
fn plain(text: &str) -> String {
    let safe: String = text
        .chars()
        .map(|c| match c {
            ';' | '|' | ':' => ',',
            c if c.is_whitespace() => ' ',
            c => c,
        })
        .collect();
    safe.split_whitespace().collect::<Vec<_>>().join(" ")
}
