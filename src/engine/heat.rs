//! The kettle on the fire: where a heating will end, when to call, and what is
//! learned of the kettle from how it ended.
//!
//! A heating is called once. The forecast is `level + rate × (reaction +
//! coast)`; the coast comes from earlier makes of this kettle, from an earlier
//! heating of this very make, or else from what kettles in general do, and its
//! uncertainty goes into the band.

mod foreseen;
mod learned;

use std::collections::VecDeque;

use super::bins::Bin;
use super::coast::Coast;
use super::filter::Trend;
use super::situation::Outlook;
use super::stage::Stage;
use foreseen::Foreseen;
use learned::coast_of;
pub use learned::{COAST_S, DECAY_S, LEAD_S, Learned};

/// A target that moves by more than this is another target, °C.
pub(super) const SAME_TARGET_CELSIUS: f64 = 0.05;
/// A heating slower than this goes nowhere, °C/s (0.05 °C/min).
const SLOWEST: f64 = 0.05 / 60.0;
/// Nor does any fire heat a kettle faster than this, °C/s (4 °C/min): what rises
/// faster is a probe that comes back into the milk.
const FASTEST: f64 = 4.0 / 60.0;
/// What rose or fell faster than that was the probe on its way, out of the milk or back;
/// so many bins later it shows the milk again.
const SETTLES_BINS: u8 = 4;
/// A trend that does not know where it will be at the end of the coast by this much
/// calls nothing, °C.
const KNOWS_C: f64 = 1.2;
/// What still comes is no more than so many times what the heating has risen, and
/// this, °C.
const LEFT: f64 = 2.0;
const LEFT_C: f64 = 0.5;
/// A rate of which so much is left cannot be told from that of a fire that still burns.
const TOLD_APART: f64 = 0.75;
/// Spread of a maker's reaction (log-normal σ).
const REACTION_SIGMA: f64 = 0.45;
/// What a forecast is off by beside all that it accounts for, °C: gusts, a probe
/// that hangs elsewhere. Chosen so that the band holds as often as it says.
const REST_SD_C: f64 = 0.1;
/// How much a coast differs from what the kettle's usually is, as a share.
const DAY_TO_DAY: f64 = 0.2;
/// 80 % of a normal distribution lie within this many deviations.
const BAND: f64 = 1.2816;
/// Bins kept for looking at how a heating ended.
const KEPT: usize = 120;
/// How long after its end a heating is looked at, seconds: a jacket full of water goes on
/// heating for a quarter of an hour, and until it is done it cannot be told from a fire.
const LOOK_AFTER_S: f64 = 300.0;
const LOOK_AFTER_AT_MOST_S: f64 = 900.0;
/// A kettle never met is called a little early: too late cannot be mended.
const FIRST_LEAD_S: f64 = 6.0;
/// A person marks that the heat is off about when it is, seconds.
const MARKED_SD_S: f64 = 10.0;
/// The trace shows that the heat is off this much later; and so long after it what
/// still rises is what was in wall and embers, seconds.
const OFF_SHOWS_S: f64 = 120.0;
const COASTS_S: f64 = 300.0;

/// The call of a heating.
#[derive(Debug, Clone, Copy)]
struct Called {
    t_s: f64,
    /// How fast the milk rose then, °C/s.
    rate: f64,
    /// What the maker was given to take the heat off, seconds.
    reaction_s: f64,
}

/// One heating.
#[derive(Debug, Clone, Default)]
struct Heating {
    number: u32,
    began_s: f64,
    /// The lowest the milk was since, °C.
    low: f64,
    called: Option<Called>,
    /// When a person said that the heat is off.
    said_off_s: Option<f64>,
    target: Option<f64>,
    /// Last moment that heat went in for sure.
    last_hot_s: f64,
    top_rate: f64,
    looked_at: bool,
    stage: Option<Stage>,
}

impl Heating {
    fn is_cook(&self) -> bool {
        self.stage == Some(Stage::Cooking)
    }

    /// When the heat came off by what was said or called, and how sure that is,
    /// seconds.
    fn off_s(&self) -> Option<(f64, f64)> {
        let marked = self.said_off_s.map(|t| (t, MARKED_SD_S));
        // The log-normal's mean and deviation, by its median and σ.
        let taken = |c: Called| (c.t_s + 1.1 * c.reaction_s, 0.52 * c.reaction_s);
        marked.or_else(|| self.called.map(taken))
    }
}

