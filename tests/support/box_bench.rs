//! A daemon with a box on a line, and its clock in the test's hand.

#![allow(clippy::unwrap_used)] // a test may end here

use std::path::Path;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;

use crate::house::{House, config, wait_for};
use crate::pty::Pty;

/// The bench; `seq` is the box's next counter.
pub struct Bench {
    pub house: House,
    pub clock: Clock,
    pub pty: Pty,
    pub seq: u32,
}

impl Bench {
    /// Opens a daemon in that folder at that wall time, and waits for its box.
    pub fn new(folder: &Path, wall_ns: i64) -> Self {
        let text = format!(
            "[dairy]\ndata = \"data\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nstall-s = 3600\n",
            folder.join("box").display()
        );
        let pty = Pty::plug(&folder.join("box"));
        let clock = Clock::by_hand(wall_ns);
        let house = House::open(config(folder, &text), clock.clone());
        assert!(wait_for(Duration::from_secs(10), || {
            clock.advance(Duration::from_secs(1));
            std::thread::sleep(Duration::from_millis(5));
            house.is_up("box")
        }));
        Self { house, clock, pty, seq: 0 }
    }

    /// A reading a second after the last one, taken `age_s` before it is sent.
    pub fn reading(&mut self, celsius: f64, age_s: u32) {
        self.clock.advance(Duration::from_secs(1));
        self.pty.send_reading(self.seq, "milk", celsius, age_s * 1000);
        self.seq += 1;
        let wanted = u64::from(self.seq);
        assert!(wait_for(Duration::from_secs(10), || self.house.taken() >= wanted));
    }

    /// So many readings, one a second.
    pub fn readings(&mut self, n: u32) {
        for _ in 0..n {
            self.reading(31.0 + f64::from(self.seq) * 0.001, 0);
        }
    }

    /// What is shown of the milk.
    pub fn shown_celsius(&self) -> Option<f64> {
        let shown = self.house.shown();
        shown.view.kettles.iter().find(|k| &*k.kettle == "milk").and_then(|k| k.celsius)
    }
}
