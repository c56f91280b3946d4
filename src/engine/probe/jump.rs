//! Spikes: a reading far off its neighbours is held back until its followers
//! agree with it. A probe put into milk, or lifted, is taken as a new level
//! after a few readings; nothing real is locked out for longer than a minute.

/// A step this large is never noise, °C.
const STEP_CELSIUS: f64 = 1.0;
/// And this many times the usual step from reading to reading.
const STEPS: f64 = 6.0;
/// What a level may move by itself, °C/s (6 °C/min; a vat does 2).
const SLEW_CELSIUS_PER_S: f64 = 0.1;
/// A level that moves may go on moving this many times as fast.
const MOVING: f64 = 1.5;
/// So many agreeing readings make a new level.
const AGREEING: u32 = 3;
/// And for so long, seconds; longer for a leap, which a loose wire makes too.
const AGREEING_S: f64 = 2.0;
const LEAP_AGREEING_S: f64 = 4.0;
/// A leap, °C.
const LEAP_CELSIUS: f64 = 12.0;
/// Whatever comes, it is taken after this, seconds.
const LOCKED_OUT_S: f64 = 45.0;

/// The last level, and what is held back.
#[derive(Debug, Clone, Default)]
pub(super) struct Jumps {
    last: Option<(f64, f64)>,
    /// Usual step from reading to reading, °C.
    scatter: f64,
    /// How fast the level just moved, °C/s.
    speed: f64,
    held: Option<Held>,
}

#[derive(Debug, Clone, Copy)]
struct Held {
    count: u32,
    first_s: f64,
    celsius: f64,
}

/// What becomes of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Jump {
    /// Near the level: taken; so many held back before it were spikes.
    Taken {
        /// Held back before it and now known to be spikes.
        spikes: u32,
    },
    /// Agreed on by its followers: a new level.
    NewLevel,
    /// Held back.
    Held,
}

impl Jumps {
    /// Judges one reading.
    pub(super) fn judge(&mut self, celsius: f64, t_s: f64) -> Jump {
        let Some((last, last_s)) = self.last else {
            self.last = Some((celsius, t_s));
            self.scatter = 0.1;
            return Jump::Taken { spikes: 0 };
        };
        let since_s = (t_s - last_s).max(0.0);
        let step = celsius - last;
        let slack = STEP_CELSIUS + STEPS * self.scatter;
        let limit = slack + SLEW_CELSIUS_PER_S.max(MOVING * self.speed) * since_s;
        if step.abs() <= limit {
            let spikes = self.held.take().map_or(0, |h| h.count);
            self.follow(celsius, t_s, since_s, step);
            return Jump::Taken { spikes };
        }
        let held = self.hold(celsius, t_s, last, slack);
        let leap = step.abs() > LEAP_CELSIUS;
        let wanted_s = if leap { LEAP_AGREEING_S } else { AGREEING_S };
        let agreed = held.count >= AGREEING && t_s - held.first_s >= wanted_s;
        if agreed || since_s > LOCKED_OUT_S {
            self.held = None;
            self.last = Some((celsius, t_s));
            self.speed = step.abs() / since_s.max(0.5);
            return Jump::NewLevel;
        }
        Jump::Held
    }

    fn hold(&mut self, celsius: f64, t_s: f64, last: f64, slack: f64) -> Held {
        let agrees = |h: &Held| {
            let (before, now) = (h.celsius - last, celsius - last);
            // Going on the same way, as a probe that settles, or staying near.
            let onward = if now.abs() > before.abs() { 2.0 } else { 0.8 };
            before * now > 0.0 && (celsius - h.celsius).abs() <= slack.max(onward * before.abs())
        };
        let held = match self.held.filter(agrees) {
            Some(h) => Held { count: h.count + 1, celsius, ..h },
            None => Held { count: 1, first_s: t_s, celsius },
        };
        self.held = Some(held);
        held
    }

    fn follow(&mut self, celsius: f64, t_s: f64, since_s: f64, step: f64) {
        self.scatter += (step.abs().min(1.0) - self.scatter) / 16.0;
        if since_s > 0.0 {
            let share = since_s / (since_s + 3.0);
            self.speed += (step.abs() / since_s - self.speed) * share;
        }
        self.last = Some((celsius, t_s));
    }

    /// Usual step from reading to reading, °C.
    pub(super) fn scatter(&self) -> f64 {
        self.scatter
    }

    /// When a reading was last taken, engine seconds.
    pub(super) fn last_s(&self) -> Option<f64> {
        self.last.map(|l| l.1)
    }

    /// The level, °C.
    pub(super) fn level(&self) -> Option<f64> {
        self.last.map(|l| l.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings a second apart; which of them are not taken.
    fn check(readings: &[f64], held: &[usize]) {
        let mut jumps = Jumps::default();
        let got: Vec<usize> = readings
            .iter()
            .enumerate()
            .filter(|(i, c)| jumps.judge(**c, *i as f64) == Jump::Held)
            .map(|(i, _)| i)
            .collect();
        assert_eq!(got, held, "{readings:?}");
    }

    #[test]
    fn tells_spikes_from_new_levels() {
        check(&[32.0, 32.1, 31.9, 32.0], &[]);
        // One off, several off, both ways.
        check(&[32.0, 70.6, 32.0, 32.1], &[1]);
        check(&[32.0, 32.0, 27.6, 27.5, 32.1, 32.0], &[2, 3]);
        check(&[32.0, -4.0, 70.0, -4.0, 32.0], &[1, 2, 3]);
        // Put from the air into cold milk (shape of a sample make).
        let plunge = [24.6, 24.6, 19.2, 15.8, 13.4, 11.9, 11.1, 10.3, 9.9, 9.7, 9.4, 9.3, 9.2];
        check(&plunge, &[2, 3]);
        // From the air into hot milk, a leap.
        let hot = [10.5, 10.5, 15.3, 22.3, 27.3, 30.5, 32.8, 34.5, 35.5, 36.3, 37.0];
        check(&hot, &[2, 3, 4, 5]);
        // Lifted wet: falls by 0.7 °C a second, taken as it is.
        let lifted: Vec<f64> = (0..20).map(|i| 52.0 - 0.7 * f64::from(i)).collect();
        check(&lifted, &[]);
    }

    #[test]
    fn locks_nothing_out() {
        // Jumps about without any two that agree: taken in the end.
        let mut jumps = Jumps::default();
        jumps.judge(32.0, 0.0);
        let wild = (1..100).map(|i| (f64::from(i), if i % 2 == 0 { 80.0 } else { -20.0 }));
        let taken = wild.filter(|(t, c)| jumps.judge(*c, *t) != Jump::Held).map(|(t, _)| t).next();
        assert!(taken.is_some_and(|t| t <= LOCKED_OUT_S + 1.0), "{taken:?}");
    }
}
