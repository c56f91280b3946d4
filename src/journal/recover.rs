//! What is whole and what is not, after whatever happened.
//!
//! Recovery cuts one thing only: the tail of the newest segment, back to its
//! last whole group; the bytes cut off are first copied to `quarantine/`.
//! Damage anywhere else is copied there too, left where it is, skipped by
//! every reader (each group bears its CRC), and reported. A newer segment's
//! first group number voids what an older segment holds from that number on:
//! that is how a segment is abandoned whose sync failed.
//!
//! Deliberately absent: repair. Nothing is guessed.

use std::io;
use std::path::{Path, PathBuf};

use super::JournalError;
use super::around_bad_sectors;
use super::record::Commit;
use super::segment::{Scan, SegmentName, scan};
use super::storage::Storage;

/// The folder beside the segments where damage is copied to.
pub const QUARANTINE: &str = "quarantine";

/// What the newest segment's tail lost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cut {
    /// The segment.
    pub file: String,
    /// Its length now, bytes.
    pub at: u64,
    /// How many bytes went.
    pub bytes: u64,
}

impl std::fmt::Display for Cut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { file, bytes, .. } = self;
        write!(
            f,
            "the journal ended in the middle of a group; {bytes} bytes of {file} are set aside in {QUARANTINE}/"
        )
    }
}

/// Something that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Damage {
    /// Bytes that belong to no whole group.
    Bytes {
        /// The segment.
        file: String,
        /// From where.
        from: u64,
        /// Up to where.
        to: u64,
    },
    /// Groups that are nowhere.
    Groups {
        /// The segment before which, or in which, they are missing.
        file: String,
        /// First missing.
        first: u64,
        /// Last missing.
        last: u64,
    },
    /// A segment that cannot be read as a whole.
    Unreadable {
        /// The segment.
        file: String,
        /// What the disk says.
        why: String,
    },
}

impl Damage {
    /// The segment's file.
    pub fn file(&self) -> &str {
        match self {
            Self::Bytes { file, .. } | Self::Groups { file, .. } | Self::Unreadable { file, .. } => file,
        }
    }
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Bytes { file, from, to } => write!(
                f,
                "journal segment {file}: bytes {from} to {to} are not as they were written; \
                 they are kept in {QUARANTINE}/ and skipped"
            ),
            Self::Groups { file, first, last } => {
                write!(f, "journal segment {file}: groups {first} to {last} are missing")
            }
            Self::Unreadable { file, why } => write!(
                f,
                "journal segment {file} cannot be read as a whole: {why}; what is whole of it is used, \
                 a copy as it is stays in {QUARANTINE}/; put it back from a copy of before"
            ),
        }
    }
}

/// What was found when the journal was opened.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Recovered {
    /// This boot's number.
    pub boot: u32,
    /// Whether the machine has not booted since the last group was written, so
    /// that monotonic times go on.
    pub same_boot: bool,
    /// The last whole group's commit line.
    pub last: Option<Commit>,
    /// What was cut off the newest segment.
    pub cut: Option<Cut>,
    /// Damage in the segments looked at (the newest; [`inspect`] does all).
    pub damage: Vec<Damage>,
    /// What the disk says where it can only be read: what comes waits in memory.
    pub read_only: Option<String>,
}

impl Recovered {
    /// Whether a write failed since the disk can only be read; notes it.
    pub(super) fn is_read_only(&mut self, dir: &Path, why: &io::Error) -> bool {
        let is_so = why.kind() == io::ErrorKind::ReadOnlyFilesystem;
        if is_so {
            let trouble = JournalError::Write { path: dir.into(), source: why.kind().into() };
            self.read_only = Some(trouble.to_string());
        }
        is_so
    }
}

/// Every segment in a journal's folder, oldest first. Where a segment is there
/// packed and plain, the packing was cut short and the plain one counts.
///
/// # Errors
/// Whatever the disk says.
pub fn segments(storage: &dyn Storage, dir: &Path) -> io::Result<Vec<SegmentName>> {
    let mut names: Vec<_> = storage.list(dir)?.iter().filter_map(|n| SegmentName::of_file(n)).collect();
    names.sort();
    names.dedup_by(|later, first| later.number == first.number && later.day == first.day);
    Ok(names)
}

/// A segment's bytes.
#[derive(Debug)]
pub struct Loaded {
    /// Its bytes, unpacked where it is packed; zeros where the disk does not give them.
    pub data: Vec<u8>,
    /// That it cannot be read as a whole, or does not unpack as one: what there is may
    /// hold whole groups all the same.
    pub damage: Option<Damage>,
}

