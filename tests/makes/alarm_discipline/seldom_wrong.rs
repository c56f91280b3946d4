//! Alarms that were wrong: called twice for one heating, too hot after the heat
//! was off, too hot on the way to the next cook, still before stirring began.

use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::alarms::Alarms;
use curdtrace::engine::probe::Health;
use curdtrace::engine::situation::{Outlook, Situation};
use curdtrace::engine::stage::{Basis, Stage};

use super::raised;
use super::scene::{cooking, ends_at, outlook, stirring};
use super::wheel::plan;

/// Judges a situation a second, and gives how often `alarm` was raised.
fn how_often(alarm: AlarmKind, seconds: usize, at: impl Fn(f64) -> Situation) -> usize {
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for second in 0..seconds {
        let t_s = second as f64;
        alarms.judge(&Situation { t_s, ..at(t_s) }, Some(&plan()), &mut out);
    }
    raised(&out, alarm)
}

/// A pause is told as settling, and the settling taken back: the heating goes on,
/// and its call was made.
#[test]
fn a_heating_is_not_called_again_after_a_stage_that_was_taken_back() {
    for back in [cooking(), stirring()] {
        let calls = how_often(AlarmKind::HeatOff, 1200, |t_s| match t_s {
            t if t < 60.0 => Situation { outlook: Some(outlook(-1.0)), ..cooking() },
            t if t < 300.0 => stirring(),
            t if t < 600.0 => Situation { stage: Stage::Settling, ..stirring() },
            _ => Situation { outlook: Some(outlook(-1.0)), ..back.clone() },
        });
        assert_eq!(calls, 1, "{:?}", back.stage);
    }
}

/// Called at 41 °C wanted. The rise breaks off at 41.1 °C, the filtered number runs
/// on to 41.7 and so does the forecast; the readings themselves never do.
#[test]
fn a_filtered_number_that_runs_on_is_not_too_hot() {
    let over = |plain: f64| {
        how_often(AlarmKind::OverTarget, 900, |t_s| {
            let ends = Outlook { peak_low_celsius: 41.9, peak_celsius: 42.2, ..outlook(-60.0) };
            let filtered = if t_s < 400.0 { 40.9 } else { 41.7 };
            let plain_celsius = Some(plain);
            Situation { celsius: Some(filtered), plain_celsius, outlook: Some(ends), ..cooking() }
        })
    };
    assert_eq!(over(40.95), 0);
    // Where the heat was not taken off, the readings say so.
    assert_eq!(over(41.8), 1);
}

/// Between two cooks of a plan: the second one's heat takes the milk beyond the
/// first one's target.
#[test]
fn the_way_to_the_next_cook_is_not_too_hot() {
    let over = |cooks_on: Option<f64>, seconds: usize| {
        how_often(AlarmKind::OverTarget, seconds, |t_s| match t_s {
            t if t < 60.0 => Situation { outlook: Some(outlook(-1.0)), ..cooking() },
            _ => Situation { celsius: Some(41.6), cooks_on, ..stirring() },
        })
    };
    assert_eq!(over(Some(0.6), 900), 0);
    // Not yet seen to be the next one's heat: a minute is given to see it.
    assert_eq!(over(Some(0.0), 130), 0);
    assert_eq!(over(Some(0.0), 300), 1);
    assert_eq!(over(None, 130), 1);
}

/// A person said that the heat is off; the trend runs on for a minute.
#[test]
fn heat_that_is_said_to_be_off_is_not_called_off() {
    let calls = |alarm, off_in_s: f64, said_until_s: f64| {
        how_often(alarm, 400, |t_s| {
            let said_off = t_s < said_until_s;
            Situation { heating: !said_off, said_off, outlook: Some(outlook(off_in_s)), ..cooking() }
        })
    };
    for (alarm, off_in_s) in [(AlarmKind::HeatOff, -1.0), (AlarmKind::GetReady, 120.0)] {
        assert_eq!(calls(alarm, off_in_s, 400.0), 0, "{}", alarm.name());
        // It is on again, or after all.
        assert_eq!(calls(alarm, off_in_s, 300.0), 1, "{}", alarm.name());
    }
}

