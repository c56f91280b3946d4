//! Alarm discipline (ISA-18.2): no chatter at the limit, few alarms in a make
//! and in a day, one alarm a cause, calls once a heating, and what people did
//! to alarms survives a restart by replay.
//!
//! Pass figures: no three raisings of one alarm in a minute, at most six an
//! hour, at most five that sound in a good make, fewer than ten in ten minutes
//! where eight probes fail together.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may fail loudly and prints what it measured"
)]

use support::alarm_scene as scene;
mod seldom_wrong;
mod silences;
mod through_the_engine;
use support::wheel;

use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::alarms::Alarms;
use curdtrace::engine::effect::AlarmChange;
use curdtrace::engine::event::Ask;
use curdtrace::engine::plan::{Plan, Sounding};
use curdtrace::engine::probe::Health;
use curdtrace::engine::situation::{Outlook, Situation};
use curdtrace::engine::stage::Stage;
use scene::{Noise, cooking, ends_at, outlook, stirring};
use wheel::plan;

fn raised(changes: &[AlarmChange], kind: AlarmKind) -> usize {
    changes.iter().filter(|c| c.alarm == kind && c.state == AlarmState::Unacknowledged).count()
}

/// Judges `hours` of situations, one a second; the raisings of `kind` by the
/// second.
fn raisings(kind: AlarmKind, hours: u32, plan: &Plan, mut at: impl FnMut(f64) -> Situation) -> Vec<f64> {
    let mut alarms = Alarms::new();
    let mut times = Vec::new();
    let mut out = Vec::new();
    for i in 0..hours * 3600 {
        let t_s = f64::from(i);
        alarms.judge(&Situation { t_s, ..at(t_s) }, Some(plan), &mut out);
        times.extend(std::iter::repeat_n(t_s, raised(&out, kind)));
        out.clear();
    }
    times
}

fn disciplined(kind: AlarmKind, seed: u64, hours: u32, times: &[f64]) {
    let chatter = times.windows(3).any(|w| w[2] - w[0] < 60.0);
    println!("{}: seed {seed}, {} raisings in {hours} h", kind.name(), times.len());
    assert!(!chatter, "{} chatters, seed {seed}: {times:?}", kind.name());
    assert!(times.len() <= 6 * hours as usize, "{}, seed {seed}: {} in {hours} h", kind.name(), times.len());
    assert!(!times.is_empty(), "{}, seed {seed}: the limit is met, so it must be said", kind.name());
}

/// A level that wanders about the limit, correlated over half a minute, with a
/// standard deviation of 0.12 °C: what a filter leaves of a stirred kettle.
fn wander(seed: u64, limit: f64) -> impl FnMut() -> f64 {
    let (mut noise, mut state) = (Noise(seed), 0.0);
    move || {
        let keep: f64 = 1.0 - 1.0 / 30.0;
        state = state * keep + 0.12 * (1.0 - keep * keep).sqrt() * noise.normal();
        limit + state
    }
}

#[test]
fn noise_at_the_limit_never_chatters() {
    for seed in 1..=8 {
        let plan = plan();
        let mut level = wander(seed, 41.5);
        let times = raisings(AlarmKind::OverTarget, 4, &plan, |t| {
            let s = if t < 5.0 { cooking() } else { stirring() };
            Situation { celsius: Some(level()), ..s }
        });
        disciplined(AlarmKind::OverTarget, seed, 4, &times);

        let mut level = wander(seed, 31.0);
        let times = raisings(AlarmKind::MilkCold, 4, &plan, |_| Situation {
            stage: Stage::Setting,
            // A gel a little colder than the limit: ten minutes must pass.
            celsius: Some(level() - 0.35),
            set_celsius: Some(32.0),
            ..stirring()
        });
        disciplined(AlarmKind::MilkCold, seed, 4, &times);

        let mut level = wander(seed, 98.0);
        let times = raisings(AlarmKind::NearBoil, 4, &plan, |_| Situation {
            stage: Stage::WheyHeating,
            celsius: Some(level()),
            ..stirring()
        });
        disciplined(AlarmKind::NearBoil, seed, 4, &times);

        let stored = Plan { milk_warm_above_celsius: Some(8.0), ..plan.clone() };
        let mut level = wander(seed, 8.35);
        let times = raisings(AlarmKind::MilkWarm, 8, &stored, |_| Situation {
            stage: Stage::Idle,
            celsius: Some(level()),
            in_milk: false,
            ..stirring()
        });
        disciplined(AlarmKind::MilkWarm, seed, 8, &times);
    }
}

