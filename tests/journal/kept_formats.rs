//! Promise: what an earlier version wrote, or a maker wrote for it, is read the same by
//! every later one. `tests/golden/` keeps a file of each form (the journal's is read in
//! `journal_clock`); a file there is never changed, a new form gets a file of its own.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use std::path::Path;

use curdtrace::config::{dairy, kettle, plan};
use curdtrace::engine::alarm::AlarmKind;
use curdtrace::engine::plan::Sounding;
use curdtrace::engine::stage::Stage;
use curdtrace::lot::record::Record;
use curdtrace::sensor::calibration;

fn golden(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(name);
    std::fs::read_to_string(path).unwrap()
}

#[test]
fn a_lot_of_the_first_format_is_read_whole() {
    let text = golden("lot-1.toml");
    let record: Record = toml::from_str(&text).unwrap();
    assert_eq!((record.format, record.kettle.as_str(), record.milk.litres), (1, "kettle", Some(80.0)));
    assert_eq!((record.wheels.len(), record.wheels[0].kg, record.milkings.len()), (2, Some(6.3), 1));
    assert!(record.stages.len() >= 6 && !record.cooks.is_empty() && !record.alarms.is_empty());
    assert_eq!(record.corrections.iter().filter(|c| c.by == "ada" && c.reason == "misread").count(), 2);
    // Nothing in it is passed over: what is written again says as much.
    let again: toml::Table = toml::to_string(&record).unwrap().parse().unwrap();
    let before: toml::Table = text.parse().unwrap();
    for (key, value) in &before {
        assert_eq!(again.get(key), Some(value), "{key}");
    }
}

#[test]
fn what_was_learned_of_a_kettle_is_read_to_the_last_digit() {
    let text = golden("kettle-1.toml");
    let learned = kettle::parse(&text, "kettle-1.toml").unwrap();
    assert_eq!(learned.makes, 1);
    assert_eq!(kettle::write(&learned), text);
}

#[test]
fn a_calibration_is_read_and_corrects_as_it_did() {
    let text = golden("calibration-1.toml");
    let record = calibration::Record::of_toml(&text).unwrap();
    let corrects = record.applied().unwrap().correction;
    assert!((corrects.apply(26.35) - 26.0).abs() < 1e-9 && (corrects.apply(60.3) - 60.0).abs() < 1e-9);
    assert_eq!(calibration::Record::of_toml(&record.to_toml().unwrap()).unwrap(), record);
}

#[test]
fn a_configuration_and_a_plan_mean_what_they_did() {
    let text = golden("config-1.toml");
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let config = dairy::parse(&text, "config-1.toml", &beside).unwrap();
    assert_eq!((config.serial.len(), config.brokers.len(), config.most_probes), (1, 1, 32));
    assert_eq!((config.dairy.as_str(), config.language.as_str()), ("Hut above the larches", "en"));
    let text = golden("plan-1.toml");
    let plan = plan::parse(&text, "plan-1.toml").unwrap();
    let cooks = plan.stages.iter().filter(|s| s.kind == Stage::Cooking).map(|s| s.to_celsius);
    assert_eq!(cooks.collect::<Vec<_>>(), [Some(44.0), Some(55.0)]);
    assert_eq!(plan.alarms[&AlarmKind::StirringStopped], Sounding::Shows);
    assert!((plan.reaction_s - 15.0).abs() < 1e-9 && plan.litres == Some(500.0));
}
