//! Reading the journal: whole groups only, in the order they were written.
//!
//! Every line comes with its [`Stamped`] moment: the monotonic one is exact
//! (timestamp less the group's offset); the wall one is `None` while the clock
//! was not to be trusted, unless a later group of the same boot knows better,
//! which is then carried back. Lines are never put into another order by wall
//! time.
//!
//! One segment is in memory at a time (64 MiB by default).

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use super::JournalError;
use super::recent;
use super::record::{Commit, times, timestamp_ns};
use super::recover::{Damage, Loaded};
use super::segment::{Group, Scan, scan};
use super::shelf::{Outside, Shelf, sure_in};
use super::storage::Storage;

/// A line is written this long after its own time at the latest, nanoseconds:
/// 50 days. What claims to be older has a clock that is wrong.
pub const LATEST_NS: u64 = 50 * 86_400 * 1_000_000_000;

/// A stretch of wall time, ns since 1970; open where `None`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Span {
    /// From this moment on.
    pub from_ns: Option<i64>,
    /// Before this moment.
    pub to_ns: Option<i64>,
}

impl Span {
    /// Whether a moment lies in it.
    pub fn holds(&self, ns: i64) -> bool {
        self.from_ns.is_none_or(|f| ns >= f) && self.to_ns.is_none_or(|t| ns < t)
    }
    pub(super) fn is_whole(&self) -> bool {
        self.from_ns.is_none() && self.to_ns.is_none()
    }
}

/// When a journal line was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamped {
    /// The machine's boot.
    pub boot: u32,
    /// Monotonic time since that boot, ns.
    pub mono_ns: u64,
    /// Wall time, ns since 1970, where it is to be trusted or was mapped later.
    pub wall_ns: Option<i64>,
    /// The timestamp as it stands in the line.
    pub written_ns: i64,
    /// Its group's number.
    pub group: u64,
}

/// Reads a journal line by line.
///
/// ```
/// # use std::sync::Arc;
/// # use curdtrace::journal::{Journal, Moment, Settings, storage::Disk};
/// use curdtrace::journal::replay::{Replay, Span};
/// # let dir = tempfile::tempdir().unwrap();
/// # let (mut journal, _) = Journal::open(Arc::new(Disk), dir.path(), Settings::default(), "a").unwrap();
/// # let at = Moment { mono_ns: 5, offset_ns: 1_000, clock_sure: true };
/// # journal.push("temperature,probe=kettle celsius=34.5 1005", at).unwrap();
/// # journal.commit().unwrap();
/// let mut replay = Replay::open(Arc::new(Disk), dir.path(), Span::default()).unwrap();
/// let (at, line) = replay.next_line().unwrap().unwrap();
/// assert_eq!((at.mono_ns, at.wall_ns), (5, Some(1_005)));
/// assert!(line.starts_with("temperature,"));
/// assert!(replay.next_line().unwrap().is_none());
/// ```
#[derive(Debug)]
pub struct Replay {
    shelf: Shelf,
    span: Span,
    next: usize,
    /// Groups before this number are left out.
    from_group: u64,
    here: Here,
    /// For each boot the offset that a group with an unsure clock is mapped by.
    known: BTreeMap<u32, Option<i64>>,
    /// Where the last group ended, be it of a segment that was read or left out.
    before: Option<Edge>,
    /// The bytes since then that are no group.
    loose: Vec<Damage>,
    damage: Vec<Damage>,
}

/// Where in the loaded segment the reader stands.
#[derive(Debug, Default)]
struct Here {
    data: Vec<u8>,
    groups: Vec<Group>,
    group: usize,
    at: usize,
    mapped: Option<i64>,
}

