//! How much heat still comes after the fire is taken away, fitted to a trace
//! in which a heating ended.
//!
//! The heat that still comes has two parts: what the hot wall holds, gone in a
//! quarter of a minute, and what goes on arriving from embers, hot iron or
//! condensate, a share *f* of the fire dying away with a time constant τ. The
//! *coast time* θ = τ_wall + f·τ turns a running rate into the degrees still
//! to come. The moment the heat ended, f and τ are fitted together on a grid,
//! each point weighed by how well it explains the trace and by how common such
//! kettles are; what comes out is a mean and a deviation, never a certainty.
//! One ending alone may mislead (a gust before it, a log after it): what is
//! believed of a kettle moves by no more than such an ending is worth.

/// What wall, rim and probe hold back, as one time constant, seconds: the wall of
/// a copper kettle of 100 to 1000 litres lies between 10 and 30 s (computed from
/// wall mass and film coefficient), stirring mixes its heat in within some 10 s,
/// and a probe follows a few seconds later.
const WALL_S: f64 = 30.0;
/// Share of the fire that goes on arriving, and its time constant, seconds.
const SHARES: [f64; 9] = [0.0, 0.08, 0.16, 0.24, 0.32, 0.42, 0.55, 0.75, 1.0];
const DECAYS_S: [f64; 8] = [60.0, 110.0, 170.0, 250.0, 360.0, 480.0, 650.0, 900.0];
/// Of a jacket full of water nearly all goes on arriving, and of nothing else does it for
/// longer than embers do, s. It is told from a fire that burns on where the end is known.
const OF_A_JACKET: f64 = 0.7;
const EMBERS_S: f64 = 500.0;
/// Coast time expected of a kettle never met, seconds, and its spread.
const UNKNOWN_S: f64 = 75.0;
const UNKNOWN_SD_S: f64 = 60.0;
/// How likely the heat came off at another time than was said, against the peak of
/// what was said.
const OTHERWISE: f64 = 0.05;
/// How well the loss is known, as a share.
const LOSS_SD: f64 = 0.2;
/// Between which shares of it a fit is believed: what needs another loss is a hold, a
/// second heating or water poured in, and no coast.
const LOSS_SHARES: std::ops::Range<f64> = 0.3..4.0;
/// So near to the ends of where it was looked for, a fitted end of the heat was not
/// found, seconds.
const EDGE_S: f64 = 8.0;
/// An ending that contradicts what is believed by more than so many deviations is worth
/// the less.
const CONTRADICTS: f64 = 3.0;

/// A belief about a kettle's coast.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(clippy::struct_field_names)] // all three are seconds, and say so
pub(super) struct Coast {
    /// Coast time, seconds.
    pub theta_s: f64,
    /// Its standard deviation, seconds.
    pub sd_s: f64,
    /// Time constant of what still arrives, seconds.
    pub decay_s: f64,
}

/// A fitted end of a heating.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ending {
    pub coast: Coast,
    /// When the heat came off, seconds on the trace's own clock.
    pub off_s: f64,
}

/// When the heat came off, as far as it is known from elsewhere; seconds on the
/// trace's own clock.
#[derive(Debug, Clone, Copy)]
pub(super) struct Said {
    /// Where the rate broke, roughly.
    pub about_s: f64,
    /// When it came off by a mark or a call, and the deviation of that.
    pub off: Option<(f64, f64)>,
}

impl Said {
    /// The earlier of what was said and what the trace shows: over deep embers the
    /// rate breaks minutes after the heat is off.
    pub fn first_s(&self) -> f64 {
        self.off.map_or(self.about_s, |(at_s, _)| at_s.min(self.about_s))
    }

    /// Between which times it came off.
    fn between(&self) -> (f64, f64) {
        (self.off.map_or(f64::INFINITY, |o| o.0 - 60.0).min(self.about_s - 150.0), self.about_s + 60.0)
    }

    /// Logarithm of how likely the heat came off then, but for a constant: as was
    /// said, or at any time where nobody did as he was called.
    fn ln_off(&self, off_s: f64) -> f64 {
        let Some((at_s, sd_s)) = self.off else { return 0.0 };
        libm::log(libm::exp(-0.5 * sq((off_s - at_s) / sd_s)) + OTHERWISE)
    }
}

