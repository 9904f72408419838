//! Owns the plan of variations: under which assumptions a load is run on a drive.
//!
//! The plan is a value that is made before anything runs: the centre, one thing at a time around it,
//! and two corners in which much is changed at once. What cannot be
//! varied is in it with the reason.

use std::fmt;
use std::str::FromStr;

use super::alter::{self, HALF, TWICE, Times};
use crate::lab::ageing::condition::{FillOrder, Wanted};
use crate::lab::start::Start;
use crate::profile::Profile;

/// Something that nobody knows for sure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aspect {
    /// The size of the staging area.
    Staging,
    /// The size of bands.
    Bands,
    /// How many passes cleaning takes.
    Passes,
    /// What the drive holds at the start.
    Start,
    /// What looks random.
    Seed,
    /// Much changed at once: little room with large bands, and much room with small ones.
    Corners,
}

impl Aspect {
    /// All of them.
    pub const ALL: [Aspect; 6] = [
        Aspect::Staging,
        Aspect::Bands,
        Aspect::Passes,
        Aspect::Start,
        Aspect::Seed,
        Aspect::Corners,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Aspect::Staging => "staging",
            Aspect::Bands => "bands",
            Aspect::Passes => "passes",
            Aspect::Start => "start",
            Aspect::Seed => "seed",
            Aspect::Corners => "corners",
        }
    }
}

impl fmt::Display for Aspect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Aspect {
    type Err = String;

    fn from_str(given: &str) -> Result<Aspect, String> {
        let found = Aspect::ALL.into_iter().find(|each| each.word() == given);
        found.ok_or_else(|| {
            let known = Aspect::ALL.map(Aspect::word).join(", ");
            format!("{given:?} is nothing that is varied; there are {known}, and none")
        })
    }
}

/// What a run assumes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assumed {
    /// The drive.
    pub profile: Profile,
    /// Its state.
    pub start: Start,
    /// Added to the seed of the load.
    pub seed_plus: u64,
}

impl Assumed {
    /// Whether both begin with the same drive in the same state.
    pub fn same_drive(&self, other: &Assumed) -> bool {
        self.profile == other.profile && self.start == other.start
    }
}

/// A run of the plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Variation {
    /// What it assumes, in words.
    pub words: String,
    /// What that is, or why it cannot be.
    pub assumed: Result<Assumed, String>,
}

/// Words for the centre.
pub const CENTRE: &str = "as asked for";
/// Words for one corner. Which of them hurts is for the runs to say: larger bands may help.
pub const LITTLE_ROOM: &str = "half the staging area, bands twice as large, 4 passes, 95 % full";
/// Words for the other.
pub const MUCH_ROOM: &str = "twice the staging area, bands half as large, 2 passes, new";

/// Shares of the staging area that are in use at the start.
const STAGED_PERCENT: [u64; 2] = [50, 95];
/// Seeds beside the centre's.
pub(super) const SEEDS_MORE: u64 = 2;

/// The runs for a drive, the centre first.
pub fn plan(profile: &Profile, start: Start, aspects: &[Aspect]) -> Vec<Variation> {
    let centre = Assumed {
        profile: profile.clone(),
        start,
        seed_plus: 0,
    };
    let mut runs = vec![Variation {
        words: CENTRE.to_owned(),
        assumed: Ok(centre.clone()),
    }];
    let shingled = profile.staging.is_some();
    for aspect in Aspect::ALL
        .into_iter()
        .filter(|each| aspects.contains(each))
    {
        match aspect {
            Aspect::Seed => runs.extend(seeds(&centre)),
            _ if !shingled => {}
            Aspect::Staging => runs.extend(sizes(&centre, "staging area", alter::staging)),
            Aspect::Bands => runs.extend(sizes(&centre, "bands", alter::bands)),
            Aspect::Passes => runs.extend(passes(&centre)),
            Aspect::Start => runs.extend(starts(&centre)),
            Aspect::Corners => runs.extend(corners(&centre)),
        }
    }
    runs
}

fn with_profile(centre: &Assumed, profile: Result<Profile, String>) -> Result<Assumed, String> {
    profile.map(|profile| Assumed {
        profile,
        ..centre.clone()
    })
}

fn sizes(
    centre: &Assumed,
    what: &str,
    alter: fn(&Profile, Times) -> Result<Profile, String>,
) -> Vec<Variation> {
    [(HALF, "half as large"), (TWICE, "twice as large")]
        .map(|(times, words)| Variation {
            words: format!("{what} {words}"),
            assumed: with_profile(centre, alter(&centre.profile, times)),
        })
        .to_vec()
}

fn passes(centre: &Assumed) -> Vec<Variation> {
    let others = (2..=4).filter(|passes| *passes != centre.profile.cleaning.passes);
    others
        .map(|passes| Variation {
            words: format!("cleaning in {passes} passes"),
            assumed: with_profile(centre, alter::passes(&centre.profile, passes)),
        })
        .collect()
}

