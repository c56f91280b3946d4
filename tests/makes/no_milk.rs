//! A probe that hangs in no milk makes no make: out of doors, where sun and wind move the air
//! up and down by several degrees in five minutes, as a fire does milk; in ice, where it is
//! calibrated.
//!
//! The air is measured (`tests/tables/mountain_air.txt` names its source). Between two of its
//! readings the probe is taken to go straight, with the noise of an amplifier and without. How
//! a probe goes into ice and out of it is written by hand.

#![allow(clippy::unwrap_used)] // a test may end here

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::effect::{Conclusion, Effect};
use curdtrace::engine::event::{Event, Happening, Reading, Stamp};
use curdtrace::engine::plan::Plan;
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{KETTLE, Marks, make};
use curdtrace::rehearse::scene::Options;

const AIR: &str = include_str!("../tables/mountain_air.txt");
const APART_S: u64 = 300;
const EVERY_S: u64 = 10;

fn air() -> Vec<f64> {
    let numbers = AIR.lines().filter(|l| !l.starts_with('#')).flat_map(str::split_whitespace);
    numbers.map(|n| n.parse().unwrap()).collect()
}

/// What the engine says of readings that far apart.
fn watch(trace: &[f64], apart_s: u64, plan: Option<Plan>, noise: f64) -> Vec<Effect> {
    let mut chance = Chance::of(1);
    let mut engine = Engine::new(plan.map(Arc::new));
    let mut out = Vec::new();
    let mut second = 0;
    for pair in trace.windows(2) {
        for k in 0..apart_s / EVERY_S {
            let celsius = pair[0] + (pair[1] - pair[0]) * (k * EVERY_S) as f64 / apart_s as f64;
            let what = Happening::Reading(Reading::of(KETTLE, celsius + noise * chance.normal()));
            let stamp = Stamp { boot: 1, mono_ns: second * 1_000_000_000, wall_ns: None };
            engine.step(&Event { stamp, what }, &mut out);
            second += EVERY_S;
        }
    }
    out
}

fn check(trace: &[f64], apart_s: u64, plan: Option<Plan>, noise: f64) {
    let out = watch(trace, apart_s, plan, noise);
    let told: Vec<_> =
        out.iter().filter(|e| matches!(e.what, Conclusion::MakeBegan | Conclusion::Make(_))).collect();
    assert!(told.is_empty(), "{told:?}");
}

fn plan() -> Plan {
    make(0, Family::SemiCooked, &Options::default(), Marks::None).plan
}

#[test]
fn a_probe_in_mountain_air_is_in_no_make() {
    assert_eq!(air().len(), 4 * 288);
    check(&air(), APART_S, None, 0.0);
    check(&air(), APART_S, None, 0.03);
}

#[test]
fn nor_is_it_under_a_plan() {
    check(&air(), APART_S, Some(plan()), 0.0);
    check(&air(), APART_S, Some(plan()), 0.03);
}

/// A warm room was milk that had been set, the ice its curd's drawing, and the way back into
/// the room its warming.
#[test]
fn a_probe_in_ice_is_in_no_make() {
    // Minute by minute.
    let mut trace: Vec<f64> = vec![26.0, 26.4, 26.6, 26.6];
    trace.extend((0..32).map(|m| 26.6 - 0.0125 * f64::from(m)));
    trace.extend([26.4, 26.3, 25.3, 17.1, 3.0, 1.4, 0.8, 0.5, 0.3, 0.2]);
    trace.extend([0.05; 52]);
    trace.extend([8.2, 12.9, 14.1, 14.5]);
    trace.extend((0..45).map(|m| 23.5 - 8.7 * (-f64::from(m) / 32.0).exp()));
    for noise in [0.0, 0.01, 0.03] {
        check(&trace, 60, None, noise);
        check(&trace, 60, Some(plan()), noise);
    }
}
