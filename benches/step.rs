//! What a reading costs through `Engine::step`, whether it grows with the make,
//! and how fast lines are replayed beside the bare parser's pace.
//!
//!     cargo bench --bench step
//!     CURDTRACE_SEASON_READINGS=14000000 cargo bench --bench step
//!
//! Aims: a median below 2 µs a reading, no growth, and replay at most 3 times
//! the time that the `influxdb-line-protocol` crate takes alone to parse the
//! same lines in the same run. Replay here is all of it but the files: parsing,
//! stamping, the engine, its events as JSON.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, clippy::print_stdout)] // a bench measures and prints

use std::fmt::Write as _;
use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

use curdtrace::daemon::intake;
use curdtrace::engine::Engine;
use curdtrace::engine::event::{Event, Happening, Reading, Stamp};
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{KETTLE, Make, Marks, Spoken, make};
use curdtrace::rehearse::probe::Roughness;
use curdtrace::rehearse::scene::Options;
use curdtrace::wire::json;
use curdtrace::wire::line::{Names, parse, write_mark, write_reading};
use curdtrace::wire::playback::Playback;

const SECOND_NS: i64 = 1_000_000_000;

fn main() {
    if !std::env::args().any(|a| a == "--bench") {
        // Under `cargo test` a bench is only shown to run.
        println!("run with cargo bench --bench step");
        return;
    }
    makes();
    growth();
    season();
}

/// Quantiles and mean of single steps, ns.
fn told(title: &str, mut ns: Vec<u64>) -> f64 {
    ns.sort_unstable();
    let at = |share: f64| ns[((ns.len() - 1) as f64 * share) as usize];
    let mean = ns.iter().sum::<u64>() as f64 / ns.len() as f64;
    println!(
        "{title:34} p50 {:6} ns  p90 {:6} ns  p99 {:6} ns  mean {mean:7.0} ns  ({} readings)",
        at(0.5),
        at(0.9),
        at(0.99),
        ns.len()
    );
    mean
}

/// Every step of one stream, timed one by one.
fn timed(engine: &mut Engine, events: impl Iterator<Item = Event>) -> Vec<u64> {
    let (mut ns, mut out) = (Vec::new(), Vec::new());
    for event in events {
        let began = Instant::now();
        engine.step(black_box(&event), &mut out);
        let took = began.elapsed();
        if matches!(event.what, Happening::Reading(_)) {
            ns.push(took.as_nanos() as u64);
        }
        out.clear();
    }
    ns
}

fn makes() {
    let clock: Vec<u64> = (0..10_000).map(|_| Instant::now().elapsed().as_nanos() as u64).collect();
    told("the clock itself", clock);
    let options = Options { rough: Roughness::ROUGH, ..Options::default() };
    let mut all = Vec::new();
    for family in [Family::Uncooked, Family::SemiCooked, Family::HardCooked, Family::WithWheyCheese] {
        let made = make(7, family, &options, Marks::None);
        let mut engine = Engine::new(Some(Arc::new(made.plan.clone())));
        let ns = timed(&mut engine, made.events());
        all.extend_from_slice(&ns);
        told(family.name(), ns);
    }
    told("step, four simulated makes", all);
}

/// Milk that is warmed and then stirred for a day: hour by hour the same.
fn growth() {
    let mut chance = Chance::of(24);
    let reading = move |s: u32| {
        let celsius = (10.0 + 0.012 * f64::from(s)).min(32.0) + 0.03 * chance.normal();
        let stamp = Stamp {
            boot: 1,
            mono_ns: u64::from(s) * SECOND_NS.unsigned_abs(),
            wall_ns: Some(i64::from(s) * SECOND_NS),
        };
        Event { stamp, what: Happening::Reading(Reading::of(KETTLE, (celsius * 16.0).round() / 16.0)) }
    };
    let mut engine = Engine::new(None);
    let ns = timed(&mut engine, (0..86_400 - 600).map(reading));
    let hour = |k: usize| ns[k * 3600..((k + 1) * 3600).min(ns.len())].to_vec();
    let first = told("a make of a day: its second hour", hour(1));
    let last = told("a make of a day: its last hour", hour(23));
    println!("growth: the last hour costs {:.2} times the second", last / first);
}

