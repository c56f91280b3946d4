//! A segment: one file of the journal, `000017-2026-07-14.lp`. Pure.
//!
//! The running number orders segments; the day is the wall clock's when the
//! segment began, for people who look, and may be wrong. [`scan`] finds the
//! groups that are whole. What lies between two whole groups is damage; what
//! lies after the last is the *tail*: in the newest segment a write that never
//! ended, in an older one usually a sync that failed and was abandoned.

use std::ops::Range;

use super::record::{Commit, PREFIX};
use crate::wire::json::rfc3339;

/// A segment's name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct SegmentName {
    /// Running number, from 1.
    pub number: u64,
    /// UTC day as the wall clock had it, `2026-07-14`.
    pub day: String,
    /// Packed with gzip; reads the same.
    pub packed: bool,
}

impl SegmentName {
    /// The segment of that number for a wall time (ns since 1970).
    pub fn new(number: u64, wall_ns: i64) -> Self {
        Self { number, day: day(wall_ns), packed: false }
    }

    /// The segment whose file has this name, where it is one's.
    ///
    /// ```
    /// use curdtrace::journal::segment::SegmentName;
    /// let s = SegmentName::of_file("000017-2026-07-14.lp").unwrap();
    /// assert_eq!((s.number, s.file().as_str()), (17, "000017-2026-07-14.lp"));
    /// ```
    pub fn of_file(name: &str) -> Option<Self> {
        let (stem, packed) = match name.strip_suffix(".lp.gz") {
            Some(stem) => (stem, true),
            None => (name.strip_suffix(".lp")?, false),
        };
        let (number, day) = stem.split_once('-')?;
        let number = (number.len() >= 6).then(|| number.parse().ok()).flatten()?;
        Some(Self { number, day: day.to_owned(), packed })
    }

    /// The file's name.
    pub fn file(&self) -> String {
        format!("{:06}-{}.lp{}", self.number, self.day, if self.packed { ".gz" } else { "" })
    }
}

/// The UTC day of a wall time, `2026-07-14`.
pub fn day(wall_ns: i64) -> String {
    let mut text = rfc3339(wall_ns);
    text.truncate(text.find('T').unwrap_or(text.len()));
    text
}

/// One whole group within a segment's bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// What its commit line says.
    pub commit: Commit,
    /// Its lines, the commit line excluded.
    pub body: Range<usize>,
    /// Where it ends, the commit line included.
    pub end: usize,
}

/// What a segment holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Scan {
    /// Whole groups in order.
    pub groups: Vec<Group>,
    /// Bytes between whole groups (or before the first) that are no group.
    pub bad: Vec<Range<usize>>,
    /// Where the last whole group ends; from here on is the tail.
    pub end: usize,
}

/// Finds the whole groups of a segment.
pub fn scan(data: &[u8]) -> Scan {
    let mut found = Scan::default();
    let mut line = 0;
    for text in data.split_inclusive(|b| *b == b'\n') {
        let end = line + text.len();
        if text.starts_with(PREFIX.as_bytes())
            && let Some((commit, start)) = Commit::check(data, line, end)
        {
            found.take(Group { commit, body: start..line, end });
        }
        line = end;
    }
    found
}

impl Scan {
    /// Takes a whole group in, unless it overlaps the one before or its number
    /// does not rise (an old sector seen again).
    fn take(&mut self, group: Group) {
        let rises = self.groups.last().is_none_or(|last| last.commit.group < group.commit.group);
        if group.body.start < self.end || !rises {
            return;
        }
        if group.body.start > self.end {
            self.bad.push(self.end..group.body.start);
        }
        self.end = group.end;
        self.groups.push(group);
    }

    /// The numbers of the first and the last whole group.
    pub fn numbers(&self) -> Option<(u64, u64)> {
        Some((self.groups.first()?.commit.group, self.groups.last()?.commit.group))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn group(number: u64, body: &str) -> String {
        let mut text = body.to_owned();
        let bytes = body.len() as u64;
        Commit { group: number, boot: 1, offset_ns: 0, clock_sure: true, lines: 1, bytes }.write(&mut text);
        text
    }

    fn check(data: &str, numbers: &[u64], bad: usize, tail: usize) {
        let s = scan(data.as_bytes());
        assert_eq!(s.groups.iter().map(|g| g.commit.group).collect::<Vec<_>>(), numbers, "{data}");
        assert_eq!(s.bad.iter().map(Range::len).sum::<usize>(), bad, "{data}");
        assert_eq!(data.len() - s.end, tail, "{data}");
    }

    #[test]
    fn whole_groups_damage_and_tail() {
        let (a, b, c) = (group(1, "x y=1 1\n"), group(2, "x y=2 2\n"), group(3, "x y=3 3\n"));
        check(&format!("{a}{b}{c}"), &[1, 2, 3], 0, 0);
        check(&format!("{a}{b}{}", &c[..9]), &[1, 2], 0, 9);
        let rotten = b.replacen("y=2", "y=7", 1);
        check(&format!("{a}{rotten}{c}"), &[1, 3], rotten.len(), 0);
        let unreadable = b.replacen("# group", "! group", 1);
        check(&format!("{a}{unreadable}{c}"), &[1, 3], b.len(), 0);
        // An old sector seen again is no new group.
        check(&format!("{a}{b}{a}{c}"), &[1, 2, 3], a.len(), 0);
        check("", &[], 0, 0);
    }

    #[test]
    fn names() {
        for name in ["000001-1970-01-01.lp", "1234567-2026-07-14.lp.gz"] {
            assert_eq!(SegmentName::of_file(name).unwrap().file(), name);
        }
        for none in ["17-2026-07-14.lp", "000001-2026-07-14.txt", "quarantine", ".000001-2026.lp.new"] {
            assert_eq!(SegmentName::of_file(none), None, "{none}");
        }
    }
}
