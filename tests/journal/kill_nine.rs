//! SIGKILL at any moment of a make: the lot goes on, and no reading that was
//! acknowledged is missing, altered, or there twice under its counter.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::pty;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::{Duration, Instant};

use house::{Process, config, journal, wait_for};
use pty::Pty;
use rustix::process::Signal;

const SOON: Duration = Duration::from_secs(10);

fn house(folder: &Path) {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[terminal]\nalarms = false\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n[journal]\ngroup-seconds = 0.05\n",
        folder.join("box").display()
    );
    config(folder, &text);
}

/// Small numbers that look random and come again with the seed (xorshift64).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

/// Counter and temperature of every reading on disk.
fn kept(data: &Path) -> Vec<(u32, f64)> {
    journal(data)
        .iter()
        .filter(|l| l.starts_with("temperature"))
        .map(|l| {
            let field =
                |key: &str| l.split(key).nth(1).unwrap().split(['u', ',', ' ']).next().unwrap().to_string();
            (field("seq=").parse().unwrap(), field("celsius=").parse().unwrap())
        })
        .collect()
}

/// At the size of a pull request: a hundred of them, each 40 to 240 ms after the
/// start of its run. `CURDTRACE_KILLS` and `CURDTRACE_SEED` ask for more.
#[test]
fn no_acknowledged_reading_is_missing_after_a_kill() {
    let kills: u32 = std::env::var("CURDTRACE_KILLS").ok().and_then(|k| k.parse().ok()).unwrap_or(100);
    let seed = std::env::var("CURDTRACE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(0x9e37_79b9);
    println!("seed {seed}, {kills} kills");
    let mut chance = Chance(seed);
    let folder = tempfile::tempdir().unwrap();
    house(folder.path());
    let mut pty = Pty::plug(&folder.path().join("box"));
    let value = |seq: u32| 30.0 + f64::from(seq % 500) * 0.01;
    let mut sent: BTreeMap<u32, (f64, Instant)> = BTreeMap::new();
    let mut seq = 0;
    for _ in 0..kills {
        let process = Process::run(folder.path());
        let until = Instant::now() + Duration::from_millis(40 + chance.below(200));
        while Instant::now() < until {
            // What was not acknowledged is sent again, older, as a box does.
            let waiting: Vec<u32> = sent.keys().filter(|s| !pty.acked.contains(s)).copied().take(8).collect();
            for again in waiting {
                let (celsius, measured) = sent[&again];
                let age_ms = u32::try_from(measured.elapsed().as_millis()).unwrap().max(1);
                pty.send_reading(again, "milk", celsius, age_ms);
            }
            sent.insert(seq, (value(seq), Instant::now()));
            pty.send_reading(seq, "milk", value(seq), 0);
            seq += 1;
            std::thread::sleep(Duration::from_millis(4));
            pty.hear();
        }
        process.kill();
    }
    pty.hear();
    let acked: BTreeSet<u32> = pty.acked.iter().copied().collect();
    let on_disk = kept(&folder.path().join("data"));
    let counters: BTreeSet<u32> = on_disk.iter().map(|k| k.0).collect();
    let missing: Vec<&u32> = acked.difference(&counters).collect();
    assert!(missing.is_empty(), "acknowledged and not on disk: {missing:?} (seed {seed})");
    for (seq, celsius) in &on_disk {
        let was = sent[seq].0;
        assert!((celsius - was).abs() < 1e-9, "{seq} was {was}, is {celsius} (seed {seed})");
    }
    // The counter never began anew, and there is one probe.
    let mut times: BTreeMap<u32, u32> = BTreeMap::new();
    for (seq, _) in &on_disk {
        *times.entry(*seq).or_default() += 1;
    }
    let twice: Vec<_> = times.iter().filter(|t| *t.1 > 1).collect();
    assert!(twice.is_empty(), "on disk more than once: {twice:?} (seed {seed})");
    println!("{} sent, {} acknowledged, {} on disk", sent.len(), acked.len(), on_disk.len());
    assert!(acked.len() > kills as usize, "too few acknowledged to prove anything: {}", acked.len());
}

/// What was on disk when the daemon was killed, and whose acknowledgement never reached
/// the box, was recorded once more when the box sent it again.
#[test]
fn what_comes_again_after_a_restart_is_acknowledged_and_not_recorded_again() {
    let folder = tempfile::tempdir().unwrap();
    house(folder.path());
    let mut pty = Pty::plug(&folder.path().join("box"));
    let process = Process::run(folder.path());
    let measured = Instant::now();
    pty.keeps_first(31.0);
    process.kill();
    // The box did not hear it.
    pty.acked.clear();
    let process = Process::run(folder.path());
    pty.keeps(2, 31.1);
    let age_ms = u32::try_from(measured.elapsed().as_millis()).unwrap().max(1);
    pty.send_reading(1, "milk", 31.0, age_ms);
    assert!(pty.hear_until(SOON, |p| p.acked.contains(&1)));
    let (code, said, _) = process.terminate();
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(kept(&folder.path().join("data")), [(1, 31.0), (2, 31.1)]);
}

#[test]
fn it_is_ready_again_soon_and_sigterm_is_obeyed_with_everything_synced() {
    let folder = tempfile::tempdir().unwrap();
    house(folder.path());
    let mut pty = Pty::plug(&folder.path().join("box"));
    let process = Process::run(folder.path());
    pty.keeps_first(31.0);
    process.kill();
    let began = Instant::now();
    let mut process = Process::run(folder.path());
    pty.keeps(2, 31.1);
    let ready = began.elapsed();
    // Under load until the very end.
    for n in 3..400 {
        pty.send_reading(n, "milk", 31.0 + f64::from(n) * 0.001, 0);
    }
    assert_eq!(process.ended(), None);
    let (code, said, took) = process.terminate();
    println!("ready after {ready:?}, ended after {took:?}");
    assert_eq!(code, Some(0), "{said}");
    pty.hear();
    // Everything received is synced: at the least all that is acknowledged,
    // without a hole.
    let counters: Vec<u32> = kept(&folder.path().join("data")).iter().map(|k| k.0).collect();
    let last = *counters.last().unwrap();
    assert_eq!(counters, (1..=last).collect::<Vec<u32>>());
    assert!(pty.acked.iter().all(|a| *a <= last));
}

/// A closed terminal or a dropped line ended it at once, without a last sync.
#[test]
fn a_closed_terminal_ends_it_in_good_order() {
    let folder = tempfile::tempdir().unwrap();
    house(folder.path());
    let mut pty = Pty::plug(&folder.path().join("box"));
    let process = Process::run(folder.path());
    pty.keeps_first(31.0);
    process.signal(Signal::HUP);
    let (code, said, _) = process.waited();
    assert_eq!(code, Some(0), "{said}");
    // Who asks that it outlives the terminal is obeyed.
    let mut process = Process::run_beyond_the_terminal(folder.path());
    pty.keeps(2, 31.0);
    process.signal(Signal::HUP);
    pty.send_reading(3, "milk", 31.0, 0);
    assert!(pty.hear_until(SOON, |p| p.acked.contains(&3)));
    assert_eq!(process.ended(), None);
    let (code, said, _) = process.terminate();
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn a_second_daemon_on_the_same_folder_is_refused_with_a_word() {
    let folder = tempfile::tempdir().unwrap();
    house(folder.path());
    let first = Process::run(folder.path());
    assert!(wait_for(SOON, || folder.path().join("data/journal").is_dir()));
    let mut second = Process::run(folder.path());
    assert!(wait_for(SOON, || second.ended().is_some()));
    let (code, said, _) = second.waited();
    assert_eq!(code, Some(69), "{said}");
    assert!(said.contains("already writes to"), "{said}");
    let (code, said, _) = first.terminate();
    assert_eq!(code, Some(0), "{said}");
}