/// Fits the end of a heating to `(seconds, °C)`; the kettle loses `loss` (°C/s).
/// `None` where there is too little to fit.
pub(super) fn fit(trace: &[(f64, f64)], said: &Said, loss: f64, var_bin: f64) -> Option<Ending> {
    let (first_s, last_s) = said.between();
    let found = first_s + EDGE_S..last_s - EDGE_S;
    let before = trace.iter().filter(|(t, _)| *t < said.first_s()).count();
    if before < 6 || trace.len() - before < 10 {
        return None;
    }
    let mut sum = Sums::default();
    let mut best = f64::NEG_INFINITY;
    let mut points = Vec::with_capacity(1024);
    let mut off_s = first_s;
    while off_s <= last_s {
        for f in SHARES {
            for decay_s in DECAYS_S {
                let is_jacket = f >= OF_A_JACKET;
                if (f <= 0.0 && decay_s > 60.0)
                    || (!is_jacket && decay_s > EMBERS_S)
                    || (is_jacket && said.off.is_none())
                {
                    continue;
                }
                let Some(fit) = least_squares(trace, off_s, (f, decay_s), (loss, var_bin)) else {
                    continue;
                };
                let theta_s = WALL_S + f * decay_s;
                let z2 = sq((theta_s - UNKNOWN_S) / UNKNOWN_SD_S);
                // Half the misfit counts: neighbouring bins are not independent.
                let bare = if f <= 0.0 { 1.0 } else { 0.0 };
                let ln = -0.25 * fit.squares / var_bin - 2.0 * libm::log(1.0 + z2 / 3.0)
                    + bare
                    + said.ln_off(off_s);
                if fit.rate > 0.0 {
                    best = best.max(ln);
                    points.push((ln, theta_s, decay_s, off_s, fit));
                }
            }
        }
        off_s += 6.0;
    }
    for (ln, theta_s, decay_s, off_s, fit) in points {
        sum.add(libm::exp(ln - best), theta_s, decay_s, off_s, &fit);
    }
    let (ending, lost) = sum.ending()?;
    let is_kettles = loss <= 0.0 || LOSS_SHARES.contains(&(lost / loss));
    (found.contains(&ending.off_s) && is_kettles).then_some(ending)
}

#[derive(Default)]
struct Sums {
    w: f64,
    theta: f64,
    theta2: f64,
    decay: f64,
    off: f64,
    loss: f64,
}

impl Sums {
    fn add(&mut self, w: f64, theta: f64, decay: f64, off: f64, fit: &Fit) {
        self.w += w;
        self.theta += w * theta;
        self.theta2 += w * theta * theta;
        self.decay += w * decay;
        self.off += w * off;
        self.loss += w * fit.loss;
    }

    /// The mean of it all, and its loss, °C/s.
    fn ending(&self) -> Option<(Ending, f64)> {
        if self.w <= 0.0 {
            return None;
        }
        let theta_s = self.theta / self.w;
        let var = (self.theta2 / self.w - theta_s * theta_s).max(0.0);
        let ending = Ending {
            coast: Coast { theta_s, sd_s: libm::sqrt(var + 16.0), decay_s: self.decay / self.w },
            off_s: self.off / self.w,
        };
        Some((ending, self.loss / self.w))
    }
}

/// Heat arrived `u` seconds after the end, as seconds of the former rate.
fn arrived_s(u: f64, f: f64, decay_s: f64) -> f64 {
    (1.0 - f) * WALL_S * (1.0 - libm::exp(-u / WALL_S))
        + f * (decay_s + WALL_S) * (1.0 - libm::exp(-u / (decay_s + WALL_S)))
}

/// What least squares gave for one end.
struct Fit {
    /// °C/s before the end.
    rate: f64,
    /// °C/s.
    loss: f64,
    /// Sum of squares, °C².
    squares: f64,
}

