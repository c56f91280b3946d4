//! The simulated probe box: what the probe says as frames on a line.
//!
//! It counts its frames as a real box does. Deliberately absent: sending
//! again what was not acknowledged; the simulated line loses nothing.

use super::probe::Said;
use crate::sensor::fault::{Fault, Faults};
use crate::sensor::raw::Signal;
use crate::wire::frame::{BoxReading, Frame, Hello, encode};

/// A probe box with one probe.
#[derive(Debug, Clone)]
pub struct ProbeBox {
    probe: String,
    next: u32,
}

impl ProbeBox {
    /// A box that has just started, with a probe of that name.
    pub fn with(probe: &str) -> Self {
        Self { probe: probe.to_owned(), next: 1 }
    }

    /// What it says when it starts.
    pub fn hello(&self) -> Vec<u8> {
        encode(&Frame::Hello(Hello {
            seq: self.next,
            name: "rehearsal".into(),
            firmware: "1.0".into(),
            up_s: 0,
        }))
    }

    /// One reading as a frame; the box lies in a room of `air_celsius`.
    pub fn reading(&mut self, said: Said, air_celsius: f64) -> Vec<u8> {
        let (signal, faults) = match said {
            Said::Celsius(c) => (Signal::Celsius(c), Faults::default()),
            Said::Open => (Signal::Nothing, Faults::default().with(Fault::Open)),
        };
        let seq = self.next;
        self.next = self.next.wrapping_add(1);
        // A little of its own warmth, in the sixteenths its chip counts in.
        let cold_junction = ((air_celsius + 2.0) * 16.0).round() / 16.0;
        encode(&Frame::Reading(BoxReading {
            seq,
            probe: self.probe.clone(),
            signal,
            cold_junction_celsius: Some(cold_junction),
            faults,
            age_ms: 0,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::{ProbeBox, Said, Signal};
    use crate::wire::frame::{Frame, FrameDecoder};

    #[test]
    fn frames_read_back() {
        let mut sends = ProbeBox::with("kettle");
        let mut bytes = sends.reading(Said::Celsius(34.9375), 15.0);
        bytes.extend(sends.reading(Said::Open, 15.0));
        let frames: Vec<Frame> =
            FrameDecoder::default().push(&bytes).into_iter().map(Result::unwrap).collect();
        let [Frame::Reading(first), Frame::Reading(second)] = &frames[..] else { panic!("{frames:?}") };
        assert_eq!((first.seq, second.seq), (1, 2));
        assert_eq!(first.signal, Signal::Celsius(34.9375));
        assert_eq!((second.signal, second.faults.bits()), (Signal::Nothing, 1));
    }
}
