//! Where the last so many hours of a journal begin.
//!
//! Counted backward in the journal's order: by the monotonic clock within a
//! boot, by the wall clock from one boot to the next where both ends are
//! trusted. An unknown gap counts for nothing, so that rather too much is read
//! than too little. What a wall clock once said wrongly is not asked: a boot in
//! 1970 does not make the whole journal recent, nor one in the future nothing.
//!
//! Invariant: no more is loaded than what is recent and one segment before it,
//! one segment at a time.

use std::path::Path;

use super::JournalError;
use super::record::{Commit, times};
use super::recover::load;
use super::segment::{SegmentName, scan};
use super::storage::Storage;

/// Where to begin reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Start {
    /// The segment's place among the names.
    pub segment: usize,
    /// Groups before this number are older.
    pub group: u64,
}

/// One whole group as far as time goes.
#[derive(Debug, Clone, Copy)]
struct Head {
    commit: Commit,
    /// The latest that its boot had come to by then, as far as this segment
    /// tells, monotonic ns.
    mono_ns: i64,
}

/// The boot that is being walked back through.
#[derive(Debug, Clone, Copy)]
struct Boot {
    number: u32,
    /// Its newest line, monotonic ns, and how long before the journal's newest.
    newest_ns: i64,
    newest_ago_ns: i64,
    /// Its oldest line so far, monotonic ns.
    oldest_ns: i64,
    /// Its first trusted offset so far.
    offset_ns: Option<i64>,
}

/// Where the last `back_ns` of the segments `names` begin.
pub(super) fn start(
    storage: &dyn Storage,
    dir: &Path,
    names: &[SegmentName],
    back_ns: i64,
) -> Result<Start, JournalError> {
    let mut start = Start { segment: names.len(), group: u64::MAX };
    let mut boot = None;
    for (segment, name) in names.iter().enumerate().rev() {
        let data = load(storage, dir, name).map_err(|e| JournalError::open(&dir.join(name.file()), e))?.data;
        for head in heads(&data, start.group).iter().rev() {
            let here = Boot::back(boot, head);
            if here.ago_ns(head.mono_ns) > back_ns {
                return Ok(start);
            }
            boot = Some(here);
            start = Start { segment, group: head.commit.group };
        }
    }
    Ok(start)
}

/// The groups of a segment up to `void_from`, in order.
fn heads(data: &[u8], void_from: u64) -> Vec<Head> {
    let mut heads: Vec<Head> = Vec::new();
    for group in scan(data).groups.into_iter().filter(|g| g.commit.group < void_from) {
        let Some(newest_ns) = times(&data[group.body]).max() else { continue };
        let mono_ns = newest_ns.saturating_sub(group.commit.offset_ns);
        let before = heads.last().filter(|h| h.commit.boot == group.commit.boot);
        // A group of late lines only came after what stands before it.
        let mono_ns = before.map_or(mono_ns, |h| h.mono_ns.max(mono_ns));
        heads.push(Head { commit: group.commit, mono_ns });
    }
    heads
}

impl Boot {
    /// One group further back.
    fn back(newer: Option<Self>, head: &Head) -> Self {
        let Head { commit, mono_ns } = *head;
        let sure_ns = commit.clock_sure.then_some(commit.offset_ns);
        match newer {
            Some(boot) if boot.number == commit.boot => {
                Self { oldest_ns: boot.oldest_ns.min(mono_ns), offset_ns: sure_ns.or(boot.offset_ns), ..boot }
            }
            newer => Self {
                number: commit.boot,
                newest_ns: mono_ns,
                newest_ago_ns: newer.map_or(0, |n| n.ago_ns(n.oldest_ns).saturating_add(n.gap_ns(head))),
                oldest_ns: mono_ns,
                offset_ns: sure_ns,
            },
        }
    }

    /// How long before the journal's newest line, ns.
    fn ago_ns(&self, mono_ns: i64) -> i64 {
        self.newest_ago_ns.saturating_add(self.newest_ns.saturating_sub(mono_ns))
    }

    /// From the older boot's last group to this one's first, ns; 0 where unknown.
    fn gap_ns(&self, older: &Head) -> i64 {
        let Some(offset_ns) = self.offset_ns.filter(|_| older.commit.clock_sure) else { return 0 };
        let began_ns = self.oldest_ns.saturating_add(offset_ns);
        began_ns.saturating_sub(older.mono_ns.saturating_add(older.commit.offset_ns)).max(0)
    }
}
