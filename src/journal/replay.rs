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
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::JournalError;
use super::recent;
use super::record::{Commit, timestamp_ns};
use super::recover::{Damage, Loaded, load, segments};
use super::segment::{Group, SegmentName, scan};
use super::storage::Storage;

/// A line is written this long after its own time at the latest, nanoseconds:
/// 50 days. What claims to be older has a clock that is wrong.
pub const LATEST_NS: u64 = 50 * 86_400 * 1_000_000_000;

/// How much of a segment's head and tail is looked at to leave it out.
const PEEK_BYTES: usize = 64 << 10;

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
    fn is_whole(&self) -> bool {
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
    storage: Arc<dyn Storage>,
    dir: PathBuf,
    span: Span,
    names: Vec<SegmentName>,
    next: usize,
    /// Groups before this number are left out.
    from_group: u64,
    here: Here,
    /// For each boot the offset that a group with an unsure clock is mapped by.
    known: BTreeMap<u32, Option<i64>>,
    skipped: u64,
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
        let names = segments(&*storage, dir).map_err(|e| JournalError::open(dir, e))?;
        Ok(Self {
            storage,
            dir: dir.into(),
            span,
            names,
            next: 0,
            from_group: 0,
            here: Here::default(),
            known: BTreeMap::new(),
            skipped: 0,
            damage: Vec::new(),
        })
    }

    /// Starts `back_ns` before the newest line, counted backward by what the
    /// clocks are known to have gone on, never by what they were set to.
    ///
    /// # Errors
    /// As [`Replay::open`], and where a segment cannot be read.
    pub fn recent(storage: Arc<dyn Storage>, dir: &Path, back_ns: i64) -> Result<Self, JournalError> {
        let all = Self::open(storage, dir, Span::default())?;
        let start = recent::start(&*all.storage, dir, &all.names, back_ns)?;
        Ok(Self { next: start.segment, from_group: start.group, ..all })
    }

    /// Bytes passed over so far because they belong to no whole group.
    pub fn skipped_bytes(&self) -> u64 {
        self.skipped
    }

    /// Packed days passed so far that did not unpack as a whole; their whole
    /// groups were read.
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
        let sure = |groups: &[Group]| {
            groups.iter().find(|g| g.commit.boot == boot && g.commit.clock_sure).map(|g| g.commit.offset_ns)
        };
        if let Some(offset) = sure(&self.here.groups[self.here.group..]) {
            return Ok(Some(offset));
        }
        for name in &self.names[self.next.min(self.names.len())..] {
            let data = self.load(name)?.data;
            let found = scan(&data).groups;
            if let Some(offset) = sure(&found) {
                return Ok(Some(offset));
            }
            if found.last().is_some_and(|g| g.commit.boot != boot) {
                break;
            }
        }
        Ok(None)
    }

    fn load(&self, name: &SegmentName) -> Result<Loaded, JournalError> {
        load(&*self.storage, &self.dir, name).map_err(|e| JournalError::open(&self.dir.join(name.file()), e))
    }

    /// Loads the next segment that may hold lines of the span.
    fn load_next(&mut self) -> Result<bool, JournalError> {
        while let Some(name) = self.names.get(self.next).cloned() {
            self.next += 1;
            if self.is_outside(&name) {
                continue;
            }
            let Loaded { data, damage } = self.load(&name)?;
            self.damage.extend(damage);
            let found = scan(&data);
            self.skipped += found.bad.iter().map(|b| b.len() as u64).sum::<u64>();
            let mut groups = found.groups;
            let void_from = self.first_number_after()?.unwrap_or(u64::MAX);
            groups.retain(|g| (self.from_group..void_from).contains(&g.commit.group));
            self.here = Here { data, groups, ..Here::default() };
            return Ok(true);
        }
        Ok(false)
    }

    /// The number of the first whole group in the newer segments.
    fn first_number_after(&self) -> Result<Option<u64>, JournalError> {
        for name in &self.names[self.next..] {
            if let Some(first) = self.peek(name, true) {
                return Ok(Some(first.group));
            }
            let data = self.load(name)?.data;
            if let Some((first, _)) = scan(&data).numbers() {
                return Ok(Some(first));
            }
        }
        Ok(None)
    }

    /// The first or the last commit of a segment from a little of its bytes.
    fn peek(&self, name: &SegmentName, first: bool) -> Option<Commit> {
        if name.packed {
            return None;
        }
        let path = self.dir.join(name.file());
        let len = self.storage.len(&path).ok()?;
        let from = if first { 0 } else { len.saturating_sub(PEEK_BYTES as u64) };
        let data = self.storage.read_at(&path, from, PEEK_BYTES).ok()?;
        let found = scan(&data);
        let group = if first { found.groups.first() } else { found.groups.last() };
        group.map(|g| g.commit)
    }

    /// Whether a segment surely holds nothing of the span: its first and last
    /// group have the same boot and the same trusted offset, and all that can
    /// be in it lies before or after.
    fn is_outside(&self, name: &SegmentName) -> bool {
        if self.span.is_whole() {
            return false;
        }
        let (Some(first), Some(last)) = (self.peek(name, true), self.peek(name, false)) else { return false };
        if !first.clock_sure
            || (first.boot, first.offset_ns, true) != (last.boot, last.offset_ns, last.clock_sure)
        {
            return false;
        }
        let Some((earliest, end)) = day_reach_ns(&name.day) else { return false };
        self.span.to_ns.is_some_and(|to| to <= earliest) || self.span.from_ns.is_some_and(|from| from >= end)
    }
}

/// The earliest and the end of what a segment of that UTC day can hold, by its
/// lines' own times, under a steady clock. They came on that day, the last
/// group up to an hour later, and are never of later than they came; up to
/// [`LATEST_NS`] earlier they may be. Once a late line could give the segment
/// its day: then what it holds came up to a day later.
fn day_reach_ns(day: &str) -> Option<(i64, i64)> {
    let midnight: jiff::Timestamp = format!("{day}T00:00:00Z").parse().ok()?;
    let start = i64::try_from(midnight.as_nanosecond()).ok()?;
    Some((start.checked_sub_unsigned(LATEST_NS)?, start.checked_add(49 * 3_600_000_000_000)?))
}
