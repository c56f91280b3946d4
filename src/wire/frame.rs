//! The probe box's own serial frame, both ways: `hardware/wire-format.md` is
//! its description, and a test holds the two together.
//!
//! A frame is one line of ASCII: `$`, version and kind, fields with commas
//! between them, `*`, four hex digits of CRC, line feed. It can be read and
//! typed at any terminal. The CRC is CRC-16/IBM-3740 (also called
//! CCITT-FALSE: polynomial 0x1021, start 0xFFFF, not reflected, no final xor;
//! check value 0x29B1) over every byte between `$` and `*`.
//!
//! Invariants: [`FrameDecoder`] never panics, keeps at most
//! [`LONGEST_FRAME`] bytes, loses no whole frame to noise before it (a `$`
//! always begins anew), and gives no frame whose CRC is wrong.
//!
//! Absent on purpose: addresses. One line, one box; a box names its probes.

use crc::{CRC_16_IBM_3740, Crc};

use crate::sensor::fault::Faults;
use crate::sensor::raw::{Raw, Signal};

mod decode;
mod encode;

pub use decode::{FrameDecoder, FrameError};
pub use encode::encode;

/// The frame's CRC.
pub const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);

/// The longest frame, `$` to line feed, bytes.
pub const LONGEST_FRAME: usize = 120;

/// The longest probe name in a frame, bytes.
pub const LONGEST_PROBE: usize = 24;

/// One frame. The first three go from the box to the daemon, the others from
/// the daemon to the box.
#[derive(Debug, Clone, PartialEq)]
pub enum Frame {
    /// `R`: what a probe says.
    Reading(BoxReading),
    /// `H`: the box is up.
    Hello(Hello),
    /// `B`: a button on the box was pressed.
    Button {
        /// The box's counter, shared with readings.
        seq: u32,
        /// Which button; 0 takes the alarm, others are the maker's.
        button: u8,
        /// How long ago it was pressed, milliseconds; 0 where it just was, or where
        /// the box does not say.
        age_ms: u32,
    },
    /// `A`: the frame with this counter is on the disk.
    Ack {
        /// The counter.
        seq: u32,
    },
    /// `S`: sound and lamp, until the next `S`.
    Sound {
        /// What the buzzer does.
        sound: Sound,
        /// What the lamp does.
        lamp: Lamp,
    },
    /// `K`: the daemon lives. A box that hears no valid frame for `within_s`
    /// seconds sounds [`Sound::Fault`] by itself; 0 disarms (the daemon ends
    /// on purpose).
    KeepAlive {
        /// Seconds until the box cries.
        within_s: u16,
    },
}

/// What a probe says, with its counter and its age.
#[derive(Debug, Clone, PartialEq)]
pub struct BoxReading {
    /// The box's counter: one up a frame, wraps to 0.
    pub seq: u32,
    /// The probe: a number or a short name, `[A-Za-z0-9_-]`, at most
    /// [`LONGEST_PROBE`] bytes.
    pub probe: String,
    /// The value. [`Signal::Scratchpad`] goes over the wire, too.
    pub signal: Signal,
    /// The cold junction, °C.
    pub cold_junction_celsius: Option<f64>,
    /// Faults of the sensor.
    pub faults: Faults,
    /// How long ago it was measured, ms: 0 for a fresh one, more for one sent
    /// again because no acknowledgement came.
    pub age_ms: u32,
}

impl BoxReading {
    /// As [`crate::sensor`] takes it.
    pub fn raw(&self) -> Raw {
        Raw {
            signal: self.signal,
            cold_junction_celsius: self.cold_junction_celsius,
            emf_mv: None,
            seq: Some(u64::from(self.seq)),
            faults: self.faults,
            said: None,
        }
    }
}

/// What a box says of itself when it starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hello {
    /// The first counter it will use.
    pub seq: u32,
    /// The box's name, as a probe's.
    pub name: String,
    /// Its firmware's version, as a probe's name plus `.`.
    pub firmware: String,
    /// Seconds since it started.
    pub up_s: u32,
}

/// What the buzzer does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sound {
    /// Nothing.
    Silent,
    /// One short beep, once: a button was heard, a mark is kept.
    Chirp,
    /// Two slow tones, repeated: get ready.
    Ready,
    /// Fast and high, without pause: heat off now.
    Now,
    /// Three low tones, repeated: something is broken.
    Fault,
}

impl Sound {
    /// Every sound and its letter on the wire.
    pub const ALL: [(Self, &'static str); 5] =
        [(Self::Silent, "0"), (Self::Chirp, "C"), (Self::Ready, "R"), (Self::Now, "N"), (Self::Fault, "F")];
}

/// What the lamp does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lamp {
    /// Dark.
    Off,
    /// Lit.
    On,
    /// Once a second.
    Slow,
    /// Five times a second.
    Fast,
}

impl Lamp {
    /// Every lamp's state and its letter on the wire.
    pub const ALL: [(Self, &'static str); 4] =
        [(Self::Off, "0"), (Self::On, "1"), (Self::Slow, "S"), (Self::Fast, "F")];
}

#[cfg(test)]
mod tests;
