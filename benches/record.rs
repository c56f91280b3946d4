//! The record's figures: a group synced, a day replayed, twenty hours attached,
//! five thousand lots listed.
//!
//! What bounds them: `commit_64` the disk's sync; `replay_20_h` and
//! `attach_20_h` parsing line protocol (144,000 readings, two a second);
//! `list_5000` one small read a lot.

#![allow(clippy::unwrap_used, missing_docs)] // a benchmark may end here

use std::sync::{Arc, LazyLock};

use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::lot::at::At;
use curdtrace::lot::gather::{Wanted, gather};
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{AlarmDone, Mark, Record, StageDone, Stretch};
use curdtrace::lot::store::{Dairy, Store};
use divan::Bencher;

const START_NS: i64 = 1_784_001_780_000_000_000;
const READINGS: i64 = 144_000;

fn main() {
    divan::main();
}

fn disk() -> Arc<dyn Storage> {
    Arc::new(Disk)
}

fn moment(wall_ns: i64) -> Moment {
    Moment { mono_ns: (wall_ns - START_NS).unsigned_abs(), offset_ns: START_NS, clock_sure: true }
}

/// Twenty hours of a probe, two readings a second.
static TWENTY_HOURS: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
    let dir = tempfile::tempdir().unwrap();
    let settings = Settings { group_lines: 10_000, group_ns: u64::MAX, ..Settings::default() };
    let (mut journal, _) = Journal::open(disk(), &dir.path().join("journal"), settings, "bench").unwrap();
    for n in 0..READINGS {
        let t = START_NS + n * 500_000_000;
        let line =
            format!("temperature,probe=kettle celsius={:.4},seq={n}u {t}", 30.0 + (n % 977) as f64 / 64.0);
        journal.push(&line, moment(t)).unwrap();
        if n % 10_000 == 0 {
            journal.commit().unwrap();
        }
    }
    journal.commit().unwrap();
    dir
});

/// Five thousand lots as full as a make leaves them.
static LOTS: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
    let dir = tempfile::tempdir().unwrap();
    for n in 0..5_000 {
        let opened = At(START_NS).plus_s(n * 43_200);
        let mut r = Record {
            format: 1,
            lot: format!("lot-{n:04}"),
            kettle: "big".into(),
            product: "Larch wheel".into(),
            time_zone: "Europe/Zurich".into(),
            opened,
            closed: Some(opened.plus_s(10_000)),
            ..Record::default()
        };
        for i in 0..9 {
            let at = opened.plus_s(i * 900);
            r.stages.push(StageDone {
                stage: "cooking".into(),
                began: at,
                ended: Some(at),
                ..StageDone::default()
            });
            r.alarms.push(AlarmDone {
                alarm: "heat-off".into(),
                raised: at,
                text: "take it off".into(),
                ..AlarmDone::default()
            });
            r.marks.push(Mark { at, name: "rennet".into(), by: Some("Ada".into()), ..Mark::default() });
        }
        let folder = dir.path().join("lots").join(&r.lot);
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("lot.toml"), r.to_toml().unwrap()).unwrap();
    }
    dir
});

#[divan::bench]
fn commit_64(bencher: Bencher) {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, _) = Journal::open(disk(), dir.path(), Settings::default(), "bench").unwrap();
    let mut t = START_NS;
    bencher.bench_local(|| {
        for _ in 0..64 {
            t += 500_000_000;
            journal.push(&format!("temperature,probe=kettle celsius=34.9375 {t}"), moment(t)).unwrap();
        }
        journal.commit().unwrap()
    });
}

#[divan::bench(sample_count = 10)]
fn replay_20_h(bencher: Bencher) {
    let journal = TWENTY_HOURS.path().join("journal");
    bencher.bench_local(|| {
        let mut replay = Replay::open(disk(), &journal, Span::default()).unwrap();
        let mut lines = 0;
        while replay.next_line().unwrap().is_some() {
            lines += 1;
        }
        assert_eq!(lines, READINGS);
    });
}

/// Twenty hours of the kettle's probe.
fn stretch(from: At) -> Stretch {
    Stretch { probe: "kettle".into(), from, to: from.plus_s(72_000), ..Stretch::default() }
}

#[divan::bench(sample_count = 10)]
fn gather_20_h(bencher: Bencher) {
    let journal = TWENTY_HOURS.path().join("journal");
    let from = At(START_NS);
    let stretches = vec![stretch(from)];
    let wanted = Wanted { stretches, kettle: "kettle".into(), ..Wanted::default() };
    bencher.bench_local(|| gather(&disk(), &journal, &wanted).unwrap().trace.len());
}

/// The whole way of `lot attach` on a closed lot: verified, drawn, every file
/// written, sealed.
#[divan::bench(sample_count = 10)]
fn attach_20_h(bencher: Bencher) {
    let data = TWENTY_HOURS.path();
    let from = At(START_NS);
    let (mut lots, _) = Lots::open(disk(), data, Dairy::default()).unwrap();
    let mut n = 0;
    bencher
        .with_inputs(|| {
            n += 1;
            let at = from.plus_s(100_000 + n);
            let opening = Opening { kettle: "kettle".into(), past: true, ..Opening::default() };
            let ask = |ask| Request { at, by: Some("Ada".into()), ask };
            let mut maker = Lots::open(disk(), data, Dairy::default()).unwrap().0;
            let lot = maker.apply(&ask(Ask::Open(opening))).unwrap().lot;
            maker.apply(&ask(Ask::Close { lot: lot.clone() })).unwrap();
            ask(Ask::Attach(AttachAsk { lot, probe: "kettle".into(), from, to: from.plus_s(72_000) }))
        })
        .bench_local_values(|request| lots.apply(&request).unwrap());
}

#[divan::bench(sample_count = 10)]
fn list_5000(bencher: Bencher) {
    let store = Store::at(disk(), LOTS.path());
    bencher.bench_local(|| assert_eq!(store.list().unwrap().0.len(), 5_000));
}

#[divan::bench(sample_count = 5)]
fn curve_of_20_h(bencher: Bencher) {
    let found = {
        let stretches = vec![stretch(At(START_NS))];
        let wanted = Wanted { stretches, kettle: "kettle".into(), ..Wanted::default() };
        gather(&disk(), &TWENTY_HOURS.path().join("journal"), &wanted).unwrap()
    };
    let record = Record { kettle: "kettle".into(), ..Record::default() };
    bencher.bench_local(|| curdtrace::lot::sheet::render(&record, &found.points, None).len());
}