fn starts(centre: &Assumed) -> Vec<Variation> {
    let with = |words: String, start| Variation {
        words,
        assumed: Ok(Assumed {
            start,
            ..centre.clone()
        }),
    };
    let mut all = Vec::new();
    if !matches!(centre.start, Start::New) {
        all.push(with("a new drive".to_owned(), Start::New));
    }
    for percent in STAGED_PERCENT {
        let start = staged(centre.start, percent);
        if start != centre.start {
            let words = format!("staging area {percent} % full at the start");
            all.push(with(words, start));
        }
    }
    all
}

/// The same with so much of the staging area in use.
fn staged(start: Start, percent: u64) -> Start {
    let wanted = match start {
        Start::Aged(wanted) => wanted,
        Start::AsItComes | Start::New | Start::Formatted => Wanted {
            seed: 1,
            ..Wanted::default()
        },
    };
    Start::Aged(Wanted {
        staging_percent: Some(percent),
        ..wanted
    })
}

fn seeds(centre: &Assumed) -> Vec<Variation> {
    (1..=SEEDS_MORE)
        .map(|plus| Variation {
            words: format!("seed plus {plus}"),
            assumed: Ok(Assumed {
                start: reseeded(centre.start, plus),
                seed_plus: plus,
                ..centre.clone()
            }),
        })
        .collect()
}

/// Another seed, where the state depends on it.
fn reseeded(start: Start, plus: u64) -> Start {
    match start {
        Start::Aged(wanted) if wanted.order == FillOrder::Scattered || wanted.stages() => {
            start.seeded(wanted.seed.wrapping_add(plus))
        }
        other => other,
    }
}

fn corners(centre: &Assumed) -> Vec<Variation> {
    let corner = |staging, bands, passes| {
        let profile = alter::staging(&centre.profile, staging)?;
        let profile = alter::bands(&profile, bands)?;
        alter::passes(&profile, passes)
    };
    let [_, full] = STAGED_PERCENT;
    let little = corner(HALF, TWICE, 4).map(|profile| Assumed {
        profile,
        start: staged(centre.start, full),
        seed_plus: 0,
    });
    let much = corner(TWICE, HALF, 2).map(|profile| Assumed {
        profile,
        start: Start::New,
        seed_plus: 0,
    });
    [(LITTLE_ROOM, little), (MUCH_ROOM, much)]
        .map(|(words, assumed)| Variation {
            words: words.to_owned(),
            assumed,
        })
        .to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn built_in(name: &str) -> Profile {
        Profile::from_toml(name, Profile::built_in(name).unwrap()).unwrap()
    }

    fn words(start: &str, aspects: &[Aspect]) -> Vec<String> {
        let start = Start::from_words(start).unwrap();
        let plan = plan(&built_in("archive-8tb"), start, aspects);
        plan.into_iter().map(|run| run.words).collect()
    }

    #[test]
    fn the_whole_plan_is_the_centre_each_thing_alone_and_two_corners() {
        let expected = [
            "as asked for",
            "staging area half as large",
            "staging area twice as large",
            "bands half as large",
            "bands twice as large",
            "cleaning in 2 passes",
            "cleaning in 3 passes",
            "a new drive",
            "staging area 50 % full at the start",
            "staging area 95 % full at the start",
            "seed plus 1",
            "seed plus 2",
            "half the staging area, bands twice as large, 4 passes, 95 % full",
            "twice the staging area, bands half as large, 2 passes, new",
        ];
        assert_eq!(words("filled 60%", &Aspect::ALL), expected);
        assert_eq!(words("filled 60%", &[]), expected[..1]);
        let seeds = ["as asked for", "seed plus 1", "seed plus 2"];
        assert_eq!(words("new", &[Aspect::Seed]), seeds);
    }

    #[test]
    fn a_start_that_is_the_centre_is_not_run_twice() {
        let about_start = words("filled 60%, staging 95%", &[Aspect::Start]);
        let expected = [
            "as asked for",
            "a new drive",
            "staging area 50 % full at the start",
        ];
        assert_eq!(about_start, expected);
        assert_eq!(words("new", &[Aspect::Start]).len(), 3);
    }

    #[test]
    fn each_run_differs_from_the_centre() {
        let start = Start::from_words("filled 60%").unwrap();
        for name in ["archive-8tb", "flash-4tb", "tiny"] {
            let plan = plan(&built_in(name), start, &Aspect::ALL);
            for run in &plan[1..] {
                assert_ne!(run.assumed, plan[0].assumed, "{name}: {}", run.words);
            }
        }
    }

    #[test]
    fn a_conventional_drive_is_only_varied_by_seed() {
        let plan = plan(&built_in("control-5tb"), Start::Formatted, &Aspect::ALL);
        assert_eq!(plan.len(), 3);
    }
}
