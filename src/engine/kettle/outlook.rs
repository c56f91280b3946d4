//! How a kettle stands: where its heating goes, and all that the alarms look at.

use super::Kettle;
use crate::engine::filter::Trend;
use crate::engine::plan::TOLERANCE_C;
use crate::engine::probe::Health;
use crate::engine::situation::{Outlook, Situation};
use crate::engine::stage::Stage;

/// A number older than this is old, and the forecast says that it is blind; of a slow
/// probe, one that is older than so many of its readings are apart.
const BLIND_S: f64 = 8.0;
const READINGS: f64 = 2.5;
/// What rises faster than this is not only coasting out, °C/s (0.1 °C/min).
const CREEPS: f64 = 0.1 / 60.0;
/// Nor what rises by this share of what the plan's minutes want, where they want less.
const AS_PLANNED: f64 = 0.5;

impl Kettle {
    /// The milk's trend at `t_s`, and the age of what it rests on.
    pub(super) fn milk_at(&self, t_s: f64) -> Option<(Trend, f64)> {
        let (mut milk, away_s) = self.filter.milk()?;
        let (_, fed_s) = self.filter.live()?;
        let since_s = away_s.unwrap_or(fed_s);
        if t_s > fed_s {
            milk.predict(t_s - fed_s, 0.0, 0.0);
        }
        Some((milk, t_s - since_s))
    }

    /// The age at which a number of this probe is old, seconds.
    pub fn old_after_s(&self) -> f64 {
        BLIND_S.max(READINGS * self.every_s)
    }

    /// Where the running heating goes.
    pub fn outlook(&self, t_s: f64) -> Option<Outlook> {
        let heats = matches!(self.now.stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating);
        let (target, hot) = if heats {
            (self.now.target_celsius?, self.tracker.heating())
        } else {
            // A cook that was taken for over: what brings the temperature back
            // may be the rest of it, where that was not called.
            let target = self.tracker.missed_target(t_s).filter(|_| !self.heat.is_called())?;
            (target, self.tracker.heating() + self.tracker.reheating())
        };
        let (milk, age_s) = self.milk_at(t_s)?;
        let reaction_s = self.reaction_s();
        // A fire that was fed again slowly may not be seen for what it is: what
        // rises into the target is called all the same.
        // Above it, in curd that is stirred, it is what the kettle still gives.
        let from_below = heats || milk.level < target;
        let planned = self.planned_rate.filter(|r| *r > 0.0);
        let creeps = planned.map_or(CREEPS, |r| CREEPS.min(AS_PLANNED * r / 60.0));
        let rises_into_it =
            from_below && milk.slope > creeps && milk.level + milk.slope * reaction_s >= target;
        // In a silence nobody sees the heat: it may be on.
        let unseen = age_s >= 30.0;
        if age_s > 600.0 || (hot < 0.5 && !unseen && !rises_into_it) {
            return None;
        }
        let blind = (age_s > self.old_after_s()).then_some(age_s);
        self.heat.outlook(&milk, target, reaction_s, blind)
    }

    pub(super) fn situation(&self, t_s: f64) -> Situation {
        let (now, age_s) = (self.now(), t_s - self.number_s);
        let live = self
            .filter
            .live()
            .filter(|_| age_s < self.old_after_s() && self.verdict.health != Health::Failure);
        let hot = self.tracker.heating() > 0.5;
        let said_off = self.heat.is_said_off(t_s, hot);
        let plan = self.plan.as_deref();
        let away = self.filter.milk().is_some_and(|m| m.1.is_some());
        let in_milk =
            !away && !matches!(now.stage, Stage::Idle | Stage::Drawing) && self.tracker.apart() < 0.5;
        let setting = now.stage == Stage::Setting;
        Situation {
            t_s,
            celsius: live.map(|l| l.0.level),
            plain_celsius: live.and_then(|_| self.plain.celsius()),
            rate_celsius_per_min: live.map(|l| l.0.slope * 60.0),
            number_age_s: age_s,
            silent_s: self.silent_s(t_s),
            every_s: self.every_s,
            health: self.watch.health(),
            reason: if self.watch.reason().is_fine() {
                String::new()
            } else {
                self.watch.reason().to_string()
            },
            stage: now.stage,
            basis: now.basis,
            stage_began_s: now.began_s,
            planned_minutes: now.minutes,
            occurrence: now.occurrence,
            in_milk,
            heating: hot && !said_off,
            said_off,
            cooks_on: self.tracker.cooks_on(),
            goes_on: self.filter.milk().is_some_and(|(trend, _)| self.heat.goes_on(t_s, &trend)),
            stands: self.tracker.stands(),
            cut: self.tracker.cut(),
            heating_number: self.heat.number,
            target_celsius: now.target_celsius,
            heated: self.heat.heated(),
            tolerance_celsius: plan.map_or(TOLERANCE_C, |p| p.tolerance_celsius),
            set_celsius: if setting { self.set_celsius() } else { None },
            planned_rate_celsius_per_min: self.planned_rate,
            outlook: self.outlook(t_s),
            still_s: if away { 0.0 } else { self.still.seconds(t_s) },
            curd_check_at_s: self.curd_check_at_s(),
            boiling_celsius: self.boiling_celsius,
        }
    }

    /// How fast the plan's minutes want the running heating, °C/min.
    pub(super) fn planned_rate(&self) -> Option<f64> {
        let (target, minutes) = self.now.target_celsius.zip(self.now.minutes.filter(|m| *m > 0.0))?;
        let start = self.tracker.celsius_at(self.now.began_s)?;
        Some((target - start) / minutes)
    }

    /// The temperature at which the milk was set: what was wanted, or what it was.
    fn set_celsius(&self) -> Option<f64> {
        self.tracker.set_at().or_else(|| self.tracker.celsius_at(self.now.began_s))
    }
}
