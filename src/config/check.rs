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
    /// How a message calls it: `[rennet]`, `[[modbus.register]] number 2`.
    called: String,
    /// The keys down to it, as a header writes them; empty for the file.
    path: String,
    /// Where it begins, byte offset.
    at: usize,
    known: RefCell<Vec<&'static str>>,
}

type Found<'s, 'i> = &'s Spanned<DeValue<'i>>;

impl<'s, 'i> Section<'s, 'i> {
    /// The file's outermost table.
    pub(super) fn root(table: &'s DeTable<'i>, book: &'s Book<'s>) -> Self {
        Self { table, book, called: "the file".into(), path: String::new(), at: 0, known: RefCell::default() }
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

    /// Notes a doubt at a key, as [`Section::fault_at`] does a fault.
    pub fn doubt_at(&self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        let at = self.table.get(key).map_or(self.at, |v| v.span().start);
        self.book.doubt(at, what, remedy);
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

    fn wrong(&self, key: &str, span: Range<usize>, wanted: &str, remedy: String) {
        let shown = self.book.excerpt(span.clone());
        self.book.fault(span.start, format!("{key} = {shown} is no {wanted}"), remedy);
    }

    /// A string.
    pub fn text(&self, key: &'static str) -> Option<&'s str> {
        let v = self.found(key)?;
        let text = v.get_ref().as_str();
        if text.is_none() {
            self.wrong(key, v.span(), "text", format!("write {key} = \"…\", in double quotes"));
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
        let wanted = format!("from {} to {}", range.start(), range.end());
        self.fitting(key, &wanted, unit, |n| range.contains(n))
    }

    /// A number that is above zero, and at most `most`.
    pub fn above_zero(&self, key: &'static str, most: f64, unit: &str) -> Option<f64> {
        self.fitting(key, &format!("above 0, up to {most}"), unit, |n| *n > 0.0 && *n <= most)
    }

    fn fitting(
        &self,
        key: &'static str,
        wanted: &str,
        unit: &str,
        fits: impl Fn(&f64) -> bool,
    ) -> Option<f64> {
        let v = self.found(key)?;
        let remedy = format!("write a number {wanted}{}{unit}", gap(unit));
        let Some(n) = number(v.get_ref()) else {
            self.wrong(key, v.span(), "number", remedy);
            return None;
        };
        if !fits(&n) {
            let shown = self.book.excerpt(v.span());
            self.book.fault(v.span().start, format!("{key} = {shown} cannot be"), remedy);
            return None;
        }
        Some(n)
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
            self.wrong(key, v.span(), "truth value", "write true or false, without quotes".into());
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
            self.wrong(key, v.span(), "list of texts", format!("write {key} = [\"a\", \"b\"]"));
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
            let wanted = format!("list of numbers from {from_to}");
            self.wrong(key, v.span(), &wanted, format!("write them as {key} = [1.5, 2]"));
        }
        numbers
    }

    /// A list of pairs of numbers whose first rises.
    pub fn pairs(&self, key: &'static str, what: &str) -> Option<Vec<(f64, f64)>> {
        let v = self.found(key)?;
        let list = v.get_ref().as_array();
        let pairs: Option<Vec<_>> = list.and_then(|l| l.iter().map(|x| pair(x.get_ref())).collect());
        let Some(pairs) = pairs else {
            let remedy = format!("write them as {key} = [[0, 34.0], [10, 36.5]]");
            self.wrong(key, v.span(), &format!("list of pairs {what}"), remedy);
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
        let called = format!("[{}]", self.below(key));
        if table.is_none() {
            self.wrong(key, v.span(), "section", format!("head it {called}"));
        }
        table.map(|t| self.within(t, key, called, v.span().start))
    }

    /// The tables of a list, `[[key]]`.
    pub fn sections(&self, key: &'static str) -> Vec<Section<'s, 'i>> {
        let Some(v) = self.found(key) else { return Vec::new() };
        let tables: Option<Vec<_>> = v
            .get_ref()
            .as_array()
            .and_then(|l| l.iter().map(|x| x.get_ref().as_table().map(|t| (t, x.span().start))).collect());
        let header = format!("[[{}]]", self.below(key));
        let Some(tables) = tables else {
            self.wrong(key, v.span(), "list of sections", format!("head each {header}"));
            return Vec::new();
        };
        let called = |n: usize| format!("{header} number {}", n + 1);
        tables.into_iter().enumerate().map(|(n, (t, at))| self.within(t, key, called(n), at)).collect()
    }

    /// A key of this section as a header writes it.
    fn below(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    fn within(&self, table: &'s DeTable<'i>, key: &str, called: String, at: usize) -> Section<'s, 'i> {
        // The header of a table that has keys only below it bears no span of
        // its own; its first key then says where it stands.
        Section { table, book: self.book, called, path: self.below(key), at, known: RefCell::default() }
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
                None => self.wrong(key.get_ref(), v.span(), "text", "write it in double quotes".into()),
            }
        }
        map
    }

    /// Takes keys as known of which it cannot be said whether they belong here, since what
    /// they would belong to is at fault itself.
    pub fn leave(&self, keys: &[&'static str]) {
        self.known.borrow_mut().extend(keys);
    }

    /// Notes every key that nobody asked for. Call it last, unless the keys
    /// are names of the maker's own.
    pub fn done(&self) {
        let known = self.known.borrow();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            // Below a header that is torn it stands where it was not written.
            if !known.contains(&name) && !self.book.is_under_slip(key.span().start) {
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
pub(super) fn nearest(word: &str, known: &[&str]) -> String {
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
