//! Owns how good a guess of a sealed drive is, key by key.
//!
//! A number scores in full within 5 % of the truth, nothing from 50 % on, and in between in proportion; a
//! word scores in full or nothing; what is not guessed scores nothing. The score of a guess is the mean
//! over all keys that were drawn. In thousandths, rounded down.

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;
use toml::Value;

use super::book::list;
use super::measure::{self, Measure};
use crate::profile::keys::Key;
use crate::profile::{Profile, RecordingZone};
use crate::units::count;

/// Relative error up to which a guess is right, and from which on it is worthless, in millionths.
const RIGHT_MILLIONTHS: u64 = 50_000;
const WORTHLESS_MILLIONTHS: u64 = 500_000;

/// A guess that cannot be read.
#[derive(Debug, thiserror::Error)]
#[error("{file} is no guess:{}", list(.problems))]
pub struct GuessError {
    /// Name of the file, for people.
    pub file: String,
    /// Everything that is wrong.
    pub problems: Vec<String>,
}

/// How good a guess is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Score {
    /// Name of the drive.
    pub drive: String,
    /// The mean over all keys, in thousandths.
    pub score_milli: u64,
    /// Key by key.
    pub keys: Vec<OfKey>,
    /// What was guessed and never drawn: it counts for nothing.
    pub not_asked_for: Vec<String>,
}

/// How good the guess of a key is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OfKey {
    /// Which.
    pub key: String,
    /// What it is.
    pub truth: String,
    /// What it was taken for; nothing where it is missing.
    pub guess: Option<String>,
    /// How far that is off, of the truth, in millionths; nothing for words.
    pub error_millionths: Option<u64>,
    /// In thousandths.
    pub score_milli: u64,
}

/// What was guessed, by dotted path.
type Guesses<'t> = BTreeMap<String, &'t Value>;

/// Scores the guess in `text`, TOML with the keys of a profile, of the drawn keys of `truth`.
///
/// # Errors
/// If it is not TOML or guesses nothing; otherwise every key that no profile has, every value that is none of
/// its key, and every key that is guessed twice.
pub fn score(
    (truth, drawn): (&Profile, &[String]),
    file: &str,
    text: &str,
) -> Result<Score, GuessError> {
    let refused = |problems| GuessError {
        file: file.to_owned(),
        problems,
    };
    let table: toml::Table = toml::from_str(text).map_err(|error| {
        let told = error.to_string();
        refused(vec![told.trim_end().to_owned()])
    })?;
    let (mut guesses, mut problems) = (Guesses::new(), Vec::new());
    flatten("", &table, (&mut guesses, &mut problems));
    problems.extend(
        guesses
            .iter()
            .filter_map(|(path, value)| wrong(path, value)),
    );
    if guesses.is_empty() && problems.is_empty() {
        let what = format!("it guesses nothing; hidden are {}", drawn.join(", "));
        problems.push(what);
    }
    if !problems.is_empty() {
        return Err(refused(problems));
    }
    let keys: Result<Vec<OfKey>, String> = drawn
        .iter()
        .map(|path| of_key(truth, path, &guesses))
        .collect();
    let keys = keys.map_err(|problem| refused(vec![problem]))?;
    let sum: u64 = keys.iter().map(|key| key.score_milli).sum();
    let others = guesses.into_keys().filter(|path| !drawn.contains(path));
    Ok(Score {
        drive: truth.name.clone(),
        score_milli: sum / count(keys.len()).max(1),
        keys,
        not_asked_for: others.collect(),
    })
}

fn of_key(profile: &Profile, path: &str, guesses: &Guesses<'_>) -> Result<OfKey, String> {
    let truth = measure::of_profile(profile, path);
    let (Some(key), Some(truth)) = (measure::key(path), truth) else {
        return Err(format!(
            "the drive has no {path}: it was sealed by another imbrex"
        ));
    };
    let mut told = OfKey {
        key: path.to_owned(),
        truth: shown(&truth),
        guess: None,
        error_millionths: None,
        score_milli: 0,
    };
    let Some(&guess) = guesses.get(path) else {
        return Ok(told);
    };
    let measured = [&truth, guess].map(|value| {
        let measured = measure::measure(key, value).ok_or_else(|| not_allowed(key, value));
        measured.map(|measured| in_bytes(profile, measured))
    });
    let [truth, guess_measured] = measured;
    told.guess = Some(shown(guess));
    match (truth?, guess_measured?) {
        (Measure::Number(truth), Measure::Number(guess)) => {
            let error = error_millionths(truth, guess);
            told.error_millionths = Some(error);
            told.score_milli = score_of(error);
        }
        (truth, guess) => told.score_milli = if truth == guess { 1000 } else { 0 },
    }
    Ok(told)
}

