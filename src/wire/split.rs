//! Bytes of a serial line to whole lines of text, for boxes that send a
//! payload a line instead of our frames.

/// The longest line taken, bytes.
pub const LONGEST_LINE: usize = 1024;

/// Cuts a stream of bytes at line ends. Keeps at most [`LONGEST_LINE`] bytes;
/// a longer line is dropped whole and counted.
///
/// ```
/// use curdtrace::wire::split::LineSplitter;
/// let mut s = LineSplitter::default();
/// assert!(s.push(b"34.").is_empty());
/// assert_eq!(s.push(b"5\r\n35"), [b"34.5"]);
/// ```
#[derive(Debug)]
pub struct LineSplitter {
    held: Vec<u8>,
    /// The line now coming is thrown away up to its end: too long, or begun
    /// before we listened.
    dropping: bool,
}

impl Default for LineSplitter {
    /// Takes the first bytes as the beginning of a line.
    fn default() -> Self {
        Self { held: Vec::new(), dropping: false }
    }
}

impl LineSplitter {
    /// For a line of which we may have come in the middle: everything up to
    /// the first line end is thrown away, since half a number is a wrong one.
    pub fn joined_midway() -> Self {
        Self { held: Vec::new(), dropping: true }
    }

    /// Takes in bytes; gives the lines that ended in them, without line ends,
    /// empty ones left out.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Vec<u8>> {
        let mut out = Vec::new();
        for &b in bytes {
            if b == b'\n' || b == b'\r' {
                if !self.dropping && !self.held.is_empty() {
                    out.push(std::mem::take(&mut self.held));
                }
                self.held.clear();
                self.dropping = false;
            } else if self.dropping {
            } else if self.held.len() == LONGEST_LINE {
                self.held.clear();
                self.dropping = true;
            } else {
                self.held.push(b);
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_come_whole_or_not_at_all() {
        let mut s = LineSplitter::joined_midway();
        assert_eq!(s.push(b"4.5\n34.6\n\r\n"), [b"34.6".to_vec()]);
        assert!(s.push(&[b'x'; 3000]).is_empty());
        assert_eq!(s.push(b"tail\n7\r"), [b"7".to_vec()]);
    }
}
