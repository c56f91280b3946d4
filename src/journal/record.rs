//! The commit line that ends each synced group. Pure.
//!
//! A group is some lines of line protocol and one comment line after them:
//!
//! ```text
//! # group=17 boot=3 offset_ns=1752465000000000000 clock=sure lines=64 bytes=4096 crc32c=89abcdef
//! ```
//!
//! `group` is a running number over the whole journal; `boot` counts the
//! machine's boots; `offset_ns` is wall time minus monotonic time, so that a
//! line's timestamp less it is the moment on the monotonic clock; `clock` says
//! whether that wall time was to be trusted; `lines` counts the lines that are
//! no comments; `bytes` is the length of what stands before this line, so that
//! a group can be judged without its neighbours. The CRC-32C (Castagnoli) goes
//! over those bytes and over this line up to and including the blank before
//! `crc32c=`. Exactly one spelling is taken: what was not written by
//! [`Commit::write`] is damage.

use std::fmt::Write as _;

use crc::{CRC_32_ISCSI, Crc, Table};

/// CRC-32C (Castagnoli).
pub(super) const CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISCSI);

/// What every commit line begins with.
pub const PREFIX: &str = "# group=";

/// What a commit line says of its group.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Commit {
    /// Running number over the whole journal, from 1.
    pub group: u64,
    /// The machine's boot, from 1.
    pub boot: u32,
    /// Wall time minus monotonic time, nanoseconds.
    pub offset_ns: i64,
    /// Whether the wall clock was to be trusted.
    pub clock_sure: bool,
    /// Lines that are no comments.
    pub lines: u32,
    /// Length of the group before this line, bytes.
    pub bytes: u64,
}

impl Commit {
    /// Appends the commit line, its newline included, to the group's `body`.
    ///
    /// ```
    /// use curdtrace::journal::record::Commit;
    /// let mut body = String::from("event,what=x seen=true 5\n");
    /// let c = Commit { group: 1, boot: 1, offset_ns: 0, clock_sure: true, lines: 1, bytes: 25 };
    /// c.write(&mut body);
    /// let (found, start) = Commit::check(body.as_bytes(), 25, body.len()).unwrap();
    /// assert_eq!((found, start), (c, 0));
    /// ```
    pub fn write(&self, body: &mut String) {
        let from = body.len() - usize::try_from(self.bytes).unwrap_or(0).min(body.len());
        let clock = if self.clock_sure { "sure" } else { "unsure" };
        let _ = write!(
            body,
            "{PREFIX}{} boot={} offset_ns={} clock={clock} lines={} bytes={} ",
            self.group, self.boot, self.offset_ns, self.lines, self.bytes
        );
        let crc = CRC.checksum(&body.as_bytes()[from..]);
        let _ = writeln!(body, "crc32c={crc:08x}");
    }

    /// Judges the commit line that stands at `data[line..end]`, its newline
    /// included, and the group before it. Gives what it says and where the
    /// group starts in `data`; `None` where it is no commit line, or anything
    /// of the group is not as it was written.
    pub fn check(data: &[u8], line: usize, end: usize) -> Option<(Self, usize)> {
        let text = std::str::from_utf8(data.get(line..end)?).ok()?;
        let (commit, crc) = Self::parse(text)?;
        let start = line.checked_sub(usize::try_from(commit.bytes).ok()?)?;
        let covered = data.get(start..end - "crc32c=00000000\n".len())?;
        (CRC.checksum(covered) == crc).then_some((commit, start))
    }

    /// Reads a commit line with its newline; the CRC it bears, unchecked.
    fn parse(text: &str) -> Option<(Self, u32)> {
        let rest = text.strip_prefix(PREFIX)?;
        let (group, rest) = rest.split_once(" boot=")?;
        let (boot, rest) = rest.split_once(" offset_ns=")?;
        let (offset_ns, rest) = rest.split_once(" clock=")?;
        let (clock, rest) = rest.split_once(" lines=")?;
        let (lines, rest) = rest.split_once(" bytes=")?;
        let (bytes, rest) = rest.split_once(" crc32c=")?;
        let hex = rest.strip_suffix('\n')?;
        let crc = u32::from_str_radix(hex, 16).ok()?;
        let commit = Self {
            group: group.parse().ok()?,
            boot: boot.parse().ok()?,
            offset_ns: offset_ns.parse().ok()?,
            clock_sure: match clock {
                "sure" => true,
                "unsure" => false,
                _ => return None,
            },
            lines: lines.parse().ok()?,
            bytes: bytes.parse().ok()?,
        };
        // `parse` takes `+1` and `007`, and hex in capitals; we never wrote those.
        let exact = hex.len() == 8
            && hex.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
            && [
                group.len() == digits(commit.group),
                boot.len() == digits(commit.boot.into()),
                offset_ns == commit.offset_ns.to_string(),
                lines.len() == digits(commit.lines.into()),
                bytes.len() == digits(commit.bytes),
            ]
            .into_iter()
            .all(|same| same);
        exact.then_some((commit, crc))
    }
}

fn digits(n: u64) -> usize {
    n.checked_ilog10().map_or(1, |d| d as usize + 1)
}

/// The timestamp at the end of a line of line protocol, nanoseconds.
pub fn timestamp_ns(line: &str) -> Option<i64> {
    line.rsplit_once(' ')?.1.parse().ok()
}

/// The timestamps of a group's lines, comments left out, nanoseconds.
pub fn times(body: &[u8]) -> impl DoubleEndedIterator<Item = i64> {
    let text = std::str::from_utf8(body).unwrap_or_default();
    text.lines().filter(|l| !l.starts_with('#')).filter_map(timestamp_ns)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_crc_is_castagnoli() {
        // Check value over "123456789" from the CRC catalogue (CRC-32/ISCSI),
        // also RFC 3720 B.4: 32 bytes of zero give 8a9136aa.
        assert_eq!(CRC.checksum(b"123456789"), 0xe306_9283);
        assert_eq!(CRC.checksum(&[0; 32]), 0x8a91_36aa);
    }

    #[test]
    fn every_changed_byte_of_a_group_is_found() {
        let mut body = String::from("temperature,probe=k celsius=34.5 10\nmark,kettle=k name=\"cut\" 12\n");
        let c = Commit {
            group: 17,
            boot: 3,
            offset_ns: -5,
            clock_sure: false,
            lines: 2,
            bytes: body.len() as u64,
        };
        let line = body.len();
        c.write(&mut body);
        let good = body.into_bytes();
        assert_eq!(Commit::check(&good, line, good.len()), Some((c, 0)));
        for at in 0..good.len() {
            for other in 0..=255u8 {
                let mut bad = good.clone();
                if bad[at] == other {
                    continue;
                }
                bad[at] = other;
                assert_eq!(Commit::check(&bad, line, bad.len()), None, "byte {at} as {other}");
            }
        }
    }

    #[test]
    fn one_spelling_only() {
        let mut body = String::new();
        Commit { group: 1, boot: 1, offset_ns: 7, clock_sure: true, lines: 0, bytes: 0 }.write(&mut body);
        for (from, to) in [("group=1", "group=01"), ("offset_ns=7", "offset_ns=+7"), ("boot=1", "boot=+1")] {
            assert!(Commit::parse(&body).is_some());
            assert!(Commit::parse(&body.replace(from, to)).is_none(), "{to}");
        }
    }
}
