//! Promise: whatever call to the disk fails, nothing is acknowledged that is
//! not kept, nothing panics, and writing goes on once the disk does.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use support::journal_run;
use support::storage_twin;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::daemon::free_space::FreeSpace;
use curdtrace::journal::storage::Storage;
use curdtrace::journal::{Journal, JournalError};
use journal_run::{check_after_crash, dir, line, read, settings};
use storage_twin::{Fault, Twin};

const LINES: u64 = 320;

/// A run that meets one fault at the nth call. Gives what was acknowledged and
/// pushed, and whether the process would have ended.
fn run(twin: &Twin) -> (u64, u64, bool) {
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    // The daemon tries again where the journal does not open.
    let opened = (0..3).find_map(|_| Journal::open(storage.clone(), &dir(), settings(), "boot-a").ok());
    let (mut journal, _) = opened.expect("one fault does not keep the journal shut");
    for n in 0..LINES {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
        if journal.is_due(at.mono_ns)
            && let Err(e) = journal.commit()
            && e.is_fatal()
        {
            return (journal.synced_through(), n + 1, true);
        }
    }
    for _ in 0..3 {
        let _ = journal.commit();
    }
    (journal.synced_through(), LINES, false)
}

#[test]
fn one_fault_at_every_call() {
    for fault in [Fault::Io, Fault::Full, Fault::Interrupted, Fault::Short, Fault::Torn] {
        let mut clean = false;
        for n in 1..10_000 {
            let twin = Twin::new();
            twin.fail_call(n, fault);
            let (acknowledged, pushed, ended) = run(&twin);
            assert!(!ended, "{fault:?} at call {n}: one fault must not end the process");
            assert_eq!(acknowledged, LINES, "{fault:?} at call {n}: all is well in the end");
            assert!(!twin.retried_a_failed_sync(), "{fault:?} at call {n}: a failed sync was repeated");
            let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
            check_after_crash(&disk, acknowledged, pushed, &format!("{fault:?} at call {n}"));
            if twin.faults_left() {
                println!("{fault:?}: {} calls", n - 1);
                clean = n > 60;
                break;
            }
        }
        assert!(clean, "{fault:?}: the run never ended clean");
    }
}

#[test]
fn two_faults_in_a_row_at_every_call() {
    for (first, second) in [(Fault::Io, Fault::Io), (Fault::Full, Fault::Io), (Fault::Torn, Fault::Io)] {
        for n in 1..10_000 {
            let twin = Twin::new();
            twin.fail_call(n, first);
            twin.fail_call(n + 1, second);
            let (acknowledged, pushed, _) = run(&twin);
            let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
            check_after_crash(&disk, acknowledged, pushed, &format!("{first:?}, {second:?} at call {n}"));
            if twin.faults_left() {
                break;
            }
        }
    }
}

#[test]
fn a_sync_that_failed_once_goes_to_a_new_segment_and_twice_ends_the_process() {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let (mut journal, _) = Journal::open(storage.clone(), &dir(), settings(), "boot-a").unwrap();
    for n in 0..16 {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
    }
    journal.commit().unwrap();
    for n in 16..24 {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
    }
    twin.fail_syncs(1);
    assert_eq!(journal.commit().unwrap(), 24);
    assert!(!twin.retried_a_failed_sync());
    assert_eq!(storage.list(&dir()).unwrap().len(), 2, "the unsynced lines went to a new segment");
    let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
    check_after_crash(&disk, 24, 24, "after one failed sync");
    // Both copies of the unsynced lines may be on the disk; a reader sees one.
    assert_eq!(read(&storage, &dir()).len(), 24);

    let (text, at) = line(24);
    journal.push(&text, at).unwrap();
    twin.fail_syncs(2);
    let e = journal.commit().unwrap_err();
    assert!(e.is_fatal() && matches!(e, JournalError::SyncTwice { .. }), "{e}");
    assert_eq!(journal.synced_through(), 24, "nothing acknowledged that is not kept");
    let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
    check_after_crash(&disk, 24, 25, "after two failed syncs");

    // The machine goes on, the process begins again: what it finds, it acknowledges.
    drop(journal);
    drop(journal_run::open(&storage));
    let found = read(&storage, &dir()).len() as u64;
    assert_eq!(found, 25, "the kernel still gives what its sync lost");
    assert!(!twin.retried_a_failed_sync());
    let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
    check_after_crash(&disk, found, found, "what was found after two failed syncs");
}

/// What was written whole before the disk was full was cut off again with the rest, at
/// every try: with room for half of what waited, nothing was kept.
#[test]
fn what_found_room_on_a_disk_that_is_nearly_full_stays() {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let (mut journal, _) = Journal::open(storage, &dir(), settings(), "boot-a").unwrap();
    for n in 0..80 {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
    }
    for (room, at_least) in [(0, 0), (2_000, 8), (2_000, 24), (100, 24)] {
        twin.set_budget(Some(room));
        let before = journal.synced_through();
        let e = journal.commit().unwrap_err();
        assert!(!e.is_fatal(), "{e}");
        let synced = journal.synced_through();
        assert!(synced >= at_least.max(before) && synced % 8 == 0, "{synced} with room for {room}");
        let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
        check_after_crash(&disk, synced, 80, &format!("room for {room}"));
    }
    twin.set_budget(None);
    assert_eq!(journal.commit().unwrap(), 80);
    assert!(!twin.retried_a_failed_sync());
    let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
    check_after_crash(&disk, 80, 80, "with room for all");
}