/// The heat of one kettle.
#[derive(Debug)]
pub struct Heat {
    coast: Coast,
    lead_s: f64,
    makes: u32,
    taught: bool,
    heating: Option<Heating>,
    /// The heating before, while the running one may turn out to be the same.
    before: Option<Heating>,
    /// When a person said that the heat is off while no heating was told.
    said_off_s: Option<f64>,
    /// Counts heatings of this make and those before; one that is taken back and told
    /// again is the same.
    pub number: u32,
    /// The highest so far, and whether the next one is no earlier one told again.
    last_number: u32,
    anew: bool,
    foreseen: Option<Foreseen>,
    recent: VecDeque<(f64, f64)>,
    var_bin: f64,
    /// For so many bins yet the trend may be the probe's and not the milk's.
    unsettled: u8,
    /// Cached coast in seconds of the running rate.
    coast_lead_s: f64,
    /// When the call of each heating came: (heating began, called).
    pub calls: Vec<(f64, f64)>,
}

impl Heat {
    /// A kettle as learned, or never met.
    pub fn new(learned: Option<&Learned>) -> Self {
        let coast = learned.map_or_else(Coast::unknown, coast_of);
        Self {
            coast_lead_s: coast.theta_s,
            coast,
            lead_s: learned.map_or(FIRST_LEAD_S, |l| l.lead_s),
            makes: learned.map_or(0, |l| l.makes),
            taught: false,
            heating: None,
            before: None,
            said_off_s: None,
            number: 0,
            last_number: 0,
            anew: false,
            foreseen: None,
            recent: VecDeque::with_capacity(KEPT),
            var_bin: 0.03 * 0.03,
            unsettled: 0,
            calls: Vec::new(),
        }
    }

    /// Walks one bin on: `hot` is the probability that heat goes in, `trend` the
    /// milk's.
    pub fn bin(&mut self, bin: &Bin, hot: f64, trend: Option<&Trend>, slow_var: f64) {
        let Some(trend) = trend else { return };
        self.var_bin = slow_var.max(1.0e-4);
        self.unsettled =
            if trend.slope.abs() < FASTEST { self.unsettled.saturating_sub(1) } else { SETTLES_BINS };
        if let Some(c) = bin.celsius
            && (c - trend.level).abs() < 0.8
        {
            if self.recent.len() == KEPT {
                self.recent.pop_front();
            }
            self.recent.push_back((bin.mid_s, c));
        }
        self.follow_call(bin.end_s, trend);
        let loss = loss_per_s(trend.level);
        self.coast_lead_s = self.coast.lead_s(trend.slope, loss);
        if let Some(h) = &mut self.heating {
            h.low = h.low.min(trend.level);
            if hot > 0.8 && trend.slope > SLOWEST {
                h.last_hot_s = bin.end_s;
                h.top_rate = h.top_rate.max(trend.slope);
            }
            let after_s = bin.end_s - h.last_hot_s;
            let is_done = trend.slope < SLOWEST || after_s > LOOK_AFTER_AT_MOST_S;
            if after_s > LOOK_AFTER_S && is_done && !h.looked_at {
                self.look_at_the_end();
            }
        }
    }

    /// A heating begins, towards a target where one is known.
    pub fn begin(&mut self, t_s: f64, target: Option<f64>, stage: Stage) {
        if self.heating.as_ref().is_some_and(|h| !h.looked_at && t_s - h.last_hot_s > 100.0) {
            self.look_at_the_end();
        }
        self.number = if std::mem::take(&mut self.anew) { self.last_number } else { self.number } + 1;
        self.last_number = self.last_number.max(self.number);
        self.before = self.heating.take();
        let low = self.recent.iter().filter(|(at_s, _)| *at_s > t_s - 30.0).map(|x| x.1);
        let low = low.fold(f64::INFINITY, f64::min);
        // It may be told after a person said that it is over.
        let said_off_s = self.said_off_s.take();
        let said_off_s = self.before.as_ref().map_or(said_off_s, |h| h.said_off_s);
        self.heating = Some(Heating {
            number: self.number,
            began_s: t_s,
            low,
            target,
            said_off_s: said_off_s.filter(|off_s| *off_s > t_s),
            last_hot_s: t_s,
            stage: Some(stage),
            ..Heating::default()
        });
    }

    /// The running heating was none of its own: the one before goes on. Gives
    /// when that one began, where there was one.
    pub fn take_back(&mut self) -> Option<f64> {
        let mut before = self.before.take()?;
        self.number = before.number;
        if let Some(h) = &self.heating {
            before.last_hot_s = before.last_hot_s.max(h.last_hot_s);
        }
        let began_s = before.began_s;
        self.heating = Some(before);
        Some(began_s)
    }

    /// The make is over: no heating of it goes on in the next.
    pub fn end_make(&mut self) {
        self.calls.clear();
        if let Some(h) = self.heating.take() {
            self.said_off_s = h.said_off_s;
            self.last_number += 1;
            self.number = self.last_number;
        }
        self.before = None;
        self.foreseen = None;
    }

    /// The running heating has another target now; the stage after it has none.
    /// What was called before a higher one was wanted was no call for it.
    pub fn retarget(&mut self, target: Option<f64>) {
        let (Some(h), Some(target)) = (&mut self.heating, target) else { return };
        if let Some(foreseen) = &mut self.foreseen {
            foreseen.target = target;
        }
        if h.target.replace(target).is_some_and(|old| target > old + SAME_TARGET_CELSIUS) {
            self.forget_call();
        }
    }

