//! The bid on the terminal.

use std::fmt::Write;

use rust_decimal::prelude::FromPrimitive;
use rust_decimal::{Decimal, RoundingStrategy};

use super::cautions::cautions;
use super::numbers::{amount, chance, percent_change};
use super::sheet::{HEADING, PRICE, QUIET, WARNING, assumed, prose_width, unit, wrap};
use super::spares;
use super::table::{Grid, Kind};
use crate::app::bid::Bid;
use crate::app::funds::Cash;
use crate::app::sale_time::WeeksFrom;
use crate::deal::bid::{Advice, Aim, Judged, Limit, Measures, PROFIT_LEVELS, binding};
use crate::trade::Currency;

/// The sheet with ANSI styles.
pub fn sheet(content: &Bid<'_>, width: Option<u16>) -> String {
    let mut out = String::new();
    let prose = prose_width(width);
    headline(&mut out, content, prose);
    verdict(&mut out, content, prose);
    aims(&mut out, content, width);
    measures(&mut out, content, width);
    for line in counted(content) {
        let _ = writeln!(out, "\n{}", wrap(&line, prose, "  "));
    }
    repairs(&mut out, content, prose);
    let warnings = warnings(content);
    if !warnings.is_empty() {
        let _ = writeln!(out, "\n{HEADING}Take care{HEADING:#}");
    }
    for warning in &warnings {
        let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(warning, prose, "  "));
    }
    let closing = "Worked out from the sales you recorded, not a promise; not tax or legal advice.";
    let _ = writeln!(out, "\n{QUIET}{}{QUIET:#}", wrap(closing, prose, ""));
    out
}

/// Warnings about the estimates; those of the estimate for parts are only announced.
pub(super) fn warnings(content: &Bid<'_>) -> Vec<String> {
    let parts = content
        .weighed
        .parts
        .as_ref()
        .filter(|parts| !parts.warnings.is_empty());
    let for_parts = |_| "Doubts about the price for parts: `compband estimate … --parts --why`.";
    let whole = content.weighed.made.warnings.iter().cloned();
    whole
        .chain(parts.map(for_parts).map(String::from))
        .collect()
}

fn headline(out: &mut String, content: &Bid<'_>, width: usize) {
    let made = &content.weighed.made;
    let money = |value| amount(&made.currency, value);
    let title = wrap(&unit(&made.subject), width, "");
    let _ = writeln!(out, "{HEADING}{title}{HEADING:#}");
    let left = left(content).map_or(String::new(), |left| format!("; {left}"));
    let line = format!(
        "Likely price {} {} ({} % range {} to {}){left}.",
        money(made.median),
        made.currency.code,
        made.level,
        money(made.low),
        money(made.high)
    );
    let mut line = line;
    for more in [assumed(made), sells_in(content)] {
        if !more.is_empty() {
            let _ = write!(line, " {more}");
        }
    }
    let _ = writeln!(out, "{}\n", wrap(&line, width, ""));
}

/// How long it takes to sell.
pub(super) fn sells_in(content: &Bid<'_>) -> String {
    let time = &content.weighed.time;
    let weeks = time.weeks.normalize();
    format!(
        "It sells in about {weeks} week{} ({}).",
        if weeks == Decimal::ONE { "" } else { "s" },
        match time.from {
            WeeksFrom::Said => "as said",
            WeeksFrom::Policy => "from the asking policy",
        }
    )
}

/// What selling at the likely price leaves or loses; none if the book has no outlet.
pub(super) fn left(content: &Bid<'_>) -> Option<String> {
    let (outlet, net) = (content.outlet?, content.net.as_ref()?);
    let money = |value| amount(&content.weighed.made.currency, value);
    Some(if net.net < Decimal::ZERO {
        format!(
            "sold through {outlet} at that price, you lose {}",
            money(-net.net)
        )
    } else {
        format!("sold through {outlet}, you keep {}", money(net.net))
    })
}

/// What is counted in besides the price: what the time to the sale does, the risk of a total loss, and the
/// cash if it is assumed.
pub(super) fn counted(content: &Bid<'_>) -> Vec<String> {
    let lost = content.weighed.prospect.lost;
    let risk = (lost > 0.0).then(|| {
        format!(
            "Counted in: {} of purchases lose all the money invested (`lost` in compband.toml).",
            percent(lost)
        )
    });
    let cash = content.funds.cash.and_then(|cash| {
        let currency = &content.weighed.made.currency;
        assumed_cash(cash, currency)
    });
    over_time(content)
        .into_iter()
        .chain(risk)
        .chain(cash)
        .collect()
}

