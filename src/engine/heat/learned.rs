//! What is learned of a kettle from how its heatings ended, and what a kettle file may
//! say of it.

use std::ops::RangeInclusive;

use super::{Called, Heat, Heating, SLOWEST, loss_per_s};
use crate::engine::coast::{self, Coast, Said};
use crate::engine::probe::Lags;

/// What makes may correct the call by, and a kettle file may say, seconds.
pub const LEAD_S: RangeInclusive<f64> = -60.0..=120.0;
/// What a kettle file may say of the coast, seconds: no kettle gives back for longer,
/// and what is fitted ends far below.
pub const COAST_S: RangeInclusive<f64> = 0.0..=1200.0;
/// The same of how it dies away, seconds.
pub const DECAY_S: RangeInclusive<f64> = 10.0..=1800.0;
/// How much a kettle's coast changes from make to make, as a share.
const CHANGES: f64 = 0.25;
/// What one ending shows of a kettle's coast may be off by this, seconds: a cook's,
/// and a warming's, whose milk is soon renneted and stands, so that the rest of
/// the heat is not seen to come.
const COOK_SD_S: f64 = 12.0;
const WARMING_SD_S: f64 = 25.0;

/// What has been learned of one kettle. Plain data; `config` reads and writes
/// it as the kettle file.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// How many makes taught it.
    pub makes: u32,
    /// Coast time: minutes of the running rate still to come after the heat is
    /// off (°C of coast ÷ °C/min), seconds.
    pub coast_s: f64,
    /// How sure that is: one standard deviation, seconds.
    pub coast_sd_s: f64,
    /// Time constant of the heat that still arrives, seconds.
    pub decay_s: f64,
    /// Correction of the call from how called cooks ended: positive calls
    /// earlier, seconds.
    pub lead_s: f64,
    /// What is known of the lag of the probe that hangs in it.
    pub lags: Lags,
}

impl Heat {
    /// What a heating that ended teaches.
    pub(super) fn look_at_the_end(&mut self) {
        let Some(h) = &mut self.heating else { return };
        h.looked_at = true;
        let h = h.clone();
        if h.top_rate < 0.12 / 60.0 || h.last_hot_s - h.began_s < 120.0 {
            return;
        }
        let said = Said { about_s: h.last_hot_s, off: h.off_s() };
        let from = said.first_s() - 260.0;
        let trace: Vec<(f64, f64)> =
            self.recent.iter().filter(|(t, _)| *t >= from.max(h.began_s + 30.0)).copied().collect();
        let loss = trace.last().map_or(0.0, |last| loss_per_s(last.1));
        let Some(ending) = coast::fit(&trace, &said, loss, self.var_bin) else { return };
        self.coast = self.coast.heard(&ending.coast, if h.is_cook() { COOK_SD_S } else { WARMING_SD_S });
        self.taught = true;
        self.learn_lead(&h, &ending, &trace);
    }

    /// A called cook that ended off its target corrects the next call, where
    /// the maker acted on the call.
    fn learn_lead(&mut self, h: &Heating, ending: &coast::Ending, trace: &[(f64, f64)]) {
        let (Some(Called { t_s: called_s, rate, .. }), Some(target)) = (h.called, h.target) else { return };
        if !h.is_cook() || !(-15.0..150.0).contains(&(ending.off_s - called_s)) {
            return;
        }
        let peak = trace
            .windows(5)
            .filter(|w| w[0].0 > called_s)
            .map(|w| w.iter().map(|x| x.1).sum::<f64>() / 5.0)
            .fold(f64::NEG_INFINITY, f64::max);
        if peak.is_finite() && rate > SLOWEST {
            // Slow heating says little of seconds.
            let trust = rate / (rate + 0.4 / 60.0);
            let late_s = ((peak - target) / rate).clamp(-45.0, 45.0);
            let gain = 0.4 * trust / (1.0 + f64::from(self.makes.min(4)) * 0.5);
            self.lead_s = (self.lead_s + gain * late_s).clamp(*LEAD_S.start(), *LEAD_S.end());
        }
    }

    /// Takes what is known of the kettle in place of what was learned here:
    /// after a replay that went through makes the knowledge already holds.
    pub fn teach(&mut self, learned: &Learned) {
        self.coast = coast_of(learned);
        self.coast_lead_s = self.coast.theta_s;
        self.lead_s = learned.lead_s;
        self.makes = learned.makes;
    }

    /// What the make taught, once it is over.
    pub fn learned(&mut self) -> Learned {
        if self.heating.as_ref().is_some_and(|h| !h.looked_at) {
            self.look_at_the_end();
        }
        self.makes += u32::from(self.taught);
        self.taught = false;
        Learned {
            makes: self.makes,
            coast_s: self.coast.theta_s,
            coast_sd_s: self.coast.sd_s,
            decay_s: self.coast.decay_s,
            lead_s: self.lead_s,
            lags: Lags::default(),
        }
    }
}

/// Today's coast of a kettle as learned.
pub(super) fn coast_of(l: &Learned) -> Coast {
    // Nobody knows a kettle to the second, whatever its file says.
    let sd_s = libm::hypot(l.coast_sd_s, CHANGES * l.coast_s).max(1.0);
    Coast { theta_s: l.coast_s, sd_s, decay_s: l.decay_s }
}
