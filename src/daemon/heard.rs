//! Which of a box's frames came already, and what became of them.
//!
//! Terms: a *run* of a box lasts from one start of it to the next; its counter
//! begins anew with it.
//!
//! Invariants: a frame is known by its counter and by the moment at which it
//! was measured: another moment is another frame, whatever the counter. The
//! box is told of a frame only in the run in which it sent it, and only while
//! no other frame bears that counter.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::input::Fate;

/// How many frames are remembered, to know what comes again.
const REMEMBERED: usize = 1024;

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
    /// A button pressed. It bears no age.
    Button(u8),
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
}

#[derive(Debug, Default)]
struct Memory {
    frames: BTreeMap<u32, Known>,
    order: VecDeque<(u32, u64)>,
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
            (What::Button(a), What::Button(b)) => a == b,
            // Sent again it would have an age.
            (What::Reading { .. }, What::Reading { age_ns }) => {
                age_ns > 0 && self.at_ns.abs_diff(at_ns) <= (SLACK_NS + age_ns / DRIFT).unsigned_abs()
            }
            _ => false,
        }
    }
}

impl Memory {
    fn begin_anew(&mut self) {
        self.frames.clear();
        self.order.clear();
        self.run += 1;
    }

    fn insert(&mut self, seq: u32, what: What, at_ns: i64) {
        self.last_id += 1;
        let id = self.last_id;
        self.frames.insert(seq, Known { id, what, at_ns, fate: None });
        self.order.push_back((seq, id));
        if self.order.len() > REMEMBERED
            && let Some((oldest, id)) = self.order.pop_front()
            && self.frames.get(&oldest).is_some_and(|k| k.id == id)
        {
            self.frames.remove(&oldest);
        }
    }
}

impl Heard {
    /// Takes note of a frame.
    pub fn note(&mut self, seq: u32, what: What, now_ns: u64) -> Seen {
        let now_ns = signed(now_ns);
        self.last_ns = Some(now_ns);
        let at_ns = match what {
            What::Reading { age_ns } => now_ns.saturating_sub(age_ns),
            What::Button(_) => now_ns,
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
        if let Some(known) = memory.frames.get_mut(&seq) {
            known.fate = None;
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
        match memory.frames.get_mut(&self.seq) {
            Some(known) if known.id == self.id => known.fate = Some(fate),
            // The counter stands for another frame now.
            Some(_) => return false,
            // So long ago that it is forgotten; the box may still wait.
            None => {}
        }
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
mod tests {
    use super::*;

    const S: u64 = 1_000_000_000;
    const FRESH: What = What::Reading { age_ns: 0 };

    fn aged(s: i64) -> What {
        What::Reading { age_ns: s * 1_000_000_000 }
    }

    #[test]
    fn a_counter_tells_new_from_again_and_counts_what_is_missing() {
        let mut heard = Heard::default();
        let mut note = |seq, what| heard.note(seq, what, S);
        assert_eq!(note(u32::MAX - 1, FRESH), Seen::New { missing: 0 });
        assert_eq!(note(u32::MAX, FRESH), Seen::New { missing: 0 });
        assert_eq!(note(0, FRESH), Seen::New { missing: 0 }, "it wraps");
        assert_eq!(note(4, FRESH), Seen::New { missing: 3 });
        assert_eq!(note(2, FRESH), Seen::New { missing: 0 }, "late, not missing again");
        assert_eq!(note(5, FRESH), Seen::New { missing: 0 });
        assert_eq!(note(4, aged(1)), Seen::Waiting);
        assert!(heard.keeper(4).tell(Fate::Kept));
        assert_eq!(heard.note(4, aged(1), S), Seen::Kept);
        assert_eq!(
            heard.note(u32::MAX / 2 + 6, FRESH, S),
            Seen::New { missing: 0 },
            "set anew, not a billion missing"
        );
    }

    #[test]
    fn another_moment_is_another_frame() {
        let mut heard = Heard::default();
        heard.note(5, FRESH, 100 * S);
        let before = heard.keeper(5);
        assert_eq!(heard.note(5, aged(5), 105 * S), Seen::Waiting);
        // Hours later, by a clock that is 2 % slow.
        assert_eq!(heard.note(5, aged(9_800), 10_100 * S), Seen::Waiting);
        // A box that began anew, and its hello was lost.
        assert_eq!(heard.note(5, aged(2), 10_110 * S), Seen::New { missing: 0 });
        assert!(!before.tell(Fate::Kept), "the old frame's receipt is none for the new one");
        assert_eq!(heard.note(5, aged(3), 10_111 * S), Seen::Waiting);
        assert_eq!(
            heard.note(5, FRESH, 10_111 * S),
            Seen::New { missing: 0 },
            "a fresh one is never said again"
        );
        assert_eq!(heard.note(5, What::Button(1), 10_112 * S), Seen::New { missing: 0 });
        assert_eq!(heard.note(5, What::Button(1), 10_117 * S), Seen::Waiting);
    }

    #[test]
    fn a_hello_without_a_restart_forgets_nothing() {
        let mut heard = Heard::default();
        assert!(!heard.hello(5, 3, 99 * S));
        heard.note(5, FRESH, 100 * S);
        let waiting = heard.keeper(5);
        // The daemon's first keep-alive was answered, at once and later.
        assert!(!heard.hello(6, 4, 100 * S));
        assert!(!heard.hello(6, 500, 600 * S));
        assert_eq!(heard.note(5, aged(501), 601 * S), Seen::Waiting);
        assert!(waiting.tell(Fate::Kept));
        // It went on and was not heard.
        assert!(!heard.hello(9, 510, 611 * S));
        assert_eq!(heard.note(9, FRESH, 612 * S), Seen::New { missing: 3 });
    }

    #[test]
    fn a_restart_shows_in_the_time_up_or_in_the_counter() {
        for (seq, up_s) in [(0, 1), (7, 1), (0, 500)] {
            let mut heard = Heard::default();
            heard.note(6, FRESH, 100 * S);
            let before = heard.keeper(6);
            assert!(heard.hello(seq, up_s, 110 * S), "{seq} {up_s}");
            assert!(!before.tell(Fate::Kept), "that box does not wait for it any more");
            assert!(matches!(heard.note(6, aged(9), 110 * S), Seen::New { .. }), "{seq} {up_s}");
        }
    }

    #[test]
    fn what_could_not_be_kept_may_be_taken_in_again() {
        let mut heard = Heard::default();
        heard.note(1, FRESH, S);
        assert!(!heard.keeper(1).tell(Fate::Dropped));
        assert_eq!(heard.note(1, aged(5), 6 * S), Seen::Dropped);
        heard.again(1);
        assert_eq!(heard.note(1, aged(10), 11 * S), Seen::Waiting);
        assert!(heard.keeper(1).tell(Fate::Kept));
        assert_eq!(heard.note(1, aged(15), 16 * S), Seen::Kept);
    }

    #[test]
    fn a_frame_that_is_forgotten_is_still_acknowledged() {
        let mut heard = Heard::default();
        heard.note(0, FRESH, S);
        let first = heard.keeper(0);
        for seq in 1..=u32::try_from(REMEMBERED).unwrap() {
            heard.note(seq, FRESH, S);
        }
        assert!(first.tell(Fate::Kept));
        assert_eq!(heard.note(0, aged(5), 6 * S), Seen::New { missing: 0 });
    }
}
