//! Bytes that come and are no readings: another format or speed than is set.
//!
//! Bytes without one reading among them are told, with the first of them to look at.
//! Noise among readings is nothing to tell; a line among them that is whole and says
//! nothing is, once.
//!
//! Pure but for its shelf, from which who waits for readings may read it.

use std::sync::Mutex;

/// Bytes come for so long without a reading before it is told, nanoseconds.
const TOLD_AFTER_NS: u64 = 10_000_000_000;

/// And so often again, nanoseconds.
const TOLD_EVERY_NS: u64 = 600_000_000_000;

/// So few bytes may be what is left of a reading that was cut.
const MANY: usize = 16;

/// So many of the first are shown.
const SHOWN: usize = 24;

/// And of a line that was refused.
const LONGEST_LINE: usize = 60;

/// What came of one source since its last reading.
#[derive(Debug, Default)]
pub struct Gibberish {
    first: Vec<u8>,
    bytes: usize,
    since_ns: u64,
    told_ns: Option<u64>,
    /// The last line that was refused, and why, until one was told.
    refused: Option<String>,
    refused_told: bool,
}

impl Gibberish {
    /// A whole line or frame was refused; what there is to tell of it.
    pub fn refused(&mut self, told: impl FnOnce() -> String) {
        if !self.refused_told {
            self.refused = Some(told());
        }
    }

    /// What was refused among readings, once.
    pub fn among_readings(&mut self) -> Option<String> {
        let refused = self.refused.take();
        self.refused_told |= refused.is_some();
        refused
    }

    /// Bytes came.
    pub fn came(&mut self, bytes: &[u8], now_ns: u64) {
        if self.bytes == 0 {
            self.since_ns = now_ns;
        }
        self.bytes = self.bytes.saturating_add(bytes.len());
        let room = SHOWN - self.first.len();
        self.first.extend_from_slice(&bytes[..bytes.len().min(room)]);
    }

    /// There was a reading in them.
    pub fn understood(&mut self) {
        self.first.clear();
        self.bytes = 0;
    }

    /// The first of the bytes, escaped, where there are more than a cut reading has.
    pub fn shown(&self) -> Option<String> {
        (self.bytes >= MANY).then(|| {
            let more = if self.bytes > self.first.len() { "…" } else { "" };
            format!("\"{}{more}\"", self.first.escape_ascii())
        })
    }

    /// The same, where it is time to tell.
    pub fn due(&mut self, now_ns: u64) -> Option<String> {
        let shown = self.shown()?;
        let waits = now_ns.saturating_sub(self.since_ns) >= TOLD_AFTER_NS;
        let again = self.told_ns.is_none_or(|told| now_ns.saturating_sub(told) >= TOLD_EVERY_NS);
        if !waits || !again {
            return None;
        }
        self.told_ns = Some(now_ns);
        Some(shown)
    }
}

/// A line or a message as it came, escaped and cut to what fits the log.
pub fn quoted(bytes: &[u8]) -> String {
    let more = if bytes.len() > LONGEST_LINE { "…" } else { "" };
    format!("\"{}{more}\"", bytes[..bytes.len().min(LONGEST_LINE)].escape_ascii())
}

/// Where the last is kept for who asks.
#[derive(Debug, Default)]
pub struct Shelf(Mutex<Option<String>>);

impl Shelf {
    /// Keeps what is to be seen now.
    pub fn put(&self, shown: Option<String>) {
        *self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = shown;
    }

    /// What is to be seen.
    pub fn seen(&self) -> Option<String> {
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: u64 = 1_000_000_000;

    /// A box that was read at the wrong speed was never named.
    #[test]
    fn bytes_without_a_reading_are_told_once_and_noise_is_not() {
        let mut seen = Gibberish::default();
        let mut told = Vec::new();
        for s in 0..1300 {
            seen.came(b"garbage \xff\n", s * S);
            told.extend(seen.due(s * S).map(|shown| (s, shown)));
        }
        let shown = r#""garbage \xff\ngarbage \xff\ngarb…""#;
        assert_eq!(told, [(10, shown.to_owned()), (610, shown.into()), (1210, shown.into())]);
        // One reading in a minute among noise.
        let mut seen = Gibberish::default();
        for s in 0..600 {
            seen.came(b"noise", s * S);
            if s % 9 == 0 {
                seen.understood();
            }
            assert_eq!(seen.due(s * S), None);
        }
        // A cut reading before a long silence.
        let mut seen = Gibberish::default();
        seen.came(b"4.5\n", 0);
        assert_eq!(seen.due(3600 * S), None);
    }
}
