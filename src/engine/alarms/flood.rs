//! Alarm floods (ISA-18.2): a flood begins above ten alarms in ten minutes and
//! ends below five; while it lasts, what matters least only waits.

/// A flood begins above this many alarms in the window.
const BEGINS_ABOVE: usize = 10;
/// It ends below this many.
const ENDS_BELOW: usize = 5;
/// The window, seconds.
const WINDOW_S: f64 = 600.0;

/// Counts raised alarms.
#[derive(Debug, Clone, Default)]
pub(super) struct Flood {
    /// The last raised alarms' times, engine seconds; a ring.
    raised_s: [Option<f64>; BEGINS_ABOVE + 1],
    next: usize,
    running: bool,
}

impl Flood {
    /// An alarm was raised.
    pub(super) fn count(&mut self, t_s: f64) {
        if let Some(slot) = self.raised_s.get_mut(self.next) {
            *slot = Some(t_s);
        }
        self.next = (self.next + 1) % self.raised_s.len();
        self.running |= self.within(t_s) > BEGINS_ABOVE;
    }

    /// Whether a flood runs.
    pub(super) fn runs(&mut self, t_s: f64) -> bool {
        if self.running && self.within(t_s) < ENDS_BELOW {
            self.running = false;
        }
        self.running
    }

    fn within(&self, t_s: f64) -> usize {
        self.raised_s.iter().flatten().filter(|at| t_s - **at <= WINDOW_S).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(raised_s: &[f64], asked_s: f64, expected: bool) {
        let mut flood = Flood::default();
        for t in raised_s {
            flood.count(*t);
        }
        assert_eq!(flood.runs(asked_s), expected, "{raised_s:?} asked at {asked_s}");
    }

    #[test]
    fn begins_above_ten_and_ends_below_five() {
        let every = |step_s: f64, n: u32| (0..n).map(|i| f64::from(i) * step_s).collect::<Vec<_>>();
        check(&every(10.0, 10), 100.0, false);
        check(&every(10.0, 11), 100.0, true);
        check(&every(10.0, 11), 660.0, true);
        check(&every(10.0, 11), 670.0, false);
        check(&every(120.0, 30), 3600.0, false);
    }
}
