//! Owns the reading of the sources: what of a file is code, and what of the code is a test.
//!
//! Lines keep their numbers: what does not count is replaced by spaces.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A Rust file of the project.
pub(crate) struct Source {
    /// From the root of the project, with `/`.
    pub(crate) path: String,
    /// As it is.
    pub(crate) text: String,
    /// Without comments and the contents of strings.
    pub(crate) code: String,
    /// The code without what is compiled for tests only.
    pub(crate) library: String,
}

impl Source {
    /// Whether the whole file is for tests only.
    pub(crate) fn is_test(&self) -> bool {
        !self.path.starts_with("src/") || self.library.trim().is_empty()
    }

    /// The folder below `src`, or the stem of a file right in it.
    pub(crate) fn folder(&self) -> Option<&str> {
        let inside = self.path.strip_prefix("src/")?;
        Some(
            inside
                .split_once('/')
                .map_or(inside.trim_end_matches(".rs"), |(folder, _)| folder),
        )
    }
}

/// The root of the project.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every Rust file below these folders, ascending by path.
pub(crate) fn sources(folders: &[&str]) -> Vec<Source> {
    let mut paths = Vec::new();
    for folder in folders {
        collect(&root().join(folder), "rs", &mut paths);
    }
    paths.sort();
    assert!(!paths.is_empty(), "no sources below {folders:?}");
    let read: Vec<(String, String, String)> = paths
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path).unwrap();
            let code = blank_text(&text);
            (relative(path), text, code)
        })
        .collect();
    let test_files: BTreeSet<String> = read
        .iter()
        .flat_map(|(path, text, code)| test_modules(path, text, code))
        .collect();
    let build = |(path, text, code): (String, String, String)| {
        let whole = test_files
            .iter()
            .any(|test| path == format!("{test}.rs") || path.starts_with(&format!("{test}/")));
        let library = if whole {
            spaces(&code)
        } else {
            blank_tests(&code)
        };
        Source {
            path,
            text,
            code,
            library,
        }
    };
    read.into_iter().map(build).collect()
}

/// Every file below `folder` whose name ends in `.extension`, or any if it is empty.
pub(crate) fn collect(folder: &Path, extension: &str, into: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, extension, into);
        } else if extension.is_empty() || path.extension().is_some_and(|found| found == extension) {
            into.push(path);
        }
    }
}

pub(crate) fn relative(path: &Path) -> String {
    let inside = path.strip_prefix(root()).unwrap_or(path);
    inside.to_string_lossy().replace('\\', "/")
}

/// The number of the line that holds byte `at`, from 1.
pub(crate) fn line_of(text: &str, at: usize) -> usize {
    text[..at].matches('\n').count() + 1
}

/// Where `word` stands on its own, not as a part of a longer name.
pub(crate) fn find_word<'a>(code: &'a str, word: &'a str) -> impl Iterator<Item = usize> + 'a {
    let bounds = move |&(at, _): &(usize, &str)| {
        let before = code[..at].chars().next_back();
        let after = code[at + word.len()..].chars().next();
        let in_name = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
        !in_name(before) && !in_name(after)
    };
    code.match_indices(word).filter(bounds).map(|(at, _)| at)
}

/// The name at the start of `code`.
pub(crate) fn name_at(code: &str) -> &str {
    let end = code.find(|c: char| !c.is_alphanumeric() && c != '_');
    &code[..end.unwrap_or(code.len())]
}

/// End of the item that begins at `at`: after its `;` or the brace that closes it.
pub(crate) fn item_end(code: &str, at: usize) -> usize {
    let mut depth = 0_i32;
    let mut braces = 0_i32;
    for (i, c) in code[at..].char_indices() {
        match c {
            '(' | '[' => depth += 1,
            ')' | ']' => depth -= 1,
            '{' => braces += 1,
            '}' => {
                braces -= 1;
                if braces <= 0 {
                    return at + i + 1;
                }
            }
            ';' | ',' if depth == 0 && braces == 0 => return at + i + 1,
            _ => {}
        }
    }
    code.len()
}

fn spaces(text: &str) -> String {
    text.chars()
        .map(|c| if c == '\n' { '\n' } else { ' ' })
        .collect()
}

/// Replaces comments, and what strings and characters hold, by spaces; as many as they have bytes.
pub(crate) fn blank_text(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = bytes.to_vec();
    let mut at = 0;
    while at < bytes.len() {
        let end = match bytes[at] {
            b'/' if bytes[at..].starts_with(b"//") => line_end(bytes, at),
            b'/' if bytes[at..].starts_with(b"/*") => comment_end(bytes, at),
            b'"' => string_end(bytes, at),
            b'r' if raw_hashes(bytes, at).is_some() => raw_end(bytes, at),
            b'\'' => char_end(bytes, at),
            _ => at + 1,
        };
        if end > at + 1 {
            let keep = usize::from(bytes[at] == b'"');
            for byte in &mut out[at + keep..end - keep] {
                if *byte != b'\n' {
                    *byte = b' ';
                }
            }
        }
        at = end;
    }
    String::from_utf8(out).unwrap()
}

