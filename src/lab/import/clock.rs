//! Owns times of day as reports print them, with or without a date before them, and how far apart they are.
//!
//! Dates are not read: reports are less than a day apart.

const DAY_S: u64 = 24 * 60 * 60;

/// Seconds since midnight by the first time of day in `text`: `15:00:47`, `03:00:47 PM`,
/// `2026-11-25T15:00:47+0100`. Nothing where there is none.
pub(super) fn of_day_s(text: &str) -> Option<u64> {
    let mut words = text.split_ascii_whitespace();
    let [hours, minutes, seconds] = words.find_map(in_word)?;
    let hours = match words.next() {
        Some("AM" | "am") => hours % 12,
        Some("PM" | "pm") => hours % 12 + 12,
        _ => hours,
    };
    (hours < 24).then_some((hours * 60 + minutes) * 60 + seconds)
}

/// Nanoseconds from one time to the next: the middle one of all of these. Nothing where there are no two
/// different times.
pub(super) fn apart_ns(times_s: &[u64]) -> Option<u64> {
    let pairs = times_s.windows(2);
    let steps = pairs.map(|pair| (pair[1] + DAY_S - pair[0]) % DAY_S);
    let mut steps: Vec<u64> = steps.filter(|step| *step > 0).collect();
    steps.sort_unstable();
    let middle = steps.get(steps.len() / 2)?;
    Some(middle * 1_000_000_000)
}

fn in_word(word: &str) -> Option<[u64; 3]> {
    let time = word.split_once('T').map_or(word, |(_, time)| time);
    let end = time.find(|c: char| !c.is_ascii_digit() && c != ':');
    let (time, rest) = time.split_at(end.unwrap_or(time.len()));
    if !(rest.is_empty() || rest.starts_with(['+', '-', 'Z', '.', ','])) {
        return None;
    }
    let mut parts = time.split(':').map(|part| match part.len() {
        1 | 2 => part.parse().ok(),
        _ => None,
    });
    let found = [parts.next()??, parts.next()??, parts.next()??];
    (parts.next().is_none() && found[1] < 60 && found[2] <= 60).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_day_are_read_as_reports_print_them() {
        let three = Some((15 * 60) * 60 + 47);
        for (text, seconds) in [
            ("11/25/26 15:00:47", three),
            ("11/25/2026 03:00:47 PM", three),
            ("2026-11-25T15:00:47+0100", three),
            ("15:00:47", three),
            ("12:00:47 AM", Some(47)),
            ("12:00:47 PM", Some(12 * 60 * 60 + 47)),
            ("Linux 6.18.44 (vm) 11/25/26 _x86_64_ (2 CPU)", None),
            ("avg-cpu: %user", None),
            ("25:00:00", None),
            ("10:61:00", None),
            ("10:00", None),
            ("1:2:3:4", None),
            ("::", None),
        ] {
            assert_eq!(of_day_s(text), seconds, "{text}");
        }
    }

    #[test]
    fn reports_are_as_far_apart_as_most_of_their_times_past_midnight_too() {
        let late = DAY_S - 3;
        assert_eq!(apart_ns(&[late, 2, 7, 13, 17, 22]), Some(5_000_000_000));
        assert_eq!(apart_ns(&[7, 7]), None);
        assert_eq!(apart_ns(&[7]), None);
    }
}
