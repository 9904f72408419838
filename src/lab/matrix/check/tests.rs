//! A matrix is read whole or not at all, and everything that is wrong with it is told.

use super::*;

fn told(text: &str) -> String {
    Matrix::from_toml("m.toml", text).unwrap_err().to_string()
}

const SOUND: &str =
    "[matrix]\nname = \"m\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\nworkload = \"w\"\n";

#[test]
fn every_problem_comes_with_file_key_value_and_what_is_allowed() {
    let told = told(
        "[matrix]\nname = \"\"\nsed_count = 3\nstarts = [\"old\"]\n\
         [[drive]]\nprofile = \"tiny\"\n[[drive]]\nprofile = \"tiny\"\ncapacity = \"5\"\n\
         [[change]]\nset = [\"staging\"]\n\
         [[work]]\nworkload = \"w\"\npace = \"real\"\n[[work]]\nname = \"v\"\n\
         [[work]]\ncommand = \"cp {urI} {url}\"\npace = \"fast\"\n\
         [[leave_out]]\nworks = [\"z\"]\n[[leave_out]]\n\
         [[demand]]\np99_at_most = \"1 s\"\n[[demand]]\ntrips_none_of = [\"patience\"]\n",
    );
    for part in [
        "m.toml: line 2: matrix.name = \"\"",
        "matrix.sed_count = 3: no such key; did you mean matrix.seed_count",
        "matrix.starts[0] = \"old\"",
        "drive[1].capacity = \"5\": the unit is missing",
        "change[0].set[0] = \"staging\"",
        "give KEY=VALUE",
        "work[0].pace = \"real\": counts only with command or guest",
        "work[1]: nothing says what is asked",
        "work[2].command",
        "{uri}, {socket}",
        "work[2].pace = \"fast\"",
        "leave_out[0].works[0] = \"z\": nothing has this name",
        "leave_out[1]: it would leave out every cell",
        "demand[0].p99_at_most = \"1 s\": counts only with operation; remove it, or give operation as well",
        "demand[1].trips_none_of[0] = \"patience\"",
        "pool-deadman",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
}

#[test]
fn axes_have_items_that_are_told_apart() {
    let check = |text: &str, expected: &str| {
        let told = told(text);
        assert!(told.contains(expected), "{expected}: {told}");
    };
    check("[matrix]\nname = \"m\"\n", "at least one [[drive]]");
    check("[matrix]\nname = \"m\"\n", "at least one [[work]]");
    let twice = format!("{SOUND}[[drive]]\nprofile = \"tiny\"\n");
    check(&twice, "drive[1].name: items are told apart by their names");
    let seeds = SOUND.replace("[[drive]]", "seeds = [3, 4, 3]\n[[drive]]");
    check(&seeds, "matrix.seeds[2] = 3: it is there already");
    let starts = SOUND.replace("[[drive]]", "starts = [\"new\", \" new\"]\n[[drive]]");
    check(&starts, "matrix.starts[1]");
    let both = SOUND.replace("[[drive]]", "seeds = [3]\nseed_count = 3\n[[drive]]");
    check(&both, "matrix.seed_count = 3: counts only without seeds");
}

#[test]
fn names_of_other_braces_are_left_alone() {
    for line in ["echo ${HOME} {}", "awk '{print $1}'", "echo {a,b} {uri}"] {
        let text = SOUND.replace("workload = \"w\"", &format!("command = {line:?}"));
        assert!(Matrix::from_toml("m", &text).is_ok(), "{line}");
    }
}

proptest::proptest! {
    #[test]
    fn no_text_makes_it_panic(cut in 0_usize..2000, put in ".{0,6}") {
        let text = include_str!("../../../../configs/matrices/backup-target.toml");
        let cut = (0..=cut.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap();
        let text = format!("{}{put}{}", &text[..cut], &text[cut..]);
        if let Err(error) = Matrix::from_toml("m", &text) {
            proptest::prop_assert!(error.to_string().starts_with("m "));
        }
    }
}