/// Back at the limit an alarm stands until it is a deadband beyond it, for however long.
#[test]
fn what_was_raised_is_over_a_deadband_beyond_its_limit_and_not_at_it() {
    let (plan, plain) = (plan(), stirring());
    let stored = Plan { milk_warm_above_celsius: Some(8.0), ..plan.clone() };
    let setting = Situation { stage: Stage::Setting, set_celsius: Some(32.0), ..plain.clone() };
    let whey = Situation { stage: Stage::WheyHeating, ..plain.clone() };
    let idle = Situation { stage: Stage::Idle, in_milk: false, ..plain.clone() };
    for (kind, plan, scene, limit, beyond) in [
        (AlarmKind::OverTarget, &plan, &plain, 41.5, -1.0),
        (AlarmKind::MilkCold, &plan, &setting, 31.0, 1.0),
        (AlarmKind::NearBoil, &plan, &whey, 98.0, -1.0),
        (AlarmKind::MilkWarm, &stored, &idle, 8.0, -1.0),
    ] {
        let (mut alarms, mut out) = (Alarms::new(), Vec::new());
        let mut at = |t_s: f64, off: f64| {
            let cook = kind == AlarmKind::OverTarget && t_s < 5.0;
            let scene = if cook { cooking() } else { scene.clone() };
            let situation = Situation { t_s, celsius: Some(limit + beyond * off), ..scene };
            alarms.judge(&situation, Some(plan), &mut out);
            alarms.state(kind)
        };
        let mut state = AlarmState::Normal;
        let times =
            [(0, 10, 0.2, false), (10, 2400, -0.2, true), (2400, 4800, 0.2, true), (4800, 5000, 0.4, false)];
        for (from, to, off, raised) in times {
            for t in from..to {
                state = at(f64::from(t), off);
            }
            let stands = state == AlarmState::Unacknowledged;
            assert_eq!(stands, raised, "{}: {state:?} at {off} beyond the limit", kind.name());
        }
    }
}

/// So is the word that the target is near, where the fire is fed and flags.
#[test]
fn that_it_is_nearly_there_is_said_once_about_a_fire_that_flags() {
    let plan = plan();
    let ahead_s = plan.get_ready_minutes * 60.0;
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for t in 0..3600 {
        let t_s = f64::from(t);
        let off_in_s = ahead_s + 120.0 * (t_s / 40.0).sin();
        let scene = Situation { t_s, celsius: Some(39.0), outlook: Some(outlook(off_in_s)), ..cooking() };
        alarms.judge(&scene, Some(&plan), &mut out);
    }
    let told: Vec<_> = out.iter().filter(|c| c.alarm == AlarmKind::GetReady).map(|c| c.state).collect();
    assert_eq!(told, [AlarmState::Unacknowledged]);
}

#[test]
fn flickering_probes_and_stirrers_never_chatter() {
    for seed in 1..=8 {
        let plan = plan();
        let mut noise = Noise(seed);
        let mut faulty = false;
        let times = raisings(AlarmKind::ProbeFault, 4, &plan, |_| {
            if noise.uniform() < 0.02 {
                faulty = !faulty;
            }
            let health = if faulty { Health::Failure } else { Health::Good };
            Situation { health, reason: "open".to_owned(), ..cooking() }
        });
        disciplined(AlarmKind::ProbeFault, seed, 4, &times);

        // A plug that makes contact for two seconds in every forty.
        let times = raisings(AlarmKind::ProbeSilent, 4, &plan, |t| Situation {
            silent_s: (t % 40.0 - 2.0).max(0.0),
            ..cooking()
        });
        disciplined(AlarmKind::ProbeSilent, seed, 4, &times);
    }
}

/// A fault that lasts into the cook matters more there: it is said again, and has
/// come once all the same. One that recurs must be over for twenty minutes.
#[test]
fn a_fault_that_grew_in_the_cook_ends_as_one_that_came_once() {
    let plan = plan();
    let (mut alarms, mut out) = (Alarms::new(), Vec::new());
    for t in 0..400 {
        let kind = if t < 200 { Stage::Stirring } else { Stage::Cooking };
        let health = if t < 300 { Health::Failure } else { Health::Good };
        let s = Situation { t_s: f64::from(t), health, reason: "open".to_owned(), ..stirring() };
        alarms.judge(&Situation { stage: kind, ..s }, Some(&plan), &mut out);
    }
    assert_eq!(raised(&out, AlarmKind::ProbeFault), 2);
    assert_eq!(alarms.state(AlarmKind::ProbeFault), AlarmState::ReturnedUnacknowledged);
}

