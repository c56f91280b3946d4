//! The journal: nothing that was acknowledged is lost or altered.
//!
//! Lines of line protocol go in, groups with a commit line go to disk
//! ([`record`]), in segments by day ([`segment`]). A line is *synced* once its
//! group is; only then may its source be told so. The journal owns no clock and
//! no thread: time is an argument, every call does its work and returns.
//!
//! A group is due after a second or 64 lines, counted from when they came; a
//! line may bear an earlier time of its own, and changes nothing of that. It ends early where the offset
//! between wall and monotonic time changes, so that every line's timestamp less
//! its group's offset is its moment on the monotonic clock, exactly. (So keep
//! the offset steady: pass a new one only when the clock was really set.)
//!
//! When the disk is full or fails, lines stay in memory, in order, and every
//! [`Journal::commit`] tries again; pushing never waits for the disk. A failed
//! sync is never repeated on the same file: the unsynced groups are written
//! again to a new segment. If that sync fails too, the error is fatal: the
//! process should end with exit code 74 and let the supervisor restart it. A
//! segment that was taken away is left in the same way, and never written to
//! under no name: what is not synced goes to a new one.

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

mod around_bad_sectors;
mod index;
pub mod known;
mod recent;
pub mod record;
pub mod recover;
pub mod replay;
pub mod segment;
mod shelf;
pub mod storage;
pub mod unpack;
mod write;

use recover::Recovered;
use segment::SegmentName;
use storage::{Sink, Storage};

/// What the comment line begins with that an opening writes.
pub(crate) const HEADER: &str = "# curdtrace journal format=1 ";

/// How the journal groups and keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// A group is due when it has this many lines.
    pub group_lines: u32,
    /// A group is due this long after its first line, ns.
    pub group_ns: u64,
    /// A new segment begins when one has this many bytes.
    pub segment_bytes: u64,
    /// Lines kept in memory while the disk fails, bytes; beyond it lines are
    /// refused and counted.
    pub pending_bytes: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self { group_lines: 64, group_ns: 1_000_000_000, segment_bytes: 64 << 20, pending_bytes: 16 << 20 }
    }
}

/// The clocks at the moment a line came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    /// Monotonic time since boot, ns.
    pub mono_ns: u64,
    /// Wall time minus monotonic time, ns.
    pub offset_ns: i64,
    /// Whether the wall clock is to be trusted.
    pub clock_sure: bool,
}

impl Moment {
    /// Wall time, ns since 1970.
    pub fn wall_ns(&self) -> i64 {
        i64::try_from(self.mono_ns).unwrap_or(i64::MAX).saturating_add(self.offset_ns)
    }
}

/// What can fail, where, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The journal cannot be read at the start.
    #[error("cannot open the journal at {path}: {source}; check that the disk is there and may be written")]
    Open {
        /// Where.
        path: PathBuf,
        /// What the disk says.
        source: io::Error,
    },
    /// A group could not be written; its lines are kept in memory.
    #[error("cannot write the journal at {path}: {source}; free or replace the disk, it is tried again")]
    Write {
        /// Where.
        path: PathBuf,
        /// What the disk says.
        source: io::Error,
    },
    /// The segment being written is not there any more.
    #[error(
        "the journal's {path} was taken away while it was written; what it held is gone, what comes goes to a \
         new file: put it back from a copy, beside the new one"
    )]
    Gone {
        /// The segment.
        path: PathBuf,
    },
    /// Syncs failed on two segments one after the other.
    #[error(
        "the disk does not keep what is written: syncing {path} failed twice: {source}; replace the disk"
    )]
    SyncTwice {
        /// Where.
        path: PathBuf,
        /// What the disk says.
        source: io::Error,
    },
    /// A line that is none.
    #[error("not one line of line protocol with a timestamp: {0:?}; this is a fault of the program")]
    BadLine(String),
    /// No room left in memory while the disk fails.
    #[error(
        "the disk has failed for so long that there is no room left: {0} lines are lost so far; free the disk"
    )]
    Full(
        /// How many.
        u64,
    ),
}

impl JournalError {
    pub(crate) fn open(path: &Path, source: io::Error) -> Self {
        Self::Open { path: path.into(), source }
    }
    /// Whether the process should end with exit code 74.
    pub fn is_fatal(&self) -> bool {
        matches!(self, Self::SyncTwice { .. })
    }
}

