//! One hypothesis of the stage finder: what its phase expects of the trace, and
//! how well a bin fits it.
//!
//! A bin is explained in one of three ways: the trace was followed; the probe
//! was out of the milk for a moment, and what it says is nobody's business; or
//! water was poured, and the milk is elsewhere now. The longer a probe is out, the
//! less is it believed that nothing but the probe was lifted; where it comes back into
//! what was foreseen all the while, it was no more than that.

use super::finder::MOST_SLOTS;
use super::grammar::{Node, Phase};
use super::kf::{Entry, Kf, ln_student, per_bin};
use super::tracker::WHEY_C;
use crate::engine::bins::Bin;
use crate::engine::stage::Stage;

/// Water poured changes the milk by less than this at once, °C.
const POURED_C: f64 = 5.0;
/// Bins after which a probe that stays off shows the milk's new temperature.
const STAYS_AWAY: u16 = 8;
/// A fire flares by its size: one that heats as fast as this, or is meant to, is as
/// unsteady as any, °C/min, and one that hardly heats still by this share of it.
const FLARES: f64 = 0.3;
const FLARES_LEAST: f64 = 0.4;
/// What is heated rises by this share of the pace that is meant, and what is only held,
/// or left to itself, by no more than this; nor does it drift by more than so, °C/min.
const RISES: f64 = 0.2;
const RISES_OFF_FIRE: f64 = 0.6;
const DRIFTS: f64 = 0.2;
/// Milk that stands is warmed by its room or a hot hearth no faster than this, °C/min.
const STANDS: f64 = 0.06;
/// A probe that came out with the curd is colder by this, °C.
const DRAWN_COLDER_C: f64 = 4.0;
const DRAWN_LEAST_C: f64 = 2.0;
/// No dairy's air is warmer than this, °C, nor by a fire warmer than that.
const WARM_AIR_C: f64 = 28.0;
const HOT_AIR_C: f64 = 45.0;
/// What stands cools below where it was warmed to by no more than this, °C.
const COOLS_C: f64 = 4.0;
/// No milk is warmed beyond this before it is cooled to where it is set, °C: thermised
/// at 57 to 68, or held for half an hour at 63 to 65.
pub(super) const HOTTEST_MILK_C: f64 = 74.0;
/// No kettle falls or rises this far beyond what was expected within a bin, °C.
const AWAY_BELOW_C: f64 = 0.6;
const AWAY_ABOVE_C: f64 = 1.0;
/// A probe that is out for longer than this was laid aside, bins.
const LAID_ASIDE: u16 = 6;
/// What the milk does meanwhile nobody sees: by so much a bin its level may change
/// beyond what its phase expects, °C.
const UNSEEN_C: f64 = 0.06;
/// It comes back into the same within this, °C (one standard deviation, at the most).
const SAME_SD_C: f64 = 2.0;
/// A probe that moves by more than this from bin to bin is on its way yet, °C.
const ON_ITS_WAY_C: f64 = 0.6;
/// What is believed less than this (natural logarithm) sinks no further for its probe's being
/// out: it may come back.
const LEAST_BELIEVED: f64 = -38.0;
/// How long a probe is laid aside spreads by so much (log-normal σ): less once the curd is
/// stirred out or settles, since what is put into whey that long after is in it anew.
const LAID_ASIDE_SIGMA: f64 = 0.6;
const LAID_ASIDE_LATE_SIGMA: f64 = 0.3;
/// A probe that is put back comes from where it was colder or warmer by more than this, °C:
/// a bucket that cools passes by.
const PUT_BACK_C: f64 = 1.0;

/// What a heat that pauses has warmed by at the least, °C, from what the probe showed
/// so many bins after it began.
const PAUSES_C: f64 = 2.0;
const FOOT_BINS: i64 = 4;
/// Whey that rests is no further below its target than this, °C.
const SHORT_C: f64 = 4.0;

/// One hypothesis.
#[derive(Debug, Clone)]
pub(super) struct Hypothesis {
    pub node: usize,
    /// Bin at which the phase was entered.
    pub entered: i64,
    /// Logarithm of its probability.
    pub w: f64,
    /// Its probability, as of the last bin.
    pub p: f64,
    pub kf: Kf,
    /// Bins since the probe left the milk, 0 where it is in.
    pub out: u16,
    /// What its being out has cost since, for longer than a moment (natural logarithm).
    pub owed: f64,
    /// Where it was last while out, °C.
    pub away_celsius: f64,
    /// What it showed soon after the phase was entered, °C.
    pub foot_celsius: f64,
    /// Bin since which it has hung in this milk.
    pub milk_since: i64,
    /// Bin at which the heat of a cook was last taken off; the end of time
    /// where there was none.
    pub cooked: i64,
    /// When each slot was entered, in bins since the finder began.
    pub path: [f32; MOST_SLOTS],
}

