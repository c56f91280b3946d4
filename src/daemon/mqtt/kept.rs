//! Whether a message waited at the broker while nobody was connected. Pure: time is
//! an argument.
//!
//! No message says how long a broker kept it. But what it kept comes first and at
//! once, as much as may go without acknowledgement (ten messages and more with every
//! broker that is common), and as much again as soon as that is acknowledged. What is
//! live comes at the box's pace.
//!
//! Terms: the *burst* begins with a connection to a session that the broker has kept.
//! It is over once, for half a second, the broker might have sent more and did not:
//! fewer than ten messages wait for their acknowledgement, and fewer than ten came.
//! A flow that never lets up is believed after the time in which a thousand messages,
//! which is what brokers keep, are acknowledged.
//!
//! Absent on purpose: a live message that comes within the burst is not known from
//! the others. Its box speaks again, and none is lost: it is recorded as the others
//! are.

use tokio::time::{Duration, Instant};

/// At least so many messages a broker sends before it waits for acknowledgements.
const WINDOW: usize = 10;

/// For so long the broker must have sent fewer.
const CALM: Duration = Duration::from_millis(500);

/// The burst lasts at most for so many groups of the record, and so long at least.
const GROUPS: u32 = 60;
const SHORTEST_GROUP: Duration = Duration::from_secs(1);

/// The burst of one broker.
#[derive(Debug)]
pub(super) struct Burst {
    /// It lasts at most so long.
    longest: Duration,
    running: Option<Running>,
}

#[derive(Debug)]
struct Running {
    began: Instant,
    /// Since when the broker might have sent more, where that is so, and how many came
    /// since.
    room_since: Option<Instant>,
    came: usize,
}

impl Burst {
    /// None yet; the record syncs a group after so long.
    pub(super) fn none(group: Duration) -> Self {
        Self { longest: group.max(SHORTEST_GROUP) * GROUPS, running: None }
    }

    /// There is a connection; the broker may have kept messages for it.
    pub(super) fn connected(&mut self, session_kept: bool, now: Instant) {
        self.running = session_kept.then_some(Running { began: now, room_since: Some(now), came: 0 });
    }

    /// So many messages wait to be acknowledged now: the broker may send more.
    pub(super) fn look(&mut self, waiting: usize, now: Instant) {
        if let Some(running) = self.running.as_mut().filter(|_| waiting < WINDOW) {
            running.room_since.get_or_insert(now);
        }
    }

    /// A message came, where so many wait to be acknowledged; whether it may have
    /// been kept.
    pub(super) fn is_kept(&mut self, waiting: usize, now: Instant) -> bool {
        let Some(running) = &mut self.running else { return false };
        let room_since = *running.room_since.get_or_insert(now);
        let over = now.duration_since(room_since) >= CALM && running.came < WINDOW;
        if over || now.duration_since(running.began) >= self.longest {
            self.running = None;
            return false;
        }
        running.came += 1;
        if waiting + 1 >= WINDOW {
            // Until some are acknowledged it may send none.
            (running.room_since, running.came) = (None, 0);
        } else if running.came >= WINDOW {
            (running.room_since, running.came) = (Some(now), 0);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Messages as (seconds, waiting): how many of them count as kept.
    fn kept(messages: impl IntoIterator<Item = (f64, usize)>) -> usize {
        let began = Instant::now();
        let mut burst = Burst::none(Duration::from_secs(1));
        burst.connected(true, began);
        let at = |s: f64| began + Duration::from_secs_f64(s);
        messages.into_iter().filter(|(s, waiting)| burst.is_kept(*waiting, at(*s))).count()
    }

    #[test]
    fn what_was_kept_is_known_from_what_is_live() {
        // 130 kept ones, twenty at a time as their groups are synced.
        let many = (0..130).map(|n| (f64::from(n / 20) * 1.05, n as usize % 20));
        assert_eq!(kept(many), 130);
        // Five, and then a box each second.
        let few = (0..5).map(|n| (0.01, n)).chain((1..9).map(|s| (f64::from(s), 1)));
        assert_eq!(kept(few), 5);
        assert_eq!(kept([(0.8, 0), (1.0, 1)]), 0, "nothing was kept");
        // Thirty boxes, each second.
        let live = (0..300).map(|n| (f64::from(n / 30) + 0.6 + f64::from(n % 30) / 40.0, n as usize % 30));
        assert_eq!(kept(live), 0);
        // A flow that never lets up.
        let flow = (0..9000).map(|n| (f64::from(n) / 100.0, 20));
        assert_eq!(kept(flow), 6000);
        // A box that speaks once a minute is believed at its first word after the burst.
        let began = Instant::now();
        let mut burst = Burst::none(Duration::from_secs(1));
        burst.connected(true, began);
        assert!((0..12).all(|n| burst.is_kept(n, began)));
        burst.look(12, began + Duration::from_secs(1));
        burst.look(0, began + Duration::from_secs(2));
        assert!(!burst.is_kept(0, began + Duration::from_secs(60)));
        let mut burst = Burst::none(Duration::from_secs(1));
        burst.connected(false, Instant::now());
        assert!(!burst.is_kept(19, Instant::now()), "no session was kept");
    }
}
