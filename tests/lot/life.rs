//! A lot's life: opened by milk or by a person, entered into, closed, sealed,
//! corrected, attached to, across kills.

#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::float_cmp)] // a test may end here, and say figures

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::engine::effect::{Conclusion, Effect, Make, MakeStage};
use curdtrace::engine::event::Name;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{Milking, Ph, Record, Wheel};
use made_day::{Day, MORNING_NS, PLAN, dairy};

fn disk() -> Arc<dyn Storage> {
    Arc::new(Disk)
}

fn lots(data: &Path) -> Lots {
    Lots::open(disk(), data, dairy()).unwrap().0
}

fn ask(at: At, by: &str, ask: Ask) -> Request {
    Request { at, by: Some(by.into()), ask }
}

fn opening(kettle: &str) -> Opening {
    Opening { kettle: kettle.into(), plan: Some(PLAN.into()), ..Opening::default() }
}

fn began(kettle: &str, at: At) -> Effect {
    Effect {
        time: Some(at.0),
        probe: Name::from(kettle),
        kettle: Name::from(kettle),
        what: Conclusion::MakeBegan,
    }
}

fn ended(kettle: &str, at: At, stage: Stage) -> Effect {
    let stages = vec![MakeStage { stage, began: None, ended: None, confidence: 1.0, basis: Basis::Trace }];
    let what = Conclusion::Make(Make { stages, cooks: vec![] });
    Effect { time: Some(at.0), probe: Name::from(kettle), kettle: Name::from(kettle), what }
}

fn verify(data: &Path, lot: &str) -> String {
    let lots = lots(data);
    let chain = lots.store().chain().unwrap();
    assert!(chain.is_whole());
    lots.store().verify(lot, &chain).unwrap().iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

#[test]
fn a_make_opens_closes_and_seals_its_lot_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(disk(), data);
    let start = At(MORNING_NS);
    let mut owner = lots(data);
    let opened = owner.take(&began("big", start), None, None, start).unwrap().unwrap();
    assert_eq!((opened.lot.as_str(), opened.opened), ("2026-07-14-big-1", true));
    // Found again after a restart: still one lot.
    assert!(owner.take(&began("big", start), None, None, start).unwrap().is_none());
    let (_, end) = day.make("big", "big-probe", start);
    // Killed and started again meanwhile: the open lot is found.
    drop(owner);
    let mut owner = lots(data);
    assert_eq!(owner.open_lots()["big"], "2026-07-14-big-1");
    let at = end.plus_s(900);
    let closed = owner.take(&ended("big", at, Stage::Drawing), None, None, at).unwrap().unwrap();
    assert!(closed.closed);
    assert_eq!(verify(data, "2026-07-14-big-1"), "");

    let record = owner.store().load("2026-07-14-big-1").unwrap();
    let stages: Vec<&str> = record.stages.iter().map(|s| s.stage.as_str()).collect();
    assert_eq!(stages, made_day::STAGES.map(|s| s.0));
    let marks: Vec<&str> = record.marks.iter().map(|m| m.name.as_str()).collect();
    assert_eq!(marks, ["culture", "rennet", "floc", "cut", "ph", "lift"]);
    assert_eq!(record.ph[0].value, 6.45);
    let heat_off = record.alarms.iter().find(|a| a.alarm == "heat-off").unwrap();
    assert_eq!(heat_off.taken_by.as_deref(), Some("Bruno"));
    assert_eq!(record.gaps.len(), 1);
    assert!(record.gaps[0].why.contains("wire is loose"));
    assert!(record.deviations.iter().any(|d| d.contains("No good reading")), "{:?}", record.deviations);
    assert_eq!(record.cooks[0].peak_celsius, 41.3);

    // The folder is as the contract says, and a stranger's tool agrees with the sums.
    let folder = owner.store().folder("2026-07-14-big-1");
    for file in ["lot.toml", "trace.lp", "trace.csv", "events.jsonl", "sheet.html", "SHA256SUMS"] {
        assert!(folder.join(file).is_file(), "{file}");
    }
    let checked = std::process::Command::new("sha256sum")
        .args(["-c", "SHA256SUMS"])
        .current_dir(&folder)
        .output()
        .unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stdout));
    let trace = std::fs::read_to_string(folder.join("trace.lp")).unwrap();
    let parsed = influxdb_line_protocol::parse_lines(&trace).flatten().count() as u64;
    assert_eq!(parsed, record.stretches[0].readings);
    assert_eq!(parsed as usize, trace.lines().count());
    let csv = std::fs::read_to_string(folder.join("trace.csv")).unwrap();
    assert_eq!(csv.split("\r\n").count() as u64, parsed + 2);
    let events = std::fs::read_to_string(folder.join("events.jsonl")).unwrap();
    for kind in ["heat-off", "at-target", "\"kind\":\"make\"", "\"kind\":\"mark\""] {
        assert!(events.contains(kind), "{kind}");
    }
    for line in events.lines() {
        assert!(line.starts_with("{\"kind\":"), "{line}");
        serde_json::from_str::<serde_json::Value>(line).unwrap();
    }
}