/// Reads a segment's bytes, as far as the disk gives them.
///
/// # Errors
/// Whatever the disk says, but for bytes that it does not give.
pub fn load(storage: &dyn Storage, dir: &Path, name: &SegmentName) -> io::Result<Loaded> {
    let (bytes, mut fault) = around_bad_sectors::read(storage, &dir.join(name.file()))?;
    let mut data = bytes;
    if name.packed {
        let (unpacked, torn) = super::unpack::gunzip(&data);
        data = unpacked;
        fault = fault.or(torn.map(|e| e.to_string()));
    }
    let damage = fault.map(|why| Damage::Unreadable { file: name.file(), why });
    Ok(Loaded { data, damage })
}

/// Looks at every segment, copies damage to quarantine, reports it. Takes as
/// long as reading the journal takes, with one segment in memory at a time, and calls
/// `pause` after each; cuts nothing, so it may run beside the writer.
///
/// # Errors
/// Where the folder cannot be listed.
pub fn inspect(
    storage: &dyn Storage,
    dir: &Path,
    mut pause: impl FnMut(),
) -> Result<Vec<Damage>, JournalError> {
    let names = segments(storage, dir).map_err(|e| JournalError::open(dir, e))?;
    let mut damage = Vec::new();
    // The newest first: a newer one's first number voids what an older one holds.
    let mut newer: Option<Newer> = None;
    for (i, name) in names.iter().enumerate().rev() {
        let mut here = Vec::new();
        match load(storage, dir, name) {
            Ok(Loaded { damage: Some(harm), .. }) => here.push(harm),
            Ok(Loaded { data, .. }) => {
                let found = scan(&data);
                // Older days were taken away by retention: their numbers are not missing.
                let is_first = i == 0 && name.number == 1;
                let first = judge(name, &found, data.len(), newer.as_ref(), is_first, &mut here);
                newer = first.or(newer);
            }
            Err(e) => here.push(Damage::Unreadable { file: name.file(), why: e.to_string() }),
        }
        damage.splice(0..0, here);
        pause();
    }
    put_aside(storage, dir, &damage);
    Ok(damage)
}

/// The first group of the segments after one, and its file.
type Newer = (u64, String);

/// Damage of one segment of `len` bytes, and what it is to the one before it.
fn judge(
    name: &SegmentName,
    found: &Scan,
    len: usize,
    newer: Option<&Newer>,
    is_first: bool,
    damage: &mut Vec<Damage>,
) -> Option<Newer> {
    let void_from = newer.map_or(u64::MAX, |n| n.0);
    let mut last = is_first.then_some(0);
    let mut bad = found.bad.iter().peekable();
    for group in found.groups.iter().take_while(|g| g.commit.group < void_from) {
        let number = group.commit.group;
        while let Some(b) = bad.next_if(|b| b.end <= group.body.start) {
            damage.push(Damage::Bytes { file: name.file(), from: b.start as u64, to: b.end as u64 });
        }
        if let Some(before) = last
            && number > before + 1
        {
            damage.push(Damage::Groups { file: name.file(), first: before + 1, last: number - 1 });
        }
        last = Some(number);
    }
    if let (Some(before), Some((next, file))) = (last, newer)
        && *next > before + 1
    {
        // A tail is damage where groups are missing after it. Else it is the
        // newest segment's, recovery's to cut, or it was abandoned.
        if found.end < len {
            damage.push(Damage::Bytes { file: name.file(), from: found.end as u64, to: len as u64 });
        }
        damage.push(Damage::Groups { file: file.clone(), first: before + 1, last: next - 1 });
    }
    found.numbers().map(|(first, _)| (first, name.file()))
}

/// Copies what is damaged aside. A copy that cannot be made costs nothing: the
/// bytes stay in place.
pub fn put_aside(storage: &dyn Storage, dir: &Path, damage: &[Damage]) {
    for harm in damage {
        let _ = match harm {
            Damage::Bytes { file, from, to } => set_aside(storage, dir, file, *from, *to),
            Damage::Unreadable { file, .. } => {
                storage.len(&dir.join(file)).and_then(|len| set_aside(storage, dir, file, 0, len))
            }
            Damage::Groups { .. } => Ok(()),
        };
    }
}

/// Copies a stretch of a segment to quarantine, once.
fn set_aside(storage: &dyn Storage, dir: &Path, file: &str, from: u64, to: u64) -> io::Result<()> {
    let aside: PathBuf = dir.join(QUARANTINE);
    let copy = aside.join(format!("{file}@{from}-{to}"));
    if storage.has(&copy)? {
        return Ok(());
    }
    storage.make_dir(&aside)?;
    let len = usize::try_from(to - from).map_err(|_| io::Error::from(io::ErrorKind::FileTooLarge))?;
    let (bytes, _) = around_bad_sectors::read_at(storage, &dir.join(file), from, len)?;
    storage.replace(&copy, &bytes)
}

