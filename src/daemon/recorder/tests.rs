use super::*;
use crate::daemon::input::Fate;
use crate::engine::effect::{Conclusion, Effect};
use crate::journal::Settings;
use crate::journal::storage::Disk;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use tokio::sync::mpsc::UnboundedReceiver;

const NOON_NS: i64 = 1_784_023_200_000_000_000;

/// A desk in a folder, with so much room in memory, and what it reports.
fn desk(data: &Path, pending_bytes: usize) -> (Desk, UnboundedReceiver<Report>) {
    let settings = Settings { pending_bytes, ..Settings::default() };
    let (journal, _) = Journal::open(Arc::new(Disk), &data.join("journal"), settings, "test").unwrap();
    let (reports, told) = mpsc::unbounded_channel();
    let config = crate::config::dairy::Config { data: data.into(), ..Default::default() };
    let lots = LotDesk::open(Arc::new(Disk), &config, std::collections::BTreeMap::new()).unwrap();
    let free = FreeSpace::of(Arc::new(Disk), data, 0.0);
    (Desk { journal, lots, free, reports, inputs: mpsc::channel(1).0 }, told)
}

/// A job of such lines, and whether its receipt said that it is kept.
fn job(lines: &[&str]) -> (Job, Arc<AtomicU32>) {
    let at = Moment { mono_ns: 0, offset_ns: NOON_NS, clock_sure: true };
    let kept = Arc::new(AtomicU32::new(0));
    let told = kept.clone();
    let receipt = Receipt::new(move |fate| _ = told.fetch_add((fate == Fate::Kept).into(), Ordering::SeqCst));
    let lines = lines.iter().map(|l| format!("{l} {NOON_NS}")).collect();
    let (news, followed, ended_by) = (Vec::new(), None, None);
    (Job { lines, at, receipt: Some(receipt), readings: 1, news, followed, ended_by }, kept)
}

fn lines(data: &Path) -> Vec<String> {
    let span = crate::journal::replay::Span::default();
    let mut replay =
        crate::journal::replay::Replay::open(Arc::new(Disk), &data.join("journal"), span).unwrap();
    let mut lines = Vec::new();
    while let Some((_, line)) = replay.next_line().unwrap() {
        lines.push(line.split(' ').take(2).collect::<Vec<_>>().join(" "));
    }
    lines
}

/// A reading whose second line found no room was recorded, and not acknowledged: it
/// came again and was recorded twice.
#[test]
fn a_job_whose_lines_find_no_room_leaves_none_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let (desk, _told) = desk(dir.path(), 150);
    let mut keeper = Keeper::new(desk, Clock::by_hand(NOON_NS));
    let long = format!("event,what=said-note text=\"{}\"", "x".repeat(60));
    let (first, first_kept) = job(&["temperature,probe=k celsius=34.5", &long]);
    let (second, second_kept) = job(&["temperature,probe=k celsius=34.6"]);
    keeper.take(first);
    assert_eq!(first_kept.load(Ordering::SeqCst), 0);
    keeper.take(second);
    keeper.last().unwrap();
    assert_eq!(second_kept.load(Ordering::SeqCst), 1);
    let gap = "event,what=journal-gap lost=2i";
    assert_eq!(lines(dir.path()), [gap, "temperature,probe=k celsius=34.6"]);
}

/// With no room in memory the lots did not learn that a make had begun.
#[test]
fn a_make_that_begins_while_there_is_no_room_has_its_lot() {
    let dir = tempfile::tempdir().unwrap();
    let (desk, mut told) = desk(dir.path(), 40);
    let mut keeper = Keeper::new(desk, Clock::by_hand(NOON_NS));
    let (mut began, kept) =
        job(&["temperature,probe=k celsius=34.5", "event,what=said-make-began kettle=\"k\""]);
    let (probe, kettle) = (Name::from("k"), Name::from("k"));
    let effect = Effect { time: Some(NOON_NS), probe, kettle, what: Conclusion::MakeBegan };
    began.news = vec![Arc::new(News::Effect(effect))];
    keeper.take(began);
    keeper.last().unwrap();
    let mut opened = 0;
    while let Ok(report) = told.try_recv() {
        opened += u32::from(matches!(report, Report::Lot(news) if &*news.kettle == "k"));
    }
    assert_eq!((opened, kept.load(Ordering::SeqCst)), (1, 0));
}

#[test]
fn receipts_come_after_the_sync_and_all_of_them_by_the_stop() {
    let dir = tempfile::tempdir().unwrap();
    let (desk, mut rx) = desk(dir.path(), Settings::default().pending_bytes);
    let clock = Clock::by_hand(1_000_000);
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
