//! Comparing figures: milliseconds, tolerances, and mean and variance of samples.

use imbrex::time::Duration;

/// Fails unless `found` lies within `tolerance` of `expected`.
pub(crate) fn near(what: &str, found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found}, expected {expected} within {tolerance}"
    );
}

/// A duration in milliseconds.
pub(crate) fn in_ms(duration: Duration) -> f64 {
    std::time::Duration::from_nanos(duration.0).as_secs_f64() * 1e3
}

/// A count as a number to calculate with.
pub(crate) fn real(count: u64) -> f64 {
    f64::from(u32::try_from(count).expect("counts of a test are small"))
}

/// Mean and variance of a sample.
pub(crate) fn moments(sample: &[f64]) -> (f64, f64) {
    let count = real(imbrex::units::count(sample.len()));
    let mean = sample.iter().sum::<f64>() / count;
    let squares: f64 = sample.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, squares / (count - 1.0))
}

/// Milliseconds in nanoseconds, cut.
pub(crate) fn ns(ms: f64) -> u64 {
    let time = std::time::Duration::from_secs_f64(ms / 1e3);
    u64::try_from(time.as_nanos()).expect("below 500 years")
}
