//! Owns a draw: from ranges and a seed to a valid profile, in an envelope.
//!
//! Same ranges, base, capacity and seed give the same envelope, byte for byte. A combination of values
//! that makes no drive is thrown away whole, and all of it drawn anew.

use super::book::{Book, Values};
use super::measure;
use crate::image::envelope::{Envelope, SALT_BYTES};
use crate::lab::dice::Dice;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::changed::Change;
use crate::profile::scale::ScaleError;
use crate::units::{count, index};

/// Draws before ranges are given up.
const TRIES: u64 = 1000;
/// Streams of numbers that are no draws.
const SALT_STREAM: u64 = u64::MAX;
const NAME_STREAM: u64 = u64::MAX - 1;

/// No drive comes out of the ranges.
#[derive(Debug, thiserror::Error)]
pub enum NoDrive {
    /// No draw is a valid drive.
    #[error("of {TRIES} draws from the ranges none makes a drive; the last: {0}")]
    Ranges(String),
    /// No draw that is a valid drive can be scaled to the capacity that was asked for.
    #[error("of {TRIES} draws from the ranges none makes a drive of that capacity; the last: {0}")]
    Capacity(ScaleError),
}

/// Why a draw makes no drive.
enum Unfit {
    Values(String),
    Capacity(ScaleError),
}

/// Draws a drive like `base`, of `capacity` bytes if that is given.
///
/// # Errors
/// If the ranges hold hardly any combination that makes a drive.
pub fn draw(
    base: &Profile,
    book: &Book,
    capacity: Option<u64>,
    seed: u64,
) -> Result<Envelope, NoDrive> {
    let mut name_dice = Dice::of_stream(seed, NAME_STREAM);
    let name = format!("sealed-{:08x}", name_dice.below(1 << 32));
    let (mut values, mut scaling) = (None, None);
    for attempt in 0..TRIES {
        let mut dice = Dice::of_stream(seed, attempt);
        let changes: Vec<Change> = book
            .ranges
            .iter()
            .map(|range| Change {
                key: range.key.path.to_owned(),
                value: one(&mut dice, &range.values),
            })
            .collect();
        match drive(base, &changes, capacity) {
            Ok(mut profile) => {
                profile.name.clone_from(&name);
                return Ok(Envelope::close(
                    &profile.to_toml(),
                    &name,
                    &book.keys(),
                    salt(seed),
                ));
            }
            Err(Unfit::Values(why)) => values = Some(why),
            Err(Unfit::Capacity(why)) => scaling = Some(why),
        }
    }
    // Where draws were drives until they were scaled, the capacity is at fault.
    Err(scaling.map_or_else(
        || NoDrive::Ranges(values.unwrap_or_default()),
        NoDrive::Capacity,
    ))
}

fn one(dice: &mut Dice, values: &Values) -> toml::Value {
    match values {
        Values::Steps {
            unit,
            from,
            step,
            steps,
        } => measure::value(*unit, from + dice.below(*steps) * step),
        Values::OneOf(all) => all[index(dice.below(count(all.len())))].clone(),
    }
}

fn drive(base: &Profile, changes: &[Change], capacity: Option<u64>) -> Result<Profile, Unfit> {
    let unfit = |error: &dyn std::error::Error| Unfit::Values(error.to_string());
    let profile = base.changed(changes).map_err(|error| unfit(&error))?;
    let profile = match capacity {
        Some(bytes) => profile.scaled_to(bytes).map_err(Unfit::Capacity)?.0,
        None => profile,
    };
    Layout::new(&profile).map_err(|error| unfit(&error))?;
    Ok(profile)
}

fn salt(seed: u64) -> [u8; SALT_BYTES] {
    let mut dice = Dice::of_stream(seed, SALT_STREAM);
    std::array::from_fn(|_| u8::try_from(dice.below(256)).expect("below 256"))
}

#[cfg(test)]
mod tests {
    use super::super::measure::{Measure, of_profile};
    use super::*;
    use crate::lab::draw::book;
    use proptest::prelude::*;
    use std::collections::{BTreeMap, BTreeSet};

    fn base() -> (Profile, Book) {
        let book = Book::parse("default", book::DEFAULT).unwrap();
        let text = Profile::built_in(&book.base).unwrap();
        (Profile::from_toml("base", text).unwrap(), book)
    }

    fn opened(envelope: &Envelope) -> Profile {
        Profile::from_toml("drawn", &envelope.open().unwrap()).unwrap()
    }

