//! Promise 21: eight probes, one reading a second, for weeks: memory does not
//! grow, descriptors do not, and the daemon is back within seconds however
//! long the journal is.
//!
//! Time is compressed: the daemon's clock is moved by hand and the box waits
//! for nothing but the daemon. A short run belongs to every test run; what the
//! promise says is measured by
//!
//!     CURDTRACE_SOAK_DAYS=14 CURDTRACE_SOAK_JOURNAL_DAYS=90 cargo test --release --test soak -- --nocapture

#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::pty;

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use curdtrace::config::dairy::Config;
use curdtrace::daemon::clock::Clock;
use curdtrace::journal::storage::Disk;
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::probe::{Roughness, Said};
use curdtrace::rehearse::scene::{Options, Scene};
use house::{House, config, wait_for};
use pty::Pty;

/// 1 June 2026, 02:00 UTC, nanoseconds since 1970.
const BEGAN_NS: i64 = 1_780_279_200_000_000_000;
const SECOND_NS: i64 = 1_000_000_000;
const PROBES: usize = 8;
/// So many readings a box keeps until they are acknowledged.
const BOX_KEEPS: u32 = 4800;
/// How often memory is looked at, seconds of the daemon's clock.
const LOOK_EVERY_S: u32 = 600;

/// Memory and files are the process's: one test at a time.
static ALONE: Mutex<()> = Mutex::new(());

fn sized(variable: &str, days: f64) -> f64 {
    std::env::var(variable).ok().and_then(|s| s.parse().ok()).unwrap_or(days)
}

/// A kettle that makes cheese twice a day, and its room in between.
struct Kettle {
    scene: Option<Scene>,
    rests_s: f64,
    seed: u64,
    chance: Chance,
    celsius: f64,
}

impl Kettle {
    fn new(n: usize) -> Self {
        let mut chance = Chance::of(n as u64);
        let rests_s = chance.between(0.0, 3600.0);
        Self { scene: None, rests_s, seed: n as u64 * 10_000, chance, celsius: 18.0 }
    }

    /// What its probe says in the next second.
    fn second(&mut self) -> Option<f64> {
        if self.scene.is_none() {
            self.rests_s -= 1.0;
            if self.rests_s < 0.0 {
                self.seed += 1;
                let family = Family::ALL[self.seed as usize % Family::ALL.len()];
                let options = Options {
                    rough: Roughness::ROUGH,
                    kettle: Some(self.seed / 10_000),
                    ..Options::default()
                };
                let mut scene = Scene::new(self.seed, family, &options);
                scene.probe.period_s = 1.0;
                self.scene = Some(scene);
            }
        }
        let Some(scene) = &mut self.scene else {
            return Some(self.celsius + 0.05 * self.chance.normal());
        };
        let said = [scene.step().said, scene.step().said].into_iter().flatten().next();
        if scene.done() {
            self.celsius = scene.world.air_celsius;
            (self.scene, self.rests_s) = (None, self.chance.between(4.0, 8.0) * 3600.0);
        }
        match said {
            Some(Said::Celsius(c)) => {
                self.celsius = c;
                Some(c)
            }
            _ => None,
        }
    }
}

fn kettles() -> Vec<Kettle> {
    (0..PROBES).map(Kettle::new).collect()
}

fn dairy(folder: &Path) -> Config {
    let probes: Vec<String> = (0..PROBES).map(|n| format!("\"{n}\" = \"kettle-{n}\"")).collect();
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nprobes = {{ {} }}\n",
        folder.join("box").display(),
        probes.join(", ")
    );
    config(folder, &text)
}

/// Memory of its own that this process holds, MiB, and how many files it has open.
fn used() -> (f64, usize) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("RssAnon:")).unwrap();
    let mib = line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0;
    (mib, std::fs::read_dir("/proc/self/fd").unwrap().count())
}

/// The least memory seen within each day: (day, MiB).
fn lowest_of_each_day(seen: &[(f64, f64, usize)]) -> Vec<(f64, f64)> {
    let mut days: Vec<(f64, f64)> = Vec::new();
    for &(day, mib, _) in seen {
        match days.last_mut() {
            Some(last) if day < last.0 + 1.0 => last.1 = last.1.min(mib),
            _ => days.push((day.floor(), mib)),
        }
    }
    days
}

/// Slope of a straight line through pairs.
fn slope(pairs: &[(f64, f64)]) -> f64 {
    let n = pairs.len() as f64;
    let (x, y) = pairs.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let (xx, xy) =
        pairs.iter().fold((0.0, 0.0), |s, p| (s.0 + (p.0 - x) * (p.0 - x), s.1 + (p.0 - x) * (p.1 - y)));
    xy / xx
}

