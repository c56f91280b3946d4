//! A probe box at the other end of a pseudo-terminal.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use curdtrace::sensor::fault::{Fault, Faults};
use curdtrace::sensor::raw::Signal;
use curdtrace::wire::frame::{BoxReading, Frame, FrameDecoder, encode};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// A pseudo-terminal under a stable name, as a USB adapter has one.
pub struct Pty {
    master: File,
    stable: PathBuf,
    decoder: FrameDecoder,
    /// Acknowledged counters.
    pub acked: Vec<u32>,
    /// Every other frame that came down the line.
    pub heard: Vec<Frame>,
}

impl Pty {
    /// Plugs a box in: `stable` then leads to its device.
    pub fn plug(stable: &Path) -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        raw(&master);
        let device = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
        let beside = stable.with_extension("new");
        std::os::unix::fs::symlink(device, &beside).unwrap();
        std::fs::rename(beside, stable).unwrap();
        rustix::io::ioctl_fionbio(&master, true).unwrap();
        Self {
            master: File::from(master),
            stable: stable.into(),
            decoder: FrameDecoder::default(),
            acked: Vec::new(),
            heard: Vec::new(),
        }
    }

    /// Pulls the plug: the name goes, and so does the device.
    pub fn unplug(self) {
        let _ = std::fs::remove_file(&self.stable);
    }

    /// Sends bytes up the line; what does not fit now is tried for a second.
    pub fn send(&mut self, mut bytes: &[u8]) {
        let until = Instant::now() + Duration::from_secs(1);
        while !bytes.is_empty() && Instant::now() < until {
            match self.master.write(bytes) {
                Ok(n) => bytes = &bytes[n..],
                Err(e) if e.kind() == std::io::ErrorKind::WouldBlock => {
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(_) => return,
            }
        }
    }

    /// A frame with a temperature.
    pub fn send_reading(&mut self, seq: u32, probe: &str, celsius: f64, age_ms: u32) {
        self.send_signal(seq, probe, Signal::Celsius(celsius), Faults::NONE, age_ms);
    }

    /// A frame that says why there is no number.
    pub fn send_fault(&mut self, seq: u32, probe: &str) {
        self.send_signal(seq, probe, Signal::Nothing, Faults::NONE.with(Fault::Open), 0);
    }

    fn send_signal(&mut self, seq: u32, probe: &str, signal: Signal, faults: Faults, age_ms: u32) {
        let frame = Frame::Reading(BoxReading {
            seq,
            probe: probe.into(),
            signal,
            cold_junction_celsius: Some(21.5),
            faults,
            age_ms,
        });
        self.send(&encode(&frame));
    }

    /// Takes in what came down the line.
    pub fn hear(&mut self) {
        let mut bytes = [0; 4096];
        while let Ok(n @ 1..) = self.master.read(&mut bytes) {
            for frame in self.decoder.push(&bytes[..n]).into_iter().flatten() {
                match frame {
                    Frame::Ack { seq } => self.acked.push(seq),
                    other => self.heard.push(other),
                }
            }
        }
    }

    /// The box's first reading, and that it is acknowledged.
    pub fn keeps_first(&mut self, celsius: f64) {
        self.keeps(1, celsius);
    }

    /// A reading of the milk that is acknowledged. What the box sends before the port
    /// is opened it sends again, older.
    pub fn keeps(&mut self, seq: u32, celsius: f64) {
        let began = Instant::now();
        let is_kept = |p: &Self| p.acked.contains(&seq);
        self.send_reading(seq, "milk", celsius, 0);
        while !self.hear_until(Duration::from_secs(3), is_kept) {
            assert!(began.elapsed() < Duration::from_secs(20), "{seq} is not acknowledged");
            self.send_reading(seq, "milk", celsius, u32::try_from(began.elapsed().as_millis()).unwrap());
        }
    }

    /// Waits until the port is open: the daemon says then that it lives.
    pub fn opened(&mut self) {
        assert!(self.hear_until(Duration::from_secs(10), |p| !p.heard.is_empty()), "nobody opens the port");
    }

    /// Listens until `done` or for `span`; whether it was done.
    pub fn hear_until(&mut self, span: Duration, mut done: impl FnMut(&Self) -> bool) -> bool {
        let until = Instant::now() + span;
        loop {
            self.hear();
            if done(self) {
                return true;
            }
            if Instant::now() > until {
                return false;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

/// No echo, no line editing: a box is no person.
fn raw(master: &OwnedFd) {
    let mut t = tcgetattr(master).unwrap();
    t.make_raw();
    tcsetattr(master, OptionalActions::Now, &t).unwrap();
}
