//! A probe with a coat of fat answers more slowly than it used to. A clean one
//! is never said to, whatever its maker, its box and its milk do; a coated one
//! is, and no longer once it was wiped. More probes through the engine:
//!
//!     CURDTRACE_PROBES=25 cargo test --release --test lines probe_lag -- --nocapture

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may fail loudly and prints what it measured"
)]

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::effect::Conclusion;
use curdtrace::engine::event::{Event, Happening, Name, Stamp};
use curdtrace::engine::heat::Learned;
use curdtrace::engine::probe::{Health, Lags, Watch};
use curdtrace::engine::stage::Stage;
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{nanoseconds, reading};
use curdtrace::rehearse::probe::{Probe, Roughness};
use curdtrace::rehearse::scene::{Options, Scene};

const PROBE: &str = "milk";

/// The make of that seed with the character of `probe`, so many times as slow.
fn scene(seed: u64, probe: &Probe, coat: f64) -> Scene {
    let family = Family::ALL[seed as usize % Family::ALL.len()];
    let options = Options { rough: Roughness::ROUGH, kettle: Some(7), ..Options::default() };
    let mut scene = Scene::new(seed, family, &options);
    scene.probe.stirred_s = probe.stirred_s * coat;
    scene.probe.air_s = probe.air_s;
    scene.probe.white_celsius = probe.white_celsius;
    scene.probe.turbulence_celsius = probe.turbulence_celsius;
    scene.probe.quantum_celsius = probe.quantum_celsius;
    scene.probe.period_s = probe.period_s;
    scene
}

/// What is known of the lag after that make, with the stages as they truly are.
fn after(scene: &mut Scene, lags: &Lags) -> Lags {
    let name = Name::from(PROBE);
    let mut watch = Watch::new();
    watch.teach(PROBE, lags);
    let mut last_s = 0.0;
    while !scene.done() {
        let moment = scene.step();
        let stirred = matches!(scene.maker.stage(), Stage::Warming | Stage::Cooking | Stage::Stirring);
        watch.stirred(stirred.then_some(0.0));
        if let Some(said) = moment.said {
            watch.take(&reading(&name, said), moment.now_s, moment.now_s - last_s);
            last_s = moment.now_s;
        }
    }
    watch.learned()
}

fn drawn(seed: u64) -> Probe {
    Probe::drawn(20.0, Roughness::NONE, 1.0e4, &mut Chance::of(seed))
}

/// So many makes in a row, each coated so; after how many of them it was told.
fn told_after(probe: &Probe, from: u64, makes: u64, coat: f64, lags: &mut Lags, wanted: bool) -> Option<u64> {
    (0..makes).find(|i| {
        *lags = after(&mut scene(from + i, probe, coat), lags);
        lags.grown == wanted
    })
}

#[test]
fn a_clean_probe_never_answers_more_slowly_and_a_coated_one_does() {
    let (mut clean, mut known, mut told, mut well) = (0, 0, Vec::new(), Vec::new());
    let probes = 30;
    for p in 0..probes {
        let probe = drawn(p);
        let mut lags = Lags::default();
        for i in 0..20 {
            lags = after(&mut scene(1000 * p + i, &probe, 1.0), &lags);
            assert!(!lags.grown, "probe {p} after {i} makes: {lags:?}, truly {} s", probe.stirred_s);
            clean += 1;
        }
        if lags.own_s.is_none() {
            continue;
        }
        known += 1;
        told.extend(told_after(&probe, 1000 * p + 100, 30, 3.0, &mut lags, true));
        if lags.grown {
            well.extend(told_after(&probe, 1000 * p + 200, 30, 1.0, &mut lags, false));
        }
    }
    told.sort_unstable();
    well.sort_unstable();
    println!("{clean} clean makes: never; own lag known of {known} of {probes} after 20 makes");
    println!("coated: {} told, after so many makes {told:?}", told.len());
    println!("wiped: {} well again, after {well:?}", well.len());
    assert!(known * 10 >= probes as usize * 7, "{known} of {probes} known");
    assert!(told.len() * 10 >= known * 9, "{} of {known} told", told.len());
    assert!(well.len() * 10 >= told.len() * 9, "{} of {} well", well.len(), told.len());
}

/// Through the engine's door, from make to make by what is learned; whether it
/// was ever said of the probe, and in which words.
fn season(probe: &Probe, from: u64, makes: u64, coat: f64, learned: &mut Option<Learned>) -> Option<String> {
    let name = Name::from(PROBE);
    let mut said = None;
    for seed in from..from + makes {
        let mut scene = scene(seed, probe, coat);
        let mut engine = Engine::new(Some(Arc::new(scene.plan.clone())));
        if let Some(learned) = learned.clone() {
            engine.teach(PROBE, learned);
        }
        let mut out = Vec::new();
        let mut step = |engine: &mut Engine, now_s: f64, what| {
            let ns = nanoseconds(now_s);
            let stamp =
                Stamp { boot: 1, mono_ns: ns.unsigned_abs(), wall_ns: Some(1_750_000_000_000_000_000 + ns) };
            engine.step(&Event { stamp, what }, &mut out);
            for effect in out.drain(..) {
                match effect.what {
                    Conclusion::Health(h) if h.reason.contains("slowly") => {
                        assert_eq!(h.health, Health::MaintenanceRequired);
                        said = Some(h.reason);
                    }
                    Conclusion::Learned(l) => *learned = Some(l),
                    _ => {}
                }
            }
        };
        while !scene.done() {
            let moment = scene.step();
            if let Some(s) = moment.said {
                step(&mut engine, moment.now_s, Happening::Reading(reading(&name, s)));
            }
        }
        step(&mut engine, scene.now_s(), Happening::EndOfInput);
    }
    said
}

#[test]
fn the_engine_says_that_the_tip_wants_wiping_and_keeps_what_it_knows() {
    let mut probe = drawn(3);
    (probe.stirred_s, probe.period_s) = (4.0, 1.0);
    let mut learned = None;
    assert_eq!(season(&probe, 0, 10, 1.0, &mut learned), None);
    println!("clean: {:?}", learned.as_ref().map(|l| &l.lags));
    let said = season(&probe, 50, 8, 3.0, &mut learned).unwrap();
    println!("coated: {:?}: {said}", learned.as_ref().map(|l| &l.lags));
    assert!(said.contains("times as slowly as it used to: wipe the tip clean"), "{said}");
    assert!(learned.unwrap().lags.grown);
}

/// The same with the stages as the engine finds them, which are not always the
/// true ones: a clean probe is left alone. More of them by `CURDTRACE_PROBES`.
#[test]
fn a_clean_probe_is_left_alone_by_the_engine_too() {
    let probes = std::env::var("CURDTRACE_PROBES").ok().and_then(|s| s.parse().ok()).unwrap_or(2);
    let (mut known, makes) = (0, 12);
    for p in 0..probes {
        let mut learned = None;
        assert_eq!(season(&drawn(p), 5000 + 100 * p, makes, 1.0, &mut learned), None, "probe {p}");
        known += u64::from(learned.is_some_and(|l| l.lags.own_s.is_some()));
    }
    println!("{} makes with {probes} clean probes, {known} of them known: never", probes * makes);
}
