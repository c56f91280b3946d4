//! From a serial line's bytes to readings, acknowledgements included.
//!
//! Invariant: a frame is acknowledged when it is synced, when it comes again and
//! was synced before, or when there is nothing in it to keep; one that comes
//! again is taken in once. One that could not be kept is taken in again when
//! readings are being kept again.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::mpsc::Sender;

use super::gibberish::{Gibberish, quoted};
use super::heard::{Heard, Seen, What};
use super::input::{Fate, Incoming, Input, Receipt};
use super::source::{Gone, Tally, Way};
use crate::config::source::{Format, SerialPort};
use crate::engine::event::{Ask, Command, Mark, MarkKind, Name};
use crate::wire::frame::{BoxReading, Frame, FrameDecoder, Hello, Sound};
use crate::wire::payload::{Payload, PayloadError, Said, Told};
use crate::wire::split::LineSplitter;

/// The same frame within so long is one said twice, nanoseconds; and so many are
/// remembered.
const ECHO_NS: u64 = 250_000_000;
const MOST_FRESH: usize = 16;

/// A press of button 0 that is older than this takes no alarm: others may have been
/// raised since. Milliseconds.
const LATE_PRESS_MS: u32 = 60_000;

/// What comes after so long a silence since the port was opened begins a line: no box
/// pauses so long within one. Nanoseconds.
const QUIET_NS: u64 = 500_000_000;

/// Reads one line's bytes in its format.
#[derive(Debug)]
pub struct LineReader {
    way: Way,
    format: Reader,
    /// When the port was opened, until the first bytes come.
    opened_ns: Option<u64>,
    probe: Option<Name>,
    renamed: BTreeMap<String, Name>,
    buttons: BTreeMap<u8, MarkKind>,
    button_kettle: Option<Name>,
    own_time: bool,
    /// Frames that are to go down the line.
    down: Sender<Frame>,
    heard: Heard,
    /// Readings are being kept, as far as is known.
    store_well: bool,
    /// Buttons of which it was said that they mean nothing.
    told: BTreeSet<u8>,
    gibberish: Gibberish,
    /// Readings that came just now, and when.
    fresh: VecDeque<(u64, BoxReading)>,
    /// The format and speed that are set, for who must mend them.
    set_as: String,
}

#[derive(Debug)]
enum Reader {
    Frames(FrameDecoder),
    Lines(LineSplitter, Payload),
}

impl LineReader {
    /// A reader for that port, with what is known of its box's frames; frames for the
    /// box go into `down`.
    pub fn new(port: &SerialPort, way: Way, heard: Heard, down: Sender<Frame>) -> Self {
        Self {
            way,
            format: reader(&port.format),
            opened_ns: None,
            probe: port.probe.clone(),
            renamed: port.probes.clone(),
            buttons: port.buttons.clone(),
            button_kettle: port.kettle.clone(),
            own_time: port.own_time,
            down,
            heard,
            store_well: true,
            told: BTreeSet::new(),
            gibberish: Gibberish::default(),
            fresh: VecDeque::new(),
            set_as: format!("format = \"{}\", baud = {}", port.format.name(), port.baud),
        }
    }

    /// The port was opened: what was begun is forgotten.
    pub fn opened(&mut self) {
        self.opened_ns = Some(self.way.clock.now().mono_ns);
        match &mut self.format {
            Reader::Frames(decoder) => decoder.reset(),
            Reader::Lines(splitter, _) => *splitter = LineSplitter::joined_midway(),
        }
    }

    /// Whether readings are being kept.
    pub fn store(&mut self, well: bool) {
        self.store_well = well;
    }

    /// Takes in bytes.
    ///
    /// # Errors
    /// [`Gone`] where the runner is.
    pub fn take(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        let now_ns = self.way.clock.now().mono_ns;
        if let Some(opened_ns) = self.opened_ns.take_if(|_| !bytes.is_empty())
            && let Reader::Lines(splitter, _) = &mut self.format
            && now_ns.saturating_sub(opened_ns) >= QUIET_NS
        {
            *splitter = LineSplitter::default();
        }
        self.gibberish.came(bytes, now_ns);
        self.read(bytes)?;
        self.way.tally.gibberish.put(self.gibberish.shown());
        if let Some(shown) = self.gibberish.due(self.way.clock.now().mono_ns) {
            let source = &self.way.source;
            tracing::warn!(source = %source, "{source}: bytes come that are no readings, such as {shown}; mend what is set to what the box sends: {}", self.set_as);
        }
        Ok(())
    }

