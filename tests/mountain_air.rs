//! A probe that hangs out of doors makes no make: measured mountain air, which sun and wind
//! move up and down by several degrees in five minutes, as a fire does milk.
//!
//! Source: `tests/tables/mountain_air.txt`. Between two of its readings the probe is taken to
//! go straight, with the noise of an amplifier and without.

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

const AIR: &str = include_str!("tables/mountain_air.txt");
const APART_S: u64 = 300;
const EVERY_S: u64 = 10;

fn air() -> Vec<f64> {
    let numbers = AIR.lines().filter(|l| !l.starts_with('#')).flat_map(str::split_whitespace);
    numbers.map(|n| n.parse().unwrap()).collect()
}

/// What the engine says of it.
fn watch(plan: Option<Plan>, noise: f64) -> Vec<Effect> {
    let mut chance = Chance::of(1);
    let mut engine = Engine::new(plan.map(Arc::new));
    let mut out = Vec::new();
    let mut second = 0;
    for pair in air().windows(2) {
        for k in 0..APART_S / EVERY_S {
            let celsius = pair[0] + (pair[1] - pair[0]) * (k * EVERY_S) as f64 / APART_S as f64;
            let what = Happening::Reading(Reading::of(KETTLE, celsius + noise * chance.normal()));
            let stamp = Stamp { boot: 1, mono_ns: second * 1_000_000_000, wall_ns: None };
            engine.step(&Event { stamp, what }, &mut out);
            second += EVERY_S;
        }
    }
    out
}

fn check(plan: Option<Plan>, noise: f64) {
    let out = watch(plan, noise);
    let told: Vec<_> =
        out.iter().filter(|e| matches!(e.what, Conclusion::MakeBegan | Conclusion::Make(_))).collect();
    assert!(told.is_empty(), "{told:?}");
}

#[test]
fn a_probe_in_mountain_air_is_in_no_make() {
    assert_eq!(air().len(), 8 * 288);
    check(None, 0.0);
    check(None, 0.03);
}

#[test]
fn nor_is_it_under_a_plan() {
    let plan = || Some(make(0, Family::SemiCooked, &Options::default(), Marks::None).plan);
    check(plan(), 0.0);
    check(plan(), 0.03);
}
