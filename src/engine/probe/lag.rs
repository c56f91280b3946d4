//! Lag grown by a coat: a probe that answers more slowly than it used to.
//!
//! Fat and casein that dry on a tip make it slow, over weeks. What a trace at
//! one reading a second can show of it: a probe that was lifted and is put back
//! into stirred milk comes back along an exponential, and its time constant is
//! the probe's *answer*. An answer is taken only where the milk is stirred,
//! since still milk makes any probe twice or three times as slow, and only
//! where the exponential fits and decides. Never is one answer compared with
//! another: the probe's *own* lag is the middle of its first eight, and it is
//! said to have grown when even the fastest of its last six, from two makes or
//! more, is far above that. It is well again when the middle of the last three
//! is near its own.
//!
//! Deliberately absent: any notion of what a good lag is (a thick probe is
//! slow from the first day), and lags shorter than a reading's interval.

/// Answers that make the probe's own lag, and that are kept.
const FIRST: usize = 8;
/// The latest ones that must all be slow, and that must be well again.
const SLOW: usize = 6;
const WELL: usize = 3;
/// Answers that count from one make: it takes two makes to say anything.
const A_MAKE: u8 = 3;
/// Grown by this much, and well again below: times the probe's own.
const GROWN: f64 = 1.8;
const SHRUNK: f64 = 1.4;
/// All of the latest this much faster than its own: it was coated at first.
const FASTER: f64 = 0.7;
/// How deep a fall says something, °C.
const DEEP_CELSIUS: f64 = 2.5;
/// The answer is looked at for so long after it was put back, seconds.
const LOOK_S: f64 = 60.0;
/// Longer out than this and the milk is another one, seconds.
const OUT_S: f64 = 180.0;
/// How long ago a rate must be for a lift not to have bent it, seconds.
const BEFORE_S: f64 = 20.0;
/// No wet probe in the air falls by more, °C and °C/s.
const SPIKE_CELSIUS: f64 = 1.0;
const SPIKE_CELSIUS_PER_S: f64 = 2.0;
/// Without a reading for this long there is no telling, seconds.
const GAP_S: f64 = 4.0;
/// Where it ends must be the milk it left, within °C.
const SAME_CELSIUS: f64 = 1.5;
/// What may be left beside the exponential, as a share of the fall.
const REST: f64 = 0.06;
/// Time constants tried: from, how many, the next one's factor.
const FROM_S: f64 = 0.7;
const TRIED: u32 = 56;
const NEXT: f64 = 1.09;
/// The best must beat those this far off, by this much evidence (chi squared).
const APART: f64 = 1.25;
const DECIDES: f64 = 9.0;
const KEPT: usize = 160;

/// What is known of a probe's lag. Plain data; the kettle file keeps it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lags {
    /// The probe it is known of; another probe begins afresh.
    pub probe: String,
    /// Its own time constant in stirred milk, seconds; none before eight
    /// answers were seen.
    pub own_s: Option<f64>,
    /// Its last answers, oldest first, seconds; eight at most.
    pub answers_s: Vec<f64>,
    /// Whether it is said to have grown.
    pub grown: bool,
}

impl Lags {
    /// How many times as slow it is as it used to be, by its latest answers.
    pub fn times(&self) -> f64 {
        let latest = middle(self.answers_s.get(self.answers_s.len().saturating_sub(SLOW)..).unwrap_or(&[]));
        latest.zip(self.own_s).map_or(1.0, |(now, own)| now / own)
    }

    /// The same in tenths, rounded.
    pub(super) fn tenths(&self) -> u16 {
        libm::round(10.0 * self.times().clamp(1.0, 100.0)) as u16
    }

    fn take(&mut self, answer_s: f64) {
        if self.answers_s.len() >= FIRST {
            self.answers_s.remove(0);
        }
        self.answers_s.push(answer_s);
        let (Some(all), true) = (middle(&self.answers_s), self.answers_s.len() == FIRST) else { return };
        let own_s = *self.own_s.get_or_insert(all);
        let latest = |n: usize| self.answers_s.iter().rev().take(n).copied();
        let fastest = latest(SLOW).fold(f64::INFINITY, f64::min);
        let slowest = self.answers_s.iter().copied().fold(0.0, f64::max);
        let now = middle(&latest(WELL).collect::<Vec<_>>()).unwrap_or(own_s);
        if slowest < FASTER * own_s {
            self.own_s = Some(all);
        }
        self.grown = if self.grown { now > SHRUNK * own_s } else { fastest > GROWN * own_s };
    }
}

