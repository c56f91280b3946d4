//! Unplug storm: a loose plug costs nothing, and is over when it is over.
//!
//! Alone in its file, since it measures the whole process.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::pty;

use std::time::{Duration, Instant};

use curdtrace::daemon::clock::Clock;
use house::{House, config, journal, wait_for};
use pty::Pty;

/// Unplug storm at the size of a pull request: 40 times, 1 to 20 a second; the
/// device's own name changes each time.
#[test]
fn a_storm_of_unplugging_costs_nothing_and_is_over_when_it_is_over() {
    let folder = tempfile::tempdir().unwrap();
    let stable = folder.path().join("box");
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        stable.display()
    );
    let house = House::open(config(folder.path(), &text), Clock::real());
    let cpu = || {
        let t = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
        Duration::new(t.tv_sec.unsigned_abs(), u32::try_from(t.tv_nsec).unwrap())
    };
    let files = || std::fs::read_dir("/proc/self/fd").unwrap().count();
    let mut first = Pty::plug(&stable);
    first.opened();
    first.send_reading(2000, "0", 34.0, 0);
    assert!(first.hear_until(Duration::from_secs(5), |p| p.acked == [2000]));
    let (files_before, cpu_before, began) = (files(), cpu(), Instant::now());
    first.unplug();
    for n in 0..40_u32 {
        let mut pty = Pty::plug(&stable);
        pty.send_reading(n, "0", 34.0, 0);
        std::thread::sleep(Duration::from_millis(25 + u64::from(n * 37 % 100)));
        pty.unplug();
    }
    let (busy, passed) = (cpu().saturating_sub(cpu_before), began.elapsed());
    // Under 5 % of one processor is the target that we set; the test's own
    // plugging is in it. A loop that reads an unplugged port without a pause
    // takes a whole one.
    assert!(busy.as_secs_f64() < 0.05 * passed.as_secs_f64(), "{busy:?} of {passed:?}");
    let mut pty = Pty::plug(&stable);
    let back = Instant::now();
    assert!(wait_for(Duration::from_secs(3), || house.is_up("box")), "back within 3 s");
    pty.send_reading(1000, "0", 34.5, 0);
    assert!(pty.hear_until(Duration::from_secs(5), |p| p.acked.contains(&1000)));
    println!("storm: {busy:?} of processor in {passed:?}; back after {:?}", back.elapsed());
    assert!(files() <= files_before, "{} files open before, {} after", files_before, files());
    drop(pty);
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let silent = lines.iter().filter(|l| l.contains("what=said-alarm") && l.contains("unacknowledged"));
    assert!(silent.count() <= 1, "at most one alarm for one probe: {lines:#?}");
}
