//! What `replay` reads: a file, a packed day or standard input, line by line.
//!
//! Invariants: a line is one line whatever its length, and no more of it than
//! [`LONGEST_LINE`] is kept; a day that is packed reads as it did unpacked.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read};
use std::path::Path;

use crate::cli::error::Failure;
use crate::journal::unpack::gunzip;

/// Longest line that is taken, bytes: a plan that was followed stands whole in
/// one.
const LONGEST_LINE: usize = 1 << 20;
/// A file that is packed begins with this byte; no text does.
const PACKED: u8 = 0x1f;
/// What some editors put before the first line.
const BYTE_ORDER_MARK: &[u8] = "\u{feff}".as_bytes();

/// Lines as they come.
pub(super) struct Input {
    from: BufReader<Box<dyn Read>>,
    line: Vec<u8>,
    number: u64,
}

/// One line, without what ends it.
pub(super) struct Got<'a> {
    /// Its number, from 1.
    pub number: u64,
    /// Its bytes, cut where it is too long.
    pub bytes: &'a [u8],
    /// Whether it was cut.
    pub cut: bool,
}

impl Input {
    /// Opens the file, or standard input.
    ///
    /// # Errors
    /// 66 where it is not there, 65 where it is packed and damaged.
    pub(super) fn open(path: Option<&Path>) -> Result<Self, Failure> {
        let named = path.filter(|p| p.as_os_str() != "-");
        let name = named.map_or_else(|| "standard input".into(), |p| p.display().to_string());
        let unreadable = |e: io::Error| {
            Failure::no_input(format_args!(
                "{name} cannot be read ({e}); name a file of line protocol, or - for standard input"
            ))
        };
        let plain: Box<dyn Read> = match named {
            Some(path) => Box::new(File::open(path).map_err(unreadable)?),
            None => Box::new(io::stdin()),
        };
        let mut from = BufReader::with_capacity(256 * 1024, plain);
        if from.fill_buf().map_err(unreadable)?.first() == Some(&PACKED) {
            let mut packed = Vec::new();
            from.read_to_end(&mut packed).map_err(unreadable)?;
            let (day, fault) = gunzip(&packed);
            if let Some(e) = fault {
                let why = format_args!("{name} cannot be unpacked: {e}; take the day from a copy");
                return Err(Failure::data(why));
            }
            from = BufReader::new(Box::new(Cursor::new(day)));
        }
        Ok(Self { from, line: Vec::new(), number: 0 })
    }

    /// Whether a whole line is here already, so that none need be waited for.
    pub(super) fn is_ready(&self) -> bool {
        self.from.buffer().contains(&b'\n')
    }

    /// The next line; `None` at the end.
    ///
    /// # Errors
    /// 74 where reading fails.
    pub(super) fn next(&mut self) -> Result<Option<Got<'_>>, Failure> {
        let number = self.number;
        let failed = |e| Failure::io(format_args!("reading the input failed after line {number}: {e}"));
        self.line.clear();
        // One more than is taken, so that a line of just that length is whole.
        let most = LONGEST_LINE as u64 + 1;
        if (&mut self.from).take(most).read_until(b'\n', &mut self.line).map_err(failed)? == 0 {
            return Ok(None);
        }
        self.number += 1;
        let ended = self.line.pop_if(|last| *last == b'\n').is_some();
        let cut = !ended && self.line.len() > LONGEST_LINE;
        if cut {
            self.from.skip_until(b'\n').map_err(failed)?;
        }
        let bytes = match self.line.strip_prefix(BYTE_ORDER_MARK) {
            Some(text) if self.number == 1 => text,
            _ => &self.line,
        };
        Ok(Some(Got { number: self.number, bytes, cut }))
    }
}

impl Got<'_> {
    /// The line's text; `None` for a comment, which may be of any length and
    /// of any bytes.
    ///
    /// # Errors
    /// What is wrong with a line that is no text, or too long.
    pub(super) fn text(&self) -> Result<Option<&str>, String> {
        if self.bytes.trim_ascii_start().starts_with(b"#") {
            return Ok(None);
        }
        if self.cut {
            return Err("longer than 1 MiB, which no reading or mark is; see what wrote it".into());
        }
        match std::str::from_utf8(self.bytes) {
            Ok(text) => Ok(Some(text)),
            Err(_) => Err("not UTF-8 text; write line protocol as text".into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(text: &str) -> Input {
        let from: Box<dyn Read> = Box::new(Cursor::new(text.to_owned()));
        Input { from: BufReader::new(from), line: Vec::new(), number: 0 }
    }

    #[test]
    fn one_line_is_one_line_whatever_its_length() {
        let (most, comment) = ("x".repeat(LONGEST_LINE), format!(" # {}", "y".repeat(3 * LONGEST_LINE)));
        let text = format!("\u{feff}a\n{most}\n{most}x\n{comment}\n{most}{most}{most}\n\nlast");
        let mut input = input(&text);
        let mut seen = Vec::new();
        while let Some(got) = input.next().unwrap() {
            seen.push((got.number, got.text().map(|t| t.map(str::len)).map_err(|e| e.len() < 100)));
        }
        let wanted =
            [Ok(Some(1)), Ok(Some(LONGEST_LINE)), Err(true), Ok(None), Err(true), Ok(Some(0)), Ok(Some(4))];
        assert_eq!(seen, (1..).zip(wanted).collect::<Vec<_>>());
        assert!(input.line.capacity() <= 2 * LONGEST_LINE + 2, "memory is bounded");
    }
}