/// No group has fewer bytes: its last line alone is longer.
const SMALLEST_GROUP: usize = 64;

/// The newest segments as the writer needs them.
#[derive(Debug, Default)]
pub(super) struct Newest {
    /// The newest segment, if it may be written on, and its whole length.
    pub(super) open: Option<(SegmentName, u64)>,
    /// The number the next new segment gets.
    pub(super) next_segment: u64,
    /// The number the next group gets.
    pub(super) next_group: u64,
}

/// Brings the newest segment back to its last whole group.
pub(super) fn recover(
    storage: &dyn Storage,
    dir: &Path,
    boot_id: &str,
) -> Result<(Newest, Recovered), JournalError> {
    let mut names = segments(storage, dir).map_err(|e| JournalError::open(dir, e))?;
    let mut newest = Newest { open: None, next_segment: 1, next_group: 1 };
    let mut found = Recovered { boot: 1, ..Recovered::default() };
    let Some(name) = names.last() else { return Ok((newest, found)) };
    newest.next_segment = name.number + 1;
    while let Some(harm) = names.last().and_then(|name| moved_aside(storage, dir, name)) {
        found.damage.push(harm);
        names.pop();
    }

    for (i, name) in names.iter().enumerate().rev() {
        let path = dir.join(name.file());
        let Loaded { data, damage } = load(storage, dir, name).map_err(|e| JournalError::open(&path, e))?;
        let whole = scan(&data);
        if let Some(harm) = damage {
            // A day that is damaged does not keep the journal shut, and is not written on.
            put_aside(storage, dir, std::slice::from_ref(&harm));
            found.damage.push(harm);
            // What cannot be read today may be tomorrow: its numbers stay its own.
            newest.next_group += ((data.len() - whole.end) / SMALLEST_GROUP) as u64;
        } else if i + 1 == names.len() {
            judge(name, &whole, 0, None, false, &mut found.damage);
            put_aside(storage, dir, &found.damage);
            if !name.packed {
                newest.open = mend(storage, dir, name, &data, &whole, &mut found);
            }
        }
        if let Some(last) = whole.groups.last() {
            newest.next_group += last.commit.group;
            found.last = Some(last.commit);
            found.same_boot = last_boot_id(&data, &whole) == Some(boot_id);
            found.boot = last.commit.boot + u32::from(!found.same_boot);
            break;
        }
    }
    Ok((newest, found))
}

/// Moves a folder or a pipe that is called as a segment is out of the way: it
/// is none, and the journal would not open for it.
fn moved_aside(storage: &dyn Storage, dir: &Path, name: &SegmentName) -> Option<Damage> {
    let file = name.file();
    let why =
        storage.read_at(&dir.join(&file), 0, 0).err().filter(|e| e.kind() == io::ErrorKind::InvalidInput)?;
    let aside = dir.join(QUARANTINE);
    // Where it cannot be moved, opening it says what the disk says.
    storage.make_dir(&aside).and_then(|()| storage.rename(&dir.join(&file), &aside.join(&file))).ok()?;
    Some(Damage::Unreadable { file, why: why.to_string() })
}

/// Cuts the tail, where there is one. Where that fails the segment is left
/// alone and the next group opens a new one, which voids the tail as well.
fn mend(
    storage: &dyn Storage,
    dir: &Path,
    name: &SegmentName,
    data: &[u8],
    whole: &Scan,
    found: &mut Recovered,
) -> Option<(SegmentName, u64)> {
    let (at, len) = (whole.end as u64, data.len() as u64);
    if at < len {
        let file = name.file();
        let done = set_aside(storage, dir, &file, at, len).and_then(|()| storage.cut(&dir.join(&file), at));
        found.cut = Some(Cut { file, at, bytes: len - at });
        if let Err(e) = done {
            found.is_read_only(dir, &e);
            return None;
        }
    }
    Some((name.clone(), at))
}

/// The machine's boot identity that the last opening wrote down.
fn last_boot_id<'a>(data: &'a [u8], whole: &Scan) -> Option<&'a str> {
    whole.groups.iter().rev().find_map(|g| {
        let body = std::str::from_utf8(&data[g.body.clone()]).ok()?;
        let header = body.lines().rev().find(|l| l.starts_with(super::HEADER))?;
        header.split_once(" boot-id=").map(|(_, id)| id)
    })
}
