//! The set of one kettle's alarms: what each is about, delays, deadbands,
//! suppression, grouping and floods.
//!
//! Terms. *Condition*: what a rule finds at this moment; *cause*: the condition
//! after its delays. *Call*: an alarm that comes once for one occasion (a
//! heating, a stage, a clock).
//!
//! Invariants. No temperature alarm without a limit. A missing number neither
//! raises nor ends a temperature alarm. One alarm a cause: silence is not also
//! a fault, probes that fail together speak once ([`Company`]). The quiet way
//! allocates nothing; words are made only when an alarm is raised.
//!
//! Deliberately absent: sound, lights and repetition, which are the outlets';
//! the forecast, which is the kettle's.

mod company;
mod curd;
mod failure;
mod flood;
mod heating;
mod occasion;
mod once;
mod place;
mod rules;
mod said;
mod words;

pub use company::{Company, Share, Voice};

use super::alarm::{AlarmKind, AlarmState, Delays, Priority};
use super::effect::AlarmChange;
use super::event::{Ask, Name};
use super::plan::{Plan, Sounding};
use super::said::Said;
use super::situation::Situation;
use super::stage::Stage;
use flood::Flood;
use occasion::Occasion;
use once::Once;
use place::Place;
use rules::{Finding, concerned, find, sounding};

/// A shelving ends after this long at the latest, seconds.
pub const LONGEST_SHELVING_S: u32 = 24 * 3600;

/// What is told from outside comes at once, and goes when it is over for a
/// while: a full disk flickers.
const TOLD_DELAYS: Delays = Delays { on_s: 0.0, off_s: 10.0 };

/// How many alarms there are.
const KINDS: usize = AlarmKind::ALL.len();

/// One alarm that is not normal, as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Which.
    pub alarm: AlarmKind,
    /// Its state.
    pub state: AlarmState,
    /// Whether its cause stands, whoever took or silenced it.
    pub stands: bool,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it sounds.
    pub sounds: bool,
    /// Since when it is in that state, engine seconds.
    pub since_s: f64,
    /// When its silence ends where a person shelved it, engine seconds.
    pub shelved_until_s: Option<f64>,
    /// What it says.
    pub text: String,
    /// The same as data.
    pub said: Vec<Said>,
}

/// The alarms of one kettle. Times are engine seconds.
#[derive(Debug, Clone)]
pub struct Alarms {
    places: [Place; KINDS],
    memory: Occasion,
    flood: Flood,
    share: Share,
    /// Alarms that are not at rest, a bit each.
    under_way: u16,
    celsius: Option<f64>,
    store_fault: Option<String>,
    clock_unsure: bool,
    /// The dairy's own set: store and clock, no kettle.
    is_house: bool,
}

impl Default for Alarms {
    fn default() -> Self {
        Self {
            places: AlarmKind::ALL.map(Place::of),
            memory: Occasion::default(),
            flood: Flood::default(),
            share: Share::Alone,
            under_way: 0,
            celsius: None,
            store_fault: None,
            clock_unsure: false,
            is_house: false,
        }
    }
}

impl Alarms {
    /// A kettle's set, all normal.
    pub fn new() -> Self {
        Self::default()
    }

    /// The dairy's own set: store and clock, which no kettle owns.
    pub fn house() -> Self {
        Self { is_house: true, ..Self::default() }
    }

    /// Judges the situation; appends what changed. Call on every reading and
    /// every tick; time must not run backward.
    pub fn judge(&mut self, situation: &Situation, plan: Option<&Plan>, out: &mut Vec<AlarmChange>) {
        let s = situation;
        self.celsius = s.celsius;
        self.memory.update(s, plan);
        let flooded = self.flood.runs(s.t_s);
        // Only those that the stage can raise, and those under way.
        let mut ask = self.under_way | concerned(s.stage);
        while ask != 0 {
            let index = ask.trailing_zeros() as usize;
            ask &= ask - 1;
            self.judge_one(index, s, plan, flooded, out);
        }
    }

