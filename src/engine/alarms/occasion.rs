//! What the alarms remember between two looks at the kettle: the running
//! heating and its target, and what was already called for it.

use std::collections::BTreeSet;

use super::once::Once;
use crate::engine::alarm::AlarmKind;
use crate::engine::heat::SAME_TARGET_CELSIUS;
use crate::engine::plan::{Plan, PlannedStage};
use crate::engine::probe::Health;
use crate::engine::situation::Situation;
use crate::engine::stage::Stage;

/// Rennet clock: called this long before the time to look, seconds.
pub(super) const CURD_LEAD_S: f64 = 120.0;

/// The heating a call is about; it outlives the stage, since the peak comes
/// after the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Heating {
    pub(super) number: u32,
    pub(super) stage: Stage,
    pub(super) target_celsius: f64,
    pub(super) tolerance_celsius: f64,
}

/// What was called for one heating.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Calls {
    pub(super) get_ready: Once,
    pub(super) heat_off: Once,
    pub(super) at_target: Once,
    /// When its call came, engine seconds.
    pub(super) called_s: Option<f64>,
}

impl Calls {
    /// As they stand where this heating goes on after all.
    fn resumed(self) -> Self {
        Self {
            get_ready: self.get_ready.resumed(),
            heat_off: self.heat_off.resumed(),
            at_target: self.at_target.resumed(),
            ..self
        }
    }

    /// And what was called `meanwhile`, while it was taken for over.
    fn with(self, meanwhile: Self) -> Self {
        let either = |own: Once, other: Once| if other.was_called() { Once::Over } else { own };
        Self {
            get_ready: either(self.get_ready, meanwhile.get_ready),
            heat_off: either(self.heat_off, meanwhile.heat_off),
            at_target: either(self.at_target, meanwhile.at_target),
            called_s: self.called_s.or(meanwhile.called_s),
        }
    }
}

/// The memory.
#[derive(Debug, Clone, Default)]
pub(super) struct Occasion {
    pub(super) heating: Option<Heating>,
    pub(super) calls: Calls,
    /// The heating before, and its calls: the running one may turn out to be the
    /// same.
    before: Option<(Heating, Calls)>,
    pub(super) curd_check: Once,
    pub(super) hold_done: Once,
    /// The running stage, and which of the make's it is.
    stage: Option<(Stage, usize)>,
    /// Those of this make whose hold was called: one that is withdrawn and comes again
    /// is not called again.
    held: BTreeSet<(Stage, usize)>,
    /// Milk below its storage limit was seen since the last make: only then
    /// does a warm probe mean warm milk and not an empty kettle.
    pub(super) milk_watched: bool,
}

impl Occasion {
    /// Takes in the situation before the rules look at it.
    pub(super) fn update(&mut self, s: &Situation, plan: Option<&Plan>) {
        self.follow_heating(s);
        let stage = (s.stage, s.occurrence);
        if self.stage != Some(stage) {
            self.change_stage(stage);
        }
        let look_again = s.curd_check_at_s.is_none_or(|at| s.t_s < at - CURD_LEAD_S - 60.0);
        if look_again && self.curd_check == Once::Over {
            self.curd_check = Once::Waiting;
        }
        self.watch_milk(s, plan);
    }

    fn change_stage(&mut self, stage: (Stage, usize)) {
        if let Some(before) = self.stage.replace(stage).filter(|_| self.hold_done.was_called()) {
            self.held.insert(before);
        }
        if matches!(stage.0, Stage::Idle | Stage::Warming) {
            self.held.clear();
        }
        self.hold_done = if self.held.contains(&stage) { Once::Over } else { Once::Waiting };
    }

    /// How far the call of that alarm has come, where it is a call.
    pub(super) fn once(&mut self, kind: AlarmKind) -> Option<&mut Once> {
        Some(match kind {
            AlarmKind::GetReady => &mut self.calls.get_ready,
            AlarmKind::HeatOff => &mut self.calls.heat_off,
            AlarmKind::AtTarget => &mut self.calls.at_target,
            AlarmKind::CurdCheck => &mut self.curd_check,
            AlarmKind::HoldDone => &mut self.hold_done,
            _ => return None,
        })
    }

    /// Takes in what came of judging that alarm.
    pub(super) fn note(&mut self, kind: AlarmKind, called: bool, stands: bool, t_s: f64) {
        if let Some(once) = self.once(kind) {
            once.note(called, stands);
        }
        if kind == AlarmKind::HeatOff && called {
            self.calls.called_s = Some(t_s);
        }
    }

    fn follow_heating(&mut self, s: &Situation) {
        let Some(target_celsius) = s.target_celsius.filter(|t| t.is_finite()) else {
            return self.follow_after(s);
        };
        let new = Heating::of(s, s.stage, target_celsius);
        match self.heating {
            Some(old) if old.number == new.number && (old.concerns(s.stage) || !is_heating(s.stage)) => {
                self.aim(Heating { stage: old.stage, ..new }, old.target_celsius);
            }
            // Heat meant, none going in yet: the number comes with the heat.
            _ => self.take_up(new),
        }
    }

