//! One kettle: its probe, filter, stages, heat, rennet clock and alarms, and
//! the order in which they hear of what happened.

mod next_make;
mod other;
mod outlook;
mod person;
mod spare;
mod underway;
mod unheard;

use std::collections::BTreeMap;
use std::sync::Arc;

use super::alarm::AlarmKind;
use super::alarms::{Alarms, Company};
use super::bins::{Bin, Plain};
use super::clot::RennetClock;
use super::effect::AlarmChange;
use super::event::{Name, Reading};
use super::filter::Filter;
use super::heat::{Heat, Learned};
use super::plan::{Plan, REACTION_S};
use super::probe::{Health, Verdict, Watch};
use super::situation::Outlook;
use super::stage::{Basis, Now, Stage, Telling, Told, Tracker};
use super::still::Stillness;
use other::Other;

/// A forecast is told this often while a heating goes to a target, seconds.
const FORECAST_EVERY_S: f64 = 10.0;
/// Whey that has been on the fire so long is taken for it, seconds.
const WHEY_SURE_S: f64 = 180.0;
/// Provided that it was told for so long, seconds: milk may look like it at first.
const WHEY_TOLD_S: f64 = 120.0;

/// What a kettle concluded, in engine seconds; the engine makes effects of it.
#[derive(Debug)]
pub(super) enum Said {
    Stage(Telling),
    Alarm(AlarmChange),
    Forecast(Outlook),
    Health(Health, String),
    Remark(String),
    MakeBegan,
    Make(MakeSaid),
    Learned(Learned),
}

/// A make that ended.
#[derive(Debug)]
pub(super) struct MakeSaid {
    /// Stages, and when the last one ended.
    pub stages: Vec<Told>,
    pub ended_s: f64,
    pub cooks: Vec<super::stage::CookSeen>,
    /// When each heating was called.
    pub calls: Vec<(f64, f64)>,
}

/// The share of one step between two readings in what is usual.
const USUALLY: f64 = 0.1;

/// One kettle.
#[derive(Debug)]
pub(super) struct Kettle {
    pub name: Name,
    /// The probe that it is followed by.
    pub probe: Name,
    pub plan: Option<Arc<Plan>>,
    pub watch: Watch,
    pub filter: Filter,
    pub tracker: Tracker,
    /// Looks for the next make once the curd is out.
    next: Option<Box<Tracker>>,
    /// Looks for a make that was under way when the probe first spoke.
    unseen: Option<underway::Unseen>,
    pub heat: Heat,
    pub alarms: Alarms,
    /// Further probes in it, by name.
    pub others: BTreeMap<Name, Other>,
    rennet: Option<RennetClock>,
    still: Stillness,
    plain: Plain,
    clot_s: f64,
    /// Last number used, engine second.
    number_s: f64,
    heard_s: f64,
    /// Since when it could be heard again, engine second.
    listens_s: f64,
    /// How long it usually is from one reading to the next, seconds.
    every_s: f64,
    /// Since when the make is followed by this probe, engine second.
    followed_s: f64,
    pub verdict: Verdict,
    forecast_s: f64,
    /// Whether the make's beginning was told.
    began: bool,
    /// A make was given whose probe still hangs in the kettle.
    given: bool,
    /// Which told stage the heating followed now is, and when it began.
    heating_told: (Option<usize>, f64),
    /// The health that was told last.
    told_health: Health,
    /// How fast the plan's minutes want the running heating, °C/min.
    planned_rate: Option<f64>,
    bins: Vec<Bin>,
    tellings: Vec<Telling>,
    changes: Vec<AlarmChange>,
    now: Now,
    /// Where water boils at the plan's altitude, °C.
    boiling_celsius: f64,
}

impl Kettle {
    pub fn new(
        name: Name,
        probe: Name,
        plan: Option<Arc<Plan>>,
        learned: Option<&Learned>,
        t_s: f64,
    ) -> Self {
        let tracker = Tracker::new(plan.as_deref());
        let mut watch = Watch::new();
        watch.teach(&probe, &learned.map(|l| l.lags.clone()).unwrap_or_default());
        Self {
            name,
            probe,
            now: tracker.now(),
            tracker,
            next: None,
            unseen: None,
            boiling_celsius: boiling_celsius(plan.as_deref()),
            plan,
            watch,
            filter: Filter::new(),
            heat: Heat::new(learned),
            alarms: Alarms::new(),
            others: BTreeMap::new(),
            rennet: None,
            still: Stillness::default(),
            plain: Plain::default(),
            clot_s: t_s,
            number_s: f64::NEG_INFINITY,
            heard_s: t_s,
            listens_s: t_s,
            every_s: 1.0,
            followed_s: t_s,
            verdict: Verdict { health: Health::Good, reason: super::probe::Reason::Fine, use_celsius: None },
            forecast_s: f64::NEG_INFINITY,
            began: false,
            given: false,
            heating_told: (None, f64::NEG_INFINITY),
            told_health: Health::Good,
            planned_rate: None,
            bins: Vec::new(),
            tellings: Vec::new(),
            changes: Vec::new(),
        }
    }

