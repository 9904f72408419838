//! Owns the reading of keys that are lists: how many items there are, and those that are plain values.

use super::{Reader, within};
use crate::profile::error::ProblemKind;
use crate::profile::keys::Shape;
use crate::profile::raw::Value;

impl Reader<'_> {
    /// How many items the list at `key` has; 0 where there is no such list.
    pub(crate) fn items(&mut self, key: &str) -> u64 {
        let (items_min, items_max) = match self.listed(key).shape {
            Shape::List { items_max, .. } | Shape::Numbers { items_max, .. } => (1, items_max),
            Shape::Texts {
                items_min,
                items_max,
                ..
            } => (items_min, items_max),
            _ => panic!("{key} is not listed as a list"),
        };
        self.read(key, 0, |value| match value {
            Value::List(items) => within(*items, items_min, items_max),
            _ => Err(ProblemKind::WrongType),
        })
    }

    /// The lines of text in the list at `key`.
    pub(crate) fn texts(&mut self, key: &str) -> Vec<String> {
        let text = |value: &Value| match value {
            Value::Text(text) => Ok(text.clone()),
            _ => Err(ProblemKind::WrongType),
        };
        let items = 0..self.items(key);
        items
            .map(|item| self.read(&format!("{key}[{item}]"), String::new(), text))
            .collect()
    }

    /// The whole numbers in the list at `key`.
    pub(crate) fn numbers(&mut self, key: &str) -> Vec<u64> {
        let Shape::Numbers { max, .. } = self.listed(key).shape else {
            panic!("{key} is not listed as a list of numbers");
        };
        let number = |value: &Value| match value {
            Value::Number(text) => match text.parse() {
                Ok(number) => within(number, 0, max),
                Err(_) => Err(ProblemKind::NotAllowed),
            },
            _ => Err(ProblemKind::WrongType),
        };
        let items = 0..self.items(key);
        items
            .map(|item| self.read(&format!("{key}[{item}]"), 0, number))
            .collect()
    }
}
