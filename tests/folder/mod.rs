//! A folder of a test's own, and the matrix and results that may lie in it.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

/// Goes with everything in it.
pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new() -> Folder {
        Folder(tempfile::tempdir().expect("a scratch folder"))
    }

    /// One with this matrix.
    pub(crate) fn with(matrix: &str) -> Folder {
        let folder = Folder::new();
        folder.write("m.toml", matrix);
        folder
    }

    /// Where it is.
    pub(crate) fn place(&self) -> &Path {
        self.0.path()
    }

    /// The path of this name in it.
    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.place().join(name)
    }

    /// The same as text.
    pub(crate) fn path(&self, name: &str) -> String {
        let path = self.file(name);
        path.to_str().expect("a plain path").to_owned()
    }

    /// A file with this content; its path as text.
    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        fs::write(self.file(name), content).expect("written");
        self.path(name)
    }

    /// The lines of a file of results.
    pub(crate) fn lines(&self, name: &str) -> Vec<Value> {
        let text = fs::read_to_string(self.file(name)).expect("results");
        let lines = text.lines().map(serde_json::from_str);
        lines.collect::<Result<_, _>>().expect("one object a line")
    }

    /// The lines of cells by number, without real time.
    pub(crate) fn cells(&self, name: &str) -> BTreeMap<u64, Value> {
        let mut cells = BTreeMap::new();
        for mut line in self.lines(name).into_iter().skip(1) {
            line["took_ms"] = 0.into();
            let number = line["cell"].as_u64().expect("a number");
            assert_eq!(cells.insert(number, line), None, "{name}: {number} twice");
        }
        cells
    }
}