#[test]
fn weeks_of_eight_probes_cost_no_more_than_a_day() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let days = sized("CURDTRACE_SOAK_DAYS", 0.03);
    let folder = tempfile::tempdir().unwrap();
    let mut line = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(BEGAN_NS);
    let house = House::open(dairy(folder.path()), clock.clone());
    assert!(wait_for(Duration::from_secs(10), || house.is_up("box")));
    let mut kettles = kettles();
    let (mut sent, mut acked, mut seen, began) = (0u32, 0u32, Vec::new(), Instant::now());
    let seconds = (days * 86_400.0) as u32;
    for second in 0..seconds {
        clock.advance(Duration::from_secs(1));
        for (n, kettle) in kettles.iter_mut().enumerate() {
            if let Some(celsius) = kettle.second() {
                sent += 1;
                line.send_reading(sent, &n.to_string(), celsius, 0);
            }
        }
        let until = Instant::now() + Duration::from_secs(20);
        // A box that does not listen to its acknowledgements jams the line.
        line.hear();
        while house.taken() < u64::from(sent) {
            assert!(Instant::now() < until, "{} of {sent} arrived", house.taken());
            line.hear();
            std::thread::yield_now();
        }
        // The record may be behind by as much as a box keeps, not by a day.
        acked = line.acked.drain(..).next_back().unwrap_or(acked);
        line.heard.clear();
        while sent - acked > BOX_KEEPS {
            assert!(Instant::now() < until, "{acked} of {sent} kept");
            line.hear_until(Duration::from_millis(50), |l| !l.acked.is_empty());
            acked = line.acked.drain(..).next_back().unwrap_or(acked);
        }
        if second % LOOK_EVERY_S == 0 {
            let (mib, files) = used();
            seen.push((f64::from(second) / 86_400.0, mib, files));
        }
    }
    let took = began.elapsed();
    house.close().unwrap();
    let lots = std::fs::read_dir(folder.path().join("data/lots")).map_or(0, Iterator::count);
    // When a make ends, a segment of the journal is read whole and let go again; what
    // is never let go stands below the lowest of each day. The first half warms up.
    let steady = &seen[seen.len() / 2..];
    let memory = lowest_of_each_day(steady);
    let (least, most) = steady.iter().fold((usize::MAX, 0), |m, s| (m.0.min(s.2), m.1.max(s.2)));
    let highest = seen.iter().map(|s| s.1).fold(0.0, f64::max);
    println!(
        "{days} days, {sent} readings, {lots} lots in {took:.0?}; resident {:.1} MiB at first, {highest:.1} at most; \
         lowest of each day in the second half {:.1?}, {:+.3} MiB a day; {least} to {most} files open",
        seen[0].1,
        memory.iter().map(|m| m.1).collect::<Vec<_>>(),
        slope(&memory)
    );
    assert!(most - least <= 4, "descriptors: {least} to {most}");
    assert!(highest < 256.0, "{highest} MiB");
    assert!(days < 7.0 || slope(&memory) < 1.0, "{memory:?}");
}

#[test]
fn a_long_journal_is_recovered_within_seconds() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let days = sized("CURDTRACE_SOAK_JOURNAL_DAYS", 0.1);
    let folder = tempfile::tempdir().unwrap();
    let config = dairy(folder.path());
    let journal_dir = folder.path().join("data/journal");
    // Long ago in minutes' groups, which are written faster; the part that is
    // gone through again as the daemon writes it.
    let seconds = (days * 86_400.0) as i64;
    let recent = (seconds - 12 * 3600).max(0);
    let mut kettles = kettles();
    let mut lines = 0u64;
    for (from, to, group_s) in [(0, recent, 60), (recent, seconds, 1)] {
        let settings = Settings {
            group_lines: 4096,
            group_ns: group_s * SECOND_NS.unsigned_abs(),
            ..Settings::default()
        };
        let (mut journal, _) = Journal::open(Arc::new(Disk), &journal_dir, settings, "soak").unwrap();
        for second in from..to {
            let wall_ns = BEGAN_NS + second * SECOND_NS;
            let at = Moment {
                mono_ns: (second * SECOND_NS).unsigned_abs(),
                offset_ns: BEGAN_NS,
                clock_sure: true,
            };
            for (n, kettle) in kettles.iter_mut().enumerate() {
                let Some(celsius) = kettle.second() else { continue };
                let line =
                    format!("temperature,probe=kettle-{n} celsius={celsius:.4},seq={second}u {wall_ns}");
                journal.push(&line, at).unwrap();
                lines += 1;
            }
            if journal.is_due(at.mono_ns) {
                journal.commit().unwrap();
            }
        }
        journal.commit().unwrap();
    }
    let bytes: u64 = std::fs::read_dir(&journal_dir)
        .unwrap()
        .flatten()
        .filter_map(|e| Some(e.metadata().ok()?.len()))
        .sum();
    let began = Instant::now();
    let house = House::open(config, Clock::by_hand(BEGAN_NS + (seconds + 5) * SECOND_NS));
    let known = wait_for(Duration::from_secs(30), || house.shown().view.kettles.len() == PROBES);
    let took = began.elapsed();
    house.close().unwrap();
    let (mib, _) = used();
    println!("{days} days, {lines} readings, {} MB: back after {took:.2?}; {mib:.0} MiB", bytes / 1_000_000);
    assert!(known, "the kettles are known again");
    assert!(cfg!(debug_assertions) || took < Duration::from_secs(5), "{took:?}");
}
