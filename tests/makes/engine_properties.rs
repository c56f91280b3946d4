//! Engine properties under arbitrary sequences of events and situations: no
//! panic, exactly one state an alarm, never normal beyond a limit, finite
//! output, the same effects for the same events.
//!
//! `PROPTEST_CASES` sets how many (1,000 by default); a failing seed is printed
//! and kept beside this file.

use std::collections::BTreeSet;
use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::alarms::Alarms;
use curdtrace::engine::effect::{Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use curdtrace::engine::plan::{Plan, PlannedStage, Sounding};
use curdtrace::engine::probe::{Health, Watch};
use curdtrace::engine::situation::{Outlook, Situation};
use curdtrace::engine::stage::{Basis, Stage};
use proptest::prelude::*;
use proptest::sample::select;
use proptest::test_runner::FileFailurePersistence;

mod any;
use any::*;

fn cases() -> ProptestConfig {
    let cases = std::env::var("PROPTEST_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(1000);
    let beside = FileFailurePersistence::WithSource("proptest-regressions");
    ProptestConfig {
        cases,
        max_shrink_iters: 20_000,
        failure_persistence: Some(Box::new(beside)),
        ..ProptestConfig::default()
    }
}

fn assert_finite(effect: &Effect) {
    let numbers: Vec<f64> = match &effect.what {
        Conclusion::Stage(s) => vec![s.confidence],
        Conclusion::Alarm(a) => a.celsius.into_iter().chain(a.limit_celsius).collect(),
        Conclusion::Forecast(f) => {
            assert!(f.peak_low_celsius <= f.peak_celsius && f.peak_celsius <= f.peak_high_celsius, "{f:?}");
            vec![f.target_celsius, f.peak_celsius, f.peak_low_celsius, f.peak_high_celsius]
        }
        Conclusion::Make(m) => {
            let stages = m.stages.iter().map(|s| s.confidence);
            stages
                .chain(m.cooks.iter().flat_map(|c| [c.target_celsius.unwrap_or_default(), c.peak_celsius]))
                .collect()
        }
        Conclusion::Learned(l) => vec![l.coast_s, l.coast_sd_s],
        Conclusion::Health(_) | Conclusion::MakeBegan | Conclusion::Remark(_) => vec![],
    };
    assert!(numbers.iter().all(|n| n.is_finite()), "{effect:?}");
}

proptest! {
    #![proptest_config(cases())]

    /// Row 10 of the test list, through the engine's door.
    #[test]
    fn the_engine_stands_any_sequence(
        plan in prop::option::of(any_plan()),
        deeds in prop::collection::vec((any_deed(), 0.0..200.0f64), 1..10),
    ) {
        let events = events(&deeds);
        let plan = plan.map(Arc::new);
        let (mut one, mut two) = (Engine::new(plan.clone()), Engine::new(plan));
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for (i, event) in events.iter().enumerate() {
            one.step(event, &mut a);
            let plain = matches!(event.what, Happening::Reading(_));
            if plain && i % 50 != 0 {
                continue;
            }
            for kettle in one.view().kettles {
                let kinds: BTreeSet<_> = kettle.alarms.iter().map(|a| a.alarm).collect();
                prop_assert_eq!(kinds.len(), kettle.alarms.len(), "an alarm in two states");
                prop_assert!(kettle.celsius.is_none_or(f64::is_finite));
                prop_assert!(kettle.celsius.is_none() || kettle.age_s.is_some(), "a number without its age");
            }
        }
        a.iter().for_each(assert_finite);
        for event in &events {
            two.step(event, &mut b);
        }
        prop_assert_eq!(a, b, "the same events, other effects");
    }

    /// The set of alarms under arbitrary situations and commands: states follow
    /// each other without a gap, and beyond the limit is never normal.
    #[test]
    fn alarms_are_never_normal_beyond_the_limit(
        plan in prop::option::of(any_plan()),
        steps in prop::collection::vec(any_step(), 1..60),
    ) {
        let mut alarms = Alarms::new();
        let mut out = Vec::new();
        let mut seen = [AlarmState::Normal; AlarmKind::ALL.len()];
        let (mut t_s, mut over_since_s) = (0.0, None);
        for step in &steps {
            t_s += step.after_s;
            out.clear();
            if let Some(ask) = &step.ask {
                alarms.command(ask, None, t_s, &mut out);
            }
            let s = step.situation(t_s);
            alarms.judge(&s, plan.as_ref(), &mut out);
            for change in &out {
                let before = &mut seen[change.alarm as usize];
                // Called anew, or silenced for longer.
                let again = matches!(change.state, AlarmState::Unacknowledged | AlarmState::Shelved);
                prop_assert!(*before != change.state || again, "told twice: {:?}", change);
                prop_assert!(change.state == AlarmState::Normal || !change.text.is_empty()
                    || matches!(change.state, AlarmState::Shelved | AlarmState::OutOfService), "{change:?}");
                *before = change.state;
            }
            for kind in AlarmKind::ALL {
                prop_assert_eq!(seen[kind as usize], alarms.state(kind), "{:?} changed untold", kind);
            }
            let standing = alarms.views();
            prop_assert!(standing.iter().all(|v| v.state != AlarmState::Normal));

            // Beyond the limit for longer than the on-delay.
            let off = plan.as_ref().and_then(|p| p.alarms.get(&AlarmKind::OverTarget)) == Some(&Sounding::Off);
            let limit = s.target_celsius.map(|t| t + s.tolerance_celsius);
            let beyond = !off
                && s.health < Health::CheckFunction
                && matches!(s.stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating)
                && limit.zip(s.celsius).is_some_and(|(l, c)| c > l);
            if beyond {
                let since_s = *over_since_s.get_or_insert(t_s);
                if t_s - since_s >= 15.0 {
                    prop_assert_ne!(alarms.state(AlarmKind::OverTarget), AlarmState::Normal);
                }
            } else {
                over_since_s = None;
            }
        }
    }

    /// A probe's watch: a number that is used is finite and was said; nothing
    /// real is locked out for long.
    #[test]
    fn a_watch_uses_only_numbers_that_were_said(readings in prop::collection::vec((any_reading(), 0.0..20.0f64), 1..200)) {
        let mut watch = Watch::new();
        let mut t_s = 0.0;
        for (reading, dt_s) in &readings {
            t_s += dt_s;
            let verdict = watch.take(reading, t_s, *dt_s);
            if let Some(used) = verdict.use_celsius {
                prop_assert!(used.is_finite());
                prop_assert_eq!(Some(used.to_bits()), reading.celsius.map(f64::to_bits));
                prop_assert!(verdict.health < Health::Failure);
            } else {
                prop_assert!(verdict.health > Health::Good && !verdict.reason.to_string().is_empty());
            }
            prop_assert_eq!(verdict.health == Health::Good, verdict.reason.is_fine());
        }
        // Then milk at 34 °C for a minute: taken, and well within it.
        for i in 0..60 {
            t_s += 1.0;
            let verdict = watch.take(&Reading::of("kettle", 34.0 + f64::from(i % 2) * 0.1), t_s, 1.0);
            prop_assert!(i < 50 || verdict.use_celsius.is_some(), "locked out: {verdict:?}");
        }
    }
}

/// One look of the alarms at a kettle.
#[derive(Debug, Clone)]
struct Step {
    after_s: f64,
    stage: Stage,
    celsius: Option<f64>,
    target_celsius: Option<f64>,
    heating_number: u32,
    health: Health,
    heat_off_in_s: Option<f64>,
    silent_s: f64,
    still_s: f64,
    curd_check_at_s: Option<f64>,
    ask: Option<Ask>,
}

fn any_step() -> impl Strategy<Value = Step> {
    let when = (0.0..40.0f64, any_stage(), 1..4u32, select(Health::ALL.to_vec()));
    let warmth = (prop::option::of(30.0..50.0f64), prop::option::of(select(vec![38.0, 41.0])));
    let quiet = (prop_oneof![Just(0.0), 0.0..900.0f64], prop_oneof![Just(0.0), 0.0..400.0f64]);
    let ahead = (prop::option::of(-60.0..900.0f64), prop::option::of(0.0..4000.0f64));
    (when, warmth, quiet, ahead, prop::option::weighted(0.2, any_alarm_ask())).prop_map(
        |(
            (after_s, stage, heating_number, health),
            (celsius, target),
            (silent_s, still_s),
            (off, curd),
            ask,
        )| {
            Step {
                after_s,
                stage,
                celsius,
                target_celsius: target,
                heating_number,
                health,
                heat_off_in_s: off,
                silent_s,
                still_s,
                curd_check_at_s: curd,
                ask,
            }
        },
    )
}

impl Step {
    fn situation(&self, t_s: f64) -> Situation {
        Situation {
            t_s,
            celsius: self.celsius,
            plain_celsius: None,
            rate_celsius_per_min: Some(0.3),
            number_age_s: self.silent_s,
            silent_s: self.silent_s,
            every_s: 1.0,
            basis: Basis::Trace,
            health: self.health,
            reason: "open".to_owned(),
            occurrence: 0,
            stage: self.stage,
            stage_began_s: 0.0,
            planned_minutes: Some(20.0),
            in_milk: self.stage != Stage::Idle,
            heating: self.heat_off_in_s.is_some(),
            said_off: false,
            cooks_on: None,
            goes_on: true,
            stands: 0.0,
            cut: 0.0,
            heating_number: self.heating_number,
            target_celsius: self.target_celsius,
            heated: None,
            tolerance_celsius: 0.5,
            set_celsius: Some(32.0),
            planned_rate_celsius_per_min: Some(0.5),
            outlook: self.heat_off_in_s.map(|heat_off_in_s| Outlook {
                target_celsius: self.target_celsius.unwrap_or(41.0),
                heat_off_in_s,
                reach_in_s: 0.0,
                peak_celsius: 41.0,
                peak_low_celsius: 40.5,
                peak_high_celsius: 41.5,
                blind_s: None,
            }),
            still_s: self.still_s,
            curd_check_at_s: self.curd_check_at_s,
            boiling_celsius: 96.0,
        }
    }
}