    fn judge_one(
        &mut self,
        index: usize,
        s: &Situation,
        plan: Option<&Plan>,
        flooded: bool,
        out: &mut Vec<AlarmChange>,
    ) {
        let Some(place) = self.places.get_mut(index) else { return };
        let raised = place.alarm.is_raised();
        let Some(found) = find(place.kind, s, plan, &self.memory, raised) else { return };
        if !found.condition && !raised && place.alarm.is_at_rest() {
            set_bit(&mut self.under_way, index, false);
            return;
        }
        let before = place.alarm.state();
        let sounding = sounding(place.kind, s.stage, plan);
        let anew = if sounding == Sounding::Off {
            place.alarm.drop_cause(s.t_s);
            false
        } else {
            let is_probe = matches!(place.kind, AlarmKind::ProbeFault | AlarmKind::ProbeSilent);
            let spoken_for = is_probe && matches!(self.share, Share::SpokenFor { .. });
            let waits = flooded && found.priority == Priority::Low && !is_probe;
            let next_occasion = self.memory.once(place.kind).is_some_and(|o| *o == Once::Waiting);
            let grown = is_probe && found.priority > place.priority;
            place.drive(&found, spoken_for || waits, next_occasion || grown, s.t_s)
        };
        let now_raised = place.alarm.is_raised();
        set_bit(&mut self.under_way, index, now_raised || !place.alarm.is_at_rest());
        let rose = now_raised && !raised;
        if rose {
            place.rose(s.t_s);
        }
        let called = anew || rose;
        self.memory.note(place.kind, called, now_raised, s.t_s);
        let state = place.alarm.state();
        if called {
            // Silenced or not: the words must be there when it comes back.
            let (kind, limit) = (place.kind, found.limit_celsius);
            let text = words::text(kind, s, limit, &self.memory, &self.share);
            let said = said::said(kind, s, limit, &self.memory, &self.share);
            place.say(&found, sounding == Sounding::Sounds, (text, said));
            if state == AlarmState::Unacknowledged {
                self.flood.count(s.t_s);
            }
        }
        let again = anew && state == AlarmState::Unacknowledged;
        if state != before || again {
            out.push(place.change(state, s.celsius, None));
        }
    }

    /// Only time passed and there is no kettle to judge (a dairy-wide set for
    /// store and clock): ends delays and shelvings.
    pub fn pass(&mut self, t_s: f64, plan: Option<&Plan>, out: &mut Vec<AlarmChange>) {
        self.judge_told(AlarmKind::StoreFault, plan, t_s, out);
        self.judge_told(AlarmKind::ClockUnsure, plan, t_s, out);
        let celsius = self.celsius;
        for place in &mut self.places {
            if let Some(state) = place.alarm.pass(t_s) {
                out.push(place.change(state, celsius, None));
            }
        }
    }

    /// How the alarm of this kettle's failing probe would be heard: that of its
    /// silence, once it says nothing, or else of its fault. `None` where the plan
    /// has no use for it, or a person keeps it silent.
    pub(super) fn voice(
        &self,
        silent_s: f64,
        every_s: f64,
        stage: Stage,
        plan: Option<&Plan>,
    ) -> Option<Voice> {
        let kind =
            if failure::is_quiet(silent_s, every_s) { AlarmKind::ProbeSilent } else { AlarmKind::ProbeFault };
        let kept_silent = matches!(self.state(kind), AlarmState::Shelved | AlarmState::OutOfService);
        let sounding = sounding(kind, stage, plan);
        let speaks = !kept_silent && sounding != Sounding::Off;
        let sounds = sounding == Sounding::Sounds;
        speaks.then(|| Voice { sounds, after_s: failure::patience_s(stage) })
    }

    /// How this kettle's failing probe stands to the others'. Call before
    /// [`Self::judge`] (see [`Company`]).
    pub fn share(&mut self, share: Share) {
        self.share = share;
    }

    /// A person takes, shelves or sets an alarm out of service; other asks are
    /// not for alarms and change nothing.
    pub fn command(&mut self, ask: &Ask, by: Option<&Name>, t_s: f64, out: &mut Vec<AlarmChange>) {
        let (celsius, is_house) = (self.celsius, self.is_house);
        for place in &mut self.places {
            let told = matches!(place.kind, AlarmKind::StoreFault | AlarmKind::ClockUnsure);
            if told != is_house && place.alarm.is_at_rest() {
                // Not this set's to answer for.
                continue;
            }
            let alarm = &mut place.alarm;
            let changed = match ask {
                Ask::Acknowledge(which) if which.is_none_or(|k| k == place.kind) => alarm.acknowledge(t_s),
                Ask::Shelve(kind, seconds) if *kind == place.kind => {
                    let for_s = f64::from((*seconds).min(LONGEST_SHELVING_S));
                    alarm.shelve(t_s + for_s, t_s)
                }
                Ask::Unshelve(kind) if *kind == place.kind => alarm.unshelve(t_s),
                Ask::OutOfService(kind, out) if *kind == place.kind => alarm.out_of_service(*out, t_s),
                _ => None,
            };
            if let Some(state) = changed {
                let shelved_for_s = place.alarm.shelved_until_s().map(|until_s| until_s - t_s);
                out.push(AlarmChange { shelved_for_s, ..place.change(state, celsius, by) });
            }
            set_bit(&mut self.under_way, place.kind as usize, true);
        }
    }