/// What the time to the sale does to the price, and what it costs.
fn over_time(content: &Bid<'_>) -> Option<String> {
    let time = &content.weighed.time;
    let change = (time.change.abs() >= 0.05).then(|| {
        format!(
            "prices change by {} until it is sold",
            percent_change(time.change)
        )
    });
    let money = |value| amount(&content.weighed.made.currency, value);
    let holding =
        (!time.holding.is_zero()).then(|| format!("holding it costs {}", money(time.holding)));
    let both: Vec<String> = change.into_iter().chain(holding).collect();
    (!both.is_empty()).then(|| format!("Counted in: {}.", both.join(", and ")))
}

/// The source of the cash, if it is not the ledger.
pub(super) fn assumed_cash(cash: Cash, currency: &Currency) -> Option<String> {
    cash.assumed.then(|| {
        format!(
            "The ledger has no money paid in: cash is taken to be {}, the bankroll less the stock \
             (`compband ledger fund` records what is paid in).",
            amount(currency, cash.amount)
        )
    })
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn verdict(out: &mut String, content: &Bid<'_>, width: usize) {
    let currency = &content.weighed.made.currency;
    let money = |value| amount(currency, value);
    let reason = binding(&content.limits).map_or(String::new(), |limit| limited(limit, currency));
    match &content.at_most {
        Some(at) => {
            let _ = writeln!(
                out,
                "  Bid at most  {PRICE}{} {}{PRICE:#}",
                money(at.bid),
                currency.code
            );
            let _ = writeln!(
                out,
                "{}",
                wrap(&format!("Limited by: {reason}."), width, "  ")
            );
        }
        None => {
            let line = format!("Do not buy it, not even as a gift. Not met: {reason}.");
            let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(&line, width, "  "));
        }
    }
    if let Some(asked) = &content.asked {
        let _ = writeln!(out, "{}", wrap(&advice(asked, currency), width, "  "));
        offers(out, content, asked, width);
    }
}

/// What to offer the seller: three prices, and where they come from.
fn offers(out: &mut String, content: &Bid<'_>, asked: &Judged, width: usize) {
    let currency = &content.weighed.made.currency;
    let lines = offered(asked);
    let cells = lines.iter().map(|(_, price)| amount(currency, *price));
    let cells: Vec<String> = cells.collect();
    let digits = cells.iter().map(|cell| cell.chars().count()).max();
    let digits = digits.unwrap_or_default();
    if !lines.is_empty() {
        let _ = writeln!(out);
    }
    for ((label, _), cell) in lines.iter().zip(&cells) {
        let _ = writeln!(
            out,
            "  {label:<16}{PRICE}{cell:>digits$} {}{PRICE:#}",
            currency.code
        );
    }
    for line in about_offers(content, asked) {
        let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    }
}

/// The prices to offer, each with its label; none if the advice is to pass, or to offer one price only.
pub(super) fn offered(asked: &Judged) -> Vec<(&'static str, Decimal)> {
    let Some(offers) = &asked.offers else {
        return Vec::new();
    };
    if offers.open == offers.walk_away.min(asked.measures.bid) {
        return Vec::new();
    }
    vec![
        ("Open with", offers.open),
        ("Aim for", offers.target),
        ("Walk away above", offers.walk_away),
    ]
}

/// How likely sellers agree, and how that is known; or why not to haggle.
pub(super) fn about_offers(content: &Bid<'_>, asked: &Judged) -> Vec<String> {
    let Some(offers) = &asked.offers else {
        return Vec::new();
    };
    let sellers = &content.practice.sellers;
    let currency = &content.weighed.made.currency;
    let money = |value| amount(currency, value);
    if offered(asked).is_empty() {
        return vec![if asked.advice == Advice::Buy {
            "Pay what is asked: a seller who walks away costs more than haggling saves.".to_string()
        } else {
            format!(
                "Offer {} and no more; {} of sellers come down to it.",
                money(offers.walk_away),
                chance(offers.agreed, 0)
            )
        }];
    }
    let discount = |p: f64| 100.0 * sellers.discounts.quantile(p);
    let source = match sellers.discounts.learnt_from {
        0 => "the rule of thumb".to_string(),
        1 => "the rule of thumb and 1 purchase of yours".to_string(),
        some => format!("the rule of thumb and {some} purchases of yours"),
    };
    let agreed = if asked.advice == Advice::Buy {
        String::new()
    } else {
        format!(
            " {} of sellers come down to {}.",
            chance(offers.agreed, 0),
            money(offers.walk_away)
        )
    };
    let same = if offers.open == offers.target {
        " A lower first offer would lose more sellers than it saves."
    } else {
        ""
    };
    vec![format!(
        "Four sellers in five come down by {:.0} to {:.0} % ({source}).{agreed}{same}",
        discount(0.1),
        discount(0.9)
    )]
}

