//! Owns changes to a profile by key: the same profile with some keys of its text set anew.
//!
//! A change is checked as the text of a profile is, together with all others: nothing half-valid comes
//! out, and an unknown key is refused with the nearest known one.

use std::fmt;

use super::Profile;
use super::error::ProfileError;

/// Parts of a dotted key.
const PARTS_MAX: usize = 8;

/// A key and what it is set to.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Dotted key, such as `staging.bytes`.
    pub key: String,
    /// What it is set to.
    pub value: toml::Value,
}

impl Change {
    /// Reads `key=value`: a number, `true`, `false`, a list in brackets, or else text with or without
    /// quotation marks.
    ///
    /// # Errors
    /// What is wrong with it, for people.
    pub fn from_words(words: &str) -> Result<Change, String> {
        let (key, value) = words.split_once('=').ok_or_else(|| {
            format!("{words:?} is no change; give KEY=VALUE such as staging.bytes=10GiB")
        })?;
        let (key, value) = (key.trim(), value.trim());
        if key.is_empty() || value.is_empty() {
            return Err(format!(
                "{words:?} lacks its key or its value; give KEY=VALUE"
            ));
        }
        if key.split('.').count() > PARTS_MAX {
            return Err(format!(
                "no key has more than {PARTS_MAX} parts: {key:.40}..."
            ));
        }
        let read = toml::from_str::<toml::Table>(&format!("value = {value}"));
        let value = match read {
            Ok(mut table) if table.len() == 1 => table.remove("value"),
            _ => None,
        }
        .unwrap_or_else(|| toml::Value::String(value.to_owned()));
        Ok(Change {
            key: key.to_owned(),
            value,
        })
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.value {
            toml::Value::String(text) => write!(f, "{}={text}", self.key),
            other => write!(f, "{}={other}", self.key),
        }
    }
}

impl Profile {
    /// This profile with `changes`, the later ones over the former. The name stays.
    ///
    /// # Errors
    /// Everything that is wrong with the result, by key.
    pub fn changed(&self, changes: &[Change]) -> Result<Profile, ProfileError> {
        if changes.is_empty() {
            return Ok(self.clone());
        }
        let mut table: toml::Table =
            toml::from_str(&self.to_toml()).expect("a profile's own text is TOML");
        for change in changes {
            set(&mut table, &change.key, change.value.clone());
        }
        let words: Vec<String> = changes.iter().map(Change::to_string).collect();
        let source = format!("profile {} with {}", self.name, words.join(", "));
        Profile::from_toml(&source, &table.to_string()).map_err(ProfileError::without_lines)
    }
}

/// Sets a dotted key, making the tables on the way to it.
fn set(table: &mut toml::Table, key: &str, value: toml::Value) {
    match key.split_once('.') {
        None => {
            table.insert(key.to_owned(), value);
        }
        Some((section, rest)) => {
            let inner = table
                .entry(section)
                .or_insert_with(|| toml::Value::Table(toml::Table::new()));
            if !inner.is_table() {
                *inner = toml::Value::Table(toml::Table::new());
            }
            if let Some(inner) = inner.as_table_mut() {
                set(inner, rest, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tiny() -> Profile {
        Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
    }

    fn change(words: &str) -> Change {
        Change::from_words(words).unwrap()
    }

    #[test]
    fn a_changed_key_is_the_only_difference() {
        let tiny = tiny();
        let mut expected = tiny.clone();
        expected.drive.queue_depth += 1;
        let depth = change(&format!("drive.queue_depth={}", expected.drive.queue_depth));
        assert_eq!(tiny.changed(&[depth]).unwrap(), expected);
        assert_eq!(tiny.changed(&[]).unwrap(), tiny);
    }

    #[test]
    fn sizes_and_words_need_no_quotation_marks_and_the_last_change_holds() {
        let changes = [
            change("write_cache.enabled = false"),
            change("write_cache.enabled=true"),
            change("drive.queue_order=\"elevator\""),
            change("read_ahead.bytes=0 B"),
        ];
        let result = tiny().changed(&changes).unwrap();
        assert!(result.write_cache.enabled);
        assert_eq!(
            result.drive.queue_order,
            crate::profile::QueueOrder::Elevator
        );
        assert_eq!(result.read_ahead_bytes, 0);
    }

    #[test]
    fn an_unknown_key_is_refused_with_the_nearest_known_one() {
        let told = tiny().changed(&[change("cleaning.pases=2")]).unwrap_err();
        let told = told.to_string();
        assert!(
            told.contains("cleaning.pases") && told.contains("passes"),
            "{told}"
        );
        assert!(
            told.contains("profile tiny with cleaning.pases=2"),
            "{told}"
        );
    }

    #[test]
    fn words_that_are_no_change_are_refused() {
        let deep = format!("{}b=1", "a.".repeat(40_000));
        for words in ["", "staging", "=5", "staging.bytes=", &deep] {
            assert!(Change::from_words(words).is_err(), "{words:.40}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(key in "[a-z_.\"\\[\\]= ]{1,20}", value in ".{1,12}") {
            if let Ok(change) = Change::from_words(&format!("{key}={value}")) {
                let told = tiny().changed(&[change]).map_err(|error| error.to_string());
                proptest::prop_assert!(told.is_ok() || told.is_err_and(|told| !told.is_empty()));
            }
        }
    }
}