    /// The journal's disk failed (`fault` says how) or is well again.
    pub fn store(&mut self, fault: Option<&str>, plan: Option<&Plan>, t_s: f64, out: &mut Vec<AlarmChange>) {
        self.store_fault = fault.map(str::to_owned);
        self.judge_told(AlarmKind::StoreFault, plan, t_s, out);
    }

    /// Whether the wall clock may be trusted.
    pub fn clock(&mut self, sure: bool, plan: Option<&Plan>, t_s: f64, out: &mut Vec<AlarmChange>) {
        self.clock_unsure = !sure;
        self.judge_told(AlarmKind::ClockUnsure, plan, t_s, out);
    }

    /// Whether the disk is well, by what was told last.
    pub(super) fn is_store_ok(&self) -> bool {
        self.store_fault.is_none()
    }

    /// Whether the clock may be trusted, by what was told last.
    pub(super) fn is_clock_sure(&self) -> bool {
        !self.clock_unsure
    }

    /// The alarms that are told from outside instead of found.
    fn judge_told(&mut self, kind: AlarmKind, plan: Option<&Plan>, t_s: f64, out: &mut Vec<AlarmChange>) {
        let (condition, priority) = match kind {
            AlarmKind::StoreFault => (self.store_fault.is_some(), Priority::High),
            _ => (self.clock_unsure, Priority::Low),
        };
        let sounding = sounding(kind, Stage::Idle, plan);
        let Some(place) = self.places.get_mut(kind as usize) else { return };
        let raised = place.alarm.is_raised();
        if !condition && !raised && place.alarm.is_at_rest() {
            return;
        }
        let changed = match sounding {
            Sounding::Off => place.alarm.drop_cause(t_s),
            _ => place.alarm.judge(condition, TOLD_DELAYS, t_s),
        };
        if place.alarm.is_raised() && !raised {
            let why = self.store_fault.as_deref();
            let words = (words::told(kind, why), said::told(kind, why));
            place.rose(t_s);
            place.say(&Finding::of(true, priority), sounding == Sounding::Sounds, words);
            self.flood.count(t_s);
        }
        if let Some(state) = changed {
            out.push(place.change(state, self.celsius, None));
        }
    }

    /// Every alarm that is not normal, in [`AlarmKind::ALL`]'s order.
    pub fn views(&self) -> Vec<Standing> {
        let standing = |p: &Place| Standing {
            alarm: p.kind,
            state: p.alarm.state(),
            stands: p.alarm.is_raised(),
            priority: p.priority,
            sounds: p.sounds,
            since_s: p.alarm.since_s(),
            shelved_until_s: p.alarm.shelved_until_s(),
            text: p.text.clone(),
            said: p.said.clone(),
        };
        self.places.iter().filter(|p| p.alarm.state() != AlarmState::Normal).map(standing).collect()
    }

    /// When the heat of the running heating was called off, engine seconds.
    pub fn heat_off_called_s(&self) -> Option<f64> {
        self.memory.calls.called_s
    }

    /// Whether nothing is other than normal (cheaper than [`Self::views`]).
    pub fn is_quiet(&self) -> bool {
        self.places.iter().all(|p| p.alarm.state() == AlarmState::Normal)
    }

    /// The state of one alarm.
    pub fn state(&self, kind: AlarmKind) -> AlarmState {
        self.places.iter().find(|p| p.kind == kind).map_or(AlarmState::Normal, |p| p.alarm.state())
    }
}

fn set_bit(bits: &mut u16, index: usize, on: bool) {
    if on {
        *bits |= 1 << index;
    } else {
        *bits &= !(1 << index);
    }
}
