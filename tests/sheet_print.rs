//! Promise: the make sheet of an ordinary make is exactly one printed page; with more
//! to say the first page is a whole sheet still, and the rest is on a second. It is
//! valid HTML, and fetches nothing.
//!
//! Printed by headless Chromium (Debian's package `chromium`), counted by
//! `pdfinfo` (`poppler-utils`), its HTML checked by html5lib
//! (`tests/referee/prepare`). With `CURDTRACE_KEEP_SHEETS=DIR` the pages stay
//! there to be looked at.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

#[path = "sheet_print/printer.rs"]
mod printer;

use support::lived;
use support::made_day;
use support::referee;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{
    AlarmDone, Correction, Gap, Instrument, LimitDone, Mark, Milking, Ph, Record, StageDone, Wheel,
};
use curdtrace::lot::seal::Link;
use curdtrace::lot::sheet::render;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::scene::{Options, Scene};
use curdtrace::rehearse::script::Ending;
use curdtrace::words::Words;
use lived::{FULL_OF_ACCIDENTS, Hut, Shift};
use made_day::{Day, MORNING_NS, PLAN, dairy};
use printer::Printer;

fn pages(printer: &mut Printer, html: &str, dir: &Path, name: &str) -> u32 {
    let (page, pdf) = (dir.join(format!("{name}.html")), dir.join(format!("{name}.pdf")));
    std::fs::write(&page, html).unwrap();
    printer.print(&page, &pdf);
    is_full_width(&pdf);
    let info = Command::new("pdfinfo")
        .arg(&pdf)
        .output()
        .expect("pdfinfo is not there; install Debian's package poppler-utils");
    let info = String::from_utf8_lossy(&info.stdout).into_owned();
    info.lines().find_map(|l| l.strip_prefix("Pages:")).unwrap().trim().parse().unwrap()
}

/// One page, whether there is more on a screen or not.
fn is_one_page(printer: &mut Printer, html: &str, dir: &Path, name: &str, has_more: bool) {
    assert_eq!(html.contains("<section class=\"beyond\">"), has_more, "{name}");
    assert_eq!(pages(printer, html, dir, name), 1, "{name}");
}

/// Where something sticks out at the right the printer makes the whole page
/// smaller: what is leftmost then does not stand at the margin of 11 mm any more.
fn is_full_width(pdf: &Path) {
    let words = Command::new("pdftotext").arg("-bbox").arg(pdf).arg("-").output().unwrap();
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    let lefts = words.split("<word xMin=\"").skip(1).filter_map(|w| w.split('"').next()?.parse().ok());
    let left_mm = lefts.fold(f64::MAX, f64::min) * 25.4 / 72.0;
    assert!((left_mm - 11.0).abs() < 0.6, "{}: the leftmost word is at {left_mm} mm", pdf.display());
}

