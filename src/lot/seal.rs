//! Sums and the chain. Pure.
//!
//! `SHA256SUMS` is what `sha256sum -c` takes: a line a file, sorted by name.
//! The *chain* is one plain text file outside the lots; every sealing appends a
//! line to it:
//!
//! ```text
//! 17 2026-07-14T09:31:02Z 2026-07-14-big-1 sums=<sha256 of SHA256SUMS> chain=<sha256>
//! ```
//!
//! `chain` is the SHA-256 of the former line's `chain` (64 zeros before the
//! first), a line feed, and this line up to and including the blank before
//! `chain=`; the file's own header says so. So no line can be changed, taken out or put in between without
//! changing all after it; and a lot sealed again (corrected, a stretch
//! attached) has one line for each of its seals.
//!
//! Whoever can write the whole disk can write the whole chain; the last `chain`
//! value written on paper (it stands on every sheet printed after it) is what
//! such a one cannot change, and neither a signature where lots are signed
//! ([`super::signature`]).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};

use super::at::At;

/// The name of the sums' file in a lot's folder.
pub const SUMS: &str = "SHA256SUMS";

/// What the chain's file begins with.
pub const CHAIN_HEADER: &str = "# Seals of curdtrace's lots, appended, never changed. chain = sha256 of the former line's chain value\n\
# (64 zeros before the first line), a line feed, and this line up to and with the blank before chain=;\n\
# sums = sha256 of the lot's SHA256SUMS, or of the signature named after the lot.\n";

/// What it began with once; such files are read as ever.
const FORMER_HEADER: &str = "# Seals of curdtrace's lots, appended, never changed. chain = sha256 of the former chain value,\n\
# a line feed, and the line up to the blank before chain=; sums = sha256 of the lot's SHA256SUMS.\n";

/// SHA-256 in lower-case hex.
///
/// ```
/// // FIPS 180-2, appendix B.1.
/// assert!(curdtrace::lot::seal::sha256(b"abc").starts_with("ba7816bf8f01cfea"));
/// ```
pub fn sha256(bytes: &[u8]) -> String {
    let mut hex = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        let _ = write!(hex, "{byte:02x}");
    }
    hex
}

/// The text of `SHA256SUMS` for these files (name to SHA-256).
pub fn sums(files: &BTreeMap<String, String>) -> String {
    let mut text = String::new();
    for (name, hash) in files {
        let _ = writeln!(text, "{hash}  {name}");
    }
    text
}

/// What `SHA256SUMS` says: name to hash. Lines it does not know are left out;
/// whoever checks compares the whole file by its own hash.
pub fn parse_sums(text: &str) -> BTreeMap<String, String> {
    let pairs = text.lines().filter_map(|l| l.split_once("  "));
    pairs.map(|(hash, name)| (name.to_owned(), hash.to_owned())).collect()
}

/// One line of the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// Running number, from 1.
    pub number: u64,
    /// When it was sealed.
    pub at: At,
    /// The lot.
    pub lot: String,
    /// SHA-256 of its `SHA256SUMS`.
    pub sums: String,
    /// The chain's value with this line.
    pub chain: String,
}

/// The chain as read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chain {
    /// Lines that are as written, in order.
    pub links: Vec<Link>,
    /// Numbers (counted in lines of the file) of lines that are not.
    pub bad_lines: Vec<usize>,
    /// Bytes up to and with the last newline.
    pub whole: usize,
    /// Bytes after it: an append that was cut short.
    pub torn: usize,
}

impl Chain {
    /// Reads the chain's file. Its lines are counted in bytes, so that what is
    /// no text cannot shift where the next line is appended.
    pub fn parse(bytes: &[u8]) -> Self {
        let whole = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
        let mut chain = Self { whole, torn: bytes.len() - whole, ..Self::default() };
        let text = String::from_utf8_lossy(&bytes[..whole]);
        let header = [CHAIN_HEADER, FORMER_HEADER].into_iter().find(|h| text.starts_with(h)).unwrap_or("");
        if header.is_empty() && whole > 0 {
            chain.bad_lines.push(1);
        }
        let skipped = header.lines().count();
        let body = &text[header.len()..];
        for (i, line) in body.split_terminator('\n').enumerate() {
            let former = chain.value();
            let number = chain.links.len() as u64 + 1;
            match parse_link(line) {
                Some(link) if link.number == number && write_link(&link, former) == line => {
                    chain.links.push(link);
                }
                _ => chain.bad_lines.push(skipped + i + 1),
            }
        }
        chain
    }

    /// The chain's value now: 64 zeros where it is empty.
    pub fn value(&self) -> &str {
        self.links
            .last()
            .map_or("0000000000000000000000000000000000000000000000000000000000000000", |l| &l.chain)
    }

    /// Whether the whole file is as it was written.
    pub fn is_whole(&self) -> bool {
        self.bad_lines.is_empty() && self.torn == 0
    }

    /// The newest seal of a lot.
    pub fn seal_of(&self, lot: &str) -> Option<&Link> {
        self.links.iter().rev().find(|l| l.lot == lot)
    }

    /// The line to append for a new seal, its newline included.
    pub fn next_line(&self, at: At, lot: &str, sums_hash: &str) -> String {
        let number = self.links.len() as u64 + 1;
        let link = Link { number, at, lot: lot.into(), sums: sums_hash.into(), chain: String::new() };
        write_link(&link, self.value()) + "\n"
    }
}

