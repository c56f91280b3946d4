//! What the scenes are put together from: a plan, two kettles, a forecast, an alarm.

use super::{
    AlarmKind, AlarmState, AlarmView, Basis, Forecast, Health, KettleView, MIN, NOW, Name, Plan,
    PlannedStage, Priority, S, Stage,
};

pub fn plan() -> Plan {
    let stage = |kind, to: Option<f64>, minutes: Option<f64>, optional| PlannedStage {
        to_celsius: to,
        minutes,
        optional,
        ..PlannedStage::of(kind)
    };
    Plan {
        name: "Larch wheel".into(),
        stages: vec![
            stage(Stage::Warming, Some(32.0), None, false),
            stage(Stage::Ripening, None, Some(20.0), true),
            stage(Stage::Setting, None, Some(35.0), false),
            stage(Stage::Cutting, None, Some(10.0), false),
            stage(Stage::Cooking, Some(44.0), Some(30.0), false),
            stage(Stage::Stirring, None, Some(20.0), false),
            stage(Stage::Settling, None, Some(5.0), true),
            stage(Stage::Drawing, None, None, false),
        ],
        ..Plan::default()
    }
}

pub fn kettle(name: &str) -> KettleView {
    KettleView {
        kettle: Name::from(name),
        probe: Name::from(name),
        celsius: Some(38.42),
        age_s: Some(0.8),
        old_after_s: 10.0,
        rate_celsius_per_min: Some(0.72),
        roughness_celsius: Some(0.11),
        health: Health::Good,
        reason: String::new(),
        stage: Stage::Cooking,
        stage_began: Some(NOW - 10 * MIN),
        stage_confidence: 0.96,
        stage_basis: Basis::Trace,
        plan: Some("Larch wheel".into()),
        target_celsius: Some(44.0),
        planned_minutes: Some(30.0),
        forecast: None,
        heat_off_called_at: None,
        curd_check_at: None,
        alarms: Vec::new(),
        stages: vec![
            (Stage::Warming, Some(NOW - 95 * MIN)),
            (Stage::Setting, Some(NOW - 68 * MIN)),
            (Stage::Cutting, Some(NOW - 24 * MIN)),
            (Stage::Cooking, Some(NOW - 10 * MIN)),
        ],
    }
}

pub fn forecast(off_in: i64, reach_in: i64) -> Forecast {
    Forecast {
        stage: Stage::Cooking,
        target_celsius: 44.0,
        heat_off_at: Some(NOW + off_in * S),
        reach_at: Some(NOW + reach_in * S),
        peak_celsius: 39.3,
        peak_low_celsius: 39.0,
        peak_high_celsius: 39.8,
    }
}

pub fn alarm(alarm: AlarmKind, priority: Priority) -> AlarmView {
    AlarmView {
        alarm,
        state: AlarmState::Unacknowledged,
        stands: true,
        priority,
        sounds: true,
        since: Some(NOW - 4 * S),
        since_s: 0.0,
        shelved_until: None,
        text: String::new(),
        said: Vec::new(),
    }
}

pub fn second() -> KettleView {
    KettleView {
        stage: Stage::Setting,
        celsius: Some(32.18),
        rate_celsius_per_min: Some(-0.01),
        target_celsius: None,
        planned_minutes: Some(35.0),
        forecast: None,
        curd_check_at: Some(NOW + 11 * MIN),
        stage_began: Some(NOW - 22 * MIN),
        stages: vec![(Stage::Warming, Some(NOW - 50 * MIN)), (Stage::Setting, Some(NOW - 22 * MIN))],
        plan: None,
        ..kettle("small kettle")
    }
}