#[test]
fn two_kettles_two_makes_a_day_and_the_whey_lots_never_collide() {
    let dir = tempfile::tempdir().unwrap();
    let mut day = Day::new(disk(), dir.path());
    let mut owner = lots(dir.path());
    let at = |h: i64| At(MORNING_NS).plus_s(h * 3600);
    day.make("big", "big", at(0));
    let mut ids = Vec::new();
    for (kettle, from, to, stage) in [
        ("big", 0, 4, Stage::Drawing),
        ("small", 0, 3, Stage::Drawing),
        ("big", 5, 6, Stage::WheyHeating),
        ("big", 7, 8, Stage::WheyHeating),
        ("big", 10, 13, Stage::Drawing),
    ] {
        ids.push(owner.take(&began(kettle, at(from)), None, None, at(from)).unwrap().unwrap().lot);
        owner.take(&ended(kettle, at(to), stage), None, None, at(to)).unwrap().unwrap();
    }
    let id = |kettle: &str, n: u32| format!("2026-07-14-{kettle}-{n}");
    assert_eq!(ids, [id("big", 1), id("small", 1), id("big", 2), id("big", 3), id("big", 4)]);
    let mother = |n| owner.store().load(&id("big", n)).unwrap().mother;
    // What is heated again is the cheese's whey still: that of whey is none.
    assert_eq!([2, 3, 4].map(mother), [Some(id("big", 1)), Some(id("big", 1)), None]);
}

/// Milk that ripened overnight: its lot stayed open for ever, and nobody was told.
#[test]
fn a_make_longer_than_half_a_day_closes_its_lot() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    Day::new(disk(), data).make("big", "big", At(MORNING_NS).plus_s(16 * 3600));
    let mut owner = lots(data);
    let at = |h: i64| At(MORNING_NS).plus_s(h * 3600);
    let lot = owner.take(&began("big", at(0)), None, None, at(0)).unwrap().unwrap().lot;
    // It follows the plan to its end.
    let plan = curdtrace::config::plan::parse(&PLAN.replace("Larch wheel", "Overnight"), "plan").unwrap();
    owner.follow("big", Some(&plan), at(15)).unwrap();
    // A lot that was opened since is another make's.
    let newer = Opening { id: Some("newer".into()), ..opening("big") };
    owner.apply(&ask(at(21), "Ada", Ask::Open(newer))).unwrap();
    let done = owner.take(&ended("big", at(20), Stage::Drawing), None, None, at(21)).unwrap();
    assert!(done.is_some_and(|d| d.closed && d.lot == lot));
    assert_eq!(owner.store().load(&lot).unwrap().product, "Overnight");
    assert_eq!(verify(data, &lot), "");
    assert_eq!(owner.open_lots()["big"], "newer");
}

