//! Owns the form of whole numbers on the command line: what is said of one that is out of its range, or
//! none.

use std::fmt::Display;
use std::num::NonZeroUsize;
use std::str::FromStr;

/// A whole number from 1 to `most`, for clap.
pub(super) fn from_1_to<T>(
    most: T,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync + 'static
where
    T: FromStr + PartialOrd + From<u8> + Display + Copy + Send + Sync + 'static,
{
    move |text| {
        let found = text.parse().ok();
        let found = found.filter(|number| (T::from(1)..=most).contains(number));
        found.ok_or_else(|| format!("give a whole number from 1 to {most}"))
    }
}

/// How many runs at once, for clap.
pub(super) fn runs(text: &str) -> Result<NonZeroUsize, String> {
    let found = text.parse().ok();
    found.ok_or_else(|| "give a whole number of at least 1, such as 2".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_in_the_range_is_told_the_range() {
        let read = from_1_to(12_u64);
        assert_eq!(read("1"), Ok(1));
        assert_eq!(read("12"), Ok(12));
        for wrong in ["0", "13", "-1", "1.5", "many", "", "99999999999999999999"] {
            let told = read(wrong).unwrap_err();
            assert_eq!(told, "give a whole number from 1 to 12", "{wrong}");
        }
        assert_eq!(runs("3"), Ok(NonZeroUsize::MIN.saturating_add(2)));
        for wrong in ["0", "-1", "all"] {
            assert!(runs(wrong).unwrap_err().contains("at least 1"), "{wrong}");
        }
    }
}
