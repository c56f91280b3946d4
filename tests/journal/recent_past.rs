//! Promise: after a restart the recent past goes through the engine again, and
//! no more than that, whatever the clock said meanwhile: a boot in 1970, one in
//! the future, a day's outage, readings of yesterday that came late.

#![allow(clippy::unwrap_used)] // a test may end here

use std::path::Path;
use std::sync::Arc;

use curdtrace::daemon::resume::{Past, resume};
use curdtrace::engine::Engine;
use curdtrace::engine::effect::Conclusion;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};

const S: i64 = 1_000_000_000;
const H: i64 = 3600;
/// 14 July 2026, ns.
const TRUE_NS: i64 = 1_784_001_780 * S;

/// One boot's part of a journal.
struct Boot {
    journal: Journal,
    offset_ns: i64,
    sure: bool,
}

impl Boot {
    fn of(dir: &Path, name: &str, offset_ns: i64, sure: bool) -> Self {
        // Full groups: a reading every ten seconds would make one of each.
        let settings = Settings { group_ns: u64::MAX, ..Settings::default() };
        let (journal, _) = Journal::open(Arc::new(Disk), dir, settings, name).unwrap();
        Self { journal, offset_ns, sure }
    }

    /// A reading every ten seconds from one second since the boot to another.
    fn reads(&mut self, from_s: i64, to_s: i64) -> &mut Self {
        for mono_s in (from_s..to_s).step_by(10) {
            self.came(mono_s, mono_s);
        }
        self.journal.commit().unwrap();
        self
    }

    /// One reading that was taken at one second and came at another.
    fn came(&mut self, taken_s: i64, mono_s: i64) {
        let at =
            Moment { mono_ns: (mono_s * S).unsigned_abs(), offset_ns: self.offset_ns, clock_sure: self.sure };
        let own_ns = taken_s * S + self.offset_ns;
        self.journal.push(&format!("temperature,probe=k celsius=8.5 {own_ns}"), at).unwrap();
        if taken_s == mono_s && self.journal.is_due(at.mono_ns) {
            self.journal.commit().unwrap();
        }
    }
}

/// The past of the last twelve hours.
fn past(dir: &Path) -> Past {
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    resume(&mut Engine::new(None), &storage, dir, 12 * H * S).unwrap()
}

/// Whole groups are read, and how long one lasts is not counted: up to 64 lines
/// more at the beginning, and at a boot's.
fn about(lines: u64, expected: i64) {
    let expected = expected.unsigned_abs();
    assert!((expected..=expected + 128).contains(&lines), "{lines} lines instead of {expected}");
}

#[test]
fn a_boot_in_1970_does_not_make_the_whole_journal_recent() {
    let dir = tempfile::tempdir().unwrap();
    Boot::of(dir.path(), "a", TRUE_NS, true).reads(0, 60 * H);
    Boot::of(dir.path(), "b", 0, false).reads(60, 360);
    let past = past(dir.path());
    // How long the machine was off nobody knows: the make before goes on.
    about(past.lines, 30 + 12 * 360 - 30);
    assert_eq!(past.newest_wall_ns, Some(TRUE_NS + (60 * H - 10) * S), "1970 is no wall time");
}

#[test]
fn an_outage_counts_where_both_its_ends_are_known() {
    let dir = tempfile::tempdir().unwrap();
    Boot::of(dir.path(), "a", TRUE_NS, true).reads(0, 20 * H);
    // Eleven hours later, and unsure at first.
    let offset_ns = TRUE_NS + 31 * H * S;
    let mut later = Boot::of(dir.path(), "b", 0, false);
    later.reads(0, 100);
    (later.offset_ns, later.sure) = (offset_ns, true);
    later.reads(100, 1800);
    about(past(dir.path()).lines, 180 + 180);
    let mut next = Boot::of(dir.path(), "c", TRUE_NS + 70 * H * S, true);
    next.reads(0, 100);
    about(past(dir.path()).lines, 10);
}

#[test]
fn readings_that_came_late_do_not_end_the_look_back() {
    let dir = tempfile::tempdir().unwrap();
    let mut boot = Boot::of(dir.path(), "a", TRUE_NS, true);
    boot.reads(0, 40 * H);
    // A box comes back with a thousand readings of the day before.
    for n in 0..1000 {
        boot.came(10 * H + n * 10, 40 * H);
    }
    boot.reads(40 * H, 41 * H);
    about(past(dir.path()).lines, 12 * 360 + 1000);
}

#[test]
fn a_clock_that_was_ahead_and_was_put_right_is_forgotten() {
    let dir = tempfile::tempdir().unwrap();
    let ahead_ns = TRUE_NS + 400 * 24 * H * S;
    let mut boot = Boot::of(dir.path(), "a", ahead_ns, true);
    boot.reads(0, 600);
    assert_eq!(past(dir.path()).newest_wall_ns, Some(ahead_ns + 590 * S));
    boot.offset_ns = TRUE_NS;
    boot.reads(600, 1200);
    assert_eq!(past(dir.path()).newest_wall_ns, Some(TRUE_NS + 1190 * S));
}

/// What began the make was thrown away with the marks of the make before it.
#[test]
fn the_mark_that_begins_a_make_is_of_that_make() {
    let dir = tempfile::tempdir().unwrap();
    let mut boot = Boot::of(dir.path(), "hut", TRUE_NS, true);
    let mut said = |s: i64, line: &str| {
        let at = Moment { mono_ns: (s * S).unsigned_abs(), offset_ns: TRUE_NS, clock_sure: true };
        boot.journal.push(&format!("{line} {}", TRUE_NS + s * S), at).unwrap();
    };
    for s in 0..2400 {
        match s {
            // Long before, of whatever was in the kettle then.
            5 => said(s, "mark,kettle=k name=\"lift\""),
            1205 => said(s, "mark,kettle=k name=\"rennet\""),
            1800 => said(s, "mark,kettle=k name=\"floc\""),
            _ => said(s, "temperature,probe=k celsius=32.5"),
        }
    }
    boot.journal.commit().unwrap();
    let past = past(dir.path());
    assert!(past.turns.values().any(|turn| turn.what == Conclusion::MakeBegan), "{:?}", past.turns);
    let marks: Vec<_> = past.marks.iter().map(|(_, mark)| mark.kind.name()).collect();
    assert_eq!(marks, ["rennet", "floc"]);
}