fn line_end(bytes: &[u8], at: usize) -> usize {
    let end = bytes[at..].iter().position(|&byte| byte == b'\n');
    end.map_or(bytes.len(), |end| at + end)
}

fn comment_end(bytes: &[u8], at: usize) -> usize {
    let end = bytes[at + 2..].windows(2).position(|pair| pair == b"*/");
    end.map_or(bytes.len(), |end| at + end + 4)
}

fn string_end(bytes: &[u8], at: usize) -> usize {
    let mut i = at + 1;
    while i < bytes.len() && bytes[i] != b'"' {
        i += if bytes[i] == b'\\' { 2 } else { 1 };
    }
    (i + 1).min(bytes.len())
}

/// How many `#` a raw string that begins here has.
fn raw_hashes(bytes: &[u8], at: usize) -> Option<usize> {
    let before = at.checked_sub(1).map(|before| bytes[before]);
    if before.is_some_and(|b| b.is_ascii_alphanumeric() && b != b'b' || b == b'_') {
        return None;
    }
    let hashes = bytes[at + 1..].iter().take_while(|&&b| b == b'#').count();
    (bytes.get(at + 1 + hashes) == Some(&b'"')).then_some(hashes)
}

fn raw_end(bytes: &[u8], at: usize) -> usize {
    let hashes = raw_hashes(bytes, at).unwrap();
    let close = [vec![b'"'], vec![b'#'; hashes]].concat();
    let start = at + hashes + 2;
    let end = bytes[start..].windows(close.len()).position(|w| w == close);
    end.map_or(bytes.len(), |end| start + end + close.len())
}

/// End of a character; of a lifetime only its quote.
fn char_end(bytes: &[u8], at: usize) -> usize {
    if bytes.get(at + 1) == Some(&b'\\') {
        let close = bytes[at + 3..].iter().position(|&b| b == b'\'');
        return close.map_or(at + 1, |close| at + close + 4);
    }
    let close = bytes[at + 1..].iter().take(5).position(|&b| b == b'\'');
    match close {
        Some(length) if length > 0 && !bytes[at + 1].is_ascii_alphanumeric() => at + length + 2,
        Some(1) => at + 3,
        _ => at + 1,
    }
}

const TEST_ONLY: &str = "#[cfg(test)]";

/// Replaces items under `#[cfg(test)]` by spaces.
fn blank_tests(code: &str) -> String {
    let mut out = code.to_owned();
    while let Some(at) = out.find(TEST_ONLY) {
        let end = item_end(&out, at + TEST_ONLY.len());
        let blank = spaces(&out[at..end]);
        out.replace_range(at..end, &blank);
    }
    out
}

/// The paths, without `.rs`, of the files that are modules under `#[cfg(test)]`.
fn test_modules(path: &str, text: &str, code: &str) -> Vec<String> {
    let (folder, file) = path.rsplit_once('/').unwrap();
    let own = match file {
        "mod.rs" | "lib.rs" | "main.rs" => folder.to_owned(),
        _ => path.trim_end_matches(".rs").to_owned(),
    };
    let mut found = Vec::new();
    for (at, _) in code.match_indices(TEST_ONLY) {
        let end = item_end(code, at + TEST_ONLY.len());
        let item = &code[at..end];
        let Some(name) = item
            .split_once("mod ")
            .map(|(_, rest)| name_at(rest))
            .filter(|_| item.ends_with(';'))
        else {
            continue;
        };
        found.push(match text[at..end].split_once("#[path = \"") {
            Some((_, rest)) => {
                let file = rest.split_once('"').unwrap().0;
                format!("{folder}/{}", file.trim_end_matches(".rs"))
            }
            None => format!("{own}/{name}"),
        });
    }
    found
}

#[test]
fn strings_and_comments_are_not_code() {
    let check = |text: &str, expected: &str| assert_eq!(blank_text(text), expected, "{text}");
    check("a // b\nc", "a     \nc");
    check("a /* b */ c", "a         c");
    check(r#"f("x\"y") + 1"#, r#"f("    ") + 1"#);
    check("r#\"x\"y\"# + 1", "         + 1");
    check("'\"' + '\\'' + b", "    +      + b");
    check("fn f<'a>(x: &'a str) {}", "fn f<'a>(x: &'a str) {}");
}

#[test]
fn what_is_for_tests_is_not_library() {
    let code = "use a;\n#[cfg(test)]\nmod tests { fn f() { g() } }\nfn h() {}";
    let blanked = blank_tests(code);
    assert!(blanked.contains("use a;") && blanked.contains("fn h() {}"));
    assert!(!blanked.contains("g()"));
    assert_eq!(line_of(&blanked, blanked.find('h').unwrap()), 4);
    let modules = test_modules(
        "src/a/b.rs",
        "#[cfg(test)]\nmod tests;",
        "#[cfg(test)]\nmod tests;",
    );
    assert_eq!(modules, ["src/a/b/tests"]);
}
