//! One section of a file, read key by key.
//!
//! Duty: give each value in the type and range that is meant, or note a fault
//! with its line and remedy and give `None`; name the keys nobody asked for.
//!
//! Invariant: after [`Section::done`] every key was either read or noted as
//! unknown.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::file::Book;
use crate::wire::name;

/// One TOML table being read.
#[derive(Debug)]
pub struct Section<'s, 'i> {
    table: &'s DeTable<'i>,
    book: &'s Book<'s>,
    /// How a message calls it: `[rennet]`, `the second [[stage]]`.
    called: String,
    /// Where it begins, byte offset.
    at: usize,
    known: RefCell<Vec<&'static str>>,
}

type Found<'s, 'i> = &'s Spanned<DeValue<'i>>;

impl<'s, 'i> Section<'s, 'i> {
    /// The file's outermost table.
    pub(super) fn root(table: &'s DeTable<'i>, book: &'s Book<'s>) -> Self {
        Self { table, book, called: "the file".into(), at: 0, known: RefCell::default() }
    }

    /// Notes a fault of the section as a whole.
    pub fn fault(&self, what: impl Into<String>, remedy: impl Into<String>) {
        self.book.fault(self.at, what, remedy);
    }

    /// Notes a fault at a key, or at the section where the key is not there.
    pub fn fault_at(&self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        let at = self.table.get(key).map_or(self.at, |v| v.span().start);
        self.book.fault(at, what, remedy);
    }

    /// Notes that a key is missing.
    pub fn missing(&self, key: &str, remedy: impl Into<String>) {
        self.book.missing(self.at, format!("{} has no {key}", self.called), remedy);
    }