/// Two segments, the newer one with a torn tail; how many lines of it are whole.
fn torn() -> (BTreeMap<PathBuf, Vec<u8>>, u64) {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let mut journal = journal_run::open(&storage);
    for n in 0..120 {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
        if journal.is_due(at.mono_ns) {
            journal.commit().unwrap();
        }
    }
    let mut files = twin.files();
    assert!(files.len() > 1);
    let newest = files.values_mut().next_back().unwrap();
    newest.truncate(newest.len() - 30);
    let whole: Arc<dyn Storage> = Arc::new(Twin::of(&files));
    let lines = read(&whole, &dir()).len() as u64;
    (files, lines)
}

#[test]
fn one_fault_at_every_call_of_a_recovery() {
    let (files, whole) = torn();
    assert!(whole > 60, "{whole}");
    for fault in [Fault::Io, Fault::Full, Fault::Interrupted, Fault::Short, Fault::Torn] {
        let mut clean = false;
        for n in 1..1_000 {
            let what = format!("{fault:?} at call {n} of a recovery");
            let twin = Twin::of(&files);
            twin.fail_call(n, fault);
            let storage: Arc<dyn Storage> = Arc::new(twin.clone());
            let open = || Journal::open(storage.clone(), &dir(), settings(), "boot-a").ok();
            let (mut journal, found) = (0..3).find_map(|_| open()).expect(&what);
            // Looked at beside the disk: a fault that is still to come is the writer's.
            let now: Arc<dyn Storage> = Arc::new(Twin::of(&twin.files()));
            assert_eq!(read(&now, &dir()).len() as u64, whole, "{what}");
            for n in whole..whole + 8 {
                let (text, at) = line(n);
                journal.push(&text, at).unwrap();
            }
            for _ in 0..3 {
                let _ = journal.commit();
            }
            assert_eq!(journal.synced_through(), 8, "{what}");
            assert!(!twin.retried_a_failed_sync(), "{what}");
            let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
            check_after_crash(&disk, whole + 8, whole + 8, &what);
            if twin.faults_left() {
                let cut = found.cut.unwrap();
                let aside = twin
                    .files()
                    .into_iter()
                    .find(|(path, _)| path.to_string_lossy().contains("/quarantine/"));
                let before = &files[&dir().join(&cut.file)];
                assert_eq!(aside.unwrap().1, before[cut.at as usize..], "what was cut off is kept as it was");
                println!("{fault:?}: {} calls", n - 1);
                clean = n > 10;
                break;
            }
        }
        assert!(clean, "{fault:?}: the recovery never ended clean");
    }
}

#[test]
fn a_full_disk_stops_acknowledging_keeps_the_lines_and_goes_on() {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let (mut journal, _) = Journal::open(storage.clone(), &dir(), settings(), "boot-a").unwrap();
    twin.set_budget(Some(5_000));
    let mut stopped_at = None;
    for n in 0..200 {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
        if journal.is_due(at.mono_ns) && journal.commit().is_err() {
            stopped_at.get_or_insert(journal.synced_through());
        }
    }
    let stopped_at = stopped_at.expect("5,000 bytes are too few for 200 lines");
    assert_eq!(journal.synced_through(), stopped_at);
    assert_eq!(journal.unsynced(), 200 - stopped_at);
    assert!(storage.free_share(&dir()).unwrap() < 0.10);
    let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
    check_after_crash(&disk, stopped_at, 200, "while full");
    twin.set_budget(None);
    assert_eq!(journal.commit().unwrap(), 200);
    assert_eq!(read(&storage, &dir()), journal_run::lines(0..200));
    for (path, bytes) in twin.files() {
        let whole = curdtrace::journal::segment::scan(&bytes);
        assert!(!whole.groups.is_empty() && whole.end == bytes.len(), "{} was left behind", path.display());
    }
}

#[test]
fn room_that_runs_out_is_told_once_before_it_is_gone() {
    let twin = Twin::new();
    let mut free = FreeSpace::of(Arc::new(twin.clone()), &dir(), 10.0);
    let mut at = |minute: u64, bytes: usize| {
        twin.set_budget(Some(bytes));
        free.look(minute * 60_000_000_000)
    };
    assert_eq!(at(0, 11_000), None);
    let told = at(1, 9_000).unwrap();
    assert!(told.contains("/data/journal has 9 % free") && told.contains("make room"), "{told}");
    assert_eq!((at(2, 8_000), at(3, 20_000)), (None, None));
    assert!(at(4, 5_000).is_some(), "made room for, and short of it again");
}

#[test]
fn without_room_in_memory_lines_are_refused_counted_and_the_gap_is_recorded() {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let small = curdtrace::journal::Settings { pending_bytes: 1_000, ..settings() };
    let (mut journal, _) = Journal::open(storage.clone(), &dir(), small, "boot-a").unwrap();
    twin.set_budget(Some(0));
    let mut refused = 0;
    for n in 0..40 {
        let (text, at) = line(n);
        refused += u64::from(journal.push(&text, at).is_err());
        let _ = journal.commit();
    }
    assert!(refused > 10 && journal.lost() == refused);
    twin.set_budget(None);
    journal.commit().unwrap();
    let (text, at) = line(40);
    journal.push(&text, at).unwrap();
    journal.commit().unwrap();
    let found = read(&storage, &dir());
    assert_eq!(found.last(), Some(&text));
    assert!(found[found.len() - 2].starts_with(&format!("event,what=journal-gap lost={refused}i ")));
    assert_eq!(found.len() as u64, 41 - refused + 1);
}
