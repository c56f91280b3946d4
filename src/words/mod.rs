//! The maker's language: messages from plain Fluent files.
//!
//! Duty: read the part of Fluent that the messages use, and put values into
//! them; tell what comes as data ([`tell`]); find the few words for why a
//! number is not trusted ([`why`]); say how an alarm sounds ([`tune`]), why a figure does not
//! fit ([`reckoned`]), and what the record says in English ([`record`]). The browser reads the same files with the
//! same rules (`src/web/page/words.js`), so that page, sheet and alerts say the
//! same.
//!
//! A language is one file, named in [`FILES`]. What stands in it below the line
//! that begins with `## ` is for paper, alarms and terminal: the browser does
//! not get it.
//!
//! The part: `key = text`, `#` comments, continuation lines that are indented,
//! and `{ $name }`. The full grammar (terms, selectors, functions, attributes)
//! would bring a dozen crates for sentences that need none of it; a file that
//! uses it is refused by a test, not misread.
//!
//! Invariants: every language has every message of English with the same
//! variables, and none that nothing uses (`tests/house/words.rs`). Nothing is
//! translated by reading English, but for the reasons of [`why`].

use std::collections::BTreeMap;
use std::sync::OnceLock;

pub mod reckoned;
pub mod record;
mod said;
mod tell;
pub mod tune;
pub mod why;

/// The line from which on a file is not for the page begins so.
const NOT_FOR_THE_PAGE: &str = "\n## ";

/// The languages there are: code and file, English first.
const FILES: [(&str, &str); 4] = [
    ("en", include_str!("en.ftl")),
    ("it", include_str!("it.ftl")),
    ("de", include_str!("de.ftl")),
    ("fr", include_str!("fr.ftl")),
];

/// One language's messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    code: &'static str,
    source: &'static str,
    messages: BTreeMap<String, String>,
}

impl Words {
    /// Every language, English first.
    pub fn all() -> &'static [Self] {
        static ALL: OnceLock<Vec<Words>> = OnceLock::new();
        ALL.get_or_init(|| {
            FILES.into_iter().map(|(code, source)| Self { code, source, messages: parse(source) }).collect()
        })
    }

    /// The language of that code (`de`, `de-CH`, `de_AT.UTF-8`), else English.
    ///
    /// ```
    /// use curdtrace::words::Words;
    /// assert_eq!(Words::of("it-CH").code(), "it");
    /// assert_eq!(Words::of("nl").code(), "en");
    /// ```
    pub fn of(code: &str) -> &'static Self {
        let all = Self::all();
        let wanted = code.split(['-', '_', '.']).next().unwrap_or_default();
        all.iter().find(|w| w.code.eq_ignore_ascii_case(wanted)).unwrap_or(&all[0])
    }

    /// Its code, such as `it`.
    pub fn code(&self) -> &'static str {
        self.code
    }

    /// The codes there are, English first.
    pub fn codes() -> [&'static str; FILES.len()] {
        FILES.map(|(code, _)| code)
    }

    /// The whole file.
    pub fn source(&self) -> &'static str {
        self.source
    }

    /// What of the file is shipped to the browser.
    pub fn for_the_page(&self) -> &'static str {
        self.source.find(NOT_FOR_THE_PAGE).map_or(self.source, |end| &self.source[..=end])
    }

    /// Every message's key and text.
    pub fn messages(&self) -> &BTreeMap<String, String> {
        &self.messages
    }

    /// The message with values put in; the key itself where there is none,
    /// which a test keeps from happening.
    ///
    /// ```
    /// use curdtrace::words::Words;
    /// assert_eq!(Words::of("en").say("alarm-heat-off", &[]), "Fire off");
    /// ```
    pub fn say(&self, key: &str, values: &[(&str, &str)]) -> String {
        let Some(text) = self.messages.get(key) else { return key.to_owned() };
        let mut out = String::with_capacity(text.len() + 16);
        let mut rest = text.as_str();
        while let Some((before, after)) = rest.split_once('{') {
            out.push_str(before);
            let Some((inside, tail)) = after.split_once('}') else { break };
            let name = inside.trim().trim_start_matches('$');
            out.push_str(values.iter().find(|(n, _)| *n == name).map_or("…", |(_, v)| v));
            rest = tail;
        }
        out.push_str(rest);
        out
    }

    /// A message without values.
    pub fn word(&self, key: &str) -> String {
        self.say(key, &[])
    }

    /// The word of a family, such as `stage` and `cooking`; the name itself
    /// where the family has none of that name, as in what a later version wrote.
    ///
    /// ```
    /// use curdtrace::words::Words;
    /// assert_eq!(Words::of("de").one_of("stage", "cooking"), "Brennen");
    /// assert_eq!(Words::of("de").one_of("stage", "smoking-hot"), "smoking hot");
    /// ```
    pub fn one_of(&self, family: &str, name: &str) -> String {
        let key = format!("{family}-{name}");
        if self.messages.contains_key(&key) { self.word(&key) } else { name.replace('-', " ") }
    }

    /// A number as this language writes it.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        self.written(format!("{value:.decimals$}"))
    }

    /// A number with its sign.
    pub fn signed(&self, value: f64, decimals: usize) -> String {
        self.written(format!("{value:+.decimals$}"))
    }

    /// A number with at most so many decimals, a last nought left out.
    ///
    /// ```
    /// use curdtrace::words::Words;
    /// let de = Words::of("de");
    /// assert_eq!([41.0, 41.52].map(|x| de.short(x, 1)), ["41", "41,5"]);
    /// assert_eq!([5.5, 5.52].map(|x| de.short(x, 2)), ["5,5", "5,52"]);
    /// ```
    pub fn short(&self, value: f64, decimals: usize) -> String {
        let plain = format!("{value:.decimals$}");
        let bare = if decimals == 1 { plain.strip_suffix(".0") } else { plain.strip_suffix('0') };
        self.written(bare.map_or(plain.clone(), str::to_owned))
    }

    /// A number with as many decimals as it has.
    pub fn figure(&self, value: f64) -> String {
        self.written(format!("{value}"))
    }

    fn written(&self, plain: String) -> String {
        if self.code == "en" { plain } else { plain.replace('.', ",") }
    }
}

/// Keys and texts of a file.
fn parse(source: &str) -> BTreeMap<String, String> {
    let mut messages = BTreeMap::new();
    let mut key: Option<String> = None;
    for line in source.lines() {
        if line.starts_with([' ', '\t']) {
            if let Some(text) = key.as_ref().and_then(|k| messages.get_mut(k)) {
                let text: &mut String = text;
                text.push(' ');
                text.push_str(line.trim());
            }
        } else if line.starts_with('#') || line.trim().is_empty() {
            key = None;
        } else if let Some((k, text)) = line.split_once('=') {
            key = Some(k.trim().to_owned());
            messages.insert(k.trim().to_owned(), text.trim().to_owned());
        }
    }
    messages
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_reads_as_fluent_would() {
        let m = parse("# said\nready = Ready in { $min } min,\n    at {$at}.\n\nnow = Now\n");
        assert_eq!(m["ready"], "Ready in { $min } min, at {$at}.");
        assert_eq!(m["now"], "Now");
        assert_eq!(m.len(), 2);
    }

    #[test]
    fn values_are_put_in_and_a_missing_one_is_seen() {
        let words = Words { code: "en", source: "", messages: parse("a = { $x } of {$y}\n") };
        assert_eq!(words.say("a", &[("x", "1"), ("y", "2")]), "1 of 2");
        assert_eq!(words.say("a", &[("x", "1")]), "1 of …");
    }
}