/// What is wrong with the guess of a key, whether it was drawn or not.
fn wrong(path: &str, value: &Value) -> Option<String> {
    let Some(key) = measure::key(path) else {
        return Some(match measure::nearest(path) {
            Some(near) => format!("{path}: no profile has this key; did you mean {near}?"),
            None => format!("{path}: no profile has this key; remove it"),
        });
    };
    // What cannot be drawn, such as a list of zones, is not looked at.
    let wrong = measure::is_drawn(key) && measure::allowed(key, value).is_none();
    wrong.then(|| not_allowed(key, value))
}

fn not_allowed(key: &Key, value: &Value) -> String {
    format!("{} = {value}: it takes {}", key.path, key.allowed())
}

/// Tracks as bytes of the outermost zone, so that a guess may be either.
fn in_bytes(profile: &Profile, measure: Measure) -> Measure {
    match measure {
        Measure::Tracks(tracks) => {
            let track = profile
                .platters
                .zones
                .first()
                .map_or(0, RecordingZone::track_bytes);
            Measure::Number(tracks.saturating_mul(track))
        }
        other => other,
    }
}

fn error_millionths(truth: u64, guess: u64) -> u64 {
    let off = u128::from(truth.abs_diff(guess)) * 1_000_000;
    let all_wrong = if off == 0 { 0 } else { u128::from(u64::MAX) };
    let share = off.checked_div(u128::from(truth)).unwrap_or(all_wrong);
    u64::try_from(share).unwrap_or(u64::MAX)
}

fn score_of(error_millionths: u64) -> u64 {
    let above = error_millionths.saturating_sub(RIGHT_MILLIONTHS);
    let width = WORTHLESS_MILLIONTHS - RIGHT_MILLIONTHS;
    1000 - (above.min(width) * 1000).div_ceil(width)
}

fn shown(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

/// Takes the values of a table by their dotted paths: `[platters]` with `rpm` says the same as a quoted
/// `"platters.rpm"`.
fn flatten<'t>(
    prefix: &str,
    table: &'t toml::Table,
    (into, problems): (&mut Guesses<'t>, &mut Vec<String>),
) {
    for (name, value) in table {
        let path = format!("{prefix}{name}");
        match value {
            Value::Table(inner) => flatten(&format!("{path}."), inner, (into, problems)),
            _ => {
                if let Some(first) = into.insert(path.clone(), value) {
                    problems.push(format!("{path} is guessed twice: {first} and {value}"));
                }
            }
        }
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<36}{:>16}{:>16}{:>10}{:>8}",
            self.drive, "truth", "guess", "error", "score"
        )?;
        for key in &self.keys {
            let error = key.error_millionths.map_or_else(String::new, |millionths| {
                let tenths = millionths / 1000;
                format!("{}.{} %", tenths / 10, tenths % 10)
            });
            writeln!(
                f,
                "{:<36}{:>16}{:>16}{error:>10}{:>8}",
                key.key,
                key.truth,
                key.guess.as_deref().unwrap_or("-"),
                milli(key.score_milli)
            )?;
        }
        writeln!(f, "{:<78}{:>8}", "in all", milli(self.score_milli))?;
        if !self.not_asked_for.is_empty() {
            writeln!(f, "not asked for: {}", self.not_asked_for.join(", "))?;
        }
        Ok(())
    }
}