impl Hypothesis {
    /// Whether a fire that is taken off now on the way has warmed anything.
    pub fn has_risen(&self) -> bool {
        self.kf.x[0] >= self.foot_celsius + PAUSES_C
    }

    /// Whether whey that was meant for `target` °C rests hot: what only hangs in the
    /// kettle was not heated yet.
    pub fn is_hot_whey(&self, target: Option<f64>) -> bool {
        self.kf.x[0] >= target.map_or(WHEY_C, |t| WHEY_C.min(t - SHORT_C))
    }
}

/// What bins scatter beyond the sensor's own noise, as variances.
pub(super) struct Scatter {
    /// While heated and stirred, as learned.
    pub fire: f64,
    /// Of late.
    pub recent: f64,
    /// How far this one is from the one before, °C.
    pub moved: f64,
}

impl Hypothesis {
    /// Whether the probe was laid aside: out for longer than a moment, in something that
    /// no water poured makes of the milk.
    pub fn is_laid_aside(&self) -> bool {
        self.owed > 0.0
    }

    /// What being out for one bin more costs, `off` from where the milk is foreseen, °C.
    fn stays_out(&mut self, odd: f64, off: f64) -> f64 {
        let leaves = self.out >= LAID_ASIDE && off.abs() > POURED_C;
        if leaves || self.is_laid_aside() { self.owes(odd) } else { odd }
    }

    /// Owes so much more, unless it is believed least already.
    pub fn owes(&mut self, odd: f64) -> f64 {
        let odd = if self.w < LEAST_BELIEVED { 0.0 } else { odd };
        self.owed += odd;
        odd
    }

    /// The probe is back in the same: what its being out has cost is given back, but for
    /// how seldom one is laid aside so long.
    fn comes_back(&mut self, celsius: f64, stage: Stage) -> f64 {
        let owed = std::mem::take(&mut self.owed);
        if owed <= 0.0 || (celsius - self.away_celsius).abs() < PUT_BACK_C {
            return 0.0;
        }
        let late = matches!(stage, Stage::Stirring | Stage::Settling);
        let sigma = if late { LAID_ASIDE_LATE_SIGMA } else { LAID_ASIDE_SIGMA };
        let z = libm::log(f64::from(self.out) / f64::from(LAID_ASIDE)) / sigma;
        owed - 0.5 * z * z
    }
}

/// Where in a make a hypothesis is.
pub(super) struct Place<'a> {
    pub stage: Stage,
    pub node: &'a Node,
}

/// What a phase expects on being entered, by what came before.
pub(super) fn entry(phase: Phase, from: Phase, slope: f64) -> Entry {
    let flat = |rate: f64, sd: f64, pending: f64, pending_sd: f64| Entry {
        slope: per_bin(rate),
        slope_sd: per_bin(sd),
        pending,
        pending_sd,
        pending_per_slope: 0.0,
    };
    match phase {
        Phase::Ramp => Entry {
            slope: per_bin(0.7),
            slope_sd: per_bin(0.6),
            pending: 0.0,
            pending_sd: 0.05,
            pending_per_slope: if from == Phase::Apart { 0.0 } else { -2.5 },
        },
        Phase::Reheat => Entry {
            slope: per_bin(0.35),
            slope_sd: per_bin(0.25),
            pending: 0.0,
            pending_sd: 0.05,
            pending_per_slope: -2.0,
        },
        Phase::Cut => flat(-0.03, 0.05, -0.45, 0.35),
        Phase::Rennet => flat(0.0, 0.05, -0.15, 0.6),
        // Held for a while, or cooled: by water, by a well, or as it stands.
        Phase::Cool => {
            let s = slope.max(per_bin(0.1));
            flat(-0.4, 0.6, 4.5 * s, 3.5 * s + 0.02)
        }
        Phase::GelHeat => Entry {
            slope: per_bin(0.25),
            slope_sd: per_bin(0.2),
            pending: 0.0,
            pending_sd: 0.05,
            pending_per_slope: -2.0,
        },
        Phase::Gel | Phase::Rest => flat(-0.015, 0.03, 0.0, 0.04),
        _ if matches!(from, Phase::Ramp | Phase::Reheat | Phase::GelHeat) => {
            let s = slope.max(per_bin(0.1));
            flat(-0.02, 0.05, 4.5 * s, 3.5 * s + 0.02)
        }
        Phase::Still => flat(-0.02, 0.03, 0.0, 0.05),
        _ => flat(-0.02, 0.05, 0.0, 0.05),
    }
}