    /// Whether the key stands there at all.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    fn found(&self, key: &'static str) -> Option<Found<'s, 'i>> {
        let mut known = self.known.borrow_mut();
        if !known.contains(&key) {
            known.push(key);
        }
        self.table.get(key)
    }

    fn wrong(&self, key: &str, span: Range<usize>, wanted: impl std::fmt::Display) {
        let shown = self.book.excerpt(span.clone());
        self.book.fault(span.start, format!("{key} = {shown} is no {wanted}"), format!("write a {wanted}"));
    }

    /// A string.
    pub fn text(&self, key: &'static str) -> Option<&'s str> {
        let v = self.found(key)?;
        let text = v.get_ref().as_str();
        if text.is_none() {
            self.wrong(key, v.span(), format!("text; {key} = \"…\", in double quotes"));
        }
        text
    }

    /// A string that can be a name.
    pub fn name(&self, key: &'static str) -> Option<&'s str> {
        let text = self.text(key)?;
        if let Some(why) = name::unfit(text) {
            self.fault_at(key, format!("{key} = {text:?} {why}"), "give it a short plain name");
            return None;
        }
        Some(text)
    }

    /// A number within a range, integer or float alike.
    pub fn number(&self, key: &'static str, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let v = self.found(key)?;
        let wanted = format!("number from {} to {}{}{unit}", range.start(), range.end(), gap(unit));
        match number(v.get_ref()) {
            Some(n) if range.contains(&n) => Some(n),
            Some(_) => {
                let shown = self.book.excerpt(v.span());
                let what = format!("{key} = {shown} cannot be");
                self.book.fault(v.span().start, what, format!("write a {wanted}"));
                None
            }
            None => {
                self.wrong(key, v.span(), wanted);
                None
            }
        }
    }

    /// A number that is above zero, and at most `most`.
    pub fn above_zero(&self, key: &'static str, most: f64, unit: &str) -> Option<f64> {
        let n = self.number(key, 0.0..=most, unit)?;
        if n > 0.0 {
            return Some(n);
        }
        let remedy = format!("write a number above 0, up to {most}{}{unit}", gap(unit));
        self.fault_at(key, format!("{key} = {n} cannot be"), remedy);
        None
    }

    /// A whole number within a range.
    pub fn whole(&self, key: &'static str, range: RangeInclusive<u64>, unit: &str) -> Option<u64> {
        let most = *range.end() as f64;
        let n = self.number(key, *range.start() as f64..=most, unit)?;
        if n.fract() > 0.0 {
            self.fault_at(key, format!("{key} = {n} is no whole number"), "leave the fraction out");
            return None;
        }
        Some(n as u64)
    }

    /// `true` or `false`.
    pub fn truth(&self, key: &'static str) -> Option<bool> {
        let v = self.found(key)?;
        let truth = v.get_ref().as_bool();
        if truth.is_none() {
            self.wrong(key, v.span(), "truth value; true or false, without quotes");
        }
        truth
    }

    /// One of a list of words.
    pub fn one_of<T>(
        &self,
        key: &'static str,
        words: &[&str],
        named: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let text = self.text(key)?;
        let value = named(text);
        if value.is_none() {
            self.fault_at(
                key,
                format!("{key} = {text:?} is not known{}", nearest(text, words)),
                format!("it is one of {}", words.join(", ")),
            );
        }
        value
    }

    /// A list of strings.
    pub fn texts(&self, key: &'static str) -> Option<Vec<&'s str>> {
        let v = self.found(key)?;
        let list = v.get_ref().as_array();
        let texts: Option<Vec<_>> = list.and_then(|l| l.iter().map(|x| x.get_ref().as_str()).collect());
        if texts.is_none() {
            self.wrong(key, v.span(), "list of texts; [\"a\", \"b\"]");
        }
        texts
    }

    /// A list of numbers within a range.
    pub fn numbers(&self, key: &'static str, range: RangeInclusive<f64>, unit: &str) -> Option<Vec<f64>> {
        let v = self.found(key)?;
        let list = v.get_ref().as_array();
        let numbers: Option<Vec<_>> = list.and_then(|l| l.iter().map(|x| number(x.get_ref())).collect());
        let numbers = numbers.filter(|all| all.iter().all(|n| range.contains(n)));
        if numbers.is_none() {
            let from_to = format!("{} to {}{}{unit}", range.start(), range.end(), gap(unit));
            self.wrong(key, v.span(), format!("list of numbers from {from_to}; [1.5, 2]"));
        }
        numbers
    }

    /// A list of pairs of numbers whose first rises.
    pub fn pairs(&self, key: &'static str, what: &str) -> Option<Vec<(f64, f64)>> {
        let v = self.found(key)?;
        let list = v.get_ref().as_array();
        let pairs: Option<Vec<_>> = list.and_then(|l| l.iter().map(|x| pair(x.get_ref())).collect());
        let Some(pairs) = pairs else {
            self.wrong(key, v.span(), format!("list of pairs {what}; [[0, 34.0], [10, 36.5]]"));
            return None;
        };
        if let Some(w) = pairs.windows(2).find(|w| w[1].0 <= w[0].0) {
            self.book.fault(
                v.span().start,
                format!("{key} does not rise: {} comes after {}", w[1].0, w[0].0),
                format!("put the pairs {what} in rising order of their first number"),
            );
            return None;
        }
        Some(pairs)
    }

    /// A table under a key.
    pub fn section(&self, key: &'static str) -> Option<Section<'s, 'i>> {
        let v = self.found(key)?;
        let table = v.get_ref().as_table();
        if table.is_none() {
            self.wrong(key, v.span(), format!("section; head it [{key}]"));
        }
        table.map(|t| self.within(t, format!("[{key}]"), v.span().start))
    }

    /// The tables of a list, `[[key]]`.
    pub fn sections(&self, key: &'static str) -> Vec<Section<'s, 'i>> {
        let Some(v) = self.found(key) else { return Vec::new() };
        let tables: Option<Vec<_>> = v
            .get_ref()
            .as_array()
            .and_then(|l| l.iter().map(|x| x.get_ref().as_table().map(|t| (t, x.span().start))).collect());
        let Some(tables) = tables else {
            self.wrong(key, v.span(), format!("list of sections; head each [[{key}]]"));
            return Vec::new();
        };
        let called = |n: usize| format!("[[{key}]] number {}", n + 1);
        tables.into_iter().enumerate().map(|(n, (t, at))| self.within(t, called(n), at)).collect()
    }

    fn within(&self, table: &'s DeTable<'i>, called: String, at: usize) -> Section<'s, 'i> {
        // The header of a table that has keys only below it bears no span of
        // its own; its first key then says where it stands.
        Section { table, book: self.book, called, at, known: RefCell::default() }
    }

    /// Every key with its string, where the keys are names of the maker's own.
    /// Marks all of them as read.
    pub fn named_texts(&self) -> BTreeMap<&'s str, &'s str> {
        let mut map = BTreeMap::new();
        for (key, v) in self.table {
            match v.get_ref().as_str() {
                Some(text) => {
                    map.insert(key.get_ref().as_ref(), text);
                }
                None => self.wrong(key.get_ref(), v.span(), "text; in double quotes"),
            }
        }
        map
    }

    /// Notes every key that nobody asked for. Call it last, unless the keys
    /// are names of the maker's own.
    pub fn done(&self) {
        let known = self.known.borrow();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !known.contains(&name) {
                let what = format!("{} knows no {name}{}", self.called, nearest(name, &known));
                let remedy = format!("it takes {}", known.join(", "));
                self.book.fault(key.span().start, what, remedy);
            }
        }
    }
}

fn gap(unit: &str) -> &'static str {
    if unit.is_empty() { "" } else { " " }
}

fn number(v: &DeValue<'_>) -> Option<f64> {
    let n = match v {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok()? as f64,
        DeValue::Float(f) => f.as_str().parse().ok()?,
        _ => return None,
    };
    n.is_finite().then_some(n)
}

fn pair(v: &DeValue<'_>) -> Option<(f64, f64)> {
    let list = v.as_array()?;
    match (list.len(), list.first(), list.get(1)) {
        (2, Some(a), Some(b)) => Some((number(a.get_ref())?, number(b.get_ref())?)),
        _ => None,
    }
}

/// ` (did you mean …?)` where a known word is at most two slips away.
fn nearest(word: &str, known: &[&str]) -> String {
    let best = known.iter().map(|k| (slips(word, k), k)).min();
    match best {
        Some((n, k)) if n <= 2 && n < k.chars().count() => format!(" (did you mean {k}?)"),
        _ => String::new(),
    }
}

/// Edit distance: insertions, deletions, replacements.
fn slips(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let change = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::{nearest, slips};

    #[test]
    fn a_slip_of_the_pen_finds_its_word() {
        for (a, b, n) in
            [("minutes", "minuts", 1), ("", "abc", 3), ("kitten", "sitting", 3), ("same", "same", 0)]
        {
            assert_eq!(slips(a, b), n, "{a} {b}");
        }
        assert_eq!(nearest("to-celcius", &["minutes", "to-celsius"]), " (did you mean to-celsius?)");
        assert_eq!(nearest("humidity", &["minutes", "to-celsius"]), "");
    }
}