/// Least squares of level, rate and loss for one end.
fn least_squares(
    trace: &[(f64, f64)],
    off_s: f64,
    (f, decay_s): (f64, f64),
    (loss, var_bin): (f64, f64),
) -> Option<Fit> {
    let mut a = [[0.0f64; 4]; 3];
    let mut yy = 0.0;
    let base = trace[0].1;
    for &(t, c) in trace {
        let u = t - off_s;
        // The fire makes up for the loss, and so does what still arrives of it.
        let arrived = if u <= 0.0 { u } else { arrived_s(u, f, decay_s) };
        let (x1, x2) = (arrived, arrived - u);
        let (x1, x2, y) = (x1 / 60.0, x2 / 60.0, c - base);
        for (i, xi) in [1.0, x1, x2].into_iter().enumerate() {
            for (j, xj) in [1.0, x1, x2].into_iter().enumerate() {
                a[i][j] += xi * xj;
            }
            a[i][3] += xi * y;
        }
        yy += y * y;
    }
    // The loss is known roughly.
    let loss = loss * 60.0;
    let pull = var_bin / sq(LOSS_SD * loss).max(1.0e-6);
    a[2][2] += pull;
    a[2][3] += loss * pull;
    let b = [a[0][3], a[1][3], a[2][3]];
    let x = solve(a)?;
    let ss = yy - (0..3).map(|i| x[i] * b[i]).sum::<f64>() + pull * sq(loss);
    Some(Fit { rate: x[1] / 60.0, loss: x[2] / 60.0, squares: ss.max(0.0) })
}

/// Gauss with pivots, three by three.
fn solve(mut a: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    for i in 0..3 {
        let p = (i..3).max_by(|x, y| a[*x][i].abs().total_cmp(&a[*y][i].abs()))?;
        a.swap(i, p);
        if a[i][i].abs() < 1.0e-12 {
            return None;
        }
        let pivot = a[i];
        for row in a.iter_mut().skip(i + 1) {
            let m = row[i] / pivot[i];
            for (x, p) in row.iter_mut().zip(pivot).skip(i) {
                *x -= m * p;
            }
        }
    }
    let mut x = [0.0; 3];
    for i in (0..3).rev() {
        let tail: f64 = (i + 1..3).map(|j| a[i][j] * x[j]).sum();
        x[i] = (a[i][3] - tail) / a[i][i];
    }
    Some(x)
}

impl Coast {
    /// A kettle never met.
    pub fn unknown() -> Self {
        Self { theta_s: UNKNOWN_S, sd_s: UNKNOWN_SD_S, decay_s: 150.0 }
    }

    /// This belief and what one ending showed, which may be off by `sd_s` more
    /// than it knows.
    #[must_use]
    pub fn heard(&self, shown: &Self, sd_s: f64) -> Self {
        let new = sq(shown.sd_s) + sq(sd_s);
        let apart = sq(shown.theta_s - self.theta_s) / (sq(self.sd_s) + new);
        let (old, new) = (1.0 / sq(self.sd_s), 1.0 / (new * (apart / sq(CONTRADICTS)).max(1.0)));
        let mix = |a: f64, b: f64| (old * a + new * b) / (old + new);
        Self {
            theta_s: mix(self.theta_s, shown.theta_s),
            sd_s: libm::sqrt(1.0 / (old + new)),
            decay_s: mix(self.decay_s, shown.decay_s),
        }
    }

    /// What is left of the rate, as a share, so long after the heat came off (its loss
    /// left out).
    pub fn left_of_rate(&self, u_s: f64) -> f64 {
        let f = self.share();
        let dies = |decay_s: f64| libm::exp(-u_s.max(0.0) / decay_s);
        (1.0 - f) * dies(WALL_S) + f * dies(self.decay_s + WALL_S)
    }

    /// The share of the fire that goes on arriving.
    fn share(&self) -> f64 {
        ((self.theta_s - WALL_S) / self.decay_s).clamp(0.0, 1.0)
    }

    /// Degrees still to come ÷ running rate, seconds, at a loss of `loss` (°C/s,
    /// positive) from `rate` (°C/s): the peak comes where what still arrives
    /// no longer covers what is lost.
    pub fn lead_s(&self, rate: f64, loss: f64) -> f64 {
        if rate <= 1.0e-5 {
            return 0.0;
        }
        let f = self.share();
        let mut best = 0.0f64;
        let mut u = 10.0;
        while u <= 1800.0 {
            let rise = (rate + loss) * arrived_s(u, f, self.decay_s) - loss * u;
            if rise < best {
                break;
            }
            best = rise;
            u *= 1.15;
        }
        best / rate
    }
}

