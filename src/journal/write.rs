//! What is in memory goes to the disk: groups written, synced, and what is done
//! where either fails.

use std::io::ErrorKind;
use std::path::Path;

use super::record::Commit;
use super::segment::{self, SegmentName};
use super::storage::Kind;
use super::{HEADER, Journal, JournalError, Open};

impl Journal {
    /// Writes and syncs everything in memory. Gives the ticket up to which all
    /// is synced.
    ///
    /// # Errors
    /// [`JournalError::Write`], [`JournalError::Gone`]: kept in memory, call
    /// again in a while.
    /// [`JournalError::SyncTwice`]: end the process ([`JournalError::is_fatal`]).
    pub fn commit(&mut self) -> Result<u64, JournalError> {
        self.closed = true;
        while let Some(first) = self.pending.front() {
            let day = segment::day(first.at.wall_ns());
            let turn = self
                .open
                .as_ref()
                .is_none_or(|o| o.name.day != day || o.written >= self.settings.segment_bytes);
            if turn {
                self.begin_segment()?;
            }
            match self.write_run(&day) {
                Ok(groups) => self.done(groups),
                Err(Trouble::Write(source)) => return Err(self.undo_write(source)),
                Err(Trouble::Sync(source)) => self.abandon(source)?,
                Err(Trouble::Gone) => return Err(self.left()),
            }
        }
        Ok(self.synced)
    }

    /// Writes the groups of one day to the open segment, as many as it takes, and syncs
    /// it. After an error of writing none of them counts.
    fn write_run(&mut self, day: &str) -> Result<usize, Trouble> {
        let Some(open) = self.open.as_mut() else { return Ok(0) };
        let mut groups = 0;
        for group in &self.pending {
            let full = open.written >= self.settings.segment_bytes;
            if groups > 0 && (full || segment::day(group.at.wall_ns()) != day) {
                break;
            }
            let mut text = String::with_capacity(group.body.len() + 256);
            if groups == 0 && (open.written == 0 || self.header_due) {
                text = format!(
                    "{HEADER}segment={} boot={} boot-id={}\n",
                    open.name.number, self.boot, self.boot_id
                );
            }
            text.push_str(&group.body);
            let commit = Commit {
                group: self.next_group + groups as u64,
                boot: self.boot,
                offset_ns: group.at.offset_ns,
                clock_sure: group.at.clock_sure,
                lines: group.lines,
                bytes: text.len() as u64,
            };
            commit.write(&mut text);
            if let Err(source) = open.sink.write_whole(text.as_bytes()) {
                // What found room stays: on a disk that is nearly full the next try would
                // get no further. No sync has failed here, so one may follow the cut.
                if groups == 0 || self.storage.cut(&open.path, open.written).is_err() {
                    return Err(Trouble::Write(source));
                }
                break;
            }
            open.written += text.len() as u64;
            groups += 1;
        }
        open.sink.sync().map_err(Trouble::Sync)?;
        if open.fresh {
            self.storage.sync_dir(&self.dir).map_err(Trouble::Sync)?;
            open.fresh = false;
        }
        // A file that was taken away takes everything in, and keeps nothing. A
        // disk that cannot say whether it is there is no "no".
        match self.storage.len(&open.path) {
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
                return Err(Trouble::Gone);
            }
            Ok(len) if len < open.written => return Err(Trouble::Gone),
            Ok(_) | Err(_) => {}
        }
        open.synced = open.written;
        Ok(groups)
    }

    fn done(&mut self, groups: usize) {
        for group in self.pending.drain(..groups) {
            self.synced += u64::from(group.lines);
            self.pending_bytes -= group.body.len();
        }
        self.next_group += groups as u64;
        self.header_due = false;
        self.suspect = false;
    }

    fn begin_segment(&mut self) -> Result<(), JournalError> {
        let Some(first) = self.pending.front() else { return Ok(()) };
        let wall_ns = first.at.wall_ns();
        self.open = None;
        let mut made = false;
        loop {
            let name = SegmentName::new(self.next_segment, wall_ns);
            let path = self.dir.join(name.file());
            match self.storage.create(&path) {
                Ok(sink) => {
                    self.next_segment += 1;
                    self.open = Some(Open { name, path, sink, synced: 0, written: 0, fresh: true });
                    return Ok(());
                }
                Err(e) if e.kind() == ErrorKind::AlreadyExists => self.next_segment += 1,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) if e.kind() == ErrorKind::NotFound && !made && self.has_room_of_its_own() => {
                    made = true;
                    let path = &self.dir;
                    self.storage
                        .make_dir(path)
                        .map_err(|source| JournalError::Write { path: path.clone(), source })?;
                }
                Err(source) => return Err(JournalError::Write { path, source }),
            }
        }
    }

    /// Whether the data folder is there. Where it is not, its disk may be away:
    /// what is made in its place would be hidden once it is back.
    fn has_room_of_its_own(&self) -> bool {
        let data = self.dir.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        matches!(self.storage.kind(data), Ok(Kind::Folder))
    }

    /// The segment was taken away: nothing more goes to it.
    fn left(&mut self) -> JournalError {
        let path = self.open.take().map_or_else(|| self.dir.clone(), |o| o.path);
        self.header_due = true;
        JournalError::Gone { path }
    }

    /// A write failed: back to the last good length, or leave the segment.
    fn undo_write(&mut self, source: std::io::Error) -> JournalError {
        let Some(mut open) = self.open.take() else {
            return JournalError::Write { path: self.dir.clone(), source };
        };
        let path = open.path.clone();
        if open.synced == 0 {
            // An empty segment a try would be left behind else. Best effort.
            drop(open);
            if self.storage.remove(&path).is_ok() {
                self.next_segment -= 1;
            }
        } else if self.storage.cut(&path, open.synced).is_ok() {
            open.written = open.synced;
            self.open = Some(open);
        }
        self.header_due = true;
        JournalError::Write { path, source }
    }

    /// A sync failed: never again on that file.
    fn abandon(&mut self, source: std::io::Error) -> Result<(), JournalError> {
        let path = self.open.take().map_or_else(|| self.dir.clone(), |o| o.path);
        self.header_due = true;
        if self.suspect {
            return Err(JournalError::SyncTwice { path, source });
        }
        self.suspect = true;
        Ok(())
    }
}

/// What went wrong while writing.
enum Trouble {
    Write(std::io::Error),
    Sync(std::io::Error),
    /// The segment is not there any more.
    Gone,
}
