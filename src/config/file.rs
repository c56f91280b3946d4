//! TOML text as a tree that knows its lines.
//!
//! Duty: parse with recovery, so that a slip in line 3 does not hide the one
//! in line 30, and turn byte offsets into line numbers.

use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::check::Section;
use super::fault::Fault;

/// The largest configuration file that is read, bytes; a larger one is no
/// configuration.
pub const LARGEST_BYTES: u64 = 1 << 20;

/// Collects the faults of one file and knows where its lines begin.
#[derive(Debug)]
pub struct Book<'t> {
    name: String,
    text: &'t str,
    line_starts: Vec<usize>,
    faults: RefCell<Vec<Fault>>,
    /// What may be meant so, and seldom is.
    doubts: RefCell<Vec<Fault>>,
    /// The text did not parse whole: what seems missing may stand in the part
    /// that was lost.
    torn: Cell<bool>,
    /// The lines, from 1, on which it did not.
    slips: RefCell<BTreeSet<usize>>,
}

impl<'t> Book<'t> {
    fn new(name: &str, text: &'t str) -> Self {
        let line_starts =
            std::iter::once(0).chain(text.bytes().enumerate().filter(|b| b.1 == b'\n').map(|b| b.0 + 1));
        Self {
            name: name.into(),
            text,
            line_starts: line_starts.collect(),
            faults: RefCell::default(),
            doubts: RefCell::default(),
            torn: Cell::new(false),
            slips: RefCell::default(),
        }
    }

    /// The line, from 1, that the byte offset stands in.
    pub fn line(&self, offset: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= offset)
    }

    /// The text of a span, cut to what fits a message.
    pub fn excerpt(&self, span: Range<usize>) -> String {
        let whole = self.text.get(span).unwrap_or_default();
        let first = whole.lines().next().unwrap_or_default();
        if first.chars().count() > 40 || first.len() < whole.trim_end().len() {
            let cut: String = first.chars().take(40).collect();
            format!("{cut}…")
        } else {
            first.to_string()
        }
    }

    /// Whether the header above the offset, where there is one, is at fault itself.
    pub fn is_under_slip(&self, offset: usize) -> bool {
        let starts = &self.line_starts[..self.line(offset)];
        let header = starts
            .iter()
            .rposition(|&start| self.text[start..].trim_start_matches([' ', '\t']).starts_with('['));
        header.is_some_and(|line| self.slips.borrow().contains(&(line + 1)))
    }

    /// Notes a fault at a byte offset.
    pub fn fault(&self, offset: usize, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.borrow_mut().push(self.at(offset, what, remedy));
    }

    /// Notes a doubt at a byte offset.
    pub fn doubt(&self, offset: usize, what: impl Into<String>, remedy: impl Into<String>) {
        self.doubts.borrow_mut().push(self.at(offset, what, remedy));
    }

    fn at(&self, offset: usize, what: impl Into<String>, remedy: impl Into<String>) -> Fault {
        Fault { file: self.name.clone(), line: self.line(offset), what: what.into(), remedy: remedy.into() }
    }

    /// Notes that something is not there; silent where part of the text was
    /// lost to a slip of syntax.
    pub fn missing(&self, offset: usize, what: impl Into<String>, remedy: impl Into<String>) {
        if !self.torn.get() {
            self.fault(offset, what, remedy);
        }
    }
}

/// Reads a file's text.
///
/// # Errors
/// One fault of the whole file: not there, not readable, not UTF-8, too large.
pub fn text_of(path: &Path) -> Result<String, Vec<Fault>> {
    let name = path.display().to_string();
    let fault = |what: String, remedy: &str| vec![Fault::of_file(&name, what, remedy)];
    let size = std::fs::metadata(path)
        .map_err(|e| fault(format!("cannot be read ({e})"), "check the path and the file's permissions"))?
        .len();
    if size > LARGEST_BYTES {
        return Err(fault(format!("has {size} bytes"), "a configuration has at most 1 MiB; check the path"));
    }
    let bytes = std::fs::read(path)
        .map_err(|e| fault(format!("cannot be read ({e})"), "check the path and the file's permissions"))?;
    String::from_utf8(bytes).map_err(|_| fault("is not UTF-8 text".into(), "save it as UTF-8"))
}

/// Parses `text` and lets `meant` make of its root section what it can. What
/// comes back is whole and without a fault, or every fault in the order of the
/// lines.
///
/// # Errors
/// Every fault of the text at once.
pub fn reading<T>(
    name: &str,
    text: &str,
    meant: impl FnOnce(&Section<'_, '_>) -> Option<T>,
) -> Result<T, Vec<Fault>> {
    weighing(name, text, meant).0
}

/// As [`reading`], and every doubt.
pub fn weighing<T>(
    name: &str,
    text: &str,
    meant: impl FnOnce(&Section<'_, '_>) -> Option<T>,
) -> (Result<T, Vec<Fault>>, Vec<Fault>) {
    let book = Book::new(name, text);
    let (tree, slips): (Spanned<DeTable<'_>>, _) = DeTable::parse_recoverable(text);
    let place = |slip: &toml::de::Error| slip.span().map_or(0, |s| s.start);
    for slip in &slips {
        let at = place(slip);
        book.slips.borrow_mut().insert(book.line(at));
        let why = slip.message().lines().collect::<Vec<_>>().join(", ");
        let shown = book.excerpt(line_span(&book, at));
        book.fault(at, format!("no TOML: {why}"), format!("mend the line `{}`", shown.trim()));
    }
    book.torn.set(!slips.is_empty());
    let value = {
        let root = Section::root(tree.get_ref(), &book);
        let value = meant(&root);
        root.done();
        value
    };
    // By line; a key looked at twice leaves its fault once.
    let [faults, doubts] = [book.faults, book.doubts].map(|all| {
        let mut all = all.into_inner();
        all.sort();
        all.dedup();
        all
    });
    let read = match value {
        Some(v) if faults.is_empty() => Ok(v),
        _ if faults.is_empty() => {
            Err(vec![Fault::of_file(name, "is not complete", "compare it with the annotated example")])
        }
        _ => Err(faults),
    };
    (read, doubts)
}

fn line_span(book: &Book<'_>, offset: usize) -> Range<usize> {
    let line = book.line(offset);
    let start = book.line_starts[line - 1];
    let end = book.line_starts.get(line).map_or(book.text.len(), |next| next - 1);
    start..end
}
