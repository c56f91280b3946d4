//! Which of a box's frames came already, and what became of them.
//!
//! Terms: a *run* of a box lasts from one start of it to the next; its counter
//! begins anew with it.
//!
//! Invariants: a frame is known by its counter and by the moment at which it
//! was measured: another moment is another frame, whatever the counter. The
//! box is told of a frame only in the run in which it sent it, and only while
//! no other frame bears that counter. A frame whose fate is not known is never
//! forgotten; how many those are is bounded by who keeps them in memory.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

mod before;

pub use before::{Before, Newest};

use super::input::Fate;
use crate::engine::event::Mark;

/// How many frames are remembered after their fate is known, to know what comes
/// again: more than a line brings while an acknowledgement is on its way.
const REMEMBERED: usize = 4096;

/// A counter that jumps further than this was set anew rather than missed.
const MOST_MISSING: u32 = 1 << 20;

/// How far the moments of one frame said twice may lie apart, nanoseconds: what
/// a line holds back, and a box's clock of 2 % over the frame's age.
const SLACK_NS: i64 = 5_000_000_000;
const DRIFT: i64 = 50;

/// What tells a frame from another with its counter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// A reading, measured so long ago, nanoseconds.
    Reading {
        /// 0 for a fresh one.
        age_ns: i64,
    },
    /// A button pressed so long ago, nanoseconds.
    Button {
        /// Which.
        button: u8,
        /// 0 for a fresh one, and where the box does not say.
        age_ns: i64,
    },
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
    /// Came before and could not be kept.
    Dropped,
}

/// The frames of one line's box. Times are monotonic nanoseconds.
#[derive(Debug, Default)]
pub struct Heard {
    next: Option<u32>,
    last_ns: Option<i64>,
    memory: Arc<Mutex<Memory>>,
    /// What was on disk already when the daemon started.
    before: Before,
}

#[derive(Debug, Default)]
struct Memory {
    frames: BTreeMap<u32, Known>,
    /// Those whose fate is known, in that order, by counter and id.
    settled: VecDeque<(u32, u64)>,
    run: u64,
    last_id: u64,
}

#[derive(Debug)]
struct Known {
    id: u64,
    what: What,
    /// When it was measured.
    at_ns: i64,
    fate: Option<Fate>,
}

impl Known {
    fn is(&self, what: What, at_ns: i64) -> bool {
        match (self.what, what) {
            // Sent again without an age it is known by its counter alone.
            (What::Button { button: a, .. }, What::Button { button: b, age_ns }) => {
                a == b && (age_ns == 0 || same_moment(self.at_ns, at_ns, age_ns))
            }
            // Sent again it would have an age.
            (What::Reading { .. }, What::Reading { age_ns }) => {
                age_ns > 0 && same_moment(self.at_ns, at_ns, age_ns)
            }
            _ => false,
        }
    }
}

fn same_moment(one_ns: i64, other_ns: i64, age_ns: i64) -> bool {
    one_ns.abs_diff(other_ns) <= (SLACK_NS + age_ns / DRIFT).unsigned_abs()
}

impl Memory {
    fn begin_anew(&mut self) {
        self.frames.clear();
        self.settled.clear();
        self.run += 1;
    }

    fn insert(&mut self, seq: u32, what: What, at_ns: i64) {
        self.last_id += 1;
        self.frames.insert(seq, Known { id: self.last_id, what, at_ns, fate: None });
    }

    fn settle(&mut self, seq: u32, fate: Fate) {
        let Some(known) = self.frames.get_mut(&seq) else { return };
        known.fate = Some(fate);
        self.settled.push_back((seq, known.id));
        if self.settled.len() > REMEMBERED
            && let Some((oldest, id)) = self.settled.pop_front()
            && self.frames.get(&oldest).is_some_and(|k| k.id == id)
        {
            self.frames.remove(&oldest);
        }
    }
}

impl Heard {
    /// With what was on disk already when the daemon started.
    pub fn knowing(before: Before) -> Self {
        Self { before, ..Self::default() }
    }

    /// A reading of that probe is about to be noted: where it was on disk before the
    /// start it is known, and kept.
    pub fn recall(&mut self, seq: u32, probe: &str, age_ns: i64, now_ns: u64) {
        let mut memory = locked(&self.memory);
        if memory.frames.contains_key(&seq) {
            return;
        }
        let at_ns = signed(now_ns).saturating_sub(age_ns);
        if let Some(at_ns) = self.before.moment_of(seq, probe, at_ns, age_ns) {
            memory.insert(seq, What::Reading { age_ns }, at_ns);
            memory.settle(seq, Fate::Kept);
        }
    }

