use super::*;
use crate::daemon::input::Fate;
use crate::journal::Settings;
use crate::journal::storage::Disk;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

#[test]
fn receipts_come_after_the_sync_and_all_of_them_by_the_stop() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) =
        Journal::open(Arc::new(Disk), &dir.path().join("journal"), Settings::default(), "test").unwrap();
    let (tx, mut rx) = tokio::sync::mpsc::unbounded_channel();
    let clock = Clock::by_hand(1_000_000);
    let (inputs, _taken) = mpsc::channel(1);
    let config = crate::config::dairy::Config { data: dir.path().into(), ..Default::default() };
    let lots = LotDesk::open(Arc::new(Disk), &config, std::collections::BTreeMap::new()).unwrap();
    let free = FreeSpace::of(Arc::new(Disk), dir.path(), 0.0);
    let desk = Desk { journal, lots, free, reports: tx, inputs };
    let recorder = Recorder::start(desk, clock).unwrap();
    let called = Arc::new(AtomicU32::new(0));
    for n in 0..100_i64 {
        let counted = called.clone();
        let receipt = Receipt::new(move |fate| {
            assert_eq!(fate, Fate::Kept);
            counted.fetch_add(1, Ordering::SeqCst);
        });
        let at = Moment { mono_ns: n.unsigned_abs(), offset_ns: 1_000_000, clock_sure: true };
        let lines = vec![format!("temperature,probe=k celsius=34.5 {}", 1_000_000 + n)];
        recorder
            .record(Job {
                lines,
                at,
                receipt: Some(receipt),
                readings: 1,
                news: Vec::new(),
                followed: None,
                ended_by: None,
            })
            .unwrap();
    }
    recorder.stop().unwrap();
    assert_eq!(called.load(Ordering::SeqCst), 100);
    let mut kept = 0;
    while let Ok(report) = rx.try_recv() {
        if let Report::Kept { readings, jobs } = report {
            kept = readings;
            assert_eq!(readings, jobs);
        }
    }
    assert_eq!(kept, 100);
}