    /// The probe said something.
    pub fn reading(&mut self, r: &Reading, t_s: f64, out: &mut Vec<Said>) {
        let stirred = self.stirred() || self.now.stage == Stage::Stirring;
        self.watch.stirred(self.filter.milk().filter(|_| stirred).map(|m| m.0.slope));
        let since_s = (t_s - self.heard_s).max(0.0);
        let verdict = self.watch.take(r, t_s, since_s);
        self.heard_s = t_s;
        // A silence is no slower probe.
        self.every_s += USUALLY * (since_s.min(4.0 * self.every_s) - self.every_s);
        self.note_health(verdict, out);
        if let Some(c) = self.verdict.use_celsius {
            self.number_s = t_s;
            self.filter.take(t_s, c, &mut self.bins);
        }
        self.walk(t_s, out);
        self.judge(t_s, out);
    }

    /// Time passed.
    pub fn tick(&mut self, t_s: f64, out: &mut Vec<Said>) {
        if let Some(verdict) = self.watch.tick(t_s) {
            self.note_health(verdict, out);
        }
        self.look_for_spare(t_s, out);
        self.go_unheard(t_s, out);
        self.judge(t_s, out);
    }

    fn note_health(&mut self, verdict: Verdict, out: &mut Vec<Said>) {
        self.verdict = verdict;
        let health = self.watch.health();
        if std::mem::replace(&mut self.told_health, health) != health {
            out.push(Said::Health(health, self.watch.reason().to_string()));
        }
    }

    /// Lets stages and heat walk the bins that were completed.
    fn walk(&mut self, t_s: f64, out: &mut Vec<Said>) {
        if self.bins.is_empty() {
            return;
        }
        let bins = std::mem::take(&mut self.bins);
        let slow_var = self.filter.roughness() * self.filter.roughness();
        for bin in &bins {
            let hot = self.tracker.heating() > 0.5;
            self.tracker.bin(bin, slow_var, &mut self.tellings);
            // Before the call the forecast wants a steady trend; after it, one that
            // sees that the heat is off.
            if hot != (self.tracker.heating() > 0.5) && self.heat.is_called() {
                self.filter.may_turn();
            }
            self.look_for_next(bin, slow_var);
            self.plain.push(bin);
            self.look_for_unseen(bin, slow_var);
            self.still.bin(bin, slow_var, self.tracker.heating() > 0.5 || self.stirred());
            let milk = self.filter.milk().map(|m| m.0);
            self.heat.bin(bin, self.tracker.heating(), milk.as_ref(), slow_var);
            if self.heat.is_unsettled() {
                self.filter.may_turn();
            }
        }
        self.bins = bins;
        self.bins.clear();
        self.tell(out);
        self.go_on_with_unseen(out);
        self.end_makes(t_s, out);
        if let Some(clock) = &mut self.rennet {
            let celsius = self.filter.milk().map(|m| m.0.level);
            clock.advance(t_s - self.clot_s, celsius);
            if clock.is_over(t_s) {
                self.rennet = None;
            }
        }
        self.clot_s = t_s;
    }

    /// Stages in which the milk is stirred for sure.
    fn stirred(&self) -> bool {
        matches!(self.now.stage, Stage::Warming | Stage::Cooking)
    }

    /// Passes on what the tracker tells, and follows a heating that it means.
    fn tell(&mut self, out: &mut Vec<Said>) {
        for telling in std::mem::take(&mut self.tellings) {
            if let Telling::Began(t) = &telling {
                if !self.began && !self.given {
                    self.began = true;
                    out.push(Said::MakeBegan);
                }
                if matches!(t.stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating)
                    && t.began_s > self.heating_told.1
                {
                    self.heating_told = (Some(t.slot), t.began_s);
                    self.heat.begin(t.began_s, self.tracker.target_of(t), t.stage);
                }
                if t.stage == Stage::Cutting && t.basis == Basis::Mark {
                    self.rennet = None;
                }
            }
            if let Telling::Withdrawn(t) = &telling
                && self.heating_told.0 == Some(t.slot)
                && let Some(before_s) = self.heat.take_back()
            {
                // It was the one before, and that one may be called already.
                self.heating_told = (None, before_s);
            }
            out.push(Said::Stage(telling));
        }
        self.now = self.tracker.now();
        self.planned_rate = self.planned_rate();
    }