fn milli(value: u64) -> String {
    format!("{}.{:03}", value / 1000, value % 1000)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tiny() -> Profile {
        Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
    }

    const DRAWN: [&str; 5] = [
        "platters.rpm",
        "bands.size",
        "cleaning.style",
        "staging.slots",
        "write_cache.bytes",
    ];

    fn scored(text: &str) -> Score {
        let drawn = DRAWN.map(str::to_owned);
        score((&tiny(), &drawn), "guess", text).unwrap()
    }

    #[test]
    fn the_truth_scores_in_full_and_what_is_not_guessed_scores_nothing() {
        assert_eq!(scored(&tiny().to_toml()).score_milli, 1000);
        let nothing = scored("[drive]\nqueue_depth = 3\n");
        assert_eq!(nothing.score_milli, 0);
        assert!(nothing.keys.iter().all(|key| key.guess.is_none()));
        assert_eq!(nothing.keys.len(), DRAWN.len());
    }

    #[test]
    fn one_wrong_word_costs_its_share() {
        let tiny = tiny().to_toml();
        let (right, wrong) = if tiny.contains("\"aggressive\"") {
            ("\"aggressive\"", "\"lazy\"")
        } else {
            ("\"lazy\"", "\"aggressive\"")
        };
        assert_eq!(scored(&tiny.replace(right, wrong)).score_milli, 800);
    }

    #[test]
    fn bands_in_bytes_are_as_good_as_bands_in_tracks() {
        let profile = tiny();
        let bytes = profile.bands.bytes_in(&profile.platters.zones[0]);
        let told = scored(&format!(
            "[bands]\nsize = \"{bytes} B\"\n[drive]\nqueue_depth = 3\n"
        ));
        let band = told
            .keys
            .iter()
            .find(|key| key.key == "bands.size")
            .unwrap();
        assert_eq!((band.error_millionths, band.score_milli), (Some(0), 1000));
        assert_eq!(told.not_asked_for, ["drive.queue_depth"]);
    }

    #[test]
    fn quoted_dotted_keys_are_keys_and_one_that_is_there_twice_is_refused() {
        let slots = tiny().staging.expect("it is shingled").slots;
        let told = scored(&format!(
            "\"staging.slots\" = {slots}\n\"cleaning.style\" = \"lazy\"\n\"drive.queue_depth\" = 1\n"
        ));
        let of = |name: &str| told.keys.iter().find(|key| key.key == name).unwrap();
        assert_eq!(of("staging.slots").score_milli, 1000);
        assert_eq!(of("cleaning.style").guess.as_deref(), Some("lazy"));
        assert_eq!(told.not_asked_for, ["drive.queue_depth"]);
        let twice = "\"platters.rpm\" = 5400\n[platters]\nrpm = 7200\n";
        let drawn = DRAWN.map(str::to_owned);
        let told = score((&tiny(), &drawn), "guess.toml", twice).unwrap_err();
        assert!(
            told.to_string().contains("platters.rpm is guessed twice: "),
            "{told}"
        );
    }

    #[test]
    fn a_value_that_is_none_is_refused_by_its_key() {
        let drawn = DRAWN.map(str::to_owned);
        for (text, words) in [
            ("[platters]\nrpm = \"fast\"\n", "platters.rpm = \"fast\""),
            (
                "[cleaning]\nstyle = \"eager\"\n",
                "cleaning.style = \"eager\"",
            ),
            ("rpm", "guess.toml is no guess"),
        ] {
            let told = score((&tiny(), &drawn), "guess.toml", text).unwrap_err();
            assert!(told.to_string().contains(words), "{told}");
        }
    }

    #[test]
    fn everything_that_no_drive_can_have_is_refused_at_once_by_key_with_what_is_allowed() {
        let text = "foo.bar = 3\n[platters]\nrpm = 9999999999999\nrpn = 5400\n\
            [cleaning]\npasses = 5\nidle_delay = \"25 h\"\n[bands]\nsize = \"10000001 tracks\"\n\
            [staging]\nslots = -3\nquantum = \"1/1001 track\"\n[write_cache]\nbytes = \"5 PiB\"\n";
        let drawn = DRAWN.map(str::to_owned);
        let told = score((&tiny(), &drawn), "guess.toml", text).unwrap_err();
        let told = told.to_string();
        for words in [
            "guess.toml is no guess:",
            "foo.bar: no profile has this key; remove it",
            "platters.rpm = 9999999999999: it takes a number with up to three decimals, from 1000 to 20000",
            "platters.rpn: no profile has this key; did you mean platters.rpm?",
            "cleaning.passes = 5: it takes 2 or 3 or 4",
            "cleaning.idle_delay = \"25 h\": it takes a time",
            "bands.size = \"10000001 tracks\": it takes tracks",
            "staging.slots = -3: it takes a whole number",
            "staging.quantum = \"1/1001 track\": it takes a part of a track",
            "write_cache.bytes = \"5 PiB\": it takes a size",
        ] {
            assert!(told.contains(words), "{words}: {told}");
        }
    }

    #[test]
    fn an_empty_guess_is_refused_with_what_could_be_guessed() {
        let drawn = DRAWN.map(str::to_owned);
        for text in ["", "# nothing\n", "[platters]\n"] {
            let told = score((&tiny(), &drawn), "guess.toml", text).unwrap_err();
            let told = told.to_string();
            let expected = "it guesses nothing; hidden are platters.rpm, bands.size";
            assert!(told.contains(expected), "{text}: {told}");
        }
    }

    #[test]
    fn the_formula_is_as_stated() {
        // Full within 5 %, nothing from 50 % on, half of the way at 27.5 %.
        for (truth, guess, expected) in [
            (1000, 1000, 1000),
            (1000, 1050, 1000),
            (1000, 950, 1000),
            (1000, 1275, 500),
            (1000, 725, 500),
            (1000, 1500, 0),
            (1000, 400, 0),
            (0, 0, 1000),
            (0, 1, 0),
        ] {
            let told = score_of(error_millionths(truth, guess));
            assert_eq!(told, expected, "{truth} taken for {guess}");
        }
    }

    proptest! {
        #[test]
        fn a_worse_guess_never_scores_better(truth in 1..1_000_000_u64, a in any::<u32>(), b in any::<u32>()) {
            let (near, far) = (u64::from(a.min(b)), u64::from(a.max(b)));
            let score = |off: u64| score_of(error_millionths(truth, truth + off));
            prop_assert!(score(near) >= score(far));
            prop_assert!(score(far) <= 1000);
        }
    }
}
