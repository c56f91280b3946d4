//! What is said, as data: a sentence's key and its values, for whoever puts it
//! into words of another language.
//!
//! Terms: the *key* names a message; a value's *name* gives its unit and the form
//! it is written in (`src/words/tell.rs` has the table). A text is some sentences
//! one after the other.
//!
//! Deliberately absent: the words.

use std::collections::BTreeMap;

/// A value in a sentence.
#[derive(Debug, Clone, PartialEq)]
pub enum Fact {
    /// A figure; its name gives the unit.
    Number(f64),
    /// A name, or words that stay as they came.
    Word(String),
}

/// One sentence.
///
/// ```
/// use curdtrace::engine::said::{Fact, Said};
/// let said = Said::of("said-too-hot").number("now", 42.3).maybe("wanted", None);
/// assert_eq!(said.values["now"], Fact::Number(42.3));
/// assert_eq!(said.values.len(), 1);
/// ```
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Said {
    /// Key of the message.
    pub key: String,
    /// Its values by name.
    pub values: BTreeMap<String, Fact>,
}

impl Said {
    /// A sentence without values.
    pub fn of(key: &str) -> Self {
        Self { key: key.to_owned(), values: BTreeMap::new() }
    }

    /// With a figure.
    #[must_use]
    pub fn number(mut self, name: &str, value: f64) -> Self {
        self.values.insert(name.to_owned(), Fact::Number(value));
        self
    }

    /// With a figure where there is one.
    #[must_use]
    pub fn maybe(self, name: &str, value: Option<f64>) -> Self {
        match value {
            Some(value) => self.number(name, value),
            None => self,
        }
    }

    /// With a word.
    #[must_use]
    pub fn word(mut self, name: &str, value: impl Into<String>) -> Self {
        self.values.insert(name.to_owned(), Fact::Word(value.into()));
        self
    }
}

/// Seconds as a person says them.
///
/// ```
/// use curdtrace::engine::said::spoken;
/// assert_eq!([42.4, 130.0, 1290.0, 7260.0].map(spoken), ["42 s", "2 min 10 s", "21 min", "2 h 1 min"]);
/// ```
pub fn spoken(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    match (s / 3600, s % 3600 / 60, s % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, s) if m < 10 && s > 0 => format!("{m} min {s} s"),
        (0, m, _) => format!("{m} min"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}