#[test]
fn a_good_make_sounds_at_most_five_times_and_calls_once_a_heating() {
    let plan = plan();
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    // Warming at 0.8 °C/min to 32, rennet, setting, cutting, cook at 0.4 to
    // 41, stirring out, settling, drawing.
    let mut rate = 0.8;
    let mut celsius: f64 = 18.0;
    let mut stage = (Stage::Warming, 0.0);
    for i in 0..9000 {
        let t_s = f64::from(i);
        let (kind, began_s) = stage;
        let for_s = t_s - began_s;
        let target = match kind {
            Stage::Warming => Some(32.0),
            Stage::Cooking => Some(41.0),
            _ => None,
        };
        let next = match kind {
            Stage::Warming if celsius >= 32.0 => Some((Stage::Setting, 0.0)),
            Stage::Setting if for_s > 2100.0 => Some((Stage::Cutting, 0.0)),
            Stage::Cutting if for_s > 600.0 => Some((Stage::Cooking, 0.4)),
            Stage::Cooking if celsius >= 41.0 => Some((Stage::Stirring, 0.0)),
            Stage::Stirring if for_s > 1800.0 => Some((Stage::Settling, 0.0)),
            Stage::Settling if for_s > 300.0 => Some((Stage::Drawing, -3.0)),
            _ => None,
        };
        if let Some((kind, new_rate)) = next {
            stage = (kind, t_s);
            rate = new_rate;
        }
        celsius = (celsius + rate / 60.0).max(12.0);
        let heating = rate > 0.0;
        let off_in_s = target.map(|t| (t - 0.3 - celsius) / 0.4 * 60.0);
        let setting = kind == Stage::Setting;
        let situation = Situation {
            t_s,
            celsius: Some(celsius),
            rate_celsius_per_min: Some(rate),
            stage: stage.0,
            stage_began_s: stage.1,
            planned_minutes: if setting { Some(35.0) } else { None },
            in_milk: stage.0 != Stage::Drawing,
            heating,
            heating_number: if t_s < 3000.0 { 1 } else { 2 },
            target_celsius: target,
            set_celsius: setting.then_some(32.0),
            outlook: target.zip(off_in_s).filter(|_| heating).map(|(t, o)| ends_at(t, o)),
            still_s: if setting || kind == Stage::Settling { for_s } else { 0.0 },
            curd_check_at_s: (kind == Stage::Setting).then_some(3100.0),
            ..stirring()
        };
        alarms.judge(&situation, Some(&plan), &mut out);
    }
    for change in &out {
        println!("{} {} sounds {}: {}", change.alarm.name(), change.state.name(), change.sounds, change.text);
    }
    let sounding =
        out.iter().filter(|c| c.sounds && c.state == AlarmState::Unacknowledged).map(|c| c.alarm.name());
    let sounding: Vec<_> = sounding.collect();
    assert_eq!(sounding, ["curd-check", "get-ready", "heat-off"]);
    assert_eq!(raised(&out, AlarmKind::HeatOff), 2, "warming and cook, once each");
    assert_eq!(raised(&out, AlarmKind::AtTarget), 2);
    assert_eq!(raised(&out, AlarmKind::MilkCold), 0, "no cold alarm once the curd is out");
}

/// How often the heat is called off in minutes of heating: its number, its target
/// (°C) and how far off the call is (s).
fn heat_off_calls(minutes: &[(u32, f64, f64)]) -> usize {
    let plan = plan();
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    for (k, &(heating_number, target, off_in_s)) in minutes.iter().enumerate() {
        for second in 1..=60 {
            let s = Situation {
                t_s: (k * 60 + second) as f64,
                celsius: Some(40.2),
                heating_number,
                target_celsius: Some(target),
                outlook: Some(ends_at(target, off_in_s)),
                ..cooking()
            };
            alarms.judge(&s, Some(&plan), &mut out);
        }
    }
    raised(&out, AlarmKind::HeatOff)
}

#[test]
fn heat_off_is_called_once_a_heating_whatever_the_fire_does() {
    // Called; the fire dips, the forecast falls back, and it flares up again.
    let one = [(2, 41.0, 90.0), (2, 41.0, -5.0), (2, 41.0, 200.0), (2, 41.0, -5.0)];
    assert_eq!(heat_off_calls(&one), 1);
    // The next heating calls anew though the last call was never taken.
    assert_eq!(heat_off_calls(&[&one[..], &[(3, 41.0, -5.0)]].concat()), 2);
}

/// A pause in a cook may be told as stirring. The fire is fed again, and the call
/// is the cook's: it must be heard wherever the maker is.
#[test]
fn a_cook_taken_for_over_and_fed_again_is_called_aloud() {
    let plan = plan();
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    let judge = |alarms: &mut Alarms, t_s, s: Situation, out: &mut Vec<AlarmChange>| {
        alarms.judge(&Situation { t_s, ..s }, Some(&plan), out);
    };
    judge(&mut alarms, 0.0, Situation { outlook: Some(outlook(90.0)), ..cooking() }, &mut out);
    judge(&mut alarms, 60.0, stirring(), &mut out);
    judge(&mut alarms, 600.0, Situation { outlook: Some(outlook(-1.0)), ..stirring() }, &mut out);
    let calls: Vec<_> = out.iter().filter(|c| c.alarm == AlarmKind::HeatOff).collect();
    assert!(matches!(calls[..], [c] if c.sounds && c.state == AlarmState::Unacknowledged), "{calls:?}");
}

