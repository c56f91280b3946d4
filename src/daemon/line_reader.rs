//! From a serial line's bytes to readings, acknowledgements included.
//!
//! Invariant: a frame is acknowledged when it is synced, or when it comes
//! again and was synced before; one that comes again is taken in once.

use std::collections::BTreeMap;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};

use super::input::{Incoming, Input, Receipt};
use super::source::{Gone, Tally, Way};
use crate::config::source::{Format, SerialPort};
use crate::engine::event::{Ask, Command, Mark, MarkKind, Name};
use crate::wire::frame::{BoxReading, Frame, FrameDecoder, Hello, Sound};
use crate::wire::payload::{Payload, Said};
use crate::wire::split::LineSplitter;

/// How many counters are remembered, to know what comes again.
const REMEMBERED: usize = 1024;

/// A counter that jumps further than this was set anew rather than missed.
const MOST_MISSING: u32 = 1 << 20;

/// Reads one line's bytes in its format.
#[derive(Debug)]
pub struct LineReader {
    way: Way,
    format: Reader,
    probe: Option<Name>,
    renamed: BTreeMap<String, Name>,
    buttons: BTreeMap<u8, MarkKind>,
    button_kettle: Option<Name>,
    own_time: bool,
    /// Frames that are to go down the line.
    down: Sender<Frame>,
    heard: Heard,
}

#[derive(Debug)]
enum Reader {
    Frames(FrameDecoder),
    Lines(LineSplitter, Payload),
}

/// Which of the box's counters came already, and whether they are synced.
#[derive(Debug, Default)]
pub struct Heard {
    next: Option<u32>,
    kept: Arc<Mutex<BTreeMap<u32, bool>>>,
    order: std::collections::VecDeque<u32>,
}

/// What a counter says of its frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// New; so many are missing before it.
    New {
        /// How many.
        missing: u32,
    },
    /// Came before and is synced: acknowledge it again.
    Kept,
    /// Came before and is not synced yet: its acknowledgement will come.
    Waiting,
}

impl Heard {
    /// Takes note of a counter.
    pub fn note(&mut self, seq: u32) -> Seen {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(kept) = kept.get(&seq) {
            return if *kept { Seen::Kept } else { Seen::Waiting };
        }
        kept.insert(seq, false);
        self.order.push_back(seq);
        if self.order.len() > REMEMBERED
            && let Some(oldest) = self.order.pop_front()
        {
            kept.remove(&oldest);
        }
        let ahead = self.next.map_or(0, |next| seq.wrapping_sub(next));
        if ahead < u32::MAX / 2 {
            self.next = Some(seq.wrapping_add(1));
        }
        Seen::New { missing: if ahead < MOST_MISSING { ahead } else { 0 } }
    }

    /// Whether this counter came before.
    pub fn knows(&self, seq: u32) -> bool {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).contains_key(&seq)
    }

    /// The box began anew with this counter.
    pub fn restart(&mut self, seq: u32) {
        self.next = Some(seq);
        self.order.clear();
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// What marks a counter as synced.
    fn keeper(&self, seq: u32) -> impl FnOnce() + Send + 'static {
        let kept = self.kept.clone();
        move || {
            if let Some(k) = kept.lock().unwrap_or_else(PoisonError::into_inner).get_mut(&seq) {
                *k = true;
            }
        }
    }
}

impl LineReader {
    /// A reader for that port; frames for the box go into `down`.
    pub fn new(port: &SerialPort, way: Way, down: Sender<Frame>) -> Self {
        Self {
            way,
            format: reader(&port.format),
            probe: port.probe.clone(),
            renamed: port.probes.clone(),
            buttons: port.buttons.clone(),
            button_kettle: port.kettle.clone(),
            own_time: port.own_time,
            down,
            heard: Heard::default(),
        }
    }

    /// The port was opened: what was begun is forgotten.
    pub fn opened(&mut self) {
        match &mut self.format {
            Reader::Frames(decoder) => decoder.reset(),
            Reader::Lines(splitter, _) => *splitter = LineSplitter::joined_midway(),
        }
    }

    /// Takes in bytes.
    ///
    /// # Errors
    /// [`Gone`] where the runner is.
    pub fn take(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        match &mut self.format {
            Reader::Frames(decoder) => {
                for frame in decoder.push(bytes) {
                    match frame {
                        Ok(frame) => self.frame(frame)?,
                        Err(e) => self.refuse(&e),
                    }
                }
            }
            Reader::Lines(splitter, payload) => {
                let said: Vec<_> = splitter.push(bytes).iter().flat_map(|l| payload.read(l)).collect();
                for one in said {
                    match one {
                        Ok(said) => self.line(&said)?,
                        Err(e) => self.refuse(&e),
                    }
                }
            }
        }
        Ok(())
    }

    fn refuse(&self, why: &dyn std::fmt::Display) {
        Tally::count(&self.way.tally.refused, 1);
        tracing::debug!(source = %self.way.source, "{}: {why}", self.way.source);
    }

    fn frame(&mut self, frame: Frame) -> Result<(), Gone> {
        match frame {
            Frame::Reading(r) => self.reading(&r),
            Frame::Hello(h) => {
                self.hello(&h);
                Ok(())
            }
            Frame::Button { seq, button } => self.button(seq, button),
            // Ours come back where the line echoes; they say nothing.
            Frame::Ack { .. } | Frame::Sound { .. } | Frame::KeepAlive { .. } => Ok(()),
        }
    }