/// The line which says that so many were not taken in before it.
pub fn gap_line(lost: u64, at: Moment) -> String {
    format!("event,what=journal-gap lost={lost}i {}", at.wall_ns())
}

/// That it is one line of line protocol with a timestamp.
///
/// # Errors
/// [`JournalError::BadLine`].
pub fn fit(line: &str) -> Result<(), JournalError> {
    if line.contains(['\n', '\r']) || line.starts_with('#') || record::timestamp_ns(line).is_none() {
        return Err(JournalError::BadLine(line.into()));
    }
    Ok(())
}

/// A group in memory.
#[derive(Debug)]
struct Pending {
    at: Moment,
    body: String,
    lines: u32,
}

/// The segment being written.
#[derive(Debug)]
struct Open {
    name: SegmentName,
    path: PathBuf,
    sink: Box<dyn Sink>,
    /// Length up to the last good sync, bytes.
    synced: u64,
    /// Length written, bytes.
    written: u64,
    /// Its name is not yet durable.
    fresh: bool,
}

/// The journal's writer.
#[derive(Debug)]
pub struct Journal {
    storage: Arc<dyn Storage>,
    dir: PathBuf,
    settings: Settings,
    boot: u32,
    boot_id: String,
    open: Option<Open>,
    next_segment: u64,
    next_group: u64,
    pending: VecDeque<Pending>,
    pending_bytes: usize,
    /// The back of `pending` takes no more lines.
    closed: bool,
    header_due: bool,
    pushed: u64,
    synced: u64,
    lost: u64,
    lost_told: u64,
    /// A sync failed, and none has come back well since.
    suspect: bool,
}

impl Journal {
    /// Opens the journal in `dir`, making the folder where needed, and brings
    /// the newest segment back to its last whole group. `boot_id` is anything
    /// that tells this boot of the machine from others (Linux's
    /// `/proc/sys/kernel/random/boot_id`, or a name of a run whose monotonic
    /// clock begins anew); one word.
    ///
    /// # Errors
    /// [`JournalError::Open`].
    ///
    /// ```
    /// use std::sync::Arc;
    /// use curdtrace::journal::{Journal, Moment, Settings, storage::Disk};
    /// let dir = tempfile::tempdir().unwrap();
    /// let (mut journal, found) =
    ///     Journal::open(Arc::new(Disk), &dir.path().join("journal"), Settings::default(), "boot-a").unwrap();
    /// assert_eq!(found.boot, 1);
    /// let at = Moment { mono_ns: 5, offset_ns: 1_000, clock_sure: true };
    /// let ticket = journal.push("temperature,probe=kettle celsius=34.5 1005", at).unwrap();
    /// assert!(journal.synced_through() < ticket);
    /// journal.commit().unwrap();
    /// assert_eq!(journal.synced_through(), ticket);
    /// ```
    pub fn open(
        storage: Arc<dyn Storage>,
        dir: &Path,
        settings: Settings,
        boot_id: &str,
    ) -> Result<(Self, Recovered), JournalError> {
        storage.make_dir(dir).map_err(|e| JournalError::open(dir, e))?;
        let boot_id: String = boot_id.split_whitespace().collect();
        let (newest, mut found) = recover::recover(&*storage, dir, &boot_id)?;
        let open = match newest.open {
            None => None,
            Some((name, len)) => Self::written_on(&*storage, dir, name, len, &mut found)?,
        };
        let journal = Self {
            storage,
            dir: dir.into(),
            settings,
            boot: found.boot,
            boot_id,
            open,
            next_segment: newest.next_segment,
            next_group: newest.next_group,
            pending: VecDeque::new(),
            pending_bytes: 0,
            closed: true,
            header_due: true,
            pushed: 0,
            synced: 0,
            lost: 0,
            lost_told: 0,
            suspect: false,
        };
        Ok((journal, found))
    }

