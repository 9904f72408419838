//! Owns the profiles that come with imbrex: the texts of `configs/`, by name.
//!
//! They are ordinary profiles; nothing in imbrex treats them in a special way.

use crate::profile::Profile;

/// Names and texts, the default first.
const BUILT_IN: [(&str, &str); 7] = [
    (
        Profile::DEFAULT_NAME,
        include_str!("../../configs/desktop-5tb.toml"),
    ),
    (
        "archive-8tb",
        include_str!("../../configs/archive-8tb.toml"),
    ),
    ("inner-4tb", include_str!("../../configs/inner-4tb.toml")),
    ("flash-4tb", include_str!("../../configs/flash-4tb.toml")),
    ("spread-4tb", include_str!("../../configs/spread-4tb.toml")),
    (
        "control-5tb",
        include_str!("../../configs/control-5tb.toml"),
    ),
    ("tiny", include_str!("../../configs/tiny.toml")),
];

impl Profile {
    /// Name of the profile that is used where none is named.
    pub const DEFAULT_NAME: &'static str = "desktop-5tb";

    /// TOML text of the built-in profile of this name.
    pub fn built_in(name: &str) -> Option<&'static str> {
        let found = BUILT_IN.iter().find(|(known, _)| *known == name);
        found.map(|(_, text)| *text)
    }

    /// Names of all built-in profiles, the default first.
    pub fn built_in_names() -> impl Iterator<Item = &'static str> {
        BUILT_IN.iter().map(|(name, _)| *name)
    }

    /// TOML text of the default profile.
    pub fn default_text() -> &'static str {
        BUILT_IN[0].1
    }
}

#[cfg(test)]
mod tests;
