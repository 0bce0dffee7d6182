//! Settings that were renamed. Old names are still read.

use toml::Table;

/// Table, old name and new name of each renamed setting.
const RENAMED: [(&str, &str, &str); 2] = [
    ("deal", "haggle", "seller_discount"),
    ("deal", "haggling", "buyers_who_offer"),
];

/// The settings that a file has under an old name: old name, new name.
pub(super) fn old_names(text: &str) -> Vec<(&'static str, &'static str)> {
    // Most files have none: they are not read twice.
    if RENAMED.iter().all(|(_, old, _)| !text.contains(old)) {
        return Vec::new();
    }
    let settings: Table = toml::from_str(text).unwrap_or_default();
    let has = |table: &str, key: &str| {
        let table = settings.get(table).and_then(|table| table.as_table());
        table.is_some_and(|table| table.contains_key(key))
    };
    RENAMED
        .iter()
        .filter(|(table, old, _)| has(table, old))
        .map(|&(_, old, new)| (old, new))
        .collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::{Settings, TEMPLATE};

    #[test]
    fn old_names_are_read_and_listed() {
        let read = |text: &str| Settings::parse(text, Path::new("compband.toml")).unwrap();
        let old = read("[deal]\nhaggle = \"5 to 15\"\nhaggling = 30\n");
        let new = read("[deal]\nseller_discount = \"5 to 15\"\nbuyers_who_offer = 30\n");
        assert_eq!(old.deal, new.deal);
        assert_eq!(
            old.renamed,
            [
                ("haggle", "seller_discount"),
                ("haggling", "buyers_who_offer")
            ]
        );
        assert!(new.renamed.is_empty());
        // A comment or a name of the user's is no setting.
        assert!(read("# haggle\n[outlets.haggling]\n").renamed.is_empty());
        assert!(old_names(TEMPLATE).is_empty());
    }
}