    /// The newest segment, to write on; `None` where the disk can only be read: what comes
    /// waits in memory for a new one.
    fn written_on(
        storage: &dyn Storage,
        dir: &Path,
        name: SegmentName,
        len: u64,
        found: &mut Recovered,
    ) -> Result<Option<Open>, JournalError> {
        let path = dir.join(name.file());
        let read_only = |e: io::Error, found: &mut Recovered| {
            if found.is_read_only(dir, &e) { Ok(None) } else { Err(JournalError::open(&path, e)) }
        };
        // A sync may have failed before the process ended. The kernel then takes the bytes
        // for written, gives them to who reads, and says that a later sync of this file
        // came back well. What another boot left was read from the disk itself.
        if found.same_boot {
            let whole = usize::try_from(len).map_err(|_| io::ErrorKind::FileTooLarge.into());
            let anew = whole.and_then(|len| storage.read_at(&path, 0, len));
            match anew.and_then(|bytes| storage.replace(&path, &bytes)) {
                // No room for it twice: it is synced as it stands.
                Err(e) if matches!(e.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) => {}
                Err(e) => return read_only(e, found),
                Ok(()) => {}
            }
        }
        let mut sink = match storage.append(&path) {
            Err(e) => return read_only(e, found),
            Ok(sink) => sink,
        };
        // The process may have died before these bytes and their name were durable: what
        // is found is built on, and acknowledged where it comes again.
        sink.sync().and_then(|()| storage.sync_dir(dir)).map_err(|e| JournalError::open(&path, e))?;
        Ok(Some(Open { name, path, sink, synced: len, written: len, fresh: false }))
    }

    /// Takes a line (without its newline) into memory that came at `at`; its
    /// timestamp may be earlier. Gives its ticket: the line is synced once
    /// [`Journal::synced_through`] has reached it.
    ///
    /// # Errors
    /// [`JournalError::BadLine`], [`JournalError::Full`]: the line is not kept.
    pub fn push(&mut self, line: &str, at: Moment) -> Result<u64, JournalError> {
        self.push_all(&[line], at)
    }

    /// As [`Journal::push`] for the lines of one thing that happened: all of them are
    /// taken in, or none is.
    ///
    /// # Errors
    /// [`JournalError::BadLine`], [`JournalError::Full`]: no line is kept.
    pub fn push_all(&mut self, lines: &[impl AsRef<str>], at: Moment) -> Result<u64, JournalError> {
        lines.iter().try_for_each(|line| fit(line.as_ref()))?;
        let bytes: usize = lines.iter().map(|line| line.as_ref().len()).sum();
        if self.pending_bytes + bytes > self.settings.pending_bytes {
            self.lost += lines.len() as u64;
            return Err(JournalError::Full(self.lost));
        }
        if self.lost > self.lost_told {
            let gap = gap_line(self.lost - self.lost_told, at);
            self.lost_told = self.lost;
            self.take(&gap, at);
        }
        for line in lines {
            self.take(line.as_ref(), at);
        }
        Ok(self.pushed)
    }

    fn take(&mut self, line: &str, at: Moment) {
        let joins = !self.closed
            && self.pending.back().is_some_and(|g| {
                g.lines < self.settings.group_lines
                    && (g.at.offset_ns, g.at.clock_sure) == (at.offset_ns, at.clock_sure)
            });
        if !joins {
            self.pending.push_back(Pending { at, body: String::new(), lines: 0 });
            self.closed = false;
        }
        if let Some(group) = self.pending.back_mut() {
            group.body.push_str(line);
            group.body.push('\n');
            group.lines += 1;
        }
        self.pending_bytes += line.len() + 1;
        self.pushed += 1;
    }

    /// Whether [`Journal::commit`] should be called now.
    pub fn is_due(&self, now_mono_ns: u64) -> bool {
        self.pending.len() > 1
            || self.pending.front().is_some_and(|g| g.lines >= self.settings.group_lines)
            || self.due_ns().is_some_and(|due| now_mono_ns >= due)
    }

    /// When the oldest line in memory is due, monotonic ns; `None` where there
    /// is none.
    pub fn due_ns(&self) -> Option<u64> {
        self.pending.front().map(|g| g.at.mono_ns.saturating_add(self.settings.group_ns))
    }

    /// The ticket up to which every line is synced.
    pub fn synced_through(&self) -> u64 {
        self.synced
    }

    /// Lines in memory that are not synced.
    pub fn unsynced(&self) -> u64 {
        self.pending.iter().map(|g| u64::from(g.lines)).sum()
    }

    /// Lines refused for want of room, ever.
    pub fn lost(&self) -> u64 {
        self.lost
    }

    /// This boot's number.
    pub fn boot(&self) -> u32 {
        self.boot
    }

    /// The folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }
}