/// A second cook that is told and taken back was the first one: what was called
/// for that is not called again, though its alarm has gone meanwhile.
#[test]
fn a_heating_that_was_none_of_its_own_is_not_called_again() {
    let one = [(2, 41.0, -5.0), (3, 53.0, 700.0), (2, 41.0, -5.0)];
    assert_eq!(heat_off_calls(&one), 1);
    // The real second one is called for itself.
    assert_eq!(heat_off_calls(&[&one[..], &[(3, 53.0, -5.0)]].concat()), 2);
}

/// Once it was taken and its cause was gone, nothing told any more that the heat had
/// been called off; and of one that is silenced, whether it stands.
#[test]
fn that_the_heat_was_called_off_is_known_when_its_alarm_is_gone() {
    let plan = plan();
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    let mut judge = |alarms: &mut Alarms, t_s, s: Situation| {
        alarms.judge(&Situation { t_s, ..s }, Some(&plan), &mut out);
        alarms.views().into_iter().find(|a| a.alarm == AlarmKind::HeatOff).map(|a| (a.state, a.stands))
    };
    let due = || Situation { outlook: Some(outlook(-1.0)), ..cooking() };
    let off = || Situation { heating: false, outlook: None, ..cooking() };
    assert_eq!(alarms.heat_off_called_s(), None);
    assert_eq!(judge(&mut alarms, 5.0, due()), Some((AlarmState::Unacknowledged, true)));
    alarms.command(&Ask::Shelve(AlarmKind::HeatOff, 60), None, 6.0, &mut Vec::new());
    assert_eq!(judge(&mut alarms, 7.0, due()), Some((AlarmState::Shelved, true)));
    assert_eq!(judge(&mut alarms, 10.0, off()), Some((AlarmState::Shelved, true)));
    assert_eq!(judge(&mut alarms, 45.0, off()), Some((AlarmState::Shelved, false)));
    assert_eq!(judge(&mut alarms, 70.0, off()), None);
    assert_eq!(alarms.heat_off_called_s(), Some(5.0));
    // The next heating was not called yet.
    judge(&mut alarms, 80.0, Situation { heating_number: 9, outlook: Some(outlook(300.0)), ..cooking() });
    assert_eq!(alarms.heat_off_called_s(), None);
}

#[test]
fn a_target_raised_in_the_middle_is_called_for_and_a_blind_call_says_so() {
    let plan = plan();
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    let judge = |alarms: &mut Alarms, t_s, target, o, out: &mut Vec<AlarmChange>| {
        let s = Situation { t_s, celsius: None, target_celsius: Some(target), outlook: Some(o), ..cooking() };
        alarms.judge(&s, Some(&plan), out);
    };
    judge(&mut alarms, 0.0, 41.0, outlook(-1.0), &mut out);
    judge(&mut alarms, 1.0, 44.0, outlook(300.0), &mut out);
    judge(&mut alarms, 400.0, 44.0, Outlook { blind_s: Some(130.0), ..outlook(-1.0) }, &mut out);
    assert_eq!(raised(&out, AlarmKind::HeatOff), 2);
    let blind = out.iter().rfind(|c| c.alarm == AlarmKind::HeatOff).unwrap();
    assert!(blind.text.contains("blind") && blind.text.contains("2 min 10 s"), "{}", blind.text);
    assert_eq!((blind.celsius, blind.limit_celsius), (None, Some(44.0)));
}

#[test]
fn the_plan_says_what_sounds_and_what_is_not_raised() {
    let mut plan = plan();
    plan.alarms.insert(AlarmKind::OverTarget, Sounding::Off);
    plan.alarms.insert(AlarmKind::AtTarget, Sounding::Sounds);
    let mut alarms = Alarms::new();
    let mut out = Vec::new();
    for i in 0..600 {
        let s = Situation { t_s: f64::from(i), celsius: Some(41.0 + f64::from(i) * 0.01), ..cooking() };
        alarms.judge(&s, Some(&plan), &mut out);
    }
    assert!(out.iter().all(|c| c.alarm != AlarmKind::OverTarget));
    assert!(out.iter().any(|c| c.alarm == AlarmKind::AtTarget && c.sounds));
    // Without a plan and a target there is no limit, and no temperature alarm.
    let mut out = Vec::new();
    let mut alarms = Alarms::new();
    for i in 0..7200 {
        let (t_s, celsius) = (f64::from(i), Some(99.0));
        let hot = Situation { t_s, celsius, still_s: 900.0, planned_minutes: None, ..stirring() };
        alarms.judge(&hot, None, &mut out);
    }
    assert!(out.is_empty(), "{out:?}");
}
