//! What a person marks and asks of a kettle.

use std::sync::Arc;

use super::{Kettle, Said, boiling_celsius};
use crate::engine::alarm::AlarmKind;
use crate::engine::clot::RennetClock;
use crate::engine::event::{Ask, MarkKind, Name};
use crate::engine::plan::{Plan, RennetPlan};
use crate::engine::stage::Stage;

impl Kettle {
    /// A person marked something at `t_s`, now or a few seconds ago; what it does to the
    /// alarms is still to be judged.
    pub fn mark(&mut self, kind: &MarkKind, t_s: f64, out: &mut Vec<Said>) {
        if matches!(kind, MarkKind::Target(c) if !(0.0..=110.0).contains(c)) {
            // No temperature of milk; the record keeps the mark as it came.
            return;
        }
        if *kind == MarkKind::Rennet && self.next_is_renneted() {
            self.go_on_to_next(t_s, out);
        }
        match kind {
            MarkKind::Rennet => {
                let (rennet, minutes, set) = self.rennet_plan();
                self.rennet = Some(RennetClock::poured(t_s, &rennet, minutes, set));
                self.clot_s = t_s;
            }
            MarkKind::Floc => {
                if let Some(clock) = &mut self.rennet {
                    clock.floc(t_s);
                }
            }
            MarkKind::Target(c) => {
                self.tracker.set_target(*c);
                self.now = self.tracker.now();
                self.heat.retarget(self.now.target_celsius);
            }
            MarkKind::HeatOn | MarkKind::HeatOff => {
                let on = *kind == MarkKind::HeatOn;
                self.watch.heat_meant(on);
                self.filter.may_turn();
                self.heat.said(on, t_s);
            }
            _ => {}
        }
        if *kind == MarkKind::Lift && self.now.stage > Stage::Drawing {
            // The whey's curd is out.
            self.finish(t_s, out);
        } else {
            self.tracker.mark(kind, t_s, &mut self.tellings);
            self.tell(out);
        }
    }

    /// Who marks that the heat is off has heard what called for it.
    pub fn took_heat_off(&mut self, by: Option<&Name>, t_s: f64) {
        let heard = Ask::Acknowledge(Some(AlarmKind::HeatOff));
        self.alarms.command(&heard, by, t_s, &mut self.changes);
    }

    pub(super) fn rennet_plan(&self) -> (RennetPlan, Option<f64>, Option<f64>) {
        let Some(plan) = &self.plan else { return (RennetPlan::default(), None, None) };
        let of = |k: Stage| plan.stages.iter().find(|s| s.kind == k);
        let minutes = of(Stage::Setting).and_then(|s| s.minutes);
        (plan.rennet.clone(), minutes, plan.set_celsius())
    }

    /// A person or the shell asked for something.
    pub fn command(&mut self, ask: &Ask, by: Option<&Name>, t_s: f64, out: &mut Vec<Said>) {
        match ask {
            Ask::Follow(plan) => self.follow(plan.clone(), out),
            Ask::Stage(Stage::Idle) | Ask::EndMake => self.end_make(t_s, out),
            Ask::Stage(stage) => {
                self.tracker.set(*stage, t_s, &mut self.tellings);
                self.tell(out);
            }
            _ => self.alarms.command(ask, by, t_s, &mut self.changes),
        }
        self.pass_alarms(t_s, out);
        self.judge(t_s, out);
    }

    /// The make is over, as a person says. Once the curd is out, or about to be, its
    /// whey may still go on the fire.
    fn end_make(&mut self, t_s: f64, out: &mut Vec<Said>) {
        if matches!(self.now.stage, Stage::Settling | Stage::Drawing) {
            let stages = self.tracker.end(t_s);
            self.give_before_whey(stages, t_s, out);
        } else {
            self.finish(t_s, out);
        }
    }

    /// Another plan: the stages found so far are given, and it begins anew
    /// where no make runs; a running make keeps its stages and takes the new
    /// plan's targets from here on. The same plan again changes nothing.
    fn follow(&mut self, plan: Option<Arc<Plan>>, out: &mut Vec<Said>) {
        if self.plan == plan {
            return;
        }
        self.plan = plan;
        self.boiling_celsius = boiling_celsius(self.plan.as_deref());
        self.tracker.replan(self.plan.as_deref(), &mut self.tellings);
        if let Some(next) = &mut self.next {
            next.replan(self.plan.as_deref(), &mut Vec::new());
        }
        let (rennet, minutes, set) = self.rennet_plan();
        if let Some(clock) = &mut self.rennet {
            clock.replan(&rennet, minutes, set);
        }
        self.unseen = None;
        self.now = self.tracker.now();
        self.heat.retarget(self.now.target_celsius);
        self.tell(out);
    }
}