/// Process noise of level and slope per bin, and the extra scatter of a bin, where it is
/// heated at `rate`, °C/min.
fn noise(node: &Node, rate: f64, scatter: &Scatter) -> (f64, f64, f64) {
    let sq = |x: f64| x * x;
    let fire = scatter.fire.max(scatter.recent);
    let stirred = (0.05 * scatter.fire).max(scatter.recent.min(scatter.fire)).max(sq(0.012));
    let quiet = sq(0.006);
    match node.phase {
        Phase::Ramp => {
            let flares = (rate.max(node.pace) / FLARES).clamp(FLARES_LEAST, 1.0);
            let scatter = stirred + flares * (fire - stirred).max(0.0);
            (sq(0.02 * flares), sq(per_bin(0.06 * flares)), scatter)
        }
        Phase::Reheat => (sq(0.015), sq(per_bin(0.04)), fire),
        Phase::Tail | Phase::Pause | Phase::Rennet => (sq(0.015), sq(per_bin(0.012)), stirred),
        Phase::Cool => (sq(0.02), sq(per_bin(0.12)), stirred),
        Phase::GelHeat => (sq(0.01), sq(per_bin(0.04)), quiet),
        Phase::Held => (sq(0.008), sq(per_bin(0.008)), stirred),
        Phase::Cut => (sq(0.012), sq(per_bin(0.008)), stirred),
        Phase::Still => (sq(0.007), sq(per_bin(0.007)), quiet),
        Phase::Gel | Phase::GelOn | Phase::Rest => (sq(0.004), sq(per_bin(0.004)), quiet),
        Phase::Apart => (1.0, 1.0, 1.0),
    }
}

/// Whether a probe that came out of what was at `milk` °C may be in air: colder than that,
/// less so where the air itself may be about as warm.
pub(super) fn is_air(celsius: f64, milk: f64) -> bool {
    celsius <= (milk - DRAWN_COLDER_C).max(WARM_AIR_C.min(milk - DRAWN_LEAST_C)).min(HOT_AIR_C)
}

