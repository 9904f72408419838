//! Owns the way from what somebody wrote to a workload: a name, a file, or words.

use std::path::Path;

use super::exit::UnusableError;
use super::profile_source;
use crate::lab::workload::Workload;

/// The workload to be checked: a file where there is one of that name, else what [`load`] makes of it.
pub(super) fn load_to_check(named: &Path) -> anyhow::Result<Workload> {
    match named.to_str() {
        Some(words) if !named.exists() => load(words),
        _ => from_file(named),
    }
}

/// The workload that `named` stands for.
pub(super) fn load(named: &str) -> anyhow::Result<Workload> {
    if let Some(text) = Workload::built_in(named) {
        return Ok(Workload::from_toml(&format!("workload {named}"), text)?);
    }
    if Workload::is_words(named) {
        return Ok(Workload::from_words(named)?);
    }
    from_file(Path::new(named))
}

/// The workload in a file.
fn from_file(path: &Path) -> anyhow::Result<Workload> {
    if !path.exists() {
        let names: Vec<&str> = Workload::built_in_names().map(|(name, _)| name).collect();
        let what = format!(
            "{} is not a file, not one of the workloads that come with imbrex ({}), and does not begin \
             with an order (uniform, sequential ...) as words do",
            path.display(),
            names.join(", ")
        );
        return Err(UnusableError(what).into());
    }
    let text = profile_source::read_text(path)?;
    Ok(Workload::from_toml(&path.display().to_string(), &text)?)
}