    fn number(profile: &Profile, path: &str) -> u64 {
        let value = of_profile(profile, path).unwrap();
        match measure::measure(measure::key(path).unwrap(), &value) {
            Some(Measure::Number(number) | Measure::Tracks(number)) => number,
            other => panic!("{path}: {other:?}"),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn every_seed_draws_a_valid_drive_of_any_size(
            seed in any::<u64>(),
            capacity in prop::sample::select(vec![None, Some(1_u64 << 30), Some(20 << 30), Some(1 << 40)]),
        ) {
            let (base, book) = base();
            let envelope = draw(&base, &book, capacity, seed).unwrap();
            let profile = opened(&envelope);
            prop_assert!(Layout::new(&profile).is_ok());
            prop_assert_eq!(&profile.name, &envelope.name);
            prop_assert_eq!(profile.drive.capacity_bytes, capacity.unwrap_or(base.drive.capacity_bytes));
            prop_assert_eq!(draw(&base, &book, capacity, seed).unwrap(), envelope);
        }
    }

    #[test]
    fn draws_lie_in_their_ranges_and_reach_all_of_them() {
        let (base, book) = base();
        let mut seen: BTreeMap<&str, BTreeSet<u64>> = BTreeMap::new();
        let mut words: BTreeMap<String, u64> = BTreeMap::new();
        for seed in 0..300 {
            let profile = opened(&draw(&base, &book, None, seed).unwrap());
            for path in [
                "platters.rpm",
                "cleaning.idle_delay",
                "staging.slots",
                "staging.merge_every",
                "cleaning.passes",
            ] {
                seen.entry(path).or_default().insert(number(&profile, path));
            }
            let place = of_profile(&profile, "staging.place").unwrap();
            *words.entry(place.as_str().unwrap().to_owned()).or_insert(0) += 1;
        }
        // The ranges as configs/draw/default.toml states them, in base units.
        let passes: Vec<u64> = seen["cleaning.passes"].iter().copied().collect();
        assert_eq!(passes, [2, 3, 4]);
        let rpm: Vec<u64> = seen["platters.rpm"].iter().copied().collect();
        assert_eq!(rpm, [5_400_000, 5_900_000, 7_200_000]);
        for (path, from, to, step) in [
            (
                "cleaning.idle_delay",
                200_000_000,
                5_000_000_000,
                100_000_000,
            ),
            ("staging.slots", 6800, 33_600, 100),
            ("staging.merge_every", 120, 480, 10),
        ] {
            let seen = &seen[path];
            assert!(
                seen.iter()
                    .all(|value| (from..=to).contains(value) && (value - from) % step == 0)
            );
            // Of 300 draws one lies in each tenth of the range, but for a chance of 10 * 0.9^300.
            for tenth in 0..10 {
                let low = from + (to - from) * tenth / 10;
                let high = from + (to - from) * (tenth + 1) / 10;
                assert!(
                    seen.range(low..=high).next().is_some(),
                    "{path}: none from {low} to {high}"
                );
            }
        }
        // A third each: 100 of 300, four deviations of the binomial distribution (8.2) to each side.
        let counts: Vec<u64> = words.values().copied().collect();
        assert_eq!(counts.len(), 3, "{words:?}");
        assert!(
            counts.iter().all(|count| (67..=133).contains(count)),
            "{words:?}"
        );
    }

    #[test]
    fn different_seeds_have_different_commitments_and_names() {
        let (base, book) = base();
        let drawn: BTreeSet<String> = (0..20)
            .flat_map(|seed| {
                let envelope = draw(&base, &book, None, seed).unwrap();
                [envelope.commitment.to_string(), envelope.name]
            })
            .collect();
        assert_eq!(drawn.len(), 40);
    }

    #[test]
    fn ranges_that_make_no_drive_are_told_with_a_reason() {
        let text = "base = \"desktop-5tb\"\n[range.\"platters.surfaces\"]\none_of = [1]\n";
        let (base, _) = base();
        let book = Book::parse("mine", text).unwrap();
        let told = draw(&base, &book, None, 1).unwrap_err().to_string();
        // A surface has an eighth of the room that the capacity asks for.
        assert!(told.contains("drive.capacity"), "{told}");
    }

    #[test]
    fn a_capacity_that_no_draw_can_have_is_told_as_that() {
        let (base, book) = base();
        for bytes in [90_000_000_000_000 / 4096 * 4096, 4096] {
            let told = draw(&base, &book, Some(bytes), 1).unwrap_err();
            assert!(matches!(told, NoDrive::Capacity(_)), "{told}");
            assert!(told.to_string().contains(&bytes.to_string()), "{told}");
        }
    }
}
