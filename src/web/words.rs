//! The maker's language: messages from plain Fluent files.
//!
//! Duty: read the part of Fluent that the page's messages use, and put values
//! into them. The browser reads the same files with the same rules
//! (`page/words.js`), so that page, sheet and alerts say the same.
//!
//! The part: `key = text`, `#` comments, continuation lines that are indented,
//! and `{ $name }`. The full grammar (terms, selectors, functions, attributes)
//! would bring a dozen crates for sentences that need none of it; a file that
//! uses it is refused by a test, not misread.
//!
//! Invariants: every language has every message of English with the same
//! variables, and none that nothing uses (`tests/words.rs`).

use std::collections::BTreeMap;
use std::sync::OnceLock;

/// The languages there are: code, own name, file.
const FILES: [(&str, &str); 4] = [
    ("en", include_str!("page/en.ftl")),
    ("it", include_str!("page/it.ftl")),
    ("de", include_str!("page/de.ftl")),
    ("fr", include_str!("page/fr.ftl")),
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
    /// use curdtrace::web::words::Words;
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

    /// The file as shipped to the browser.
    pub fn source(&self) -> &'static str {
        self.source
    }

    /// Every message's key and text.
    pub fn messages(&self) -> &BTreeMap<String, String> {
        &self.messages
    }

    /// The message with values put in; the key itself where there is none,
    /// which a test keeps from happening.
    ///
    /// ```
    /// use curdtrace::web::words::Words;
    /// assert_eq!(Words::of("en").say("alarm-heat-off", &[]), "Heat off");
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

    /// A number as this language writes it.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        let plain = format!("{value:.decimals$}");
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
