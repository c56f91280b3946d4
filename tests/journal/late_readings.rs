//! Promise: readings that a box had to keep for itself, and sent when its link
//! was back, count in the lot at their own times.

#![allow(clippy::unwrap_used, clippy::cast_sign_loss)] // a test may end here

use support::made_day;

use std::sync::Arc;

use curdtrace::journal::Moment;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use made_day::{Day, MORNING_NS, dairy};

const LIMITS: &str = r#"
[[limit]]
name = "Milk stored"
source = "our plan 1"
at-most-celsius = 8.0
but-for-minutes = 8

[[limit]]
name = "Heated"
source = "our plan 2"
at-least-celsius = 11.0
for-seconds = 500
"#;

/// Nine minutes at 12 °C came after the cold minutes that followed them. Joined
/// as they came, time went backwards, and "at most 8 °C but for 8 min" passed.
#[test]
fn warm_milk_that_is_told_of_late_fails_the_limit() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    std::fs::write(data.join("limits.toml"), LIMITS).unwrap();
    let start = At(MORNING_NS);
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let mut day = Day::new(storage.clone(), data);
    let cold = (0..600).chain(1140..1200).map(|s| (s, 6.0));
    let late = (600..1140).map(|s| (s, 12.0)).chain((1200..1800).map(|s| (s, 6.0)));
    let offset_ns = MORNING_NS - 1_000_000_000_000_000;
    for (n, (s, celsius)) in (0..).zip(cold.chain(late)) {
        let arrives = start.plus_s(n);
        let at = Moment { mono_ns: (arrives.0 - offset_ns) as u64, offset_ns, clock_sure: true };
        let line = format!("temperature,probe=tank celsius={celsius:?},seq={s}u {}", start.plus_s(s).0);
        day.journal.push(&line, at).unwrap();
        if day.journal.is_due(at.mono_ns) {
            day.journal.commit().unwrap();
        }
    }
    day.journal.commit().unwrap();
    drop(day);

    let (mut lots, _) = Lots::open(storage, data, dairy()).unwrap();
    let mut ask = |ask| {
        lots.apply(&Request { at: start.plus_s(7200), by: Some("Ada".into()), ask }).unwrap();
    };
    let id = Some("L".to_string());
    ask(Ask::Open(Opening { kettle: "tank".into(), id, past: true, ..Opening::default() }));
    let attach = AttachAsk { lot: "L".into(), probe: "tank".into(), from: start, to: start.plus_s(1800) };
    ask(Ask::Attach(attach));
    ask(Ask::Close { lot: "L".into() });

    let record = lots.store().load("L").unwrap();
    let verdicts: Vec<_> = record.limits.iter().map(|l| (l.name.as_str(), l.verdict.as_str())).collect();
    assert_eq!(verdicts, [("Milk stored", "fail"), ("Heated", "pass")]);
    assert_eq!(record.gaps, [], "no second is without a reading");
    // The trace itself stays as it came; what is drawn from it later agrees.
    let trace = std::fs::read_to_string(lots.store().folder("L").join("trace.lp")).unwrap();
    assert!(trace.lines().nth(600).unwrap().contains("seq=1140u"), "in the journal's order");
    let points = &lots.store().points("L").unwrap()["tank"];
    assert!(points.len() == 1800 && points.is_sorted_by_key(|p| p.at));
}