fn keep() -> (Option<tempfile::TempDir>, PathBuf) {
    if let Some(dir) = std::env::var_os("CURDTRACE_KEEP_SHEETS") {
        std::fs::create_dir_all(&dir).unwrap();
        return (None, dir.into());
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().to_path_buf();
    (Some(dir), path)
}

/// A lot as a careful maker keeps it.
fn usual(data: &Path) -> (Record, String) {
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let mut day = Day::new(storage.clone(), data);
    let start = At(MORNING_NS);
    let (mut lots, _) = Lots::open(storage, data, dairy()).unwrap();
    let fields = [
        ("people.maker", "Ada Steiner"),
        ("people.helpers", "Bruno"),
        ("milk.litres", "320"),
        ("milk.source", "31 cows, upper pasture"),
        ("milk.celsius-in", "12.5"),
        ("milk.oldest-hours", "13"),
        ("milk.acidity-sh", "6.8"),
        ("culture.name", "hut whey culture"),
        ("culture.dose", "1.2 L"),
        ("rennet.name", "calf rennet, liquid"),
        ("rennet.lot", "R-2611"),
        ("rennet.dose-ml", "42"),
        ("rennet.strength", "1:15000 Soxhlet"),
    ];
    let fields = fields.map(|(f, v)| (f.to_string(), v.to_string())).to_vec();
    let open = Opening { kettle: "big".into(), plan: Some(PLAN.into()), fields, ..Opening::default() };
    let by = |at, ask| Request { at, by: Some("Ada".into()), ask };
    let lot = lots.apply(&by(start, Ask::Open(open))).unwrap().lot;
    let (_, end) = day.make("big", "big", start);
    let milking = Milking { milking: "13 July evening".into(), litres: Some(150.0), ..Milking::default() };
    lots.apply(&by(end, Ask::Milking { lot: lot.clone(), milking })).unwrap();
    lots.apply(&by(end.plus_s(1200), Ask::Close { lot: lot.clone() })).unwrap();
    let later = end.plus_s(5 * 3600);
    let wheels = vec![Wheel { wheel: "1".into(), kg: Some(28.6), note: None }];
    lots.apply(&by(later, Ask::Wheels { lot: lot.clone(), wheels })).unwrap();
    lots.apply(&by(later, Ask::Ph { lot: lot.clone(), ph: Ph { at: later, value: 5.52, by: None } }))
        .unwrap();
    let set = Ask::Set {
        lot: lot.clone(),
        fields: vec![("rennet.dose-ml".into(), "45".into())],
        reason: Some("misread the measuring cup".into()),
    };
    lots.apply(&by(later, set)).unwrap();
    let record = lots.store().load(&lot).unwrap();
    let html = std::fs::read_to_string(lots.store().folder(&lot).join("sheet.html")).unwrap();
    (record, html)
}

#[test]
fn one_page_with_little_and_with_very_much_to_say() {
    let data = tempfile::tempdir().unwrap();
    let (_held, dir) = keep();
    let mut printer = Printer::start();
    let (record, html) = usual(data.path());
    assert_eq!(pages(&mut printer, &html, &dir, "usual"), 1);

    let empty = Record { lot: "2026-07-15-big-1".into(), dairy: record.dairy.clone(), ..Record::default() };
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let store = curdtrace::lot::store::Store::at(storage, data.path());
    let points = store.points(&record.lot).unwrap();
    let none = BTreeMap::new();
    let much = very_much(record.clone());
    let corrected = often_corrected(record.clone());
    for code in Words::codes() {
        for (name, record, points) in [
            ("empty", &empty, &none),
            ("usual", &record, &points),
            ("much", &much, &points),
            ("two", &corrected, &points),
        ] {
            let html = render(&speaking(record, code), points, None);
            is_one_page(&mut printer, &html, &dir, &format!("{name}-{code}"), matches!(name, "much" | "two"));
        }
    }
}

/// The same in another language.
fn speaking(record: &Record, code: &str) -> Record {
    Record { language: code.into(), ..record.clone() }
}

/// One that was corrected thirty times.
fn often_corrected(mut r: Record) -> Record {
    r.corrections = (0..30)
        .map(|n| Correction {
            field: "rennet.dose-ml".into(),
            old: n.to_string(),
            new: (n + 1).to_string(),
            by: "Ada".into(),
            at: At(MORNING_NS).plus_s(40_000 + n * 60),
            reason: format!("reason no. {n}, the pipette was misread and read again by another"),
        })
        .collect();
    r
}

/// More of everything than a make ever has, in long words.
fn very_much(mut r: Record) -> Record {
    let at = |m: i64| At(MORNING_NS).plus_s(m * 60);
    let long =
        "a very long explanation that goes on and on, about what was seen, what was done and why it was so ";
    r.product = long.repeat(2);
    r.note = Some(long.into());
    for i in 0..25 {
        r.gaps.push(Gap { probe: "big".into(), from: at(i), to: at(i + 9), why: long.repeat(3) });
        r.alarms.push(AlarmDone {
            alarm: "stirring-stopped".into(),
            priority: "high".into(),
            raised: at(i * 5),
            celsius: Some(40.0),
            text: long.repeat(2),
            ..AlarmDone::default()
        });
        r.marks.push(Mark { at: at(i * 6), name: "note".into(), text: Some(long.into()), ..Mark::default() });
        r.stages.push(StageDone { stage: "whey-heating".into(), began: at(190 + i), ..StageDone::default() });
        r.ph.push(Ph { at: at(i * 60), value: 6.0, by: None });
        r.gaps.push(Gap { probe: "big".into(), from: at(i * 7), to: at(i * 7 + 1), why: long.into() });
        r.instruments.push(Instrument {
            probe: format!("probe-{i}"),
            calibration: Some(long.into()),
            calibrated: Some(at(0)),
            uncertainty_celsius: Some(0.4),
            ..Instrument::default()
        });
        r.limits.push(LimitDone {
            name: long.into(),
            limit: long.into(),
            source: long.into(),
            verdict: "not-known".into(),
            found: long.into(),
            ..LimitDone::default()
        });
        r.corrections.push(Correction {
            field: "rennet.dose-ml".into(),
            old: "32".into(),
            new: "35".into(),
            by: "Ada".into(),
            at: at(600),
            reason: long.into(),
        });
        r.milkings.push(Milking { milking: long.into(), ..Milking::default() });
    }
    r.mother = Some("2026-07-14-big-1".into());
    r
}

/// Every family there is, each on a day on which the probe is lifted, wires
/// come loose, readings fail, and the maker does not hear the call.
#[test]
fn two_pages_at_most_and_valid_for_every_family_on_a_day_full_of_accidents() {
    let (_held, dir) = keep();
    let mut printer = Printer::start();
    let mut written = Vec::new();
    let days: Vec<_> = (0..)
        .zip(Family::ALL)
        .map(|(n, family)| (family, std::thread::spawn(move || lived(n, family))))
        .collect();
    for (family, day) in days {
        for (lot, html) in day.join().unwrap() {
            let name = format!("{}-{lot}", family.name());
            assert_eq!(pages(&mut printer, &html, &dir, &name), 1, "{name}");
            written.push(dir.join(format!("{name}.html")));
        }
    }
    // The whey of one of them has a lot of its own.
    assert!(written.len() > 3 * Family::ALL.len(), "{written:?}");
    let checked = Command::new(referee::python("html5lib"))
        .arg(referee::script("html_is_valid.py"))
        .args(&written)
        .output()
        .unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}

/// The sheets of the lots of one such day, as sealed and in other languages.
fn lived(n: u64, family: Family) -> Vec<(String, String)> {
    let data = tempfile::tempdir().unwrap();
    let booted = At(MORNING_NS);
    let mut hut = Hut::new(data.path(), booted);
    let options = Options {
        rough: FULL_OF_ACCIDENTS,
        odd: 0.3,
        ending: Ending::Called,
        whey_planned: Some(true),
        ..Options::default()
    };
    let scene = Scene::new(4700 + n, family, &options);
    let begins = booted.plus_s(60);
    hut.day(vec![Shift { kettle: "big", scene, begins, deaf: true, forgotten: false }]);
    let closed = hut.closed.clone();
    let evening = begins.plus_s(12 * 3600);
    for lot in &closed {
        let by = |ask| Request { at: evening, by: Some("Ada".into()), ask };
        let fields = [
            ("people.helpers", "Bruno and Chiara"),
            ("milk.source", "31 cows of the upper pasture"),
            ("rennet.name", "calf rennet, liquid"),
            ("rennet.lot", "R-2611"),
            ("rennet.dose-ml", "42"),
        ];
        let fields = fields.map(|(f, v)| (f.to_owned(), v.to_owned())).into();
        hut.lots.apply(&by(Ask::Set { lot: lot.clone(), fields, reason: None })).unwrap();
        let wheels = (1..=9).map(|w| Wheel { wheel: w.to_string(), kg: Some(6.0), note: None }).collect();
        hut.lots.apply(&by(Ask::Wheels { lot: lot.clone(), wheels })).unwrap();
        let ph = Ph { at: evening, value: 5.42, by: None };
        hut.lots.apply(&by(Ask::Ph { lot: lot.clone(), ph })).unwrap();
    }
    let store = hut.lots.store();
    let sheet = |lot: &String| std::fs::read_to_string(store.folder(lot).join("sheet.html")).unwrap();
    // German is longest; the others take turns.
    let mut codes = vec!["de", Words::codes()[n as usize % 4]];
    codes.dedup();
    let mut sheets = Vec::new();
    for lot in &closed {
        sheets.push((lot.clone(), sheet(lot)));
        let (record, points) = (store.load(lot).unwrap(), store.points(lot).unwrap());
        for code in &codes {
            sheets.push((format!("{lot}-{code}"), render(&speaking(&record, code), &points, None)));
        }
    }
    sheets
}

/// The sheet of a whey lot took a second page for three words, since its foot has three
/// lines; and a long name was cut off.
#[test]
fn one_page_for_a_whey_lot_whose_cheese_has_a_long_name() {
    let data = tempfile::tempdir().unwrap();
    let (_held, dir) = keep();
    let mut printer = Printer::start();
    let (mut record, _) = usual(data.path());
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let points = curdtrace::lot::store::Store::at(storage, data.path()).points(&record.lot).unwrap();
    let (former, end) = (record.lot.clone(), record.closed.unwrap());
    record.lot = "2026-07-14-big-kettle-of-the-upper-alp-2".into();
    record.product = "Ziegenkäse-Schnittkäse mit Rotschmiere, Grossmutters Hausrezeptur 1947".into();
    record.time_zone = "America/Argentina/Buenos_Aires".into();
    record.mother = Some(former.clone());
    record.marks.truncate(1);
    record.ph.clear();
    record.corrections.clear();
    record.limits.clear();
    let sums = "4e673b2afe4eec50".repeat(4);
    let link = Link { number: 1, at: end, lot: former, sums: sums.clone(), chain: sums };
    // One more as it was found, where the curve takes all that is left over.
    let mut found = Record { product: "Small wheel and ziger".into(), ..record.clone() };
    found.lot = "2026-07-14-kettle-2".into();
    found.gaps.clear();
    found.alarms.extend(found.alarms.first().cloned());
    for code in Words::codes() {
        for (name, record) in [("long", &record), ("found", &found)] {
            let name = format!("whey-{name}-{code}");
            let html = render(&speaking(record, code), &points, Some(&link));
            assert_eq!(pages(&mut printer, &html, &dir, &name), 1, "{name}");
            assert!(html.contains(&record.product), "{name}: the name is whole");
        }
    }
}

#[test]
fn the_sheet_fetches_nothing_and_runs_nothing() {
    let data = tempfile::tempdir().unwrap();
    let (_, html) = usual(data.path());
    for never in ["<script", "<link", "<img", "http://", "https://", "@import", "url(h", "javascript:"] {
        let found = html.replace("http://www.w3.org/2000/svg", "");
        assert!(!found.contains(never), "{never}");
    }
}
