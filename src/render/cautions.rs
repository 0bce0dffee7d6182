//! Cautions about work on a unit: only those that the work calls for.

/// About batteries and cells.
const CELLS: &str =
    "Cells: keep a swollen or dented one apart, hand it in; fit only the right kind.";

/// About mains supplies.
const MAINS: &str = "Mains: a supply holds a charge when unplugged; leave it to qualified people.";

/// About locks, and data on the unit.
const LOCKS: &str =
    "Locks: see that none is on and that the seller may sell it; wipe it before sale.";

/// If it is not clear what the work touches.
const GENERAL: &str =
    "Before opening it: switch it off, take its cells out, leave mains parts alone.";

/// How words about cells begin.
const OF_CELLS: [&str; 9] = [
    "batter",
    "batterie",
    "cell",
    "accu",
    "akku",
    "lithium",
    "li-ion",
    "powerpack",
    "charg",
];

/// How words about the mains begin.
const OF_MAINS: [&str; 9] = [
    "mains",
    "psu",
    "supply",
    "supplies",
    "transformer",
    "fuse",
    "adapter",
    "plug",
    "charger",
];

/// How words about locks and data begin.
const OF_LOCKS: [&str; 12] = [
    "lock", "unlock", "activat", "account", "passw", "reset", "firmware", "data", "disk", "ssd",
    "storage", "memory",
];

/// How words about work begin that opens nothing.
const OUTSIDE: [&str; 10] = [
    "polish", "wash", "wipe", "sticker", "label", "strap", "pouch", "sleeve", "case", "packag",
];

/// The cautions that work described in these words calls for; a general one if it is not clear what it touches.
pub(super) fn cautions<'a>(work: impl IntoIterator<Item = &'a str>) -> Vec<&'static str> {
    let work: Vec<String> = work.into_iter().map(str::to_lowercase).collect();
    let contains = |text: &String, begins: &[&str]| {
        let mut words = text.split(|c: char| !c.is_alphanumeric() && c != '-');
        words.any(|word| begins.iter().any(|begin| word.starts_with(begin)))
    };
    let any = |begins: &[&str]| work.iter().any(|text| contains(text, begins));
    let found = [
        (any(&OF_CELLS), CELLS),
        (any(&OF_MAINS), MAINS),
        (any(&OF_LOCKS), LOCKS),
    ];
    let named: Vec<&'static str> = found
        .into_iter()
        .filter_map(|(touches, caution)| touches.then_some(caution))
        .collect();
    let unclear = work.iter().any(|text| !contains(text, &OUTSIDE));
    if named.is_empty() && unclear {
        return vec![GENERAL];
    }
    named
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_the_work_touches_is_cautioned_about() {
        for (work, expected) in [
            (vec!["new battery"], vec![CELLS]),
            (vec!["Akku"], vec![CELLS]),
            (vec!["new fuse", "clean jack"], vec![MAINS]),
            (vec!["new charger"], vec![CELLS, MAINS]),
            (vec!["remove account lock"], vec![LOCKS]),
            (vec!["clean jack"], vec![GENERAL]),
            (vec!["new strap", "wash the case"], vec![]),
            (vec!["cancelled"], vec![GENERAL]),
            (vec![], vec![]),
        ] {
            assert_eq!(cautions(work.iter().copied()), expected, "{work:?}");
        }
    }
}
