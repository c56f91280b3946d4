//! A journal's segments side by side, and which of them need not be read.
//!
//! Terms: a segment is *outside* a stretch of time where it surely holds nothing of it:
//! by its [`Index`], or, where it has none, by its first and last group.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::JournalError;
use super::index::{Index, UnderClock};
use super::record::Commit;
use super::recover::{Loaded, load, segments};
use super::replay::{LATEST_NS, Span};
use super::segment::{Group, Scan, SegmentName, scan};
use super::storage::Storage;

/// How much of a segment's head and tail is looked at to leave it out.
const PEEK_BYTES: usize = 64 << 10;

/// A segment that is outside a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Outside {
    /// The number of its first group.
    pub first_group: u64,
    /// The number of its last group.
    pub last_group: u64,
    /// A moment on that side of the stretch on which it lies, ns since 1970.
    pub ns: i64,
    /// Whether its clocks were to be trusted.
    pub sure: bool,
}

/// The segments, oldest first.
#[derive(Debug)]
pub(super) struct Shelf {
    storage: Arc<dyn Storage>,
    dir: PathBuf,
    names: Vec<SegmentName>,
    /// What is known of each; the newest has none.
    indexes: Vec<Option<Index>>,
}

impl Shelf {
    /// The segments in `dir`, with what is known of them where `span` is no whole one.
    pub fn of(storage: Arc<dyn Storage>, dir: &Path, span: Span) -> Result<Self, JournalError> {
        let names = segments(&*storage, dir).map_err(|e| JournalError::open(dir, e))?;
        let over = names.len().saturating_sub(1);
        let mut indexes = vec![None; names.len()];
        if !span.is_whole() {
            for (index, name) in indexes.iter_mut().zip(&names).take(over) {
                *index = Index::read(&*storage, dir, name);
            }
        }
        Ok(Self { storage, dir: dir.into(), names, indexes })
    }

    pub fn names(&self) -> &[SegmentName] {
        &self.names
    }

    pub fn load(&self, place: usize) -> Result<Loaded, JournalError> {
        let name = &self.names[place];
        load(&*self.storage, &self.dir, name).map_err(|e| JournalError::open(&self.dir.join(name.file()), e))
    }

    /// Leaves word of what a segment holds, where it is over and whole.
    pub fn note(&mut self, place: usize, data: &[u8], found: &Scan) {
        let whole = found.bad.is_empty() && found.end == data.len();
        if place + 1 < self.names.len() && whole && self.indexes[place].is_none() {
            let index = Index::of(data, &found.groups);
            if let Some(index) = &index {
                index.leave(&*self.storage, &self.dir, &self.names[place]);
            }
            self.indexes[place] = index;
        }
    }

    /// The clocks of a segment with an index.
    pub fn clocks(&self, place: usize) -> &[UnderClock] {
        self.indexes[place].as_ref().map_or(&[], |i| &i.clocks)
    }

    /// The number of the first whole group in the segments from `place` on.
    pub fn first_number_from(&self, place: usize) -> Result<Option<u64>, JournalError> {
        for later in place..self.names.len() {
            if let Some(index) = &self.indexes[later] {
                return Ok(Some(index.first_group));
            }
            if let Some(first) = self.peek(later, true) {
                return Ok(Some(first.group));
            }
            if let Some((first, _)) = scan(&self.load(later)?.data).numbers() {
                return Ok(Some(first));
            }
        }
        Ok(None)
    }

    /// The first trusted offset of a boot in the segments from `place` on.
    pub fn sure_offset_ns(&self, place: usize, boot: u32) -> Result<Option<i64>, JournalError> {
        for later in place..self.names.len() {
            let (sure, newest_boot) = if let Some(index) = &self.indexes[later] {
                (index.sure_offset_ns(boot), index.clocks.iter().map(|c| c.boot).max())
            } else {
                let groups = scan(&self.load(later)?.data).groups;
                (sure_in(&groups, boot), groups.last().map(|g| g.commit.boot))
            };
            if sure.is_some() {
                return Ok(sure);
            }
            if newest_boot.is_some_and(|b| b != boot) {
                break;
            }
        }
        Ok(None)
    }

    /// What is known of a segment that surely holds nothing of `span`; `None` where it may.
    /// `known` are the offsets that boots are known to have had.
    pub fn outside(
        &self,
        place: usize,
        span: Span,
        known: &BTreeMap<u32, Option<i64>>,
    ) -> Result<Option<Outside>, JournalError> {
        if span.is_whole() {
            return Ok(None);
        }
        let Some(index) = &self.indexes[place] else {
            return Ok(self.outside_by_its_ends(place, span));
        };
        for clock in &index.clocks {
            if clock.may_be_in(span, clock.offset_ns) {
                return Ok(None);
            }
            if clock.sure {
                continue;
            }
            // Its lines bear the time by which they are known now.
            let of_boot = |c: &&UnderClock| c.boot == clock.boot && c.sure;
            let mut offsets: Vec<i64> = known.get(&clock.boot).copied().flatten().into_iter().collect();
            let indexed = self.indexes.iter().flatten().flat_map(|i| &i.clocks);
            offsets.extend(indexed.filter(of_boot).map(|c| c.offset_ns));
            if offsets.is_empty() {
                offsets.extend(self.sure_offset_ns(place + 1, clock.boot)?);
            }
            if offsets.into_iter().any(|offset_ns| clock.may_be_in(span, offset_ns)) {
                return Ok(None);
            }
        }
        let (first_group, last_group) = (index.first_group, index.last_group);
        // Lines may be late: the latest tells on which side the others came.
        let latest = index.clocks.iter().map(|c| c.latest_ns.saturating_add(c.offset_ns)).max();
        let sure = index.clocks.iter().all(|c| c.sure);
        Ok(Some(Outside { first_group, last_group, ns: latest.unwrap_or_default(), sure }))
    }

    /// The first or the last commit of a segment from a little of its bytes.
    fn peek(&self, place: usize, first: bool) -> Option<Commit> {
        let name = &self.names[place];
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

    /// Its first and last group have the same boot and the same trusted offset, and all
    /// that can be in it lies before or after.
    fn outside_by_its_ends(&self, place: usize, span: Span) -> Option<Outside> {
        let (first, last) = (self.peek(place, true)?, self.peek(place, false)?);
        if !first.clock_sure
            || (first.boot, first.offset_ns, true) != (last.boot, last.offset_ns, last.clock_sure)
        {
            return None;
        }
        let (earliest, end) = day_reach_ns(&self.names[place].day)?;
        let after = span.to_ns.is_some_and(|to| to <= earliest);
        let before = span.from_ns.is_some_and(|from| from >= end);
        let ns = if after { earliest } else { end - 1 };
        let (first_group, last_group) = (first.group, last.group);
        (after || before).then_some(Outside { first_group, last_group, ns, sure: true })
    }
}

impl UnderClock {
    /// Whether a line of it lies in `span` by that offset.
    fn may_be_in(&self, span: Span, offset_ns: i64) -> bool {
        let (earliest, latest) =
            (self.earliest_ns.saturating_add(offset_ns), self.latest_ns.saturating_add(offset_ns));
        span.from_ns.is_none_or(|from| latest >= from) && span.to_ns.is_none_or(|to| earliest < to)
    }
}

/// The first trusted offset of a boot among groups.
pub(super) fn sure_in(groups: &[Group], boot: u32) -> Option<i64> {
    groups.iter().find(|g| g.commit.boot == boot && g.commit.clock_sure).map(|g| g.commit.offset_ns)
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