/// One make as lines, from `start_ns` on, and as long again of an empty kettle.
fn lines(made: &Make, start_ns: i64, seed: u64) -> (String, u64, i64) {
    let (mut text, mut readings, mut end_ns) = (String::new(), 0, start_ns);
    for (wall_ns, spoken) in &made.lines {
        end_ns = start_ns + wall_ns - made.start_ns;
        match spoken {
            Spoken::Reading(r) => {
                write_reading(&mut text, r, end_ns);
                readings += 1;
            }
            Spoken::Mark(m) => write_mark(&mut text, m, end_ns),
        }
        text.push('\n');
    }
    let mut chance = Chance::of(seed);
    for _ in 0..made.lines.len() {
        end_ns += SECOND_NS;
        let celsius = ((16.0 + 0.03 * chance.normal()) * 16.0).round() / 16.0;
        let _ = writeln!(text, "temperature,probe={KETTLE} celsius={celsius} {end_ns}");
        readings += 1;
    }
    (text, readings, end_ns)
}

/// The crate's parser alone.
fn bare(text: &str) -> Duration {
    let began = Instant::now();
    for line in text.lines() {
        for parsed in influxdb_line_protocol::parse_lines(line) {
            black_box(parsed.unwrap());
        }
    }
    began.elapsed()
}

/// Everything that replay does with a line.
struct Replay {
    engine: Engine,
    names: Names,
    clock: Playback,
    json: String,
}

impl Replay {
    fn run(&mut self, text: &str) -> Duration {
        let began = Instant::now();
        let mut out = Vec::new();
        for line in text.lines() {
            let (line, wall_ns) = parse(line, &mut self.names).unwrap().unwrap();
            let Some(what) = intake::happening(line).unwrap() else { continue };
            let reading = match &what {
                Happening::Reading(r) => Some(r),
                _ => None,
            };
            let stamp = self.clock.take(wall_ns.unwrap(), reading).stamp;
            self.engine.step(&Event { stamp, what }, &mut out);
            for effect in out.drain(..) {
                self.json.extend(json::event(&effect));
            }
        }
        black_box(&mut self.json).clear();
        began.elapsed()
    }
}

fn season() {
    let wanted: u64 =
        std::env::var("CURDTRACE_SEASON_READINGS").ok().and_then(|n| n.parse().ok()).unwrap_or(300_000);
    let options = Options { rough: Roughness::ROUGH, ..Options::default() };
    let mut replay = Replay {
        engine: Engine::new(None),
        names: Names::default(),
        clock: Playback::default(),
        json: String::new(),
    };
    let (mut parser, mut ours) = (Duration::ZERO, Duration::ZERO);
    let (mut readings, mut seed, mut start_ns) = (0, 0, 1_750_000_000 * SECOND_NS);
    while readings < wanted {
        let family = Family::ALL[seed as usize % Family::ALL.len()];
        let made = make(seed, family, &options, Marks::None);
        let (text, n, end_ns) = lines(&made, start_ns, seed);
        parser += bare(&text);
        ours += replay.run(&text);
        (readings, seed, start_ns) = (readings + n, seed + 1, end_ns + SECOND_NS);
    }
    let pace = |d: Duration| readings as f64 / d.as_secs_f64();
    println!(
        "season of {readings} readings, {seed} makes and as long an empty kettle: parser alone {:.0} readings/s, replay {:.0} readings/s, ratio {:.2}",
        pace(parser),
        pace(ours),
        ours.as_secs_f64() / parser.as_secs_f64()
    );
}