#[test]
fn the_forgetful_maker_attaches_the_trace_the_next_day() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(disk(), data);
    let start = At(MORNING_NS);
    let (from, to) = day.make("big", "big-probe", start);
    let mut owner = lots(data);
    let next_day = start.plus_s(86_400);
    let open = Opening { past: true, ..opening("big") };
    let lot = owner.apply(&ask(next_day, "Ada", Ask::Open(open))).unwrap().lot;
    let attach = AttachAsk { lot: lot.clone(), probe: "big-probe".into(), from, to };
    let done = owner.apply(&ask(next_day, "Ada", Ask::Attach(attach.clone()))).unwrap();
    assert!(done.text.contains("readings of probe big-probe"), "{}", done.text);
    owner.apply(&ask(next_day, "Ada", Ask::Close { lot: lot.clone() })).unwrap();
    let record = owner.store().load(&lot).unwrap();
    assert_eq!(record.stages.len(), 8, "the make told later is found");
    assert_eq!(record.stretches.len(), 1);
    assert_eq!(record.product, "Larch wheel");

    // The same stretch given to another lot says so, in the answer and in both the record.
    let open = Opening { past: true, ..opening("big") };
    let second = owner.apply(&ask(next_day, "Ada", Ask::Open(open))).unwrap().lot;
    let again = AttachAsk { lot: second.clone(), ..attach.clone() };
    let done = owner.apply(&ask(next_day, "Ada", Ask::Attach(again))).unwrap();
    assert!(done.text.contains(&format!("belongs to {lot} already")), "{}", done.text);
    owner.apply(&ask(next_day, "Ada", Ask::Close { lot: second.clone() })).unwrap();
    let record = owner.store().load(&second).unwrap();
    assert!(record.deviations.iter().any(|d| d.contains(&lot)), "{:?}", record.deviations);

    // What the lot has already changes nothing; of a longer stretch it takes the rest.
    let before = owner.store().load(&second).unwrap();
    let part =
        AttachAsk { lot: second.clone(), from: from.plus_s(600), to: from.plus_s(1200), ..attach.clone() };
    let whole = AttachAsk { from: from.plus_s(-600), to: to.plus_s(600), ..part.clone() };
    for again in [part, whole.clone()] {
        let done = owner.apply(&ask(next_day, "Ada", Ask::Attach(again))).unwrap();
        assert!(done.text.contains("has these readings of probe big-probe already"), "{}", done.text);
        assert_eq!(owner.store().load(&second).unwrap(), before);
    }
    day.push(to.plus_s(60), "temperature,kettle=big,probe=big-probe celsius=31.0");
    day.journal.commit().unwrap();
    let done = owner.apply(&ask(next_day, "Ada", Ask::Attach(whole))).unwrap();
    assert!(done.text.contains("has 1 reading of probe big-probe more; sealed again"), "{}", done.text);
    let after = owner.store().load(&second).unwrap();
    assert_eq!((after.stretches.len(), after.stretches[1].from, after.stretches[1].readings), (2, to, 1));
    let trace = std::fs::read_to_string(owner.store().folder(&second).join("trace.lp")).unwrap();
    assert_eq!(after.stretches.iter().map(|s| s.readings).sum::<u64>(), trace.lines().count() as u64);

    // Where there is nothing, it says what there is.
    let empty = AttachAsk { lot: second, from: to.plus_s(7200), to: to.plus_s(9000), ..attach };
    let e = owner.apply(&ask(next_day, "Ada", Ask::Attach(empty))).unwrap_err();
    assert_eq!(e.exit_code(), 66);
    assert!(e.to_string().contains("2026-07-14"), "{e}");
}

/// What an open lot has is not written down yet: neither lot said that they share it.
#[test]
fn a_stretch_shared_with_an_open_lot_stands_in_both() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(disk(), data);
    let start = At(MORNING_NS);
    let mut owner = lots(data);
    let live = owner.take(&began("big", start), None, None, start).unwrap().unwrap().lot;
    let (from, to) = day.make("big", "big-probe", start);
    let at = to.plus_s(900);
    let open = Opening { past: true, ..opening("big") };
    let past = owner.apply(&ask(at, "Ada", Ask::Open(open))).unwrap().lot;
    let attach = AttachAsk { lot: past.clone(), probe: "big-probe".into(), from, to: from.plus_s(1200) };
    let done = owner.apply(&ask(at, "Ada", Ask::Attach(attach))).unwrap();
    assert!(done.text.contains(&format!("belongs to {live} already")), "{}", done.text);
    for lot in [&past, &live] {
        owner.apply(&ask(at, "Ada", Ask::Close { lot: lot.clone() })).unwrap();
    }
    for (lot, other) in [(&past, &live), (&live, &past)] {
        let record = owner.store().load(lot).unwrap();
        assert_eq!(record.stretches[0].also_in, [other.as_str()]);
        assert!(record.deviations.iter().any(|d| d.contains(other.as_str())), "{:?}", record.deviations);
        assert_eq!(verify(data, lot), "");
    }
}