fn write_link(link: &Link, former: &str) -> String {
    let mut line = format!("{} {} {} sums={} ", link.number, link.at, link.lot, link.sums);
    let value = sha256(format!("{former}\n{line}").as_bytes());
    let _ = write!(line, "chain={value}");
    line
}

fn parse_link(line: &str) -> Option<Link> {
    let mut words = line.split(' ');
    let link = Link {
        number: words.next()?.parse().ok()?,
        at: words.next()?.parse().ok()?,
        lot: words.next()?.into(),
        sums: words.next()?.strip_prefix("sums=")?.into(),
        chain: words.next()?.strip_prefix("chain=")?.into(),
    };
    words.next().is_none().then_some(link)
}

/// What differs between a lot's folder and its seal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Difference {
    /// A file's bytes are others.
    Changed(
        /// Its name.
        String,
    ),
    /// A file is gone.
    Removed(
        /// Its name.
        String,
    ),
    /// A file (or folder) is there that was not.
    Added(
        /// Its name.
        String,
    ),
    /// Where its folder should be is a link or a file.
    NoFolder,
    /// Its whole folder is gone.
    Gone,
    /// The lot is closed, but nothing in the chain tells of it.
    Unsealed,
    /// The lot is open.
    Open,
    /// The chain itself is not as it was written.
    Chain(
        /// Which lines of its file, in words.
        String,
    ),
    /// It does not hold its bytes itself: a link, a folder, a pipe.
    NotPlain(
        /// Its name.
        String,
    ),
    /// A file cannot be read.
    Unreadable(
        /// Its name and what the disk says.
        String,
    ),
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Changed(name) => write!(f, "{name} is not as it was closed"),
            Self::Removed(name) => write!(f, "{name} is gone"),
            Self::Added(name) => write!(f, "{name} was added"),
            Self::NotPlain(name) => write!(f, "{name} is not a plain file"),
            Self::NoFolder => f.write_str("its folder is a link or a file, not a folder"),
            Self::Gone => f.write_str("its folder is gone, with all that was in it"),
            Self::Unsealed => f.write_str("it is closed, but the chain tells of no seal"),
            Self::Open => f.write_str("it is open, not sealed yet"),
            Self::Chain(what) => write!(f, "the chain of seals is not as it was written ({what})"),
            Self::Unreadable(what) => write!(f, "{what}"),
        }
    }
}

/// Compares a folder's files (name to hash) and the text of its `SHA256SUMS`
/// with a seal.
pub fn compare(files: &BTreeMap<String, String>, sums_text: &str, seal: &Link) -> Vec<Difference> {
    let mut found = Vec::new();
    let as_sealed = sha256(sums_text.as_bytes()) == seal.sums;
    if !as_sealed {
        found.push(Difference::Changed(SUMS.into()));
    }
    let said = parse_sums(sums_text);
    for (name, hash) in &said {
        match files.get(name) {
            None => found.push(Difference::Removed(name.clone())),
            Some(h) if h != hash => found.push(Difference::Changed(name.clone())),
            Some(_) => {}
        }
    }
    found.extend(files.keys().filter(|n| !said.contains_key(*n)).map(|n| Difference::Added(n.clone())));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn three() -> String {
        let mut text = String::from(CHAIN_HEADER);
        for (i, lot) in [(0, "a-1"), (1, "b-1"), (2, "a-1")] {
            let line =
                Chain::parse(text.as_bytes()).next_line(At(i * 1_000_000_000), lot, &sha256(lot.as_bytes()));
            text.push_str(&line);
        }
        text
    }

    #[test]
    fn a_chain_reads_back() {
        let chain = Chain::parse(three().as_bytes());
        assert!(chain.is_whole());
        assert_eq!(chain.links.iter().map(|l| &*l.lot).collect::<Vec<_>>(), ["a-1", "b-1", "a-1"]);
        assert_eq!(chain.seal_of("a-1").unwrap().number, 3);
        assert!(Chain::parse(b"").is_whole());
    }

    #[test]
    fn a_chain_with_the_former_header_reads_on() {
        let former = three().replacen(CHAIN_HEADER, FORMER_HEADER, 1);
        assert_eq!(Chain::parse(former.as_bytes()).links, Chain::parse(three().as_bytes()).links);
        assert!(Chain::parse(former.as_bytes()).is_whole());
    }

    #[test]
    fn every_changed_byte_of_the_chain_is_found() {
        let good = three();
        for at in 0..good.len() {
            for change in [1u8, 32, 0x0f, 0x80] {
                let mut bytes = good.clone().into_bytes();
                bytes[at] ^= change;
                assert!(!Chain::parse(&bytes).is_whole(), "byte {at} ^ {change}");
            }
        }
        for line in 3..6 {
            let without: String =
                good.split_inclusive('\n').enumerate().filter(|(i, _)| *i != line).map(|x| x.1).collect();
            // The newest line taken off is a shorter chain; that its lot has no seal then shows elsewhere.
            assert_eq!(Chain::parse(without.as_bytes()).is_whole(), line == 5, "line {line} taken out");
        }
    }
}
