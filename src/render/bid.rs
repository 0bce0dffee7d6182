//! The bid on the terminal.

use std::fmt::Write;

use rust_decimal::prelude::FromPrimitive;
use rust_decimal::{Decimal, RoundingStrategy};

use super::cautions::cautions;
use super::numbers::{amount, chance, percent_change};
use super::prose::{
    HEADING, PRICE, heading, prose_width, sentence, sentences, small_print, table, take_care,
    warning, wrap,
};
use super::sheet::{WORKED_OUT, assumed, likely, unit};
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
    take_care(&mut out, &warnings(content), prose);
    out.push('\n');
    small_print(&mut out, WORKED_OUT, prose);
    out
}

impl Bid<'_> {
    /// The currency of all its money.
    pub(super) fn currency(&self) -> &Currency {
        &self.weighed.made.currency
    }

    /// An amount of money.
    pub(super) fn money(&self, value: Decimal) -> String {
        amount(self.currency(), value)
    }

    /// The binding limit in words; empty if there is none.
    pub(super) fn reason(&self) -> String {
        binding(&self.limits).map_or(String::new(), |limit| limited(limit, self.currency()))
    }
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
    let title = wrap(&unit(&made.subject), width, "");
    let _ = writeln!(out, "{HEADING}{title}{HEADING:#}");
    let left = left(content).map_or(String::new(), |left| format!("; {left}"));
    let mut line = format!("{}{left}.", likely(made, ""));
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
            WeeksFrom::Stated => "as said",
            WeeksFrom::Policy => "from the asking policy",
        }
    )
}

/// The profit or loss of a sale at the likely price; none if the book has no outlet.
pub(super) fn left(content: &Bid<'_>) -> Option<String> {
    let (outlet, net) = (content.outlet?, content.net.as_ref()?.net);
    Some(if net < Decimal::ZERO {
        format!(
            "sold through {outlet} at that price, you lose {}",
            content.money(-net)
        )
    } else {
        format!("sold through {outlet}, you keep {}", content.money(net))
    })
}

/// Everything counted in besides the price: the effect of the time to the sale, the risk of a total loss, and the
/// cash if it is assumed.
pub(super) fn counted(content: &Bid<'_>) -> Vec<String> {
    let lost = content.weighed.prospect.lost;
    let risk = (lost > 0.0).then(|| {
        format!(
            "Counted in: {} of purchases lose all the money invested (`lost` in compband.toml).",
            percent(lost)
        )
    });
    let cash = content.funds.cash;
    let cash = cash.and_then(|cash| assumed_cash(cash, content.currency()));
    over_time(content)
        .into_iter()
        .chain(risk)
        .chain(cash)
        .collect()
}

/// Effect of the time to the sale on the price, and its cost.
fn over_time(content: &Bid<'_>) -> Option<String> {
    let time = &content.weighed.time;
    let change = (time.change.abs() >= 0.05).then(|| {
        format!(
            "prices change by {} until it is sold",
            percent_change(time.change)
        )
    });
    let holding = (!time.holding.is_zero())
        .then(|| format!("holding it costs {}", content.money(time.holding)));
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
    let reason = content.reason();
    match &content.at_most {
        Some(at) => {
            let (most, code) = (content.money(at.bid), &content.currency().code);
            let _ = writeln!(out, "  Bid at most  {PRICE}{most} {code}{PRICE:#}");
            sentence(out, &format!("Limited by: {reason}."), width);
        }
        None => {
            let line = format!("Do not buy it, not even as a gift. Not met: {reason}.");
            warning(out, &line, width);
        }
    }
    if let Some(asked) = &content.asked {
        sentence(out, &advice(asked, content.currency()), width);
        offers(out, content, asked, width);
    }
}

/// Three prices to offer the seller, and their source.
fn offers(out: &mut String, content: &Bid<'_>, asked: &Judged, width: usize) {
    let lines = offered(asked).into_iter();
    let lines: Vec<_> = lines
        .map(|(label, price)| (label, content.money(price)))
        .collect();
    let digits = lines.iter().map(|(_, cell)| cell.chars().count()).max();
    let digits = digits.unwrap_or_default();
    if !lines.is_empty() {
        out.push('\n');
    }
    let code = &content.currency().code;
    for (label, cell) in &lines {
        let _ = writeln!(out, "  {label:<16}{PRICE}{cell:>digits$} {code}{PRICE:#}");
    }
    sentences(out, about_offers(content, asked), width);
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
    let money = |value| content.money(value);
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
    let missed = asked.failed.iter();
    let why = missed.map(|aim| failure(*aim, &asked.measures, currency));
    let word = match asked.advice {
        Advice::Buy => "buy".into(),
        Advice::Haggle(to) => format!("haggle to {}", amount(currency, to)),
        Advice::Pass => "pass".into(),
    };
    (word, why.collect())
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

/// Words after the price of a unit that has to be repaired first; empty without repairs.
pub(super) fn once_repaired(content: &Bid<'_>) -> &'static str {
    if content.costs.repairs.is_empty() {
        ""
    } else {
        " once repaired"
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
    let columns = [
        ("", Kind::Fixed),
        ("aim", Kind::Text),
        ("most to bid", Kind::Number),
    ];
    let rest = format!(", {} (• sets the limit)", content.currency().code);
    table(
        out,
        ("Aims", &rest),
        &columns,
        aim_rows(content, "•"),
        width,
    );
}

/// A row for each aim: a mark if it is the binding one, the aim in words, the highest bid that meets it.
pub(super) fn aim_rows(content: &Bid<'_>, mark: &str) -> Vec<[String; 3]> {
    let binds = binding(&content.limits);
    let row = |limit: &Limit| {
        let mark = if binds == Some(limit) { mark } else { "" };
        let most = limit.most.map_or("none".into(), |most| content.money(most));
        [mark.to_string(), limited(limit, content.currency()), most]
    };
    content.limits.iter().map(row).collect()
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
    out.push('\n');
    out.push_str(&grid.render(width));
}

/// The results at the highest bid and at the asking price: a title for each, and rows of a label
/// and a cell for each. No titles if there is neither.
pub(super) fn measured(content: &Bid<'_>) -> (Vec<String>, Vec<Vec<String>>) {
    let money = |value| content.money(value);
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
    heading(out, "Repairs", "");
    sentences(out, lines, width);
    for caution in cautions_of(content) {
        warning(out, caution, width);
    }
}

/// The cautions that the repairs call for.
pub(super) fn cautions_of(content: &Bid<'_>) -> Vec<&'static str> {
    let repairs = content.costs.repairs.iter();
    cautions(repairs.map(|repair| repair.what.as_str()))
}

/// The repairs and their results, one sentence each; empty without repairs.
pub(super) fn repair_lines(content: &Bid<'_>) -> Vec<String> {
    let repairs = &content.costs.repairs;
    if repairs.is_empty() {
        return Vec::new();
    }
    let each = repairs.iter().enumerate();
    let mut lines: Vec<String> = each
        .map(|(at, repair)| spares::repair_line(at, repair, content.currency()))
        .collect();
    lines.extend(spares::no_cash(content));
    let otherwise = match (content.weighed.parts.as_ref(), content.costs.salvage) {
        (Some(parts), _) if spares::never_whole(content) => {
            format!(
                ", otherwise taken apart (whole, for parts, it would sell at about {})",
                content.money(parts.median)
            )
        }
        (Some(parts), _) => format!(
            ", otherwise sold for parts at about {} (its own estimate)",
            content.money(parts.median)
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