/// Of a make whose times lay ahead of the clock of whoever closed it a single
/// reading was sealed.
#[test]
fn a_lot_whose_times_lie_ahead_of_the_clock_is_sealed_whole() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(disk(), data);
    let start = At(MORNING_NS);
    let mut owner = lots(data);
    let lot = owner.apply(&ask(start, "Ada", Ask::Open(opening("big")))).unwrap().lot;
    let (_, end) = day.make("big", "big", start);
    let behind = start.plus_s(-3600);
    let readings = |record: &Record| record.stretches.iter().map(|s| s.readings).sum::<u64>();
    let (shown, _) = owner.store().preview(owner.store().load(&lot).unwrap(), behind).unwrap();
    owner.apply(&ask(behind, "Ada", Ask::Close { lot: lot.clone() })).unwrap();
    let sealed = owner.store().load(&lot).unwrap();
    let trace = std::fs::read_to_string(owner.store().folder(&lot).join("trace.lp")).unwrap();
    assert!(trace.lines().count() > 1900, "{}", trace.lines().count());
    assert_eq!(sealed.closed, Some(behind));
    assert!(sealed.stretches[0].to >= end, "{:?}", sealed.stretches);
    assert_eq!(
        (readings(&shown), readings(&sealed)),
        (trace.lines().count() as u64, trace.lines().count() as u64)
    );
    assert_eq!(verify(data, &lot), "");
}

#[test]
fn corrections_keep_the_old_value_and_seal_again() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(disk(), data);
    let start = At(MORNING_NS);
    let mut owner = lots(data);
    let mut open = opening("big");
    open.fields = vec![("rennet.dose-ml".into(), "32".into()), ("milk.litres".into(), "320".into())];
    let lot = owner.apply(&ask(start, "Ada", Ask::Open(open))).unwrap().lot;
    let (_, end) = day.make("big", "big", start);
    let milking = Milking { milking: "2026-07-13-evening".into(), litres: Some(150.0), ..Milking::default() };
    owner.apply(&ask(end, "Ada", Ask::Milking { lot: lot.clone(), milking })).unwrap();
    owner.apply(&ask(end.plus_s(1000), "Ada", Ask::Close { lot: lot.clone() })).unwrap();
    assert_eq!(verify(data, &lot), "");

    let later = end.plus_s(86_400);
    let set = |reason: Option<&str>| Ask::Set {
        lot: lot.clone(),
        fields: vec![("rennet.dose-ml".into(), "35".into())],
        reason: reason.map(Into::into),
    };
    assert_eq!(owner.apply(&ask(later, "Ada", set(None))).unwrap_err().exit_code(), 64);
    owner.apply(&ask(later, "Ada", set(Some("misread the cup")))).unwrap();
    let wheels = vec![
        Wheel { wheel: "1".into(), kg: Some(14.5), note: None },
        Wheel { wheel: "2".into(), kg: Some(14.1), note: None },
    ];
    owner.apply(&ask(later, "Bruno", Ask::Wheels { lot: lot.clone(), wheels })).unwrap();
    let ph = Ph { at: later, value: 5.3, by: Some("Bruno".into()) };
    owner.apply(&ask(later, "Bruno", Ask::Ph { lot: lot.clone(), ph })).unwrap();
    let record = owner.store().load(&lot).unwrap();
    assert_eq!(record.rennet.dose_ml, Some(35.0));
    let c = &record.corrections[0];
    assert_eq!((c.old.as_str(), c.new.as_str(), c.reason.as_str()), ("32.0", "35.0", "misread the cup"));
    assert_eq!(record.corrections.len(), 3);
    assert!((record.yield_kg_per_100_l().unwrap() - 8.9375).abs() < 1e-9);
    assert_eq!(record.ph.len(), 2);
    assert_eq!(record.stages.len(), 8, "what the trace said is as before");
    let chain = owner.store().chain().unwrap();
    assert_eq!(chain.links.iter().filter(|l| l.lot == lot).count(), 4, "every seal stays in the chain");
    assert_eq!(verify(data, &lot), "");
    // A closed lot says who adds to it.
    let nobody = Request { at: later, by: None, ask: Ask::Ph { lot: lot.clone(), ph: Ph::default() } };
    assert_eq!(owner.apply(&nobody).unwrap_err().exit_code(), 64);

    // A lot that was tampered with is not sealed again.
    let sheet = owner.store().folder(&lot).join("sheet.html");
    std::fs::write(&sheet, "nothing happened").unwrap();
    let e = owner
        .apply(&ask(
            later.plus_s(60),
            "Ada",
            Ask::Set {
                lot: lot.clone(),
                fields: vec![("score".into(), "9".into())],
                reason: Some("x".into()),
            },
        ))
        .unwrap_err();
    assert!(e.to_string().contains("sheet.html is not as it was closed"), "{e}");
    assert_eq!(verify(data, &lot), "sheet.html is not as it was closed");
}

