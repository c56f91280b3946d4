//! What the readings mean. Pure: no clock, no disk, no thread, no chance.
//!
//! [`Engine::step`] is the only door: an [`Event`] goes in, [`Effect`]s come
//! out. The same events give the same effects, on any machine.
//!
//! Invariants: `step` never fails or panics; between two events the engine
//! walks a one-second grid of its own, so that a [`Happening::Tick`] makes it
//! prompt and never different; the work of a step does not grow with the
//! make's length.
//!
//! Deliberately absent: clocks, files, threads, random numbers, serialisation.

pub mod alarm;
pub mod alarms;
pub mod amounts;
mod arrivals;
mod bins;
pub mod boil;
pub mod clot;
mod coast;
pub mod cooling;
pub mod effect;
pub mod event;
mod filter;
pub mod heat;
mod kettle;
pub mod plan;
pub mod probe;
pub mod said;
pub mod situation;
pub mod stage;
mod still;
mod tell;
mod time;
pub mod view;
mod waiting;

use std::collections::BTreeMap;
use std::sync::Arc;

use alarms::{Alarms, Company};
use arrivals::Arrivals;
use effect::{AlarmChange, Conclusion, Effect, WallNs};
use event::{Ask, Command, Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
pub use filter::Trend;
use heat::Learned;
use kettle::{Kettle, Said};
use plan::Plan;
use time::Timeline;
use view::{KettleView, View};
use waiting::{Order, Waiting};

/// A silence is walked second by second for so long from its beginning, since what comes of it
/// comes within a day, and for so long to its end; what is longer than both is left out, seconds.
const WALK_FROM_S: f64 = 24.0 * 3600.0;
const WALK_TO_S: f64 = 6.0 * 3600.0;

/// A mark that was made so long before it came is of then, seconds: what a kind of mark
/// leaves loose is less.
const MARK_OF_THEN_S: f64 = 60.0;

/// The engine: one for all probes and kettles of a dairy.
#[derive(Debug, Default)]
pub struct Engine {
    plan: Option<Arc<Plan>>,
    learned: BTreeMap<Name, Learned>,
    kettles: BTreeMap<Name, Kettle>,
    /// Which kettle a probe was last heard for.
    probes: BTreeMap<Name, Name>,
    plans: BTreeMap<Name, Option<Arc<Plan>>>,
    time: Timeline,
    grid_s: f64,
    company: Company,
    /// The dairy's own alarms: store and clock.
    house: Alarms,
    said: Vec<Said>,
    arrivals: Arrivals,
    /// What was marked and asked of kettles that have not spoken yet.
    waiting: Waiting,
}

impl Engine {
    /// An engine that follows `plan` on every kettle that has no plan of its
    /// own.
    pub fn new(plan: Option<Arc<Plan>>) -> Self {
        Self { plan, house: Alarms::house(), ..Self::default() }
    }

    /// What earlier makes taught of a kettle. Call before its first reading,
    /// and again after a replay through makes that it already holds.
    pub fn teach(&mut self, kettle: &str, learned: Learned) {
        if let Some(k) = self.kettles.get_mut(kettle) {
            k.heat.teach(&learned);
            k.watch.teach(&k.probe, &learned.lags);
        }
        self.learned.insert(Name::from(kettle), learned);
    }

    /// Takes in what happened and appends what follows from it. Never fails.
    pub fn step(&mut self, event: &Event, out: &mut Vec<Effect>) {
        if let Happening::Reading(r) = &event.what {
            if r.late_s.is_some() {
                return self.came_late(r);
            }
            if self.arrivals.is_of_then(r, &event.stamp, &self.time) {
                if let Some(text) = self.arrivals.remark(r, &event.stamp) {
                    let kettle = r.kettle.as_ref().unwrap_or(&r.probe);
                    remark_at(event.stamp.wall_ns, &r.probe, kettle, text, out);
                }
                return self.came_late(r);
            }
        }
        if let Happening::Mark(m) = &event.what
            && let Some(marked_s) = self.time.marked_ago(&event.stamp)
        {
            return self.mark(m, marked_s, out);
        }
        let t_s = self.time.take(&event.stamp);
        self.walk_to(t_s, event.what != Happening::Resumed, out);
        match &event.what {
            Happening::Reading(r) => self.reading(r, event, out),
            Happening::Mark(m) if self.is_of_then(&event.stamp, t_s) => {
                let text = format!("{} came late; it is in the record and moves nothing here", m.kind.name());
                remark_at(event.stamp.wall_ns, &m.kettle, &m.kettle, text, out);
            }
            Happening::Mark(m) => self.mark(m, t_s, out),
            Happening::Command(c) => self.command(c, t_s, out),
            Happening::Tick => {}
            Happening::Resumed => self.kettles.values_mut().for_each(|k| k.listens_again(t_s)),
            Happening::ClockStep { step_ns } => self.clock_step(*step_ns, t_s, out),
            Happening::Link { source, up } => {
                let text = format!("{source} {}", if *up { "is there" } else { "went away" });
                self.remark_on_all(t_s, text, out);
            }
            Happening::Store { ok, text } => {
                let mut changes = Vec::new();
                let fault = (!ok).then_some(text.as_str());
                self.house.store(fault, self.plan.as_deref(), t_s, &mut changes);
                self.house_said(changes, t_s, out);
            }
            Happening::Clock { sure } => {
                let mut changes = Vec::new();
                self.house.clock(*sure, self.plan.as_deref(), t_s, &mut changes);
                self.house_said(changes, t_s, out);
            }
            Happening::EndOfInput => self.end_of_input(t_s, out),
        }
    }

    /// Walks the one-second grid up to `t_s`. Where nobody was `listening` stages and
    /// forecasts go on, and no alarm is judged: it could not have called.
    fn walk_to(&mut self, t_s: f64, listening: bool, out: &mut Vec<Effect>) {
        if t_s < self.grid_s + 1.0 {
            return;
        }
        let leap_s = self.grid_s + WALK_FROM_S;
        while self.grid_s + 1.0 <= t_s {
            self.grid_s += 1.0;
            if self.grid_s > leap_s && t_s - self.grid_s > WALK_TO_S {
                self.grid_s = libm::floor(t_s - WALK_TO_S);
            }
            let at_s = self.grid_s;
            for k in self.kettles.values_mut() {
                if listening {
                    k.share(&mut self.company, at_s);
                    k.tick(at_s, &mut self.said);
                } else {
                    k.go_unheard(at_s, &mut self.said);
                }
                if !self.said.is_empty() {
                    tell::all(&self.time, k, at_s, &mut self.said, out);
                }
            }
            if !self.house.is_quiet() {
                let mut changes = Vec::new();
                self.house.pass(at_s, self.plan.as_deref(), &mut changes);
                self.house_said(changes, at_s, out);
            }
        }
    }

    /// A reading of then is the record's alone: it moves nothing here, no clock
    /// either. Only its box's counter is heard, so that it does not count as lost.
    fn came_late(&mut self, r: &Reading) {
        if let Some(k) = self.probes.get(&r.probe).and_then(|name| self.kettles.get_mut(name)) {
            k.came_late(r);
        }
    }

    fn reading(&mut self, r: &Reading, event: &Event, out: &mut Vec<Effect>) {
        let t_s = self.time.now_s();
        if let Some(text) = self.arrivals.take(r, &event.stamp, &self.time) {
            let kettle = r.kettle.as_ref().unwrap_or(&r.probe);
            remark_at(event.stamp.wall_ns, &r.probe, kettle, text, out);
        }
        let name: Name = r.kettle.clone().unwrap_or_else(|| r.probe.clone());
        if !self.kettles.contains_key(&name) {
            let plan = self.plans.get(&name).cloned().unwrap_or_else(|| self.plan.clone());
            let new = Kettle::new(name.clone(), r.probe.clone(), plan, self.learned.get(&name), t_s);
            self.kettles.insert(name.clone(), new);
            self.catch_up(&name, t_s, out);
        }
        if self.probes.get(&r.probe) != Some(&name) {
            self.probes.insert(r.probe.clone(), name.clone());
        }
        let Some(k) = self.kettles.get_mut(&name) else { return };
        if k.probe != r.probe {
            // A further probe in the same kettle is recorded and watched; the
            // make is followed by one.
            k.other(r, t_s);
            return;
        }
        k.share(&mut self.company, t_s);
        k.reading(r, t_s, &mut self.said);
        tell::all(&self.time, k, t_s, &mut self.said, out);
    }

    /// A kettle speaks for the first time: what waited for it happened at its own
    /// time.
    fn catch_up(&mut self, kettle: &Name, t_s: f64, out: &mut Vec<Effect>) {
        let Some(k) = self.kettles.get_mut(kettle) else { return };
        for (at_s, order) in self.waiting.take(kettle, t_s) {
            match order {
                Order::Mark(kind) => {
                    k.mark(&kind, at_s, &mut self.said);
                    k.judge(at_s, &mut self.said);
                }
                Order::Ask(ask, by) => k.command(&ask, by.as_ref(), at_s, &mut self.said),
            }
        }
        tell::all(&self.time, k, t_s, &mut self.said, out);
    }

    /// Whether what a person marked was done so long before it came that acting on it
    /// now would date it wrongly.
    fn is_of_then(&self, stamp: &Stamp, now_s: f64) -> bool {
        self.time.second_of(stamp).is_some_and(|own_s| now_s - own_s > MARK_OF_THEN_S)
    }

    fn mark(&mut self, m: &Mark, t_s: f64, out: &mut Vec<Effect>) {
        let Some(k) = self.kettles.get_mut(&m.kettle) else {
            let text = format!("a mark for {}, which no probe has spoken for yet", m.kettle);
            self.waiting.keep(&m.kettle, t_s, Order::Mark(m.kind.clone()));
            self.remark(t_s, &m.kettle, &m.kettle, text, out);
            return;
        };
        k.mark(&m.kind, t_s, &mut self.said);
        let now_s = self.time.now_s();
        if m.kind == MarkKind::HeatOff {
            k.took_heat_off(m.by.as_ref(), now_s);
        }
        // What was marked a few seconds ago the next second judges: alarms never go back.
        if t_s >= now_s {
            k.judge(t_s, &mut self.said);
        }
        tell::all(&self.time, k, t_s, &mut self.said, out);
    }

    fn command(&mut self, c: &Command, t_s: f64, out: &mut Vec<Effect>) {
        if let Ask::Follow(plan) = &c.ask {
            self.plans.insert(c.kettle.clone(), plan.clone());
        }
        // Who takes all of a kettle's alarms does not take the house's.
        if c.kettle.is_empty() || c.ask != Ask::Acknowledge(None) {
            let mut changes = Vec::new();
            self.house.command(&c.ask, c.by.as_ref(), t_s, &mut changes);
            self.house_said(changes, t_s, out);
        }
        if let Some(k) = self.kettles.get_mut(&c.kettle) {
            k.command(&c.ask, c.by.as_ref(), t_s, &mut self.said);
            tell::all(&self.time, k, t_s, &mut self.said, out);
        } else if !c.kettle.is_empty() {
            self.waiting.keep(&c.kettle, t_s, Order::Ask(c.ask.clone(), c.by.clone()));
        }
    }

    fn clock_step(&mut self, step_ns: i64, t_s: f64, out: &mut Vec<Effect>) {
        let s = step_ns as f64 * 1e-9;
        self.arrivals.clock_was_set();
        self.remark_on_all(t_s, format!("the clock was set by {s:+.1} s; durations are not touched"), out);
    }

    fn end_of_input(&mut self, t_s: f64, out: &mut Vec<Effect>) {
        for k in self.kettles.values_mut() {
            k.finish(t_s, &mut self.said);
            tell::all(&self.time, k, t_s, &mut self.said, out);
        }
    }

    /// A remark about no kettle of its own is the first one's.
    fn remark_on_all(&self, t_s: f64, text: String, out: &mut Vec<Effect>) {
        let none = Name::from("");
        let first = self.kettles.values().next();
        let (probe, kettle) = first.map_or((&none, &none), |k| (&k.probe, &k.name));
        self.remark(t_s, probe, kettle, text, out);
    }

    fn remark(&self, t_s: f64, probe: &Name, kettle: &Name, text: String, out: &mut Vec<Effect>) {
        remark_at(self.time.wall(t_s), probe, kettle, text, out);
    }

    fn house_said(&self, changes: Vec<AlarmChange>, t_s: f64, out: &mut Vec<Effect>) {
        let house = Name::from("");
        for c in changes {
            out.push(Effect {
                time: self.time.wall(t_s),
                probe: house.clone(),
                kettle: house.clone(),
                what: Conclusion::Alarm(c),
            });
        }
    }

    /// A snapshot for anyone to show.
    pub fn view(&self) -> View {
        View {
            kettles: self.kettles.values().map(|k| tell::view(&self.time, k)).collect(),
            house: tell::alarms(&self.time, &self.house),
        }
    }

    /// Whether the readings are being kept, by what was told last.
    pub fn was_told_store_ok(&self) -> bool {
        self.house.is_store_ok()
    }

    /// Whether the wall clock may be trusted, by what was told last.
    pub fn was_told_clock_sure(&self) -> bool {
        self.house.is_clock_sure()
    }

    /// The snapshot of one probe's kettle, cheaper than the whole view. Of a
    /// second probe in a kettle number and health are its own, as it last said
    /// them; it has no rate.
    pub fn kettle_of(&self, probe: &str) -> Option<KettleView> {
        let k = self.kettles.get(self.probes.get(probe)?)?;
        let view = tell::view(&self.time, k);
        let (mut view, verdict) = match k.others.get(probe) {
            Some(other) if *k.probe != *probe => (other.seen(view, self.time.now_s()), &other.verdict),
            _ => (view, &k.verdict),
        };
        if verdict.use_celsius.is_none() && view.reason.is_empty() {
            // A lone spike leaves the standing health alone, and gives no number all the same.
            (view.health, view.reason) = (verdict.health, verdict.reason.to_string());
        }
        Some(view)
    }
}

/// What there is to remark on something that bears a time of its own.
fn remark_at(time: Option<WallNs>, probe: &Name, kettle: &Name, text: String, out: &mut Vec<Effect>) {
    let (probe, kettle) = (probe.clone(), kettle.clone());
    out.push(Effect { time, probe, kettle, what: Conclusion::Remark(text) });
}
