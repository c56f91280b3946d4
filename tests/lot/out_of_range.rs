//! Numbers that no milk, air or steam can have: kept as they came, counted for
//! nothing, and drawn by nobody.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::Record;
use made_day::{Day, MORNING_NS, dairy};

/// A lot of readings twice a second, closed.
fn closed(data: &Path, celsius: &[f64]) -> Record {
    let disk: Arc<dyn Storage> = Arc::new(Disk);
    let begin = At(MORNING_NS);
    let mut day = Day::new(disk.clone(), data);
    let at = |i: usize| At(begin.0 + i64::try_from(i).unwrap() * 500_000_000);
    let mut lots = Lots::open(disk, data, dairy()).unwrap().0;
    let opening = Opening { kettle: "k".into(), id: Some("z".into()), ..Opening::default() };
    lots.apply(&Request { at: begin, by: None, ask: Ask::Open(opening) }).unwrap();
    for (i, c) in celsius.iter().enumerate() {
        day.push(at(i), &format!("temperature,probe=k celsius={c}"));
    }
    day.journal.commit().unwrap();
    let ask = Ask::Close { lot: "z".into() };
    lots.apply(&Request { at: at(celsius.len()), by: None, ask }).unwrap();
    lots.store().load("z").unwrap()
}

fn text(data: &Path, file: &str) -> String {
    std::fs::read_to_string(data.join("lots/z").join(file)).unwrap()
}

/// The heat treatment of a wire that was loose passed, with infinitely many
/// log10 steps.
#[test]
fn a_limit_does_not_pass_on_readings_that_cannot_be() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("limits.toml"),
        "[[limit]]\nname = \"Heated\"\nsource = \"p\"\nat-least-celsius = 72.0\nfor-seconds = 15\n\
         [[limit]]\nname = \"Lethal\"\nsource = \"p\"\nlog-reductions = 6.0\nd-seconds = 3.0\nat-celsius = 72.0\nz-celsius = 7.0\n",
    )
    .unwrap();
    let celsius = [vec![20.0; 60], vec![3276.7; 80], vec![20.0; 60]].concat();
    let record = closed(dir.path(), &celsius);
    let verdicts: Vec<&str> = record.limits.iter().map(|l| l.verdict.as_str()).collect();
    assert!(!verdicts.contains(&"pass"), "{:?}", record.limits);
    assert_eq!(record.stretches[0].out_of_range, Some(80));
    assert!(record.gaps[0].why.starts_with("out of range"), "{:?}", record.gaps);
    assert!(record.deviations.iter().any(|d| d.contains("probe k") && d.contains("80")), "{record:?}");
    // What came stays to be read.
    assert_eq!(text(dir.path(), "trace.lp").matches("celsius=3276.7").count(), 80);
    assert_eq!(text(dir.path(), "trace.csv").matches(",3276.7,").count(), 80);
    let toml = text(dir.path(), "lot.toml");
    assert!(!toml.contains("inf") && !toml.contains("nan") && !toml.contains("3276"), "{toml}");
    assert!(!text(dir.path(), "sheet.html").contains("3276"));
}

/// Two of them in a lot made the chart's grid eat all memory.
#[test]
fn no_number_makes_the_sheet_large() {
    const ABSURD: [f64; 6] =
        [1e300, 1e300, 2_147_483_647.0, 2_147_483_647.0, -2_147_483_648.0, -2_147_483_648.0];
    for among in [vec![20.0; 40], Vec::new()] {
        let dir = tempfile::tempdir().unwrap();
        closed(dir.path(), &[&among[..], &ABSURD, &among[..]].concat());
        let sheet = text(dir.path(), "sheet.html");
        assert!(sheet.len() < 100_000 && !sheet.contains("NaN"), "{} bytes", sheet.len());
    }
}
