//! What no kettle does: a probe lifted out, put in or back, touching the wall.
//!
//! A vat rises by 2 °C/min at most and falls by 5 with cold water; a wet probe
//! in the air falls by 6 to 80. Every such state ends by itself: when the probe
//! is back near its former level, when it has been steady for a while, or after
//! a time, since a new level is as real as the old one.

/// How far back the watch looks, seconds.
const LOOK_BACK_S: f64 = 15.0;
/// A move within that time, °C: down, up.
const FALL_CELSIUS: f64 = 1.2;
const RISE_CELSIUS: f64 = 2.0;
/// And times the usual step from reading to reading, on top.
const STEPS: f64 = 2.5;
/// Slower than this is a kettle, °C/s (6 °C/min).
const KETTLE_CELSIUS_PER_S: f64 = 0.1;
/// Steady is this little within the look back, °C (2 °C/min), and times the
/// usual step on top.
const STEADY_CELSIUS: f64 = 0.5;
const STEADY_STEPS: f64 = 1.2;
/// A lifted probe is a matter of course after this, seconds.
const LIFTED_S: f64 = 120.0;
/// A probe put in has settled after this, or touches the wall, seconds.
const SETTLING_S: f64 = 60.0;
/// Steps this large, for this long, are no milk's: °C, seconds.
const ROUGH_CELSIUS: f64 = 0.7;
const ROUGH_S: f64 = 60.0;
/// Smoothing of the level, seconds.
const SMOOTHING_S: f64 = 2.0;
const KEPT: usize = 16;

/// How the probe moves.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) enum Motion {
    /// As a probe in a kettle, or in still air.
    #[default]
    Still,
    /// Falls as no kettle does; from which level (°C), since when (s).
    Lifted { from_celsius: f64, since_s: f64 },
    /// Rises as a probe put in or back; since when (s), and the level it left
    /// (°C) where it had been lifted.
    PutIn { since_s: f64, toward_celsius: Option<f64> },
    /// Rises on and on, or scatters wildly.
    Wall,
    /// Moved for so long that it is a matter of course; not judged until it
    /// is steady.
    Accepted,
}

/// Watches the level's moves.
#[derive(Debug, Clone, Default)]
pub(super) struct Moves {
    level: f64,
    last_s: Option<f64>,
    kept: [(f64, f64); KEPT],
    count: usize,
    newest: usize,
    rough_since_s: Option<f64>,
    pub(super) motion: Motion,
}

/// The largest moves within the look back.
struct Span {
    fall: f64,
    rise: f64,
    high: f64,
    reaches_s: f64,
}

impl Moves {
    /// Takes in one taken reading; `jumped` where it is a new level.
    pub(super) fn take(&mut self, celsius: f64, t_s: f64, jumped: bool, scatter: f64) -> Motion {
        let Some(last_s) = self.last_s else {
            self.level = celsius;
            self.last_s = Some(t_s);
            self.keep(celsius, t_s);
            return self.motion;
        };
        let dt_s = (t_s - last_s).max(0.0);
        self.level =
            if jumped { celsius } else { self.level + (celsius - self.level) * dt_s / (dt_s + SMOOTHING_S) };
        self.last_s = Some(t_s);
        let span = self.span(t_s);
        let before = self.motion;
        self.motion = self.next(&span, t_s, scatter);
        if self.motion == Motion::Still && before != Motion::Still {
            // The way back is no move of its own.
            self.count = 0;
        }
        if self.count == 0 || t_s - self.kept[self.newest].1 >= 1.0 {
            self.keep(self.level, t_s);
        }
        self.motion
    }

    fn next(&mut self, span: &Span, t_s: f64, scatter: f64) -> Motion {
        let noise = STEPS * scatter;
        let falls = span.fall > FALL_CELSIUS + noise;
        let rises = span.rise > RISE_CELSIUS + noise;
        let within = STEADY_CELSIUS + STEADY_STEPS * scatter;
        let steady = span.fall < within && span.rise < within && span.reaches_s >= LOOK_BACK_S * 0.5;
        let rough = self.rough(scatter, t_s);
        match self.motion {
            Motion::Lifted { from_celsius, since_s } => {
                if self.is_near(from_celsius, noise) && t_s - since_s > 3.0 || steady {
                    Motion::Still
                } else if span.rise > FALL_CELSIUS + noise && span.fall < span.rise {
                    Motion::PutIn { since_s: t_s, toward_celsius: Some(from_celsius) }
                } else if t_s - since_s > LIFTED_S {
                    Motion::Accepted
                } else {
                    self.motion
                }
            }
            Motion::PutIn { since_s, toward_celsius } => {
                if steady || toward_celsius.is_some_and(|c| self.is_near(c, noise)) {
                    Motion::Still
                } else if falls && span.rise < FALL_CELSIUS {
                    Motion::Lifted { from_celsius: span.high, since_s: t_s }
                } else if t_s - since_s <= SETTLING_S {
                    self.motion
                } else if rises {
                    Motion::Wall
                } else {
                    Motion::Still
                }
            }
            Motion::Wall | Motion::Accepted if !steady => self.motion,
            _ if rough => Motion::Wall,
            _ if falls => Motion::Lifted { from_celsius: span.high, since_s: t_s },
            _ if rises => Motion::PutIn { since_s: t_s, toward_celsius: None },
            _ => Motion::Still,
        }
    }

    fn is_near(&self, celsius: f64, noise: f64) -> bool {
        (self.level - celsius).abs() < 0.5 + noise
    }

    fn rough(&mut self, scatter: f64, t_s: f64) -> bool {
        if scatter < ROUGH_CELSIUS {
            self.rough_since_s = None;
            return false;
        }
        t_s - *self.rough_since_s.get_or_insert(t_s) > ROUGH_S
    }

    /// The largest moves from any kept level to now, as fast as no kettle.
    fn span(&self, t_s: f64) -> Span {
        let mut span = Span { fall: 0.0, rise: 0.0, high: self.level, reaches_s: 0.0 };
        for (i, (level, at_s)) in self.kept.iter().take(self.count).enumerate() {
            let age_s = t_s - at_s;
            if age_s > LOOK_BACK_S && i != self.newest {
                continue;
            }
            span.reaches_s = span.reaches_s.max(age_s);
            let fall = level - self.level;
            let like_a_kettle = KETTLE_CELSIUS_PER_S * (age_s - LOOK_BACK_S).max(0.0);
            span.fall = span.fall.max(fall - like_a_kettle);
            span.rise = span.rise.max(-fall - like_a_kettle);
            span.high = span.high.max(*level);
        }
        span
    }

    fn keep(&mut self, level: f64, t_s: f64) {
        self.newest = if self.count == 0 { 0 } else { (self.newest + 1) % KEPT };
        self.kept[self.newest] = (level, t_s);
        self.count = (self.count + 1).min(KEPT);
    }
}
