//! Promise: a make is not lost with its probe. Where the one that it is followed by
//! has failed for minutes, another that hangs in the same kettle takes its place, and
//! keeps it; that is said, and what follows bears its name.

#![allow(clippy::unwrap_used)] // a test may end here
#![allow(clippy::single_range_in_vec_init)] // one range of seconds is meant

use support::wheel;

use std::ops::Range;
use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::{Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Name, Reading, Stamp};
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::Stage;

/// Milk that is warmed by 0.5 °C/min from 600 s on, with two probes in it; `first` is
/// well until it is silent (or says that it failed) within the first range, `spare`
/// speaks but for the second. All that followed, and by which probe the kettle is
/// known each second.
fn day(first_out: Range<u32>, says_so: bool, spare_out: &[Range<u32>]) -> (Vec<Effect>, Vec<String>) {
    let mut engine = Engine::new(Some(Arc::new(wheel::plan())));
    let (mut out, mut known_by) = (Vec::new(), Vec::new());
    for t in 0..3000u32 {
        let wall_ns = Some(1_750_000_000_000_000_000 + i64::from(t) * 1_000_000_000);
        let stamp = Stamp { boot: 1, mono_ns: u64::from(t) * 1_000_000_000, wall_ns };
        let celsius = 20.0 + f64::from(t.saturating_sub(600)) * 0.5 / 60.0 + 0.03 * f64::from(t % 3);
        let of = |probe: &str| Reading { kettle: Some(Name::from("big")), ..Reading::of(probe, celsius) };
        let mut step = |what| engine.step(&Event { stamp, what }, &mut out);
        step(Happening::Tick);
        if !first_out.contains(&t) {
            step(Happening::Reading(of("first")));
        } else if says_so {
            let open = Some("open circuit".to_owned());
            let health = Some(Health::Failure);
            step(Happening::Reading(Reading { celsius: None, health, reason: open, ..of("first") }));
        }
        if !spare_out.iter().any(|out| out.contains(&t)) {
            step(Happening::Reading(of("spare")));
        }
        if t == 600 {
            let (kettle, ask) = (Name::from("big"), Ask::Stage(Stage::Warming));
            step(Happening::Command(Command { kettle, by: None, ask }));
        }
        known_by.push(engine.view().kettles[0].probe.to_string());
    }
    (out, known_by)
}

fn remarks(out: &[Effect]) -> Vec<(&str, &str)> {
    let text = |e| match e {
        &Effect { what: Conclusion::Remark(ref text), ref probe, .. } => Some((&**probe, text.as_str())),
        _ => None,
    };
    out.iter().filter_map(text).collect()
}

#[test]
fn a_spare_probe_takes_the_place_of_one_that_failed() {
    for says_so in [false, true] {
        let (out, known_by) = day(900..4000, says_so, &[]);
        let at = known_by.iter().position(|p| p == "spare").unwrap();
        assert!((1070..1090).contains(&at), "after three minutes, not at {at} s");
        assert!(known_by[at..].iter().all(|p| p == "spare"));
        let text = "first has given no number for 3 min: the make is followed by spare now";
        assert_eq!(remarks(&out), [("spare", text)]);
        // The milk is warmed on, and its heat is called off by the spare's word.
        let call = out.iter().rfind(|e| {
            matches!(&e.what, Conclusion::Alarm(a) if a.alarm == AlarmKind::HeatOff && a.state == AlarmState::Unacknowledged)
        });
        let Some(Effect { probe, what: Conclusion::Alarm(call), .. }) = call else { panic!("no call") };
        assert_eq!(&**probe, "spare");
        assert!(call.celsius.is_some_and(|c| (30.5..32.0).contains(&c)), "{call:?}");
    }
}

#[test]
fn a_probe_that_comes_back_or_has_no_proven_spare_is_followed_on() {
    let followed = |first_out, spare_out: &[Range<u32>]| {
        let (out, known_by) = day(first_out, false, spare_out);
        assert_eq!(remarks(&out), []);
        known_by.iter().all(|p| p == "first")
    };
    assert!(followed(900..1060, &[]), "back within three minutes");
    assert!(followed(900..1100, &[600..1050]), "the spare speaks for less than a minute");
    // A spare that speaks for half a minute in each is none.
    let flickers: Vec<_> = (0..50).map(|k| k * 70 + 30..k * 70 + 70).collect();
    assert!(followed(900..4000, &flickers));
}

#[test]
fn the_spare_is_left_only_where_it_fails_in_its_turn() {
    let (out, known_by) = day(900..1500, false, &[2000..4000]);
    let changes: Vec<_> = known_by.windows(2).filter(|w| w[0] != w[1]).map(|w| w[1].as_str()).collect();
    assert_eq!(changes, ["spare", "first"]);
    assert_eq!(remarks(&out).len(), 2);
}