fn sq(x: f64) -> f64 {
    x * x
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A heating that ends at 0 s with the given share and decay.
    fn check(f: f64, decay_s: f64, want_s: f64, within_s: f64) {
        let (rate, loss) = (0.7 / 60.0, 0.04 / 60.0);
        let trace: Vec<(f64, f64)> = (-24..30i32)
            .map(|k| {
                let t = f64::from(k) * 10.0;
                let arrived = if t <= 0.0 { t } else { arrived_s(t, f, decay_s) };
                // A little scatter that any kettle has.
                let scatter = 0.01 * f64::from((k * 7919).rem_euclid(5) - 2);
                (t, 33.0 + rate * arrived + loss * (arrived - t) + scatter)
            })
            .collect();
        let said = Said { about_s: 30.0, off: None };
        let e = fit(&trace, &said, loss, 0.02 * 0.02).unwrap();
        assert!((e.coast.theta_s - want_s).abs() < within_s, "f {f} decay {decay_s}: {e:?}");
    }

    #[test]
    fn the_coast_of_a_made_up_ending_is_found_again() {
        check(0.0, 60.0, 30.0, 8.0);
        check(0.2, 120.0, 54.0, 12.0);
        check(0.4, 270.0, 138.0, 30.0);
    }

    /// Over deep embers the trace hardly breaks when the heat comes off; what is
    /// known of that moment from the call tells a long coast from a late end.
    #[test]
    fn a_long_coast_is_told_from_a_late_end_by_the_call() {
        let (rate, loss, f, decay_s) = (0.9 / 60.0, 0.04 / 60.0, 0.5, 350.0);
        let trace: Vec<(f64, f64)> = (-26..60i32)
            .map(|k| {
                let t = f64::from(k) * 10.0;
                let arrived = if t <= 0.0 { t } else { arrived_s(t, f, decay_s) };
                let scatter = 0.03 * f64::from((k * 7919).rem_euclid(5) - 2);
                (t, 36.0 + rate * arrived + loss * (arrived - t) + scatter)
            })
            .collect();
        let ending = |off| fit(&trace, &Said { about_s: 300.0, off }, loss, 0.05 * 0.05);
        let called = ending(Some((0.0, 9.0))).unwrap();
        assert!((called.coast.theta_s - 205.0).abs() < 30.0 && called.off_s.abs() < 25.0, "{called:?}");
        let blind = ending(None);
        assert!(blind.is_none_or(|b| (b.off_s - called.off_s).abs() > 60.0), "{blind:?}");
    }

    /// Heat that goes on, a little less, is no end of it: nothing is learned.
    #[test]
    fn a_fire_that_burns_on_teaches_no_coast() {
        let trace: Vec<(f64, f64)> = (-26..30i32)
            .map(|k| {
                let t = f64::from(k) * 10.0;
                let scatter = 0.02 * f64::from((k * 7919).rem_euclid(5) - 2);
                (t, 36.0 + 0.4 / 60.0 * t.min(0.0) + 0.37 / 60.0 * t.max(0.0) + scatter)
            })
            .collect();
        let said = Said { about_s: 30.0, off: None };
        let shown = fit(&trace, &said, 0.04 / 60.0, 0.04 * 0.04);
        assert_eq!(shown, None);
    }

    #[test]
    fn one_odd_ending_does_not_undo_what_many_taught() {
        let known = Coast { theta_s: 90.0, sd_s: 9.0, decay_s: 250.0 };
        let odd = Coast { theta_s: 30.0, sd_s: 4.0, decay_s: 60.0 };
        let now = known.heard(&odd, 12.0);
        assert!((60.0..80.0).contains(&now.theta_s) && now.sd_s < 9.0, "{now:?}");
        // A hold that is taken for a coast: the further off, the less it is worth.
        let hold = known.heard(&Coast { theta_s: 290.0, sd_s: 4.0, decay_s: 480.0 }, 12.0);
        assert!((90.0..105.0).contains(&hold.theta_s), "{hold:?}");
        // A kettle never met learns most of its first ending.
        let first = Coast::unknown().heard(&odd, 12.0);
        assert!((30.0..36.0).contains(&first.theta_s), "{first:?}");
    }
}
