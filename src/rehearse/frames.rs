//! The simulated probe box: what the probe says as frames on a line.
//!
//! It counts its frames as a real box does. Deliberately absent: sending
//! again what was not acknowledged; the simulated line loses nothing.

use super::probe::Said;
use crate::sensor::fault::{Fault, Faults};
use crate::sensor::raw::Signal;
use crate::wire::frame::{BoxReading, Frame, Hello, encode};

/// So much of the difference to the room the box makes up with each reading.
const FOLLOWS: f64 = 0.0003;

/// A probe box with one probe.
#[derive(Debug, Clone)]
pub struct ProbeBox {
    probe: String,
    next: u32,
    /// What the box itself is at, °C; nothing before it first looked.
    celsius: Option<f64>,
}

impl ProbeBox {
    /// A box that has just started, with a probe of that name.
    pub fn with(probe: &str) -> Self {
        Self { probe: probe.to_owned(), next: 1, celsius: None }
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

    /// One reading as a frame; the box lies in a room of `air_celsius`, and follows
    /// it slowly: the next day may be another, the box goes on from where it was.
    pub fn reading(&mut self, said: Said, air_celsius: f64) -> Vec<u8> {
        let (signal, faults) = match said {
            Said::Celsius(c) => (Signal::Celsius(c), Faults::default()),
            Said::Open => (Signal::Nothing, Faults::default().with(Fault::Open)),
        };
        let seq = self.next;
        self.next = self.next.wrapping_add(1);
        // A little of its own warmth, in the sixteenths its chip counts in.
        let box_celsius = self.celsius.map_or(air_celsius + 2.0, |c| c + FOLLOWS * (air_celsius + 2.0 - c));
        self.celsius = Some(box_celsius);
        let cold_junction = (box_celsius * 16.0).round() / 16.0;
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

    /// From one day to the next the box jumped to the other day's air, and its probe
    /// was in doubt.
    #[test]
    fn a_box_follows_the_room_as_slowly_as_a_box_does() {
        let mut sends = ProbeBox::with("kettle");
        let mut junctions = Vec::new();
        for air in (0..40_000).map(|n| if n < 10 { 8.0 } else { 26.0 }) {
            let bytes = sends.reading(Said::Celsius(34.0), air);
            let Some(Ok(Frame::Reading(r))) = FrameDecoder::default().push(&bytes).pop() else { panic!() };
            junctions.push(r.cold_junction_celsius.unwrap());
        }
        // At one or two readings a second, within five minutes.
        let most = junctions.windows(600).map(|w| (w[599] - w[0]).abs()).fold(0.0, f64::max);
        assert!(junctions[0] < 10.1 && most < 3.5 && *junctions.last().unwrap() > 27.5, "{most}");
    }

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
