//! The plan of a semi-cooked wheel, as small as it may be.

use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::stage::Stage;

/// A semi-cooked wheel.
pub fn plan() -> Plan {
    let stage = |kind, to, minutes| PlannedStage { to_celsius: to, minutes, ..PlannedStage::of(kind) };
    Plan {
        name: "Alarm test wheel".to_owned(),
        stages: vec![
            stage(Stage::Warming, Some(32.0), None),
            stage(Stage::Setting, None, Some(35.0)),
            stage(Stage::Cutting, None, Some(10.0)),
            stage(Stage::Cooking, Some(41.0), Some(30.0)),
            stage(Stage::Stirring, None, Some(30.0)),
        ],
        ..Plan::default()
    }
}