/// The logarithm of how well one hypothesis in the milk explains the bin:
/// followed, or out of the milk for a moment, or water was poured.
pub(super) fn weigh_one(
    h: &mut Hypothesis,
    place: &Place<'_>,
    age: i64,
    bin: &Bin,
    air: f64,
    scatter: &Scatter,
) -> f64 {
    let phase = place.node.phase;
    let (mut q_level, q_slope, extra) = noise(place.node, h.kf.rate_per_min(), scatter);
    if phase == Phase::Ramp && age < 4 && h.kf.p[0] > 0.05 {
        q_level += [4.0, 0.6, 0.1, 0.02][age.clamp(0, 3) as usize];
    }
    if age <= FOOT_BINS {
        h.foot_celsius = bin.celsius.unwrap_or(h.foot_celsius);
    }
    let laid_aside = h.is_laid_aside();
    if laid_aside {
        q_level += UNSEEN_C * UNSEEN_C;
    }
    h.kf.predict(q_level, q_slope);
    let Some(c) = bin.celsius else { return 0.0 };
    let (e, s) = h.kf.innovation(c, bin.var_white + extra);
    let inside = ln_student(e, s);
    // Out of the milk for a moment: far off, or on the way back.
    let far = !(-AWAY_BELOW_C..=AWAY_ABOVE_C).contains(&e);
    // Cold water goes in while it is cooled: what falls then is the milk.
    let cooled = phase == Phase::Cool && (-POURED_C..0.0).contains(&e) && h.out == 0;
    let near = if laid_aside { s.min(SAME_SD_C * SAME_SD_C) } else { s };
    let not_yet = h.out > 0 && (e * e > 9.0 * near || (laid_aside && scatter.moved > ON_ITS_WAY_C));
    // What a probe that was laid aside comes back into is seen by its warmth.
    let away = bin.away && !laid_aside;
    if away || (far && !cooled && e * e > 25.0 * s) || not_yet {
        let steady = (c - h.away_celsius).abs() < 0.06 + 2.0 * libm::sqrt(bin.var_white + extra);
        h.away_celsius += 0.5 * (c - h.away_celsius);
        h.out = h.out.saturating_add(1);
        let stirred = matches!(
            phase,
            Phase::Held | Phase::Ramp | Phase::Tail | Phase::Pause | Phase::Cut | Phase::Cool
        );
        let poured = stirred && e.abs() < POURED_C && !(phase == Phase::Cut && e > 0.0);
        if away || h.out < STAYS_AWAY || !steady || !poured {
            let odd = match h.out {
                1 => 4.0,
                // Warmer than warm milk is no air: somebody heats.
                2.. if !away && e > 0.0 && c > WARM_AIR_C => 3.0,
                n if n > 2 * STAYS_AWAY => 1.5,
                _ => 0.5,
            };
            // What is as warm as the milk and elsewhere is neither: nor is it so for curd that
            // was drawn.
            let elsewhere = if laid_aside && e > -DRAWN_COLDER_C { 1.0 } else { 0.0 };
            return air - h.stays_out(odd, e) - elsewhere;
        }
        // It stays there: water was poured, and this is the milk now.
        (h.out, h.owed) = (0, 0.0);
        h.kf.x[0] = c;
        h.kf.p[0] += 0.05;
        return -8.0;
    }
    let back = h.comes_back(c, place.stage);
    h.out = 0;
    // One bin never decides alone.
    let floor = -9.0;
    if inside < floor {
        // Water poured, or something nobody foresaw: go on from there.
        h.kf.x[0] = c;
        h.kf.p[0] += e * e;
        return floor + back;
    }
    // Far off counts less: stirring scatters with heavy tails.
    h.kf.update(e, s * (1.0 + 0.15 * e * e / s));
    inside + back - misfit(place, h.kf.rate_per_min(), age, c)
}

/// A ramp that does not rise, or a standing gel that does, is none; nor is a
/// warming at sixty degrees. Where curd is meant to be heated slowly, what rises
/// slowly is heated: nothing else raises it on and on.
fn misfit(place: &Place<'_>, rate: f64, age: i64, celsius: f64) -> f64 {
    let Place { stage, node } = *place;
    let (phase, coldest) = (node.phase, node.coldest);
    let by_rate = match phase {
        Phase::Ramp if age >= 2 => {
            ((1.0 - rate / (RISES * node.pace)) * 0.84).clamp(0.0, 1.0) + ((rate - 5.0) * 2.0).clamp(0.0, 3.0)
        }
        Phase::Reheat if age >= 3 => {
            ((0.08 - rate) * 8.0).clamp(0.0, 0.8) + ((rate - 1.2) * 2.0).clamp(0.0, 3.0)
        }
        Phase::Cool => ((rate - 0.1) * 5.0).clamp(0.0, 1.0),
        Phase::GelHeat if age >= 3 => {
            ((0.03 - rate) * 8.0).clamp(0.0, 0.8) + ((rate - 1.2) * 2.0).clamp(0.0, 3.0)
        }
        Phase::Gel | Phase::GelOn | Phase::Rest => {
            ((rate / STANDS).max(-rate / DRIFTS) - 1.0).clamp(0.0, 1.0)
        }
        Phase::Still | Phase::Cut | Phase::Tail | Phase::Held | Phase::Pause => {
            let rises = (RISES_OFF_FIRE * node.pace).min(DRIFTS);
            ((rate / rises).max(-rate / DRIFTS) - 1.0).clamp(0.0, 1.0)
        }
        _ => 0.0,
    };
    let (low, high) = match stage {
        Stage::Warming if phase == Phase::Tail => (coldest, 46.0),
        Stage::Warming => (1.0, HOTTEST_MILK_C),
        Stage::Setting | Stage::Ripening | Stage::Cutting => (coldest - COOLS_C, 46.0),
        Stage::WheyHeating => (22.0, 102.0),
        Stage::WheyResting => (45.0, 102.0),
        Stage::Cooking | Stage::Stirring | Stage::Settling => (coldest - COOLS_C, 66.0),
        _ => (1.0, 66.0),
    };
    by_rate + if (low..high.max(node.hottest)).contains(&celsius) { 0.0 } else { 3.0 }
}