    fn hello(&mut self, h: &Hello) {
        let (name, firmware) = (&h.name, &h.firmware);
        tracing::info!(source = %self.way.source, "{}: box {name} is up, firmware {firmware}", self.way.source);
        self.heard.restart(h.seq);
    }

    fn reading(&mut self, r: &BoxReading) -> Result<(), Gone> {
        // Sent again it would have an age: a fresh frame under an old counter
        // is a box that began anew and whose hello was lost.
        if r.age_ms == 0 && self.heard.knows(r.seq) {
            self.heard.restart(r.seq);
        }
        if !self.is_new(r.seq) {
            return Ok(());
        }
        let probe = self.named(&r.probe);
        let reading = self.way.reading(&probe, None, &r.raw());
        let receipt = self.receipt(r.seq, false);
        self.way.send(self.way.aged(reading, u64::from(r.age_ms) * 1_000_000, Some(receipt)))
    }

    fn button(&mut self, seq: u32, button: u8) -> Result<(), Gone> {
        if !self.is_new(seq) {
            return Ok(());
        }
        let Some(kettle) = self.button_kettle.clone() else {
            tracing::warn!(source = %self.way.source, "{}: a button was pressed, but the line has no kettle set", self.way.source);
            return Ok(());
        };
        let by = Some(self.way.source.clone());
        let what = match self.buttons.get(&button) {
            Some(kind) => Incoming::Mark(Mark { kettle, kind: kind.clone(), by }),
            None if button == 0 => Incoming::Command(Command { kettle, by, ask: Ask::Acknowledge(None) }),
            None => {
                tracing::warn!(source = %self.way.source, "{}: button {button} has no meaning set", self.way.source);
                return Ok(());
            }
        };
        let receipt = Some(self.receipt(seq, true));
        self.way.send(Input { receipt, ..Input::of(what) })
    }

    /// Whether a frame is to be taken in; one that was kept before is
    /// acknowledged again.
    fn is_new(&mut self, seq: u32) -> bool {
        match self.heard.note(seq) {
            Seen::New { missing } => {
                Tally::count(&self.way.tally.missing, missing.into());
                if missing > 0 {
                    tracing::debug!(source = %self.way.source, "{missing} frames are missing before {seq}");
                }
                return true;
            }
            Seen::Kept => {
                // A receiver that is gone is a port that is being closed.
                let _ = self.down.send(Frame::Ack { seq });
            }
            Seen::Waiting => {}
        }
        Tally::count(&self.way.tally.again, 1);
        false
    }

    fn receipt(&self, seq: u32, chirp: bool) -> Receipt {
        let (down, keep) = (self.down.clone(), self.heard.keeper(seq));
        Receipt::new(move || {
            keep();
            // A receiver that is gone is a port that is being closed.
            let _ = down.send(Frame::Ack { seq });
            if chirp {
                let lamp = crate::wire::frame::Lamp::Off;
                let _ = down.send(Frame::Sound { sound: Sound::Chirp, lamp });
            }
        })
    }

    fn line(&mut self, said: &Said) -> Result<(), Gone> {
        let own = said.probe.as_deref().map(|p| self.named(p));
        let Some(probe) = own.or_else(|| self.probe.clone()) else {
            self.refuse(&"the line does not say whose reading it is; add probe = \"NAME\"");
            return Ok(());
        };
        let reading = self.way.reading(&probe, said.kettle.clone(), &said.raw);
        let taken = said.wall_ns.filter(|_| self.own_time).into();
        self.way.send(Input { what: Incoming::Reading(reading), taken, receipt: None })
    }

    fn named(&self, theirs: &str) -> Name {
        self.renamed.get(theirs).cloned().unwrap_or_else(|| Name::from(theirs))
    }
}

fn reader(format: &Format) -> Reader {
    match format {
        Format::Frames => Reader::Frames(FrameDecoder::default()),
        Format::Lines(payload) => Reader::Lines(LineSplitter::joined_midway(), payload.clone()),
    }
}

#[cfg(test)]
mod tests {
    use super::{Heard, Seen};

    #[test]
    fn a_counter_tells_new_from_again_and_counts_what_is_missing() {
        let mut heard = Heard::default();
        assert_eq!(heard.note(u32::MAX - 1), Seen::New { missing: 0 });
        assert_eq!(heard.note(u32::MAX), Seen::New { missing: 0 });
        assert_eq!(heard.note(0), Seen::New { missing: 0 }, "it wraps");
        assert_eq!(heard.note(4), Seen::New { missing: 3 });
        assert_eq!(heard.note(2), Seen::New { missing: 0 }, "late, not missing again");
        assert_eq!(heard.note(5), Seen::New { missing: 0 });
        assert_eq!(heard.note(4), Seen::Waiting);
        heard.keeper(4)();
        assert_eq!(heard.note(4), Seen::Kept);
        heard.restart(0);
        assert_eq!(heard.note(0), Seen::New { missing: 0 });
        assert_eq!(heard.note(u32::MAX / 2 - 5), Seen::New { missing: 0 }, "set anew, not a billion missing");
    }
}