impl Replay {
    /// Starts at the first segment that can hold a line of `span`.
    ///
    /// # Errors
    /// [`JournalError::Open`] where the folder cannot be read.
    pub fn open(storage: Arc<dyn Storage>, dir: &Path, span: Span) -> Result<Self, JournalError> {
        Ok(Self {
            shelf: Shelf::of(storage, dir, span)?,
            span,
            next: 0,
            from_group: 0,
            here: Here::default(),
            known: BTreeMap::new(),
            before: None,
            loose: Vec::new(),
            damage: Vec::new(),
        })
    }

    /// Starts `back_ns` before the newest line, counted backward by what the
    /// clocks are known to have gone on, never by what they were set to.
    ///
    /// # Errors
    /// As [`Replay::open`], and where a segment cannot be read.
    pub fn recent(storage: &Arc<dyn Storage>, dir: &Path, back_ns: i64) -> Result<Self, JournalError> {
        let all = Self::open(storage.clone(), dir, Span::default())?;
        let start = recent::start(&**storage, dir, all.shelf.names(), back_ns)?;
        Ok(Self { next: start.segment, from_group: start.group, ..all })
    }

    /// What of the span is not as it was written, as far as it was read: holes where
    /// groups were, and packed days that did not unpack as a whole. What is whole was
    /// given all the same.
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// The next line of the span, comments left out; `None` at the end.
    ///
    /// # Errors
    /// [`JournalError::Open`] where a segment cannot be read.
    pub fn next_line(&mut self) -> Result<Option<(Stamped, &str)>, JournalError> {
        loop {
            if self.here.group >= self.here.groups.len() {
                if !self.load_next()? {
                    return Ok(None);
                }
                continue;
            }
            let Some((stamp, from, to)) = self.advance()? else { continue };
            if self.span.is_whole() || self.span.holds(stamp.wall_ns.unwrap_or(stamp.written_ns)) {
                let line = std::str::from_utf8(&self.here.data[from..to]).unwrap_or_default();
                return Ok(Some((stamp, line)));
            }
        }
    }

    /// Steps over one line of the running group; `None` for a comment or the
    /// group's end.
    fn advance(&mut self) -> Result<Option<(Stamped, usize, usize)>, JournalError> {
        let here = &self.here;
        let group = &here.groups[here.group];
        let (commit, body) = (group.commit, group.body.clone());
        let from = here.at.max(body.start);
        if here.at <= body.start {
            let mapped = self.map(commit)?;
            self.here.mapped = mapped;
        }
        if from >= body.end {
            self.here.group += 1;
            self.here.at = 0;
            return Ok(None);
        }
        let rest = &self.here.data[from..body.end];
        let to = from + rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
        self.here.at = to + 1;
        let line = std::str::from_utf8(&self.here.data[from..to]).unwrap_or_default();
        let Some(written_ns) = timestamp_ns(line).filter(|_| !line.starts_with('#')) else { return Ok(None) };
        let mono = written_ns.saturating_sub(commit.offset_ns);
        let wall_ns = self.here.mapped.map(|offset| mono.saturating_add(offset));
        let mono_ns = u64::try_from(mono).unwrap_or(0);
        let stamp = Stamped { boot: commit.boot, mono_ns, wall_ns, written_ns, group: commit.group };
        Ok(Some((stamp, from, to)))
    }

    /// The offset by which a group's wall times are known.
    fn map(&mut self, commit: Commit) -> Result<Option<i64>, JournalError> {
        if commit.clock_sure {
            self.known.insert(commit.boot, Some(commit.offset_ns));
            return Ok(Some(commit.offset_ns));
        }
        if let Some(known) = self.known.get(&commit.boot) {
            return Ok(*known);
        }
        let found = self.look_ahead(commit.boot)?;
        self.known.insert(commit.boot, found);
        Ok(found)
    }

    /// The first trusted offset of a boot from here on.
    fn look_ahead(&self, boot: u32) -> Result<Option<i64>, JournalError> {
        match sure_in(&self.here.groups[self.here.group..], boot) {
            Some(offset) => Ok(Some(offset)),
            None => self.shelf.sure_offset_ns(self.next, boot),
        }
    }

