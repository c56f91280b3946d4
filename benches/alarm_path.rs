//! What a reading costs on the quiet way through the probe's watch and the
//! alarms. Aims: under 150 ns a reading, under 200 ns a judgement.
//!
//!     cargo bench --bench alarm_path

use curdtrace::engine::alarms::Alarms;
use curdtrace::engine::event::Reading;
use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::probe::{Health, Watch};
use curdtrace::engine::situation::{Outlook, Situation};
use curdtrace::engine::stage::{Basis, Stage};
use divan::{Bencher, black_box};

/// Readings or judgements in one sample.
const MANY: usize = 1000;

fn main() {
    divan::main();
}

/// Stirred milk at 1 Hz with a sixteenth of a degree's resolution.
fn celsius(i: usize) -> f64 {
    34.0 + (i % 5) as f64 * 0.0625
}

#[divan::bench(counters = [MANY])]
fn watch_takes_good_readings(bencher: Bencher) {
    let mut watch = Watch::new();
    let (mut i, mut reading) = (0, Reading::of("kettle", 34.0));
    bencher.bench_local(|| {
        for _ in 0..MANY {
            i += 1;
            reading.celsius = Some(celsius(i));
            reading.seq = Some(i as u64);
            reading.cold_junction_celsius = Some(24.0);
            black_box(watch.take(&reading, i as f64, 1.0));
        }
    });
}

fn judge(bencher: Bencher, plan: Option<&Plan>, mut situation: Situation) {
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    bencher.bench_local(|| {
        for _ in 0..MANY {
            situation.t_s += 1.0;
            alarms.judge(black_box(&situation), plan, &mut out);
        }
        out.clear();
    });
}

fn plan() -> Plan {
    let mut cook = PlannedStage::of(Stage::Cooking);
    cook.to_celsius = Some(41.0);
    cook.minutes = Some(30.0);
    Plan { stages: vec![PlannedStage::of(Stage::Setting), cook], ..Plan::default() }
}

fn situation(stage: Stage) -> Situation {
    Situation {
        t_s: 0.0,
        celsius: Some(36.0),
        plain_celsius: Some(40.1),
        rate_celsius_per_min: Some(0.4),
        number_age_s: 0.0,
        silent_s: 0.0,
        every_s: 1.0,
        basis: Basis::Trace,
        health: Health::Good,
        reason: String::new(),
        occurrence: 0,
        stage,
        stage_began_s: 0.0,
        planned_minutes: None,
        in_milk: stage != Stage::Idle,
        heating: stage == Stage::Cooking,
        said_off: false,
        cooks_on: None,
        goes_on: true,
        stands: 0.0,
        cut: 0.0,
        heating_number: 2,
        target_celsius: (stage == Stage::Cooking).then_some(41.0),
        heated: None,
        tolerance_celsius: 0.5,
        set_celsius: None,
        planned_rate_celsius_per_min: None,
        outlook: (stage == Stage::Cooking).then_some(Outlook {
            target_celsius: 41.0,
            heat_off_in_s: 700.0,
            reach_in_s: 750.0,
            peak_celsius: 36.5,
            peak_low_celsius: 36.3,
            peak_high_celsius: 36.7,
            blind_s: None,
        }),
        still_s: 0.0,
        curd_check_at_s: None,
        boiling_celsius: 95.0,
    }
}

#[divan::bench(counters = [MANY])]
fn alarms_judge_a_quiet_cook(bencher: Bencher) {
    judge(bencher, Some(&plan()), situation(Stage::Cooking));
}

#[divan::bench(counters = [MANY])]
fn alarms_judge_an_idle_kettle(bencher: Bencher) {
    judge(bencher, None, situation(Stage::Idle));
}