/// Advice on an asking price, with reasons.
pub(super) fn advice(asked: &Judged, currency: &Currency) -> String {
    let at = amount(currency, asked.measures.bid);
    let (word, why) = advice_words(asked, currency);
    match asked.advice {
        Advice::Buy => format!("At {at}: {word}. It keeps every aim."),
        Advice::Haggle(_) | Advice::Pass => {
            format!("At {at}: {word}. As asked, {}.", why.join(", and "))
        }
    }
}

/// Advice on an asking price in a word or two, and the aims that it misses.
pub(super) fn advice_words(asked: &Judged, currency: &Currency) -> (String, Vec<String>) {
    let why: Vec<String> = asked
        .failed
        .iter()
        .map(|aim| failure(*aim, &asked.measures, currency))
        .collect();
    let word = match asked.advice {
        Advice::Buy => "buy".into(),
        Advice::Haggle(to) => format!("haggle to {}", amount(currency, to)),
        Advice::Pass => "pass".into(),
    };
    (word, why)
}

/// A limit in words: an aim of the stake as the money that it allows.
pub fn limited(limit: &Limit, currency: &Currency) -> String {
    match (limit.aim, limit.ceiling) {
        (Aim::Stake { .. }, Some(most)) => format!(
            "at most {} in this one unit, for its risk",
            amount(currency, most)
        ),
        _ => aim(limit.aim, currency),
    }
}

/// An aim in words.
pub fn aim(aim: Aim, currency: &Currency) -> String {
    let money = |value| amount(currency, value);
    match aim {
        Aim::Profit(least) => format!("expected profit of at least {}", money(least)),
        Aim::Return(least) => format!(
            "expected profit of at least {} % of the money invested",
            least.normalize()
        ),
        Aim::Loss(most) => format!("chance of a loss of at most {} %", most.normalize()),
        Aim::Stake { bankroll, share } => format!(
            "at most {} % of the stake that makes {} grow fastest",
            (share * Decimal::ONE_HUNDRED).normalize(),
            money(bankroll)
        ),
        Aim::Cash(cash) => format!("no more than the cash, {}", money(cash)),
    }
}

/// The failure of an aim at a price, in words.
pub fn failure(aim: Aim, at: &Measures, currency: &Currency) -> String {
    let money = |value| amount(currency, value);
    match aim {
        Aim::Profit(least) => {
            format!(
                "the expected profit is {}, not {}",
                money(at.profit),
                money(least)
            )
        }
        Aim::Return(least) => format!(
            "the expected profit is {} of the money invested, not {} %",
            percent(at.returned.unwrap_or_default()).replace('-', "−"),
            least.normalize()
        ),
        Aim::Loss(most) => format!(
            "the chance of a loss is {}, above {} %",
            chance(at.loss, 1),
            most.normalize()
        ),
        Aim::Stake { bankroll, share } => format!(
            "{} is invested{}, above the {} that its risk allows at that price",
            money(at.risked),
            if at.risked > at.stake {
                ", parts from the drawer included"
            } else {
                ""
            },
            money(allowed(bankroll, share, at, currency))
        ),
        Aim::Cash(cash) => format!(
            "{} is invested, and the cash is {}",
            money(at.stake),
            money(cash)
        ),
    }
}

/// The largest stake that the risk allows at a price, rounded down.
fn allowed(bankroll: Decimal, share: Decimal, at: &Measures, currency: &Currency) -> Decimal {
    let growth = Decimal::from_f64(at.growth).unwrap_or_default();
    let strategy = RoundingStrategy::ToZero;
    (bankroll * share * growth).round_dp_with_strategy(currency.decimals(), strategy)
}

fn aims(out: &mut String, content: &Bid<'_>, width: Option<u16>) {
    let currency = &content.weighed.made.currency;
    let binds = binding(&content.limits);
    let mut grid = Grid::new(&[
        ("", Kind::Fixed),
        ("aim", Kind::Text),
        ("most to bid", Kind::Number),
    ]);
    for limit in &content.limits {
        let mark = binds.is_some_and(|other| other == limit);
        grid.push(vec![
            if mark { "•".into() } else { String::new() },
            limited(limit, currency),
            limit
                .most
                .map_or("none".into(), |most| amount(currency, most)),
        ]);
    }
    let _ = writeln!(
        out,
        "\n{HEADING}Aims{HEADING:#}, {} (• sets the limit)",
        currency.code
    );
    out.push_str(&grid.render(width));
}

fn measures(out: &mut String, content: &Bid<'_>, width: Option<u16>) {
    let (titles, rows) = measured(content);
    if titles.is_empty() {
        return;
    }
    let mut columns = vec![("what you get", Kind::Text)];
    columns.extend(titles.iter().map(|title| (title.as_str(), Kind::Number)));
    let mut grid = Grid::new(&columns);
    for row in rows {
        grid.push(row);
    }
    let _ = writeln!(out);
    out.push_str(&grid.render(width));
}

