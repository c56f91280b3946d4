//! Whether what is handed to the record thread is kept, seen from outside of it.
//!
//! A disk that fails says so, and the thread passes it on. One that hangs says
//! nothing, and neither can the thread that waits for it: so who hands over
//! watches how long the oldest job has waited.
//!
//! Terms: the *wait* counts only time in which this process ran, so that one
//! that was stopped, or a machine that slept, accuses no disk.
//!
//! Invariants: a trouble is given out once, and its end once. What waits for a disk
//! that hangs does not fill the memory: beyond [`MOST_WAITING`] readings are refused,
//! and counted for the record.

use std::collections::VecDeque;
use std::time::Duration;

use tokio::time::Instant;

/// The oldest job has waited so long beyond the time that a group is given: the
/// disk hangs. A slow card takes a second or two.
pub const HANGS_AFTER: Duration = Duration::from_secs(10);

/// Looks are a second apart; what lies longer between two is time in which the
/// process did not run.
const LONGEST_TURN: Duration = Duration::from_secs(2);

/// Jobs that came within so long are counted as one.
const TOGETHER: Duration = Duration::from_millis(100);

/// So many jobs may wait: a day of one probe that speaks twice a second, some 60 MB.
pub const MOST_WAITING: u64 = 180_000;

/// What to tell: whether readings are kept, and what is the matter.
pub type Told = (bool, String);

/// Watches the record from the side that hands over.
#[derive(Debug)]
pub struct StoreWatch {
    patience: Duration,
    /// Jobs handed over since the start, and how many of them are synced.
    handed: u64,
    kept: u64,
    /// How many may wait.
    most: u64,
    /// Readings refused since that was last told.
    refused: u64,
    /// Jobs not synced: the last of some that came together, and when the first
    /// of them came.
    waiting: VecDeque<(u64, Duration)>,
    /// Time for which this process has run since the first look.
    ran: Duration,
    looked: Option<Instant>,
    /// What the record thread itself said of the disk last.
    failed: Option<String>,
    /// What was given out last.
    told: Option<String>,
}

impl StoreWatch {
    /// A watch over a record that gives each group `group` of the world's time.
    pub fn new(group: Duration) -> Self {
        Self {
            patience: HANGS_AFTER.saturating_add(group),
            handed: 0,
            kept: 0,
            most: MOST_WAITING,
            refused: 0,
            waiting: VecDeque::new(),
            ran: Duration::ZERO,
            looked: None,
            failed: None,
            told: None,
        }
    }

    /// Lets at most so many jobs wait.
    #[must_use]
    pub fn at_most(self, most: u64) -> Self {
        Self { most, ..self }
    }

    /// Whether there is room for one more reading to wait; where there is none it is
    /// counted as refused.
    pub fn has_room(&mut self) -> bool {
        let room = self.handed - self.kept < self.most;
        self.refused += u64::from(!room);
        room
    }

    /// How many readings were refused since this was last asked.
    pub fn take_refused(&mut self) -> u64 {
        std::mem::take(&mut self.refused)
    }

    /// One job with lines was handed over.
    pub fn handed(&mut self) {
        self.handed += 1;
        match self.waiting.back_mut() {
            Some(last) if self.ran.saturating_sub(last.1) < TOGETHER => last.0 = self.handed,
            _ => self.waiting.push_back((self.handed, self.ran)),
        }
    }

    /// So many jobs are synced since the start.
    pub fn kept(&mut self, jobs: u64) {
        self.kept = jobs.min(self.handed);
        while self.waiting.front().is_some_and(|w| w.0 <= jobs) {
            self.waiting.pop_front();
        }
    }

    /// The record thread said whether the disk takes what it writes.
    pub fn said(&mut self, ok: bool, text: String) {
        self.failed = (!ok).then_some(text);
    }

    /// Time went on.
    pub fn look(&mut self, now: Instant) {
        let turn = self.looked.replace(now).map_or(Duration::ZERO, |before| now.duration_since(before));
        self.ran = self.ran.saturating_add(turn.min(LONGEST_TURN));
    }

    /// What is to be told now and was not.
    pub fn news(&mut self) -> Option<Told> {
        let now = self.failed.clone().or_else(|| self.hang());
        if now == self.told {
            return None;
        }
        self.told.clone_from(&now);
        Some(now.map_or_else(|| (true, "readings are being kept again".into()), |trouble| (false, trouble)))
    }

    fn hang(&self) -> Option<String> {
        let waits = self.ran.saturating_sub(self.waiting.front()?.1);
        (waits >= self.patience).then(|| {
            format!(
                "the disk does not answer: what came more than {} s ago is not kept yet, nor what came since; \
                 check the card or the disk, it goes on by itself once it answers",
                self.patience.as_secs()
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Scene {
        watch: StoreWatch,
        now: Instant,
    }

    impl Scene {
        fn new() -> Self {
            let mut it = Self { watch: StoreWatch::new(Duration::from_secs(1)), now: Instant::now() };
            it.watch.look(it.now);
            it
        }

        /// Seconds go by, a job in each; what is told meanwhile.
        fn go(&mut self, seconds: u64) -> Vec<bool> {
            (0..seconds)
                .filter_map(|_| {
                    self.watch.handed();
                    self.now += Duration::from_secs(1);
                    self.watch.look(self.now);
                    Some(self.watch.news()?.0)
                })
                .collect()
        }
    }

    #[test]
    fn a_disk_that_hangs_is_told_once_and_so_is_its_end() {
        let mut it = Scene::new();
        assert!(it.go(10).is_empty());
        assert_eq!(it.go(300), [false]);
        // It answers, and keeps a part: the rest is as old as before.
        it.watch.kept(200);
        assert_eq!(it.watch.news(), None);
        it.watch.kept(310);
        assert_eq!(it.watch.news().map(|t| t.0), Some(true));
        assert_eq!(it.watch.news(), None);
    }

    #[test]
    fn what_waits_for_a_disk_that_hangs_has_an_end() {
        let mut watch = StoreWatch::new(Duration::from_secs(1)).at_most(3);
        let come = |watch: &mut StoreWatch, n: usize| {
            let mut had_room = 0;
            for _ in 0..n {
                if watch.has_room() {
                    watch.handed();
                    had_room += 1;
                }
            }
            had_room
        };
        assert_eq!(come(&mut watch, 10), 3);
        watch.kept(2);
        assert_eq!((come(&mut watch, 10), watch.take_refused()), (2, 15));
        watch.kept(5);
        assert_eq!((come(&mut watch, 2), watch.take_refused()), (2, 0));
    }

    #[test]
    fn a_disk_that_is_slow_is_none_that_hangs() {
        let mut it = Scene::new();
        for _ in 0..50 {
            assert!(it.go(9).is_empty());
            it.watch.kept(it.watch.handed - 1);
        }
    }

    #[test]
    fn a_process_that_was_stopped_accuses_no_disk() {
        let mut it = Scene::new();
        it.watch.handed();
        it.now += Duration::from_secs(3600);
        it.watch.look(it.now);
        assert_eq!(it.watch.news(), None);
    }

    #[test]
    fn what_the_disk_says_itself_goes_before_that_it_is_silent() {
        let mut it = Scene::new();
        assert_eq!(it.go(20), [false]);
        it.watch.said(false, "it is full".into());
        assert_eq!(it.watch.news(), Some((false, "it is full".into())));
        it.watch.said(true, String::new());
        assert!(it.watch.news().is_some_and(|t| !t.0 && t.1.contains("does not answer")));
        it.watch.kept(20);
        assert!(it.watch.news().is_some_and(|t| t.0));
    }
}