/// A cook that the finder saw only as it ended, told together with its stirring.
#[test]
fn a_cook_told_with_its_stirring_has_its_target() {
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for second in 0..300 {
        let celsius = Some(41.0 + f64::from(second) * 0.01);
        let outlook = (second < 30).then(|| outlook(-1.0));
        let heated = Some((Stage::Cooking, 41.0));
        let s = Situation { t_s: f64::from(second), celsius, heated, outlook, ..stirring() };
        alarms.judge(&s, Some(&plan()), &mut out);
    }
    let said = |alarm| out.iter().find(|c| c.alarm == alarm).map(|c| c.limit_celsius);
    assert_eq!(said(AlarmKind::HeatOff), Some(Some(41.0)));
    assert_eq!(said(AlarmKind::OverTarget), Some(Some(41.5)));
}

/// For a minute after its fire is off milk goes on as on the fire, and a forecast from that
/// was "too hot" in every sixth make, and wrong as a rule. In a cook it is foretold.
#[test]
fn milk_that_was_called_is_too_hot_when_it_is_and_not_before() {
    for (stage, foretold) in [(Stage::Warming, 0), (Stage::Cooking, 1)] {
        let of = |t_s: f64, celsius: f64| Situation {
            stage,
            celsius: Some(celsius),
            outlook: Some(ends_at(42.4, -1.0 - t_s)),
            ..cooking()
        };
        let rises = |t_s: f64| of(t_s, 40.9 + (t_s / 400.0).min(0.5));
        assert_eq!(how_often(AlarmKind::OverTarget, 300, rises), foretold, "{stage:?}");
        let stands = |t_s: f64| of(t_s, 41.3 + (t_s / 400.0).min(0.5));
        assert_eq!(how_often(AlarmKind::OverTarget, 300, stands), 1, "{stage:?}");
    }
}

/// The maker wants 42 °C and not 41 while a pause in the cook is taken for stirring:
/// its call is for 42 °C, and is not made anew where the stirring is taken back.
#[test]
fn a_target_raised_in_what_was_no_stirring_is_called_for_once() {
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for second in 0..400 {
        let goes_on = Outlook { target_celsius: 42.0, ..outlook(-1.0) };
        let s = match second {
            0..60 => cooking(),
            60..200 => stirring(),
            200..230 => Situation { outlook: Some(goes_on), heating: true, ..stirring() },
            _ => Situation { target_celsius: Some(42.0), outlook: Some(goes_on), ..cooking() },
        };
        alarms.judge(&Situation { t_s: f64::from(second), ..s }, Some(&plan()), &mut out);
    }
    let calls: Vec<_> = out
        .iter()
        .filter(|c| c.alarm == AlarmKind::HeatOff && c.state == AlarmState::Unacknowledged)
        .map(|c| c.limit_celsius)
        .collect();
    assert_eq!(calls, [Some(42.0)]);
}

/// A long pause in the cook is told as stirring and settling. The fire is fed again:
/// the cook is called aloud, with its target.
#[test]
fn a_cook_that_goes_on_after_what_was_taken_for_settling_is_called_aloud() {
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for second in 0..400 {
        let s = match second {
            0..60 => cooking(),
            60..200 => stirring(),
            200..300 => Situation { stage: Stage::Settling, ..stirring() },
            _ => {
                let outlook = Some(outlook(350.0 - f64::from(second)));
                Situation { stage: Stage::Settling, outlook, heating: true, ..stirring() }
            }
        };
        alarms.judge(&Situation { t_s: f64::from(second), ..s }, Some(&plan()), &mut out);
    }
    let call = |c: &&curdtrace::engine::effect::AlarmChange| {
        c.alarm == AlarmKind::HeatOff && c.state == AlarmState::Unacknowledged
    };
    let calls: Vec<_> = out.iter().filter(call).map(|c| (c.sounds, c.limit_celsius)).collect();
    assert_eq!(calls, [(true, Some(41.0))]);
}

