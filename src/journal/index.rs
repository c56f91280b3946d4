//! What a segment that is over holds, so that it need not be read to be left out.
//!
//! A day that is asked for lies in one or two of a season's segments; the others,
//! packed ones above all, would be read whole to find that out. So who has read one
//! leaves a few lines in `index/` beside the segments: which groups, under which
//! clocks, from when to when. It is drawn from the segment and can be thrown away at
//! any time; one that does not fit its segment, or is not as it was written, is none.
//!
//! Invariant: an index never says less than the segment holds. Only of a segment that
//! was whole when it was read is there one, and never of the newest, which still grows.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::record::{CRC, times};
use super::segment::{Group, SegmentName};
use super::storage::Storage;

/// The folder beside the segments.
const FOLDER: &str = "index";

/// More clocks than this no day has; such a segment is always read.
const MOST_CLOCKS: usize = 64;

/// What a segment holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Index {
    /// The segment's length, unpacked, bytes.
    bytes: u64,
    /// The number of its first group.
    pub first_group: u64,
    /// The number of its last group.
    pub last_group: u64,
    /// Its lines by the clock that they were written under, in the order in which the
    /// clocks were first seen.
    #[serde(rename = "clock")]
    pub clocks: Vec<UnderClock>,
}

/// The lines of a segment that were written under one clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct UnderClock {
    /// The machine's boot.
    pub boot: u32,
    /// Wall minus monotonic time, ns.
    pub offset_ns: i64,
    /// Whether that was to be trusted.
    pub sure: bool,
    /// The earliest line, monotonic ns.
    pub earliest_ns: i64,
    /// The latest line, monotonic ns.
    pub latest_ns: i64,
}

impl Index {
    /// What these groups of `data` hold; `None` where that is not worth an index.
    pub fn of(data: &[u8], groups: &[Group]) -> Option<Self> {
        let mut clocks: Vec<UnderClock> = Vec::new();
        for Group { commit, body, .. } in groups {
            for at in times(&data[body.clone()]).map(|ns| ns.saturating_sub(commit.offset_ns)) {
                let same = |c: &&mut UnderClock| {
                    (c.boot, c.offset_ns, c.sure) == (commit.boot, commit.offset_ns, commit.clock_sure)
                };
                if let Some(c) = clocks.iter_mut().rev().find(same) {
                    (c.earliest_ns, c.latest_ns) = (c.earliest_ns.min(at), c.latest_ns.max(at));
                } else {
                    clocks.push(UnderClock {
                        boot: commit.boot,
                        offset_ns: commit.offset_ns,
                        sure: commit.clock_sure,
                        earliest_ns: at,
                        latest_ns: at,
                    });
                }
            }
        }
        let (first_group, last_group) = (groups.first()?.commit.group, groups.last()?.commit.group);
        let bytes = data.len() as u64;
        (clocks.len() <= MOST_CLOCKS).then_some(Self { bytes, first_group, last_group, clocks })
    }

    /// The index of a segment, where there is one that fits it.
    pub fn read(storage: &dyn Storage, dir: &Path, name: &SegmentName) -> Option<Self> {
        let text = storage.read_text(&path(dir, name)).ok()?;
        let (body, crc) = text.rsplit_once("# crc32c=")?;
        let whole = u32::from_str_radix(crc.trim_end(), 16).ok()? == CRC.checksum(body.as_bytes());
        let index: Self = whole.then(|| toml::from_str(body).ok()).flatten()?;
        // A packed file ends with its length unpacked (RFC 1952).
        let file = dir.join(name.file());
        let len = storage.len(&file).ok()?;
        let fits = if name.packed {
            let tail = storage.read_at(&file, len.checked_sub(4)?, 4).ok()?;
            u64::from(u32::from_le_bytes(tail.try_into().ok()?)) == index.bytes & 0xffff_ffff
        } else {
            len == index.bytes
        };
        fits.then_some(index)
    }

    /// Leaves it for the next reader. One that cannot be left costs nothing but time.
    pub fn leave(&self, storage: &dyn Storage, dir: &Path, name: &SegmentName) {
        let Ok(mut text) = toml::to_string(self) else { return };
        let crc = CRC.checksum(text.as_bytes());
        let _ = writeln!(text, "# crc32c={crc:08x}");
        let made = storage.make_dir(&dir.join(FOLDER));
        let _ = made.and_then(|()| storage.replace(&path(dir, name), text.as_bytes()));
    }

    /// The first trusted offset of a boot.
    pub fn sure_offset_ns(&self, boot: u32) -> Option<i64> {
        self.clocks.iter().find(|c| c.boot == boot && c.sure).map(|c| c.offset_ns)
    }
}

fn path(dir: &Path, name: &SegmentName) -> PathBuf {
    dir.join(FOLDER).join(format!("{:06}-{}.toml", name.number, name.day))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::record::Commit;
    use crate::journal::segment::scan;
    use crate::journal::storage::Disk;

    fn segment() -> String {
        let mut text = String::new();
        for (group, offset_ns, clock_sure, lines) in [
            (4, 0, false, "x y=1 50\nx y=1 20\n"),
            (5, 1000, true, "x y=1 1070\n"),
            (6, 0, false, "x y=1 90\n"),
        ] {
            text.push_str(lines);
            let n = lines.lines().count() as u32;
            let bytes = lines.len() as u64;
            Commit { group, boot: 3, offset_ns, clock_sure, lines: n, bytes }.write(&mut text);
        }
        text
    }

    #[test]
    fn it_says_what_a_segment_holds_and_only_of_that_segment() {
        let (dir, name) = (tempfile::tempdir().unwrap(), SegmentName::new(7, 0));
        let (data, file) = (segment(), dir.path().join(name.file()));
        let index = Index::of(data.as_bytes(), &scan(data.as_bytes()).groups).unwrap();
        let clock = |offset_ns, sure, earliest_ns, latest_ns| UnderClock {
            boot: 3,
            offset_ns,
            sure,
            earliest_ns,
            latest_ns,
        };
        assert_eq!((index.first_group, index.last_group, index.sure_offset_ns(3)), (4, 6, Some(1000)));
        assert_eq!(index.clocks, [clock(0, false, 20, 90), clock(1000, true, 70, 70)]);
        std::fs::write(&file, &data).unwrap();
        index.leave(&Disk, dir.path(), &name);
        assert_eq!(Index::read(&Disk, dir.path(), &name), Some(index.clone()));
        // Packed it is the same segment.
        let packed = SegmentName { packed: true, ..name.clone() };
        assert!(std::process::Command::new("gzip").arg("-k").arg(&file).status().unwrap().success());
        assert_eq!(Index::read(&Disk, dir.path(), &packed), Some(index));
        // Another length, or a digit that was changed, is another's.
        std::fs::write(&file, &data[1..]).unwrap();
        assert_eq!(Index::read(&Disk, dir.path(), &name), None);
        std::fs::write(&file, &data).unwrap();
        let text = std::fs::read_to_string(path(dir.path(), &name)).unwrap();
        std::fs::write(path(dir.path(), &name), text.replacen("latest-ns = 90", "latest-ns = 91", 1))
            .unwrap();
        assert_eq!(Index::read(&Disk, dir.path(), &name), None);
    }
}