    fn read(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        match &mut self.format {
            Reader::Frames(decoder) => {
                for frame in decoder.push(bytes) {
                    match frame {
                        Ok(frame) => {
                            self.gibberish.understood();
                            self.tell_refused();
                            self.frame(frame)?;
                        }
                        Err(e) => {
                            if !e.is_noise() {
                                self.gibberish.refused(|| e.to_string());
                            }
                            self.refuse(&e);
                        }
                    }
                }
            }
            Reader::Lines(splitter, payload) => {
                let read = |line: Vec<u8>| (payload.read(&line), line);
                let lines: Vec<_> = splitter.push(bytes).into_iter().map(read).collect();
                for (told, line) in lines {
                    for one in told {
                        self.told(one, &line)?;
                    }
                }
            }
        }
        Ok(())
    }

    fn told(&mut self, one: Result<Told, PayloadError>, line: &[u8]) -> Result<(), Gone> {
        match one {
            Ok(told) => {
                self.gibberish.understood();
                self.tell_refused();
                match told {
                    Told::Value(said) => self.line(&said, line),
                    Told::Mark { mark, wall_ns } => {
                        let mark = self.way.mark(mark, wall_ns.filter(|_| self.own_time));
                        mark.map_or(Ok(()), |mark| self.way.send(mark))
                    }
                }
            }
            Err(e) => {
                self.gibberish.refused(|| format!("{}: {e}", quoted(line)));
                self.refuse(&e);
                Ok(())
            }
        }
    }