    /// The heating that was told last, and its target, °C.
    pub fn heated(&self) -> Option<(Stage, f64)> {
        let h = self.heating.as_ref()?;
        h.stage.zip(h.target)
    }

    /// Where the heating goes, from the milk's trend now; `blind_s` is the age
    /// of the last number where it is old.
    pub fn outlook(
        &self,
        trend: &Trend,
        target: f64,
        reaction_s: f64,
        blind_s: Option<f64>,
    ) -> Option<Outlook> {
        let heating = self.heating.as_ref()?;
        let rate = trend.slope;
        // A lead that takes more off than there is ahead would foresee the past.
        let ahead_s = (reaction_s + self.coast_lead_s + self.lead_s).max(0.0);
        let var_trend = trend.var_level + 2.0 * ahead_s * trend.cov.max(0.0) + sq(ahead_s) * trend.var_slope;
        let known = blind_s.is_some() || var_trend < sq(KNOWS_C);
        if !(SLOWEST..FASTEST).contains(&rate) || !known || self.is_unsettled() {
            return None;
        }
        let to_go_s = (target - trend.level) / rate;
        let peak = trend.level + rate * ahead_s;
        // No fire leaves more than it gave: such a rate is a step's, not the fire's.
        if peak - trend.level > LEFT * (trend.level - heating.low) + LEFT_C {
            return None;
        }
        let today_sd_s = libm::hypot(self.coast.sd_s, DAY_TO_DAY * self.coast.theta_s);
        let coast_sd = rate * today_sd_s * (self.coast_lead_s / self.coast.theta_s.max(1.0)).min(1.0);
        let var = var_trend
            + coast_sd * coast_sd
            + sq(rate * reaction_s * REACTION_SIGMA)
            + sq(REST_SD_C)
            + blind_s.map_or(0.0, |b| sq(0.2 * rate * b));
        let half = BAND * libm::sqrt(var);
        Some(Outlook {
            target_celsius: target,
            heat_off_in_s: to_go_s - ahead_s,
            reach_in_s: to_go_s.max(0.0),
            peak_celsius: peak,
            peak_low_celsius: peak - half,
            peak_high_celsius: peak + half,
            blind_s,
        })
    }

    /// Whether the trend was just now a probe's on its way, out of the milk or back.
    pub fn is_unsettled(&self) -> bool {
        self.unsettled > 0
    }

    /// The call of the running heating came, to a maker who needs `reaction_s`.
    pub fn called(&mut self, t_s: f64, trend: &Trend, reaction_s: f64) {
        if let Some(h) = &mut self.heating
            && h.called.is_none()
        {
            h.called = Some(Called { t_s, rate: trend.slope, reaction_s });
            let foreseen = |target| Foreseen { called_s: t_s, target, top: trend.level };
            self.foreseen = h.target.map(foreseen);
            self.calls.push((h.began_s, t_s));
        }
    }

    /// A person says that the heat is on, or off, from now.
    pub fn said(&mut self, on: bool, t_s: f64) {
        let said_off_s = self.heating.as_mut().map_or(&mut self.said_off_s, |h| &mut h.said_off_s);
        *said_off_s = (!on).then_some(t_s);
    }

    /// Whether a person said that the heat is off, and the milk may not show it yet.
    /// Heat that is `seen` once it should show is on after all.
    pub fn is_said_off(&self, t_s: f64, seen: bool) -> bool {
        let until_s = if seen { OFF_SHOWS_S } else { COASTS_S };
        self.heating.as_ref().and_then(|h| h.said_off_s).is_some_and(|off| t_s - off < until_s)
    }

    /// Whether the milk rises as it does on the fire. After the call that is told by what
    /// would be left of the rate if the heat came off then, once that is little enough.
    pub fn goes_on(&self, t_s: f64, trend: &Trend) -> bool {
        let Some(called) = self.heating.as_ref().and_then(|h| h.called) else { return true };
        let left = self.coast.left_of_rate(t_s - called.t_s - called.reaction_s);
        left < TOLD_APART && trend.slope > called.rate * (1.0 + left) / 2.0
    }

    /// Whether the running heating was called.
    pub fn is_called(&self) -> bool {
        self.heating.as_ref().is_some_and(|h| h.called.is_some())
    }
}

/// Loss of an open kettle, °C/s: about 1.9 °C/h at 32 °C and 5.4 °C/h at 52 °C
/// in 15 °C air for a hundred litres (computed; evaporation is half of it).
fn loss_per_s(celsius: f64) -> f64 {
    let over = (celsius - 15.0).max(0.0);
    over * (0.06 + 0.002 * over) / 3600.0
}

fn sq(x: f64) -> f64 {
    x * x
}

#[cfg(test)]
mod tests;