#[test]
fn a_person_who_comes_after_the_milk_takes_the_lot_over() {
    let dir = tempfile::tempdir().unwrap();
    let mut owner = lots(dir.path());
    let start = At(MORNING_NS);
    owner.take(&began("big", start), None, None, start).unwrap();
    let done = owner.apply(&ask(start.plus_s(600), "Ada", Ask::Open(opening("big")))).unwrap();
    assert!(done.text.contains("it is yours now") && done.text.contains("06:03"), "{}", done.text);
    assert_eq!(owner.open_lots().len(), 1);
    let e = owner.apply(&ask(start.plus_s(700), "Bruno", Ask::Open(opening("big")))).unwrap_err();
    assert!(e.to_string().contains("is open on kettle big already"), "{e}");
}

/// A lot that was opened and forgotten for weeks was drawn in memory as a whole, more than
/// the service may have.
#[test]
fn a_forgotten_lot_takes_three_days_of_the_trace_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let (mut journal, _) = Journal::open(disk(), &data.join("journal"), Settings::default(), "b").unwrap();
    for minute in 0..6 * 1440_i64 {
        let mono_ns = minute * 60_000_000_000;
        let at = Moment { mono_ns: mono_ns.unsigned_abs(), offset_ns: MORNING_NS, clock_sure: true };
        let line = format!("temperature,probe=big celsius=12.{} {}", minute % 9, MORNING_NS + mono_ns);
        journal.push(&line, at).unwrap();
    }
    journal.commit().unwrap();
    let mut lots = lots(data);
    let open = Opening { id: Some("left".into()), ..opening("big") };
    lots.apply(&ask(At(MORNING_NS), "Ada", Ask::Open(open))).unwrap();
    let end = At(MORNING_NS).plus_s(6 * 86_400);
    let done = lots.apply(&ask(end, "Ada", Ask::Close { lot: "left".into() })).unwrap();
    assert!(done.text.contains("goes to") && done.text.contains("lot attach"), "{}", done.text);
    let record = lots.store().load("left").unwrap();
    assert_eq!(record.stretches.len(), 1);
    assert!((4320..=4322).contains(&record.stretches[0].readings), "{:?}", record.stretches);
    // The rest is there to be attached.
    let (from, to) = (At(MORNING_NS).plus_s(4 * 86_400), end);
    let more = AttachAsk { lot: "left".into(), probe: "big".into(), from, to };
    lots.apply(&ask(end, "Ada", Ask::Attach(more))).unwrap();
    assert_eq!(verify(data, "left"), "");
    assert_eq!(lots.store().load("left").unwrap().stretches.len(), 2);
}