/// The gel stood for an hour before the cook was told of.
#[test]
fn what_stood_before_the_cook_is_no_stirring_that_stopped() {
    let stopped = |still_until_s: f64| {
        how_often(AlarmKind::StirringStopped, 400, |t_s| {
            let still_s = if t_s < still_until_s { 3600.0 + t_s } else { 0.0 };
            Situation { stage_began_s: -60.0, still_s, ..cooking() }
        })
    };
    assert_eq!(stopped(40.0), 0);
    assert_eq!(stopped(400.0), 1);
}

/// "The planned 35 min of setting are over, look at the curd" stood while the rennet was
/// not in yet: that it set was only thought so.
#[test]
fn curd_is_not_to_be_looked_at_where_it_is_only_thought_to_set() {
    let held = |basis: Basis| {
        how_often(AlarmKind::HoldDone, 2400, |_| Situation {
            stage: Stage::Setting,
            planned_minutes: Some(35.0),
            basis,
            ..stirring()
        })
    };
    assert_eq!((held(Basis::Plan), held(Basis::Trace)), (0, 1));
}

/// A fire that was lit, or a kettle swung on it, is slow at first.
#[test]
fn a_heating_is_not_slow_before_it_shows_its_pace() {
    let slow = |for_s: f64| {
        how_often(AlarmKind::HeatSlow, 500, |t_s| Situation {
            celsius: Some(34.0),
            rate_celsius_per_min: Some(if t_s < for_s { 0.1 } else { 0.7 }),
            planned_rate_celsius_per_min: Some(0.7),
            ..cooking()
        })
    };
    assert_eq!((slow(235.0), slow(500.0)), (0, 1));
}

/// A probe that speaks every ten seconds was in fault after one odd reading, in the cook.
#[test]
fn one_odd_reading_of_a_probe_that_speaks_seldom_is_no_fault() {
    let fault = |for_s: f64| {
        how_often(AlarmKind::ProbeFault, 120, |t_s| Situation {
            every_s: 10.0,
            silent_s: t_s % 10.0,
            health: if t_s < for_s { Health::Failure } else { Health::Good },
            ..cooking()
        })
    };
    assert_eq!((fault(12.0), fault(40.0)), (0, 1));
}

/// Milk that was set below the plan's temperature stands, and the setting is not yet sure
/// enough to be told: no fire is out.
#[test]
fn milk_that_stands_for_its_rennet_has_no_fire_that_may_be_out() {
    let slow = |stands: f64, per_min: f64| {
        how_often(AlarmKind::HeatSlow, 900, |_| Situation {
            stage: Stage::Warming,
            target_celsius: Some(35.0),
            celsius: Some(32.5),
            rate_celsius_per_min: Some(per_min),
            planned_rate_celsius_per_min: Some(0.8),
            stage_began_s: -1200.0,
            stands,
            ..cooking()
        })
    };
    for per_min in [-0.01, 0.07] {
        assert_eq!(slow(0.6, per_min), 0, "{per_min} °C/min");
        assert_eq!(slow(0.02, per_min), 1, "{per_min} °C/min");
    }
}

/// The cut is believed and not yet sure enough to be told while the rennet clock runs out.
#[test]
fn nobody_looks_at_curd_that_is_cut() {
    let looks = |cut: f64, until_s: f64| {
        how_often(AlarmKind::CurdCheck, 400, |t_s| Situation {
            stage: Stage::Setting,
            curd_check_at_s: Some(240.0),
            cut: if t_s < until_s { cut } else { 0.01 },
            ..stirring()
        })
    };
    assert_eq!(looks(0.5, 400.0), 0);
    assert_eq!(looks(0.03, 400.0), 1);
    // It was none.
    assert_eq!(looks(0.5, 300.0), 1);
}

/// The planned minutes are over while the probe is out, and with it perhaps the curd.
#[test]
fn a_hold_is_not_done_of_what_is_out() {
    let done = |out_until_s: f64| {
        how_often(AlarmKind::HoldDone, 400, |t_s| Situation {
            stage_began_s: -1700.0,
            in_milk: t_s < 90.0 || t_s >= out_until_s,
            ..stirring()
        })
    };
    assert_eq!(done(400.0), 0);
    assert_eq!(done(150.0), 1);
}
