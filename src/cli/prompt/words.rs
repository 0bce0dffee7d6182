//! Known words that complete an answer, or the entries of one that is a list.

use crate::trade::items::split_count;
use crate::trade::names::match_key;

/// Known words, and whether an answer is one of them or a list.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words {
    known: Vec<String>,
    list: bool,
}

/// Result of Tab.
#[derive(Debug, PartialEq, Eq)]
pub enum Tabbed {
    /// A longer text.
    Longer(String),
    /// Several candidates.
    Any(Vec<String>),
}

impl Words {
    /// For an answer that is one of them, or a new one.
    pub fn one(known: impl IntoIterator<Item = String>) -> Self {
        Self {
            known: known.into_iter().collect(),
            list: false,
        }
    }

    /// For an answer that is a list of them or others, separated by `;`, with counts.
    pub fn several(known: impl IntoIterator<Item = String>) -> Self {
        Self {
            list: true,
            ..Self::one(known)
        }
    }

    /// The answer with each unambiguous prefix completed to the known word; text in quotes stays
    /// unchanged.
    ///
    /// # Errors
    /// The candidates of an ambiguous entry.
    pub fn complete(&self, answer: &str) -> Result<String, Vec<String>> {
        if !self.list {
            return self.entry(answer.trim());
        }
        let entries = answer.split([';', ',']).map(str::trim);
        let completed: Result<Vec<String>, _> = entries
            .filter(|entry| !entry.is_empty())
            .map(|entry| self.counted(entry))
            .collect();
        Ok(completed?.join("; "))
    }

    /// An entry of a list; keeps its count.
    fn counted(&self, entry: &str) -> Result<String, Vec<String>> {
        match split_count(entry) {
            // Without a count, case and spaces stay as typed.
            Some((_, 1)) => self.entry(entry),
            Some((name, count)) => Ok(format!("{} x{count}", self.entry(&name)?)),
            None => Ok(entry.to_string()),
        }
    }

    fn entry(&self, typed: &str) -> Result<String, Vec<String>> {
        if let Some(whole) = in_quotes(typed) {
            return Ok(whole.to_string());
        }
        let key = match_key(typed);
        if let Some(known) = self.known.iter().find(|word| match_key(word) == key) {
            return Ok(known.clone());
        }
        match self.beginning(&key).as_slice() {
            [] => Ok(typed.to_string()),
            [word] => Ok((*word).clone()),
            several => Err(several.iter().map(ToString::to_string).collect()),
        }
    }

    /// Known words that begin with `key`; none for an empty one.
    fn beginning(&self, key: &str) -> Vec<&String> {
        let begins = |word: &&String| !key.is_empty() && match_key(word).starts_with(key);
        self.known.iter().filter(begins).collect()
    }

    /// The result of Tab after the typed text.
    pub fn tab(&self, typed: &str) -> Tabbed {
        let at = if self.list {
            typed.rfind([';', ',']).map_or(0, |at| at + 1)
        } else {
            0
        };
        let (before, entry) = typed.split_at(at);
        let lead = if before.is_empty() { "" } else { " " };
        let key = match_key(entry);
        let meant = if key.is_empty() {
            self.known.iter().collect()
        } else {
            self.beginning(&key)
        };
        let common = meant
            .iter()
            .skip(1)
            .fold(meant.first().map_or("", |word| word.as_str()), |a, b| {
                common_beginning(a, b)
            });
        if !meant.is_empty() && (meant.len() == 1 || match_key(common).len() > key.len()) {
            return Tabbed::Longer(format!("{before}{lead}{common}"));
        }
        Tabbed::Any(meant.into_iter().cloned().collect())
    }
}

/// The text between double quotes.
fn in_quotes(text: &str) -> Option<&str> {
    text.strip_prefix('"')?.strip_suffix('"')
}

/// The longest common prefix of two words, ignoring case, in the spelling of the first.
fn common_beginning<'a>(one: &'a str, other: &str) -> &'a str {
    let pairs = one.chars().zip(other.chars());
    let alike = pairs.take_while(|(a, b)| a.to_lowercase().eq(b.to_lowercase()));
    &one[..alike.map(|(a, _)| a.len_utf8()).sum()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(known: &[&str]) -> Vec<String> {
        known.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn one_beginning_is_completed_and_several_are_not() {
        let models = Words::one(words(&[
            "Nulva 61K",
            "Tumrik QN 948",
            "Tumrik QN 731",
            "Tumrik",
        ]));
        for (typed, taken) in [
            ("nul", "Nulva 61K"),
            ("NULVA6", "Nulva 61K"),
            ("nulva 61k", "Nulva 61K"),
            ("tumrik qn948", "Tumrik QN 948"),
            // A whole word is meant, even if others begin with it.
            ("tumrik", "Tumrik"),
            ("Bolv 83V", "Bolv 83V"),
            ("Nulva 61K4", "Nulva 61K4"),
            ("\"Nul\"", "Nul"),
            ("", ""),
        ] {
            assert_eq!(models.complete(typed), Ok(taken.to_string()), "{typed}");
        }
        let several = models.complete("tumrik q").unwrap_err();
        assert_eq!(several, ["Tumrik QN 948", "Tumrik QN 731"]);
    }

    #[test]
    fn entries_of_a_list_are_completed_each_with_its_count() {
        let pieces = Words::several(words(&["battery", "battery door", "charger", "strap"]));
        for (typed, taken) in [
            ("ch", "charger"),
            ("ch; st", "charger; strap"),
            ("cha x2, battery", "charger x2; battery"),
            ("2x str", "strap x2"),
            ("battery d", "battery door"),
            ("Lens Cap", "Lens Cap"),
            ("\"str\"; ;", "str"),
            // The reader of the answer reports an invalid count.
            ("charger x0", "charger x0"),
        ] {
            assert_eq!(pieces.complete(typed), Ok(taken.to_string()), "{typed}");
        }
        assert_eq!(
            pieces.complete("strap; bat").unwrap_err(),
            ["battery", "battery door"]
        );
    }

    #[test]
    fn tab_goes_as_far_as_the_words_agree() {
        let models = Words::one(words(&["Tumrik QN 948", "TUMRIK QN 731", "Bolv 83V"]));
        let longer = |text: &str| Tabbed::Longer(text.into());
        assert_eq!(models.tab("tu"), longer("Tumrik QN "));
        assert_eq!(models.tab("b"), longer("Bolv 83V"));
        assert_eq!(models.tab("Bolv 83V"), longer("Bolv 83V"));
        assert_eq!(
            models.tab("tumrik qn"),
            Tabbed::Any(words(&["Tumrik QN 948", "TUMRIK QN 731"]))
        );
        assert_eq!(models.tab("x"), Tabbed::Any(vec![]));
        assert!(matches!(models.tab(""), Tabbed::Any(all) if all.len() == 3));
        let pieces = Words::several(words(&["battery", "charger"]));
        assert_eq!(pieces.tab("ba"), longer("battery"));
        assert_eq!(pieces.tab("battery;ch"), longer("battery; charger"));
        assert_eq!(Words::default().tab("a"), Tabbed::Any(vec![]));
    }

    #[test]
    fn common_beginnings_are_cut_between_characters() {
        for (one, other, common) in [
            ("abc", "ABd", "ab"),
            ("ab", "abc", "ab"),
            ("abc", "ab", "ab"),
            ("ä1", "Ä2", "ä"),
            ("a", "b", ""),
        ] {
            assert_eq!(common_beginning(one, other), common, "{one} {other}");
        }
    }
}