    /// A higher target is a new aim, and wants its own call.
    fn aim(&mut self, new: Heating, before_celsius: f64) {
        if new.target_celsius - before_celsius > SAME_TARGET_CELSIUS {
            self.calls = Calls::default();
        }
        self.heating = Some(new);
    }

    /// Which heating a stage without a target belongs to.
    fn follow_after(&mut self, s: &Situation) {
        // A heating that is told and taken back was the one before, and a stage
        // that is taken back brings its heating again.
        let again = |b: (Heating, Calls)| b.0.number == s.heating_number && b.0.concerns(s.stage);
        let taken_back = self.heating.is_none_or(|h| h.number > s.heating_number);
        if taken_back && self.before.is_some_and(again) {
            self.resume(s.heating_number);
        }
        if let Some(h) = self.heating.take_if(|h| !h.concerns(s.stage)) {
            self.before = Some((h, std::mem::take(&mut self.calls)));
        }
        // Where it is heated on, its target may have been changed since.
        if let (Some(h), Some(o)) = (self.heating, s.outlook) {
            self.aim(Heating { target_celsius: o.target_celsius, ..h }, h.target_celsius);
        }
        // One that was told together with the stage that it ended in.
        let told = s.heated.map(|(stage, target)| Heating::of(s, stage, target));
        let unseen = |h: &Heating| self.heating.is_none_or(|now| now.number < h.number);
        if let Some(told) = told.filter(|h| h.stage != s.stage && h.concerns(s.stage) && unseen(h)) {
            self.take_up(told);
        }
    }

    fn take_up(&mut self, new: Heating) {
        let (old, past) = (self.heating, self.calls);
        self.resume(new.number);
        self.heating = Some(new);
        if let Some(old) = old.filter(|o| o.number < new.number) {
            self.before = Some((old, past));
        }
    }

    /// Takes up the heating before where it is that number, and else a new one.
    fn resume(&mut self, number: u32) {
        let before = self.before.take_if(|b| b.0.number == number);
        let meanwhile = if self.heating.is_none() { self.calls } else { Calls::default() };
        self.heating = before.map(|b| b.0);
        self.calls = before.map_or_else(Calls::default, |b| b.1.resumed().with(meanwhile));
    }

    fn watch_milk(&mut self, s: &Situation, plan: Option<&Plan>) {
        let Some(limit) = plan.and_then(|p| p.milk_warm_above_celsius) else { return };
        if s.stage != Stage::Idle {
            self.milk_watched = false;
        } else if s.celsius.is_some_and(|c| c <= limit) {
            self.milk_watched = true;
        }
    }
}

/// Whether the stage is one of heating to a target.
pub(super) fn is_heating(stage: Stage) -> bool {
    matches!(stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating)
}

impl Heating {
    /// The heating that stands in the situation.
    fn of(s: &Situation, stage: Stage, target_celsius: f64) -> Self {
        let tolerance_celsius = s.tolerance_celsius.max(0.0);
        Self { number: s.heating_number, stage, target_celsius, tolerance_celsius }
    }

    /// Whether that stage is the heating's own or the one it ends in.
    pub(super) fn concerns(&self, stage: Stage) -> bool {
        let after = match self.stage {
            Stage::Warming => Stage::Ripening,
            Stage::Cooking => Stage::Stirring,
            Stage::WheyHeating => Stage::WheyResting,
            own => own,
        };
        stage == self.stage || stage == after
    }
}

/// The milk's temperature, °C: none while the probe is lifted or in fault, so
/// that a lift neither raises nor ends an alarm.
pub(super) fn milk_celsius(s: &Situation) -> Option<f64> {
    s.celsius.filter(|_| s.health < Health::CheckFunction)
}

/// The planned stage that is running: of its kind, and of its target where the
/// kind comes twice.
pub(super) fn planned<'a>(s: &Situation, plan: Option<&'a Plan>) -> Option<&'a PlannedStage> {
    let same_target = |p: &&PlannedStage| match (p.to_celsius, s.target_celsius) {
        (Some(a), Some(b)) => (a - b).abs() < SAME_TARGET_CELSIUS,
        _ => false,
    };
    let of_kind = || plan.into_iter().flat_map(|p| &p.stages).filter(|p| p.kind == s.stage);
    of_kind().find(same_target).or_else(|| of_kind().next())
}

/// The temperature a stage's schedule wants after `minutes`, °C.
pub(super) fn scheduled_celsius(stage: &PlannedStage, minutes: f64) -> Option<f64> {
    let after = stage.points.partition_point(|p| p.0 <= minutes);
    let (from, to) = (stage.points.get(after.checked_sub(1)?)?, stage.points.get(after)?);
    let span = to.0 - from.0;
    (span > 0.0).then(|| from.1 + (to.1 - from.1) * (minutes - from.0) / span)
}
