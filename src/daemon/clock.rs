//! The only reader of clocks.
//!
//! Terms: *monotonic* time counts from the machine's start, suspension
//! included, and never goes back; *wall* time is what the machine believes the
//! date to be, and may be wrong by decades. A *scaled* clock runs N times as
//! fast as the world, for a rehearsal; one moved *by hand* is for tests.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};
use tokio::sync::Notify;

/// Change of the wall clock against the monotonic one, between two looks, that
/// counts as a step, nanoseconds. Slewing moves at most 0.5 ms a second.
pub const STEP_NS: i64 = 250_000_000;

/// Drift of the wall clock that the kept offset lets pass, nanoseconds.
pub const DRIFT_NS: i64 = 100_000_000;

/// Wall time before this is no date but a clock that was never set: 2020-01-01,
/// nanoseconds since 1970.
pub const NEVER_SET_BEFORE_NS: i64 = 1_577_836_800_000_000_000;

/// One look at the clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// Monotonic time, nanoseconds.
    pub mono_ns: u64,
    /// Wall time as the machine believes it, nanoseconds since 1970 UTC.
    pub wall_ns: i64,
}

impl Now {
    /// Wall minus monotonic time, nanoseconds: what a commit line carries.
    pub fn offset_ns(self) -> i64 {
        self.wall_ns.saturating_sub(i64::try_from(self.mono_ns).unwrap_or(i64::MAX))
    }
}

/// A clock. Cheap to clone; all clones tell the same time.
#[derive(Debug, Clone)]
pub struct Clock(Arc<Kind>);

#[derive(Debug)]
enum Kind {
    Real,
    Scaled { speed: f64, began: Now, wall_ns: i64 },
    ByHand { now: Mutex<Now>, moved: Notify },
}

impl Clock {
    /// The machine's clocks.
    pub fn real() -> Self {
        Self(Arc::new(Kind::Real))
    }

    /// A clock that starts at `wall_ns` and runs `speed` times as fast as the
    /// world (0.01 to 100,000).
    pub fn scaled(speed: f64, wall_ns: i64) -> Self {
        let speed = speed.clamp(0.01, 100_000.0);
        Self(Arc::new(Kind::Scaled { speed, began: machine(), wall_ns }))
    }

    /// A clock that stands still until [`Clock::advance`] moves it.
    pub fn by_hand(wall_ns: i64) -> Self {
        let now = Mutex::new(Now { mono_ns: 0, wall_ns });
        Self(Arc::new(Kind::ByHand { now, moved: Notify::new() }))
    }

    /// What time it is.
    pub fn now(&self) -> Now {
        match &*self.0 {
            Kind::Real => machine(),
            Kind::Scaled { speed, began, wall_ns } => {
                let passed = machine().mono_ns.saturating_sub(began.mono_ns) as f64 * speed;
                Now { mono_ns: passed as u64, wall_ns: wall_ns.saturating_add(passed as i64) }
            }
            Kind::ByHand { now, .. } => *now.lock().unwrap_or_else(PoisonError::into_inner),
        }
    }

    /// How many times faster than the world it runs; 1 for a real one.
    pub fn speed(&self) -> f64 {
        match &*self.0 {
            Kind::Scaled { speed, .. } => *speed,
            _ => 1.0,
        }
    }

    /// Waits until `span` of this clock's time has passed.
    pub async fn sleep(&self, span: Duration) {
        match &*self.0 {
            Kind::Real | Kind::Scaled { .. } => tokio::time::sleep(span.div_f64(self.speed())).await,
            Kind::ByHand { moved, .. } => {
                let until = self.now().mono_ns.saturating_add(nanos(span));
                loop {
                    let notified = moved.notified();
                    if self.now().mono_ns >= until {
                        return;
                    }
                    notified.await;
                }
            }
        }
    }

    /// Moves a clock that is moved by hand; does nothing to the others.
    pub fn advance(&self, span: Duration) {
        if let Kind::ByHand { now, moved } = &*self.0 {
            let mut now = now.lock().unwrap_or_else(PoisonError::into_inner);
            now.mono_ns += nanos(span);
            now.wall_ns += i64::try_from(nanos(span)).unwrap_or(i64::MAX);
            moved.notify_waiters();
        }
    }

    /// Sets the wall time of a clock that is moved by hand, as a clock service
    /// would; does nothing to the others.
    pub fn set_wall(&self, wall_ns: i64) {
        if let Kind::ByHand { now, .. } = &*self.0 {
            now.lock().unwrap_or_else(PoisonError::into_inner).wall_ns = wall_ns;
        }
    }

