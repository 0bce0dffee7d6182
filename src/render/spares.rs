//! Spare parts in a bid: repairs from the drawer, and units that cannot be repaired.

use super::drawer::{counted, how_known};
use super::numbers::amount;
use crate::app::bid::Bid;
use crate::deal::prospect::{Failure, from_minor};
use crate::trade::Currency;
use crate::trade::repair::Repair;

/// A repair in words.
pub(super) fn repair_line(at: usize, repair: &Repair, currency: &Currency) -> String {
    let parts = match &repair.drawer {
        Some(part) => format!(
            "{} from the drawer, {} to replace ({})",
            counted(&part.name, part.count),
            amount(currency, repair.parts),
            how_known(part.valued)
        ),
        None => format!("spare parts {}", amount(currency, repair.parts)),
    };
    let spoils = if repair.spoils < 1.0 && repair.success < 1.0 {
        format!(
            "; a failure spoils the part {:.0} times in 100",
            100.0 * repair.spoils
        )
    } else {
        String::new()
    };
    format!(
        "{}. {}: {parts}, {} minutes, succeeds {:.0} times in 100{spoils}.",
        at + 1,
        repair.what,
        repair.minutes.normalize(),
        100.0 * repair.success
    )
}

/// The parts that take no cash.
pub(super) fn no_cash(content: &Bid<'_>) -> Option<String> {
    let drawer = content.weighed.prospect.drawer;
    (drawer > 0).then(|| {
        format!(
            "Of the spare parts, {} are from the drawer: no cash now. The profit counts what they cost to replace, the money invested does not.",
            content.money(from_minor(drawer, content.currency()))
        )
    })
}

/// Whether the unit is taken apart whichever repair fails.
pub(super) fn never_whole(content: &Bid<'_>) -> bool {
    let failures = &content.weighed.prospect.failures;
    !failures.is_empty() && failures.iter().all(Failure::is_harvested)
}

/// The use of the unit if a repair fails, where taking it apart is a choice: a sentence for each repair.
pub(super) fn dead_lines(content: &Bid<'_>) -> Vec<String> {
    let failures = content.weighed.prospect.failures.iter();
    failures
        .filter(|failure| !failure.parts.is_empty())
        .map(|failure| dead_line(content, failure))
        .collect()
}

fn dead_line(content: &Bid<'_>, failure: &Failure) -> String {
    let money = |units| content.money(from_minor(units, content.currency()));
    let whole = money(failure.whole.round_ties_even() as i64);
    let parts = failure.parts.iter().map(|part| {
        let times = match part.count {
            0 | 1 => String::new(),
            count => format!(" x{count}"),
        };
        format!("{}{times} {}", part.name, content.money(part.value()))
    });
    let parts: Vec<String> = parts.collect();
    let mut apart = format!("{} of parts ({})", money(failure.value), parts.join(", "));
    if failure.work > 0 {
        apart = format!(
            "{apart}, less {} for {} minutes",
            money(failure.work),
            failure.minutes.normalize()
        );
    }
    let which = &content.costs.repairs[failure.repair].what;
    if failure.is_harvested() {
        format!(
            "If \"{which}\" fails: take it apart. That leaves {apart}; selling it whole leaves {whole}."
        )
    } else {
        format!(
            "If \"{which}\" fails: sell it whole, which leaves {whole}; taking it apart leaves {apart}."
        )
    }
}