    /// A button that means that mark is about to be noted: where the mark was on disk
    /// before the start it is known, and kept.
    pub fn recall_mark(&mut self, seq: u32, button: u8, mark: &Mark, age_ns: i64, now_ns: u64) {
        let mut memory = locked(&self.memory);
        if memory.frames.contains_key(&seq) {
            return;
        }
        let at_ns = signed(now_ns).saturating_sub(age_ns);
        if let Some(at_ns) = self.before.moment_of_mark(mark, at_ns, age_ns) {
            memory.insert(seq, What::Button { button, age_ns }, at_ns);
            memory.settle(seq, Fate::Kept);
        }
    }

    /// Takes note of a frame.
    pub fn note(&mut self, seq: u32, what: What, now_ns: u64) -> Seen {
        let now_ns = signed(now_ns);
        self.last_ns = Some(now_ns);
        let at_ns = match what {
            What::Reading { age_ns } | What::Button { age_ns, .. } => now_ns.saturating_sub(age_ns),
        };
        let mut memory = locked(&self.memory);
        if let Some(known) = memory.frames.get(&seq) {
            if known.is(what, at_ns) {
                return match known.fate {
                    None => Seen::Waiting,
                    Some(Fate::Kept) => Seen::Kept,
                    Some(Fate::Dropped) => Seen::Dropped,
                };
            }
            // The box began anew, and its hello was lost.
            memory.begin_anew();
            self.before.forget();
            self.next = Some(seq);
        }
        memory.insert(seq, what, at_ns);
        let ahead = self.next.map_or(0, |next| seq.wrapping_sub(next));
        if ahead < u32::MAX / 2 {
            self.next = Some(seq.wrapping_add(1));
        }
        Seen::New { missing: if ahead < MOST_MISSING { ahead } else { 0 } }
    }

    /// The box says hello: with its next counter, and how long it is up.
    /// Whether it began anew since it was last heard.
    pub fn hello(&mut self, seq: u32, up_s: u32, now_ns: u64) -> bool {
        let now_ns = signed(now_ns);
        // It may be up for a second more than it says.
        let began_ns = now_ns.saturating_sub((i64::from(up_s) + 1) * 1_000_000_000);
        let began_since = self.last_ns.replace(now_ns).is_some_and(|last_ns| began_ns > last_ns);
        let went_back = self.next.is_some_and(|next| seq.wrapping_sub(next) > u32::MAX / 2);
        if began_since || went_back {
            locked(&self.memory).begin_anew();
            self.before.forget();
        }
        if began_since || went_back || self.next.is_none() {
            self.next = Some(seq);
        }
        began_since || went_back
    }

    /// Whoever tells what becomes of that frame.
    pub fn keeper(&self, seq: u32) -> Keeper {
        let memory = locked(&self.memory);
        let id = memory.frames.get(&seq).map_or(0, |k| k.id);
        Keeper { seq, id, run: memory.run, memory: self.memory.clone() }
    }

    /// A frame that could not be kept is taken in once more.
    pub fn again(&mut self, seq: u32) {
        let mut memory = locked(&self.memory);
        memory.last_id += 1;
        let id = memory.last_id;
        if let Some(known) = memory.frames.get_mut(&seq) {
            // Another one than the one that counts as settled.
            (known.id, known.fate) = (id, None);
        }
    }
}

/// Tells what became of one frame.
#[derive(Debug)]
pub struct Keeper {
    seq: u32,
    id: u64,
    run: u64,
    memory: Arc<Mutex<Memory>>,
}

impl Keeper {
    /// Notes it. Whether the box is to be told that the frame is kept.
    pub fn tell(self, fate: Fate) -> bool {
        let mut memory = locked(&self.memory);
        let run = memory.run;
        if memory.frames.get(&self.seq).is_none_or(|known| known.id != self.id) {
            // The box began anew, or the counter stands for another frame now.
            return false;
        }
        memory.settle(self.seq, fate);
        fate == Fate::Kept && run == self.run
    }
}

fn locked(memory: &Mutex<Memory>) -> MutexGuard<'_, Memory> {
    memory.lock().unwrap_or_else(PoisonError::into_inner)
}

fn signed(ns: u64) -> i64 {
    i64::try_from(ns).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests;