    fn end_makes(&mut self, t_s: f64, out: &mut Vec<Said>) {
        let ended = self.tracker.ended(t_s);
        self.give_before_whey(ended, t_s, out);
        // Whey on the fire is a make of its own; rinsing water is soon seen to
        // be none.
        let whey = self.now.stage == Stage::WheyHeating
            && t_s - self.now.began_s > WHEY_SURE_S
            && t_s - self.now.told_s > WHEY_TOLD_S;
        if whey && self.given && !self.began {
            self.began = true;
            out.push(Said::MakeBegan);
        }
        if self.next_is_on(t_s) || (self.tracker.rests(t_s) && self.next_may_be_on(t_s)) {
            self.go_on_to_next(t_s, out);
        } else if self.tracker.rests(t_s) {
            if self.now.stage == Stage::Idle && !self.given {
                self.tracker.look_afresh();
                self.heat.end_make();
                self.began = false;
            } else {
                self.finish(t_s, out);
            }
        }
    }

    /// Ends whatever is open, with hindsight, and waits for the next make.
    pub fn finish(&mut self, t_s: f64, out: &mut Vec<Said>) {
        let mut makes = self.tracker.give_all(t_s);
        if makes.is_empty() && self.given && self.began {
            // With hindsight it was no whey; what was begun ends all the same.
            makes.push(Vec::new());
        }
        for stages in makes {
            self.give(stages, t_s, out);
        }
        self.tracker.restart(self.plan.as_deref());
        self.next = None;
        self.now = self.tracker.now();
        self.began = false;
        self.given = false;
        self.rennet = None;
        self.heat.end_make();
        self.heating_told = (None, t_s);
    }

    /// Gives a cheese whose whey may be heated in the same kettle.
    fn give_before_whey(&mut self, stages: Option<Vec<Told>>, t_s: f64, out: &mut Vec<Said>) {
        if let Some(stages) = stages {
            self.give(stages, t_s, out);
            (self.began, self.given) = (false, true);
        }
    }

    fn give(&mut self, stages: Vec<Told>, t_s: f64, out: &mut Vec<Said>) {
        let cooks = self.tracker.cooks(&stages);
        let calls = self.heat.calls.clone();
        out.push(Said::Make(MakeSaid { stages, ended_s: t_s, cooks, calls }));
        out.push(Said::Learned(Learned { lags: self.watch.learned(), ..self.heat.learned() }));
    }

    /// Judges the alarms and tells the forecast.
    pub fn judge(&mut self, t_s: f64, out: &mut Vec<Said>) {
        let situation = self.situation(t_s);
        self.alarms.judge(&situation, self.plan.as_deref(), &mut self.changes);
        if let Some(o) = situation.outlook.filter(|_| situation.target_celsius.is_some())
            && t_s - self.forecast_s >= FORECAST_EVERY_S
        {
            self.forecast_s = t_s;
            out.push(Said::Forecast(o));
        }
        self.pass_alarms(t_s, out);
    }

    fn pass_alarms(&mut self, t_s: f64, out: &mut Vec<Said>) {
        for change in std::mem::take(&mut self.changes) {
            if change.alarm == AlarmKind::HeatOff
                && change.state == super::alarm::AlarmState::Unacknowledged
                && let Some((milk, _)) = self.filter.milk()
            {
                self.heat.called(t_s, &milk, self.reaction_s());
            }
            out.push(Said::Alarm(change));
        }
    }

    /// From a call until the heat is really off, seconds.
    fn reaction_s(&self) -> f64 {
        self.plan.as_ref().map_or(REACTION_S, |p| p.reaction_s)
    }

    /// How this kettle's failing probe stands to those of the others.
    pub fn share(&mut self, company: &mut Company, t_s: f64) {
        let failing = self.watch.health() == Health::Failure;
        let (stage, silent_s) = (self.now().stage, self.silent_s(t_s));
        let voice = || self.alarms.voice(silent_s, self.every_s, stage, self.plan.as_deref());
        let share = company.share(&self.name, failing, voice, t_s);
        self.alarms.share(share);
    }

    /// The running stage, as it is shown: once its make is given, none runs, although
    /// the whey may still go on the fire.
    pub fn now(&self) -> Now {
        if self.tracker.is_given() { Now::IDLE } else { self.now }
    }

    /// Age of the last number, seconds, where there ever was one.
    pub fn age_s(&self, t_s: f64) -> Option<f64> {
        self.number_s.is_finite().then(|| (t_s - self.number_s).max(0.0))
    }

    /// When to look at the curd, engine seconds.
    pub fn curd_check_at_s(&self) -> Option<f64> {
        // A cut that is told and taken back brings it again.
        self.rennet.as_ref().filter(|_| self.now.stage <= Stage::Setting)?.curd_check_at_s()
    }
}

fn boiling_celsius(plan: Option<&Plan>) -> f64 {
    super::boil::boiling_celsius(plan.map_or(0.0, |p| p.altitude_m))
}
