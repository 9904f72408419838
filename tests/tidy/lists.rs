//! Lists that must be complete: counters are counted, dependencies have reasons, files that pages name
//! exist.

use crate::assert_clean;
use crate::source::{collect, line_of, name_at, relative, root, sources};

/// The fields of the struct `name` in `code`.
fn fields<'a>(code: &'a str, name: &str) -> Vec<&'a str> {
    let head = format!("pub struct {name} {{");
    let (_, body) = code.split_once(&head).unwrap();
    let (body, _) = body.split_once("\n}").unwrap();
    let lines = body
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub "));
    lines.map(name_at).collect()
}

/// Whether `code` adds to something of that name, or to an element of it.
fn counts_up(code: &str, field: &str) -> bool {
    let dotted = format!(".{field}");
    code.match_indices(&dotted).any(|(at, _)| {
        let mut rest = code[at + dotted.len()..].trim_start();
        if let Some(indexed) = rest.strip_prefix('[') {
            rest = indexed.split_once(']').map_or("", |(_, rest)| rest);
        }
        rest.trim_start().starts_with("+=")
    })
}

#[test]
fn every_counter_is_counted_somewhere() {
    let all = sources(&["src/drive", "src/translation"]);
    let declared = all
        .iter()
        .find(|source| source.path == "src/drive/request.rs")
        .unwrap();
    let counters = fields(&declared.code, "Counters");
    assert!(counters.len() > 10, "{counters:?}");
    let idle: Vec<String> = counters
        .into_iter()
        .filter(|field| !all.iter().any(|source| counts_up(&source.library, field)))
        .map(str::to_owned)
        .collect();
    assert_clean("A counter that nobody counts up always says 0:", &idle);
}

#[test]
fn a_counter_that_only_is_set_is_not_counted() {
    assert!(counts_up("self.counts.merges += 1;", "merges"));
    assert!(counts_up("counters.bytes[i] += used;", "bytes"));
    assert!(!counts_up(
        "status.merges = 1; x.merges_done += 1;",
        "merges"
    ));
}

#[test]
fn every_dependency_has_a_reason() {
    let manifest = std::fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let mut inside = false;
    let mut findings = Vec::new();
    let mut seen = 0;
    for line in manifest.lines() {
        if line.starts_with('[') {
            inside = line.contains("dependencies");
        } else if inside && line.contains(" = ") {
            seen += 1;
            let reason = line.rsplit_once('#').map_or("", |(_, reason)| reason);
            if reason.split_whitespace().count() < 2 {
                findings.push(line.to_owned());
            }
        }
    }
    assert!(seen > 10, "only {seen} dependencies found");
    assert_clean("Beside each dependency stands its reason:", &findings);
}

#[test]
fn files_that_a_page_names_exist() {
    let mut pages = vec![root().join("DEVELOPERS.md"), root().join("README.md")];
    collect(&root().join("docs"), "md", &mut pages);
    let mut findings = Vec::new();
    for page in pages.iter().filter(|page| page.exists()) {
        let text = std::fs::read_to_string(page).unwrap();
        for (at, _) in text.match_indices('`') {
            let named = text[at + 1..].split('`').next().unwrap();
            let is_path = ["src/", "tests/", "docs/", "configs/", "benches/"]
                .iter()
                .any(|folder| named.starts_with(folder));
            let pattern = named.contains(|c: char| "*<>, ".contains(c));
            if is_path && !pattern && !root().join(named).exists() {
                findings.push(format!(
                    "{}:{}: {named}",
                    relative(page),
                    line_of(&text, at)
                ));
            }
        }
    }
    assert_clean("Pages lead to places that are there:", &findings);
}