/// The middle one.
fn middle(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Watches for answers.
#[derive(Debug, Clone, Default)]
pub(super) struct Lag {
    pub(super) lags: Lags,
    /// The milk's rate where it is stirred, °C/s.
    stirred: Option<f64>,
    /// The same a while ago, which no lift has bent yet: rate, and when noted.
    before: [(f64, f64); 2],
    out: Option<Out>,
    this_make: u8,
}

/// A probe that was lifted, and its readings since it was coldest.
#[derive(Debug, Clone)]
struct Out {
    from_celsius: f64,
    since_s: f64,
    rate: f64,
    readings: Vec<(f64, f64)>,
}

impl Lag {
    /// The milk is stirred and moves by so much (°C/s), or is not.
    pub(super) fn stirred(&mut self, rate: Option<f64>) {
        self.stirred = rate;
    }

    /// The make is over; the next one's answers count again.
    pub(super) fn make_over(&mut self) {
        self.this_make = 0;
    }

    /// The probe was just seen to be lifted out of milk of so many °C.
    pub(super) fn lifted(&mut self, from_celsius: f64, t_s: f64) {
        if self.stirred.is_none() {
            return;
        }
        let rate = self.before[0].0;
        if self.out.is_none() && self.this_make < A_MAKE {
            self.out = Some(Out { from_celsius, since_s: t_s, rate, readings: Vec::new() });
        }
    }

    /// Takes in one reading as it came.
    pub(super) fn take(&mut self, celsius: f64, t_s: f64) {
        let Some(out) = &mut self.out else {
            if t_s - self.before[1].1 >= BEFORE_S {
                self.before = [self.before[1], (self.stirred.unwrap_or(0.0), t_s)];
            }
            return;
        };
        let (last_s, last) = *out.readings.last().unwrap_or(&(t_s, celsius));
        let lowest = out.readings.first().map_or(f64::INFINITY, |r| r.1);
        let spike = last - celsius > SPIKE_CELSIUS + SPIKE_CELSIUS_PER_S * (t_s - last_s);
        if self.stirred.is_none() || t_s - out.since_s > OUT_S || t_s - last_s > GAP_S || spike {
            self.out = None;
        } else if celsius < lowest {
            out.readings.clear();
            out.readings.push((t_s, celsius));
        } else if out.readings.len() < KEPT {
            out.readings.push((t_s, celsius));
            let back_s = out.rise().first().map_or(t_s, |r| r.0);
            let back =
                out.readings.iter().any(|r| r.1 > out.from_celsius - 0.5 * (out.from_celsius - lowest));
            if back && t_s - back_s > LOOK_S {
                if let Some(answer_s) = out.answer_s() {
                    self.this_make += 1;
                    self.lags.take(answer_s);
                }
                self.out = None;
            }
        } else {
            self.out = None;
        }
    }
}

impl Out {
    /// The way back into the milk: from the last reading near the coldest.
    fn rise(&self) -> &[(f64, f64)] {
        let lowest = self.readings.first().map_or(0.0, |r| r.1);
        let near = lowest + 0.15 * (self.from_celsius - lowest);
        let from = self.readings.iter().rposition(|r| r.1 <= near).unwrap_or(0);
        self.readings.get(from..).unwrap_or(&[])
    }

    /// The time constant of the way back, where it is one and decides.
    fn answer_s(&self) -> Option<f64> {
        let rise = self.rise();
        let (from_s, _) = *rise.first()?;
        let (to_s, _) = *rise.last()?;
        let n = rise.len() as f64;
        if n < 12.0 {
            return None;
        }
        let interval_s = (to_s - from_s) / (n - 1.0);
        let tried: Vec<(f64, Fit)> = (0..TRIED)
            .map(|i| FROM_S * libm::pow(NEXT, f64::from(i)))
            .filter_map(|tau_s| Fit::of(rise, tau_s, self.rate).map(|f| (tau_s, f)))
            .collect();
        let (best_s, best) = tried.iter().min_by(|a, b| a.1.rest.total_cmp(&b.1.rest))?;
        let due = self.from_celsius + self.rate * (from_s - self.since_s);
        let rms = libm::sqrt(best.rest / n);
        let fits =
            best.fall > DEEP_CELSIUS && rms < REST * best.fall && (best.ends - due).abs() < SAME_CELSIUS;
        let needed = best.rest * (1.0 + DECIDES / (n - 3.0));
        let apart = |tau_s: f64| tau_s > best_s * APART || tau_s < best_s / APART;
        let decides = tried.iter().all(|(tau_s, f)| !apart(*tau_s) || f.rest > needed);
        (fits && decides).then_some(best_s.max(interval_s))
    }
}

/// `ends + rate t - fall exp(-t / tau)` by least squares.
struct Fit {
    ends: f64,
    fall: f64,
    rest: f64,
}

impl Fit {
    fn of(readings: &[(f64, f64)], tau_s: f64, rate: f64) -> Option<Self> {
        let from_s = readings.first()?.0;
        let n = readings.len() as f64;
        let (mut e, mut y, mut ee, mut ey, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let first = readings.first()?.1;
        for (t_s, celsius) in readings {
            let at = libm::exp(-(t_s - from_s) / tau_s);
            let c = celsius - rate * (t_s - from_s) - first;
            (e, y, ee, ey, yy) = (e + at, y + c, ee + at * at, ey + at * c, yy + c * c);
        }
        let see = ee - e * e / n;
        let sey = ey - e * y / n;
        let syy = yy - y * y / n;
        if see < 1.0e-6 {
            return None;
        }
        let slope = sey / see;
        Some(Self { ends: first + (y - slope * e) / n, fall: -slope, rest: (syy - slope * sey).max(1.0e-9) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A probe of that time constant, one reading a second, lifted for 20 s out
    /// of milk of 40 °C and put back; what its answer is taken for.
    fn check(tau_s: f64, rate: f64, odd: impl Fn(u32, f64) -> f64, expected: Option<f64>) {
        let mut lag = Lag::default();
        let mut tip = 40.0;
        for i in 0..200 {
            let t_s = f64::from(i);
            let milk = 40.0 + rate * t_s;
            let (around, slow_s) = if (60..80).contains(&i) { (15.0, 50.0) } else { (milk, tau_s) };
            tip += (around - tip) * (1.0 - libm::exp(-1.0 / slow_s));
            lag.stirred(Some(rate));
            if i == 62 {
                lag.lifted(milk, t_s);
            }
            lag.take(odd(i, tip), t_s);
        }
        let got = lag.lags.answers_s.last().copied();
        match (got, expected) {
            (Some(g), Some(e)) => assert!((g / e - 1.0).abs() < 0.1, "{g} of {e}"),
            (g, e) => assert_eq!(g, e),
        }
    }

    #[test]
    fn an_answer_is_the_time_constant_or_none() {
        let noisy = |i: u32, c: f64| c + if i.is_multiple_of(2) { 0.1 } else { -0.1 };
        let quarter = |_: u32, c: f64| libm::round(c * 4.0) / 4.0;
        for tau_s in [2.0, 4.0, 9.0, 27.0] {
            check(tau_s, 0.0, noisy, Some(tau_s));
            check(tau_s, 1.0 / 60.0, noisy, Some(tau_s));
            check(tau_s, 0.0, quarter, Some(tau_s));
        }
        // A spike on the way down, one on the way up, a bath of another kind.
        check(4.0, 0.0, |i, c| if i == 75 { c - 9.0 } else { c }, None);
        check(4.0, 0.0, |i, c| if i == 88 { c + 9.0 } else { c }, None);
        check(4.0, 0.0, |i, c| if i > 100 { c - 5.0 } else { c }, None);
    }

    /// Answers in their order; whether it is said to have grown after each of
    /// the last ones.
    fn grown(before: &[f64], then: &[(f64, bool)]) {
        let mut lags = Lags::default();
        for a in before {
            lags.take(*a);
        }
        for (i, (answer_s, grown)) in then.iter().enumerate() {
            lags.take(*answer_s);
            assert_eq!(lags.grown, *grown, "after {i}: {lags:?}");
        }
    }

    #[test]
    fn one_slow_answer_is_none() {
        let own = [4.0, 4.2, 3.9, 4.1, 8.0, 4.0, 4.3, 3.8];
        let slow = (12.0, false);
        // One quick answer among them, and nothing is said.
        grown(&own, &[slow, slow, slow, (4.0, false), slow, slow, slow, slow, slow, (12.0, true)]);
        // Well again when two of three are.
        grown(&own, &[slow, slow, slow, slow, slow, (12.0, true), (4.0, true), (4.1, false), (12.0, false)]);
        // Still milk alone, twice as slow, with a quick one now and then.
        let still = (8.0, false);
        grown(&own, &[still, still, still, still, (4.5, false), still, still, still, still, still]);
        // Coated when it was first seen, wiped, coated again: its own is the clean one.
        let mut lags = Lags::default();
        for answer_s in [[12.0; 8], [4.0; 8]].concat() {
            lags.take(answer_s);
        }
        assert!(!lags.grown && lags.own_s == Some(4.0), "{lags:?}");
        for _ in 0..6 {
            lags.take(12.0);
        }
        assert!(lags.grown && lags.times() > 2.9, "{lags:?}");
    }
}
