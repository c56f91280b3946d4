//! Promise: what changed in the middle of a make is in its record, and is looked at first.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::sync::Arc;

use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use made_day::{Day, MORNING_NS};

/// A touch on the page put the plan aside in the cook, and the record said nothing of it; of
/// two alarms of a kind it told the lesser.
#[test]
fn what_changed_in_the_middle_of_a_make_is_looked_at_first() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let mut day = Day::new(Arc::new(Disk), data);
    let (from, to) = day.make("big", "big", At(MORNING_NS));
    let minute = |m: i64| from.plus_s(60 * m);
    day.push(minute(120), "event,kettle=big,what=follow by=\"Bruno\"");
    for (at, celsius) in [(minute(20), 33.1), (minute(150), 44.4)] {
        let limit = if celsius < 40.0 { 32.5 } else { 41.5 };
        let json = format!(
            r#"{{"kind":"alarm","time":"{at}","probe":"big","alarm":"over-target","state":"unacknowledged","priority":"high","celsius":{celsius},"limit_celsius":{limit},"text":"Too hot: {celsius} °C","said":[]}}"#
        );
        day.said(at, "big", "alarm", &json);
    }
    day.journal.commit().unwrap();
    drop(day);
    let lots = made_day::attached(data, "a-1", (from, to));
    let record = lots.store().load("a-1").unwrap();
    assert_eq!(record.plans.len(), 1, "{:?}", record.plans);
    let says = record.deviations.join("\n");
    let clock = minute(120).clock(&record.zone());
    assert!(
        says.contains(&format!("From {clock} on no plan was followed, in the middle of the make (Bruno)")),
        "{says}"
    );
    assert!(says.contains("Too hot: 44.4 °C") && !says.contains("33.1"), "{says}");
}