/// The results at the highest bid and at the asking price: a title for each, and rows of a label
/// and a cell for each. No titles if there is neither.
pub(super) fn measured(content: &Bid<'_>) -> (Vec<String>, Vec<Vec<String>>) {
    let currency = &content.weighed.made.currency;
    let money = |value| amount(currency, value);
    let all: Vec<&Measures> = content
        .at_most
        .iter()
        .chain(content.asked.iter().map(|asked| &asked.measures))
        .collect();
    let titles = all
        .iter()
        .map(|at| format!("at {}", money(at.bid)))
        .collect();
    let mut rows = Vec::new();
    let mut row = |label: &str, of: &dyn Fn(&Measures) -> String| {
        let cells = all.iter().map(|at| of(at));
        rows.push([label.to_string()].into_iter().chain(cells).collect());
    };
    let signed = |share: Option<f64>| share.map_or("–".into(), |s| percent_change(100.0 * s));
    row("paid for it in all", &|at| money(at.cost));
    let put_in = if content.weighed.prospect.drawer > 0 {
        "money invested, spare parts to buy included"
    } else {
        "money invested, all spare parts included"
    };
    row(put_in, &|at| money(at.stake));
    row("expected profit", &|at| money(at.profit));
    if content.weighed.prospect.work > 0.0 {
        row("expected profit before the cost of work", &|at| {
            money(at.before_work)
        });
    }
    for (at_point, label) in POINTS.iter().enumerate() {
        row(label, &|at| money(at.points[at_point]));
    }
    row("chance of a loss", &|at| chance(at.loss, 1));
    row("profit, worst case (1 in 100 is worse)", &|at| {
        money(at.worst)
    });
    row("expected profit on money invested", &|at| {
        signed(at.returned)
    });
    let weeks = content.weighed.time.weeks.normalize();
    row(&format!("the same for each of {weeks} weeks"), &|at| {
        signed(at.per_week)
    });
    if all.iter().any(|at| at.per_hour.is_some()) {
        let label = format!(
            "earned per hour of work ({:.1} hours on average)",
            content.weighed.prospect.hours
        );
        row(&label, &|at| at.per_hour.map_or("–".into(), money));
    }
    if content.funds.bankroll.is_some() {
        row("share of the bankroll invested", &|at| {
            at.staked.map_or("–".into(), percent)
        });
    }
    (titles, rows)
}

/// Labels of the quantiles of the profit, in the order of [`PROFIT_LEVELS`].
const POINTS: [&str; PROFIT_LEVELS.len()] = [
    "profit, bad case (1 in 20 is worse)",
    "profit, 1 in 4 is worse",
    "profit, middle case (half are worse)",
    "profit, 1 in 4 is better",
    "profit, good case (1 in 20 is better)",
];

fn repairs(out: &mut String, content: &Bid<'_>, width: usize) {
    let lines = repair_lines(content);
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{HEADING}Repairs{HEADING:#}");
    for line in lines {
        let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    }
    for caution in cautions_of(content) {
        let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(caution, width, "  "));
    }
}

/// The cautions that the repairs call for.
pub(super) fn cautions_of(content: &Bid<'_>) -> Vec<&'static str> {
    cautions(
        content
            .costs
            .repairs
            .iter()
            .map(|repair| repair.what.as_str()),
    )
}

/// The repairs and their results, one sentence each; empty without repairs.
pub(super) fn repair_lines(content: &Bid<'_>) -> Vec<String> {
    let repairs = &content.costs.repairs;
    if repairs.is_empty() {
        return Vec::new();
    }
    let money = |value| amount(&content.weighed.made.currency, value);
    let currency = &content.weighed.made.currency;
    let mut lines: Vec<String> = repairs
        .iter()
        .enumerate()
        .map(|(at, repair)| spares::repair_line(at, repair, currency))
        .collect();
    lines.extend(spares::no_cash(content));
    let otherwise = match (content.weighed.parts.as_ref(), content.costs.salvage) {
        (Some(parts), _) if spares::never_whole(content) => {
            format!(
                ", otherwise taken apart (whole, for parts, it would sell at about {})",
                money(parts.median)
            )
        }
        (Some(parts), _) => format!(
            ", otherwise sold for parts at about {} (its own estimate)",
            money(parts.median)
        ),
        (None, Some(share)) => format!(
            ", otherwise sold for {} % of the price (as you said)",
            (share * Decimal::ONE_HUNDRED).normalize()
        ),
        (None, None) => String::new(),
    };
    lines.push(format!(
        "All repairs succeed {:.0} times in 100{otherwise}.",
        100.0 * content.weighed.prospect.repaired
    ));
    lines.extend(spares::dead_lines(content));
    lines
}
