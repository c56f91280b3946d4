//! One line that tells how the day goes, where there is a terminal to tell.

use std::io::{IsTerminal as _, Write as _};

use crate::rehearse::scene::Scene;
use crate::wire::frame::Sound;

/// Seconds of the day between two lines, at least.
const EVERY_S: f64 = 10.0;

/// The line.
#[derive(Debug)]
pub struct Progress {
    shown: bool,
    next_s: f64,
}

impl Progress {
    /// A line on standard error, where that is a terminal.
    pub fn new() -> Self {
        Self { shown: std::io::stderr().is_terminal(), next_s: 0.0 }
    }

    /// Tells how it goes.
    pub fn tell(&mut self, scene: &Scene, buzzer: Sound) {
        let now_s = scene.now_s();
        if !self.shown || now_s < self.next_s {
            return;
        }
        self.next_s = now_s + EVERY_S;
        let minutes = (now_s / 60.0) as u64;
        let sounds = match buzzer {
            Sound::Silent => "",
            Sound::Chirp => "  (chirp)",
            Sound::Ready => "  (get ready)",
            Sound::Now => "  (NOW)",
            Sound::Fault => "  (fault)",
        };
        let mut out = std::io::stderr().lock();
        // A terminal that went away is no reason to stop.
        let _ = write!(
            out,
            "\r\x1b[K{}:{:02}  {:.1} °C  {}, the maker {}{sounds}",
            minutes / 60,
            minutes % 60,
            scene.probe.feels_celsius(),
            scene.maker.stage().name(),
            scene.maker.doing(),
        );
        let _ = out.flush();
    }

    /// Leaves the line.
    pub fn end(&mut self) {
        if self.shown {
            let _ = writeln!(std::io::stderr().lock());
            self.next_s = 0.0;
        }
    }
}