    fn tell_refused(&mut self) {
        if let Some(refused) = self.gibberish.among_readings() {
            let source = &self.way.source;
            tracing::warn!(source = %source, "{source}: a line among the readings is refused, {refused}. Told once; every one is counted");
        }
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
            Frame::Button { seq, button, age_ms } => self.button(seq, button, age_ms),
            // Ours come back where the line echoes; they say nothing.
            Frame::Ack { .. } | Frame::Sound { .. } | Frame::KeepAlive { .. } => Ok(()),
        }
    }

    fn hello(&mut self, h: &Hello) {
        let (name, firmware) = (&h.name, &h.firmware);
        let word =
            if self.heard.hello(h.seq, h.up_s, self.way.clock.now().mono_ns) { "up again" } else { "up" };
        tracing::info!(source = %self.way.source, "{}: box {name} is {word}, firmware {firmware}", self.way.source);
    }

    fn reading(&mut self, r: &BoxReading) -> Result<(), Gone> {
        let mut age_ns = i64::from(r.age_ms) * 1_000_000;
        if self.is_echo(r) {
            // Said again, though it does not say that it is older.
            age_ns = age_ns.max(1);
        }
        let probe = self.named(&r.probe);
        self.heard.recall(r.seq, &probe, age_ns, self.way.clock.now().mono_ns);
        if !self.is_new(r.seq, What::Reading { age_ns }) {
            return Ok(());
        }
        let Some(reading) = self.way.reading(&probe, None, &r.raw()) else {
            self.nothing_to_keep(r.seq);
            return Ok(());
        };
        let receipt = self.receipt(r.seq, false);
        self.way.send(self.way.aged(
            Incoming::Reading(reading),
            u64::from(r.age_ms) * 1_000_000,
            Some(receipt),
        ))
    }

    /// Whether the very same frame came just before: no box starts anew and measures
    /// within so short a time.
    fn is_echo(&mut self, r: &BoxReading) -> bool {
        let now_ns = self.way.clock.now().mono_ns;
        while self.fresh.front().is_some_and(|(came_ns, _)| now_ns.saturating_sub(*came_ns) > ECHO_NS) {
            self.fresh.pop_front();
        }
        if self.fresh.iter().any(|(_, before)| before == r) {
            return true;
        }
        if self.fresh.len() == MOST_FRESH {
            self.fresh.pop_front();
        }
        self.fresh.push_back((now_ns, r.clone()));
        false
    }

    fn button(&mut self, seq: u32, button: u8, age_ms: u32) -> Result<(), Gone> {
        let age_ns = i64::from(age_ms) * 1_000_000;
        let what = self.meaning(button);
        if let Some(Incoming::Mark(mark)) = &what {
            self.heard.recall_mark(seq, button, mark, age_ns, self.way.clock.now().mono_ns);
        }
        if !self.is_new(seq, What::Button { button, age_ns }) {
            return Ok(());
        }
        let is_late = |what: &Incoming| matches!(what, Incoming::Command(_)) && age_ms > LATE_PRESS_MS;
        let Some(what) = what.filter(|what| !is_late(what)) else {
            self.nothing_to_keep(seq);
            return Ok(());
        };
        if let Incoming::Command(command) = &what {
            // The box sounds for the house's alarms too, and has no other button.
            let house = Command { kettle: "".into(), ..command.clone() };
            self.way.send(Input::of(Incoming::Command(house)))?;
        }
        let receipt = Some(self.receipt(seq, true));
        self.way.send(self.way.aged(what, u64::from(age_ms) * 1_000_000, receipt))
    }

    /// What a button means; where it means nothing that is said once.
    fn meaning(&mut self, button: u8) -> Option<Incoming> {
        let by = Some(self.way.source.clone());
        let lacks = match (self.button_kettle.clone(), self.buttons.get(&button)) {
            (None, _) => "the line has no kettle set: add kettle = \"NAME\"",
            (Some(kettle), Some(kind)) => {
                return Some(Incoming::Mark(Mark { kettle, kind: kind.clone(), by }));
            }
            (Some(kettle), None) if button == 0 => {
                return Some(Incoming::Command(Command { kettle, by, ask: Ask::Acknowledge(None) }));
            }
            (Some(_), None) => "it has no meaning set: add it to buttons = { … }",
        };
        if self.told.insert(button) {
            tracing::warn!(source = %self.way.source, "{}: button {button} was pressed and does nothing; {lacks}", self.way.source);
        }
        None
    }

    /// Whether a frame is to be taken in; one that was kept before is
    /// acknowledged again.
    fn is_new(&mut self, seq: u32, what: What) -> bool {
        match self.heard.note(seq, what, self.way.clock.now().mono_ns) {
            Seen::New { missing } => {
                Tally::count(&self.way.tally.missing, missing.into());
                if missing > 0 {
                    tracing::debug!(source = %self.way.source, "{missing} frames are missing before {seq}");
                }
                return true;
            }
            Seen::Dropped if self.store_well => {
                self.heard.again(seq);
                return true;
            }
            Seen::Kept => self.down(Frame::Ack { seq }),
            Seen::Waiting | Seen::Dropped => {}
        }
        Tally::count(&self.way.tally.again, 1);
        false
    }

    /// The box must not send it for ever.
    fn nothing_to_keep(&self, seq: u32) {
        if self.heard.keeper(seq).tell(Fate::Kept) {
            self.down(Frame::Ack { seq });
        }
    }

    fn receipt(&self, seq: u32, chirp: bool) -> Receipt {
        let (down, keeper) = (self.down.clone(), self.heard.keeper(seq));
        Receipt::new(move |fate| {
            if !keeper.tell(fate) {
                return;
            }
            // A receiver that is gone is a port that is being closed.
            let _ = down.send(Frame::Ack { seq });
            if chirp {
                let lamp = crate::wire::frame::Lamp::Off;
                let _ = down.send(Frame::Sound { sound: Sound::Chirp, lamp });
            }
        })
    }

    fn down(&self, frame: Frame) {
        // A receiver that is gone is a port that is being closed.
        let _ = self.down.send(frame);
    }

    fn line(&mut self, said: &Said, line: &[u8]) -> Result<(), Gone> {
        let own = said.probe.as_deref().map(|p| self.named(p));
        let Some(probe) = own.or_else(|| self.probe.clone()) else {
            let why = "the line does not say whose reading it is; add probe = \"NAME\" to its [[serial]]";
            self.gibberish.refused(|| format!("{}: {why}", quoted(line)));
            self.tell_refused();
            self.refuse(&why);
            return Ok(());
        };
        let Some(reading) = self.way.reading(&probe, said.kettle.clone(), &said.raw) else { return Ok(()) };
        let taken = self.way.own_time(&probe, said.wall_ns.filter(|_| self.own_time));
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
#[path = "line_reader_tests.rs"]
mod tests;