    /// Loads the next segment that may hold lines of the span.
    fn load_next(&mut self) -> Result<bool, JournalError> {
        while self.next < self.shelf.names().len() {
            let place = self.next;
            self.next += 1;
            if let Some(Outside { first_group, last_group, ns, sure }) =
                self.shelf.outside(place, self.span, &self.known)?
            {
                let clocks = self.shelf.clocks(place).iter().filter(|c| c.sure);
                self.known.extend(clocks.map(|c| (c.boot, Some(c.offset_ns))));
                self.meet(place, Edge { number: first_group, ns, sure });
                self.before = Some(Edge { number: last_group, ns, sure });
                continue;
            }
            // One at a time in memory.
            self.here = Here::default();
            let Loaded { data, damage } = self.shelf.load(place)?;
            let mut found = scan(&data);
            if damage.is_none() && !self.span.is_whole() {
                self.shelf.note(place, &data, &found);
            }
            self.damage.extend(damage);
            let void_from = self.shelf.first_number_from(self.next)?.unwrap_or(u64::MAX);
            found.groups.retain(|g| (self.from_group..void_from).contains(&g.commit.group));
            self.look_for_holes(place, &data, &found);
            self.here = Here { data, groups: found.groups, ..Here::default() };
            return Ok(true);
        }
        Ok(false)
    }

    /// Reports what a segment has lost within the span: bytes that are no group any
    /// more, and groups that are nowhere. What is lost at its end is known once the next
    /// begins.
    fn look_for_holes(&mut self, place: usize, data: &[u8], found: &Scan) {
        let file = self.shelf.names()[place].file();
        let bytes = |lost: &Range<usize>| Damage::Bytes {
            file: file.clone(),
            from: lost.start as u64,
            to: lost.end as u64,
        };
        for group in &found.groups {
            let commit = group.commit;
            let mut times = times(&data[group.body.clone()]);
            let first_ns = times.next();
            let ends = |ns: i64| Edge { number: commit.group, ns, sure: commit.clock_sure };
            self.loose.extend(found.bad.iter().filter(|b| b.end == group.body.start).map(bytes));
            if let Some(first_ns) = first_ns {
                self.meet(place, ends(first_ns));
            }
            let last_ns = times.next_back().or(first_ns).or(self.before.map(|b| b.ns));
            self.before = last_ns.map(ends);
        }
        if found.end < data.len() {
            self.loose.push(bytes(&(found.end..data.len())));
        }
    }

    /// A group begins, in the segment at `place`: what is missing before it is reported,
    /// where it is of the span.
    fn meet(&mut self, place: usize, begins: Edge) {
        let loose = std::mem::take(&mut self.loose);
        let Some(before) = self.before else {
            // Older days were taken away, maybe; what lies here and is none is lost.
            if !begins.sure || self.span.from_ns.is_none_or(|from| begins.ns >= from) {
                self.damage.extend(loose);
            }
            return;
        };
        if begins.number > before.number + 1 && before.is_hole_in(self.span, begins) {
            let file = self.shelf.names()[place].file();
            self.damage.push(Damage::Groups { file, first: before.number + 1, last: begins.number - 1 });
            self.damage.extend(loose);
        }
    }
}

/// Where a group begins or ends.
#[derive(Debug, Clone, Copy)]
struct Edge {
    number: u64,
    /// As written, ns since 1970.
    ns: i64,
    sure: bool,
}

impl Edge {
    /// Whether what is missing between the end of one group and the beginning of
    /// another belongs to `span`; where clocks do not tell, it may.
    fn is_hole_in(self, span: Span, to: Self) -> bool {
        let before = span.from_ns.is_some_and(|from| to.ns < from);
        let after = span.to_ns.is_some_and(|end| self.ns >= end);
        !(self.sure && to.sure) || !(before || after)
    }
}