    /// What tells this start of the machine from others, where the monotonic
    /// time goes on from one run of the program to the next.
    pub fn boot_id(&self) -> Option<String> {
        match &*self.0 {
            Kind::Real => std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
                .ok()
                .map(|id| id.trim().to_string())
                .filter(|id| !id.is_empty()),
            _ => None,
        }
    }
}

/// Both clocks of the machine. `CLOCK_BOOTTIME` counts a suspension too.
fn machine() -> Now {
    let mono = clock_gettime(ClockId::Boottime);
    let wall = clock_gettime(ClockId::Realtime);
    let mono_ns = mono.tv_sec.unsigned_abs() * 1_000_000_000 + mono.tv_nsec.unsigned_abs();
    Now { mono_ns, wall_ns: wall.tv_sec.saturating_mul(1_000_000_000).saturating_add(wall.tv_nsec) }
}

fn nanos(span: Duration) -> u64 {
    u64::try_from(span.as_nanos()).unwrap_or(u64::MAX)
}

/// Keeps the offset between wall and monotonic time steady, and notices when
/// the wall clock was set.
///
/// A slewed clock drifts against the kept offset; beyond [`DRIFT_NS`] the kept
/// one follows, and nothing is said. Only a jump is a step.
#[derive(Debug)]
pub struct StepWatch {
    kept_offset_ns: i64,
    seen_offset_ns: i64,
}

impl StepWatch {
    /// Watches from this look on.
    pub fn from(now: Now) -> Self {
        Self { kept_offset_ns: now.offset_ns(), seen_offset_ns: now.offset_ns() }
    }

    /// New wall time minus old one, nanoseconds, where the clock was set since
    /// the last look.
    ///
    /// ```
    /// use curdtrace::daemon::clock::{Now, StepWatch};
    /// let mut watch = StepWatch::from(Now { mono_ns: 5, wall_ns: 1_000 });
    /// assert_eq!(watch.look(Now { mono_ns: 1_000_000_005, wall_ns: 1_000_001_000 }), None);
    /// assert_eq!(watch.look(Now { mono_ns: 1_000_000_005, wall_ns: 3_600_000_001_000 }), Some(3_599_000_000_000));
    /// ```
    pub fn look(&mut self, now: Now) -> Option<i64> {
        let offset = now.offset_ns();
        let jump = offset.saturating_sub(self.seen_offset_ns);
        self.seen_offset_ns = offset;
        let drift = offset.saturating_sub(self.kept_offset_ns);
        if jump.saturating_abs() > STEP_NS {
            self.kept_offset_ns = offset;
            return Some(drift);
        }
        if drift.saturating_abs() > DRIFT_NS {
            self.kept_offset_ns = offset;
        }
        None
    }

    /// Wall minus monotonic time, nanoseconds, as it is kept.
    pub fn offset_ns(&self) -> i64 {
        self.kept_offset_ns
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slewed_clock_has_not_stepped() {
        let mut watch = StepWatch::from(Now { mono_ns: 0, wall_ns: 0 });
        for s in 1..3600_u32 {
            // 500 ppm, the fastest the kernel slews (adjtime(3)).
            let mono_ns = u64::from(s) * 1_000_000_000;
            let wall_ns = i64::from(s) * 1_000_500_000;
            let now = Now { mono_ns, wall_ns };
            assert_eq!(watch.look(now), None);
            assert!((watch.offset_ns() - now.offset_ns()).abs() <= DRIFT_NS);
        }
    }

    #[test]
    fn a_scaled_clock_runs_ahead_and_keeps_its_offset() {
        let clock = Clock::scaled(1000.0, NEVER_SET_BEFORE_NS);
        let first = clock.now();
        std::thread::sleep(Duration::from_millis(20));
        let then = clock.now();
        assert!(then.mono_ns - first.mono_ns >= 20_000_000_000);
        assert_eq!(first.offset_ns(), then.offset_ns());
    }

    #[tokio::test(flavor = "current_thread")]
    async fn a_clock_moved_by_hand_wakes_who_waits() {
        let clock = Clock::by_hand(0);
        let sleeper = tokio::spawn({
            let clock = clock.clone();
            async move { clock.sleep(Duration::from_secs(60)).await }
        });
        tokio::task::yield_now().await;
        clock.advance(Duration::from_secs(59));
        tokio::task::yield_now().await;
        assert!(!sleeper.is_finished());
        clock.advance(Duration::from_secs(1));
        sleeper.await.unwrap();
    }
}
