//! Simulated makes through the real engine into the real journal and the real
//! lots, as the daemon does it but for its threads and its clock: a day takes
//! as long as the engine does.

#![allow(clippy::unwrap_used)] // a test may end here

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use curdtrace::daemon::intake;
use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::{Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Mark, Name, Stamp};
use curdtrace::engine::plan::Plan;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::lot::at::At;
use curdtrace::lot::life::Lots;
use curdtrace::lot::store::Dairy;
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::make::reading;
use curdtrace::rehearse::probe::Roughness;
use curdtrace::rehearse::scene::Scene;

/// Who makes the cheese.
pub const MAKER: &str = "ada";

/// More goes wrong in one make than on an ordinary day.
pub const FULL_OF_ACCIDENTS: Roughness = Roughness { spikes: 3.0, gaps: 2.5, lifts: 6.0, faults: 0.6 };

/// One make in one kettle.
pub struct Shift {
    pub kettle: &'static str,
    pub scene: Scene,
    pub begins: At,
    /// The maker does not hear that the heat should come off.
    pub deaf: bool,
    /// Nobody keeps lots that day; the readings are kept all the same.
    pub forgotten: bool,
}

/// A hut: the journal, the lots and one engine for all kettles.
pub struct Hut {
    pub lots: Lots,
    journal: Journal,
    engine: Engine,
    plans: BTreeMap<&'static str, Arc<Plan>>,
    /// When its machine was switched on.
    booted: At,
    /// Lots closed, in order.
    pub closed: Vec<String>,
}

/// One make while it goes on.
struct Going {
    shift: Shift,
    takes: Chance,
    /// Alarms heard, and when each will be taken.
    to_take: Vec<(At, AlarmKind)>,
}

impl Hut {
    pub fn new(data: &Path, booted: At) -> Self {
        let storage: Arc<dyn Storage> = Arc::new(Disk);
        // Simulated minutes pass in a moment: groups as large as a rehearsal's.
        let settings = Settings { group_lines: 4096, group_ns: 60_000_000_000, ..Settings::default() };
        let (journal, _) = Journal::open(storage.clone(), &data.join("journal"), settings, "hut").unwrap();
        let dairy = Dairy {
            name: "Hut above the larches".into(),
            time_zone: "Europe/Zurich".into(),
            lot_id: "{date}-{kettle}-{number}".into(),
            ..Dairy::default()
        };
        let (lots, _) = Lots::open(storage, data, dairy).unwrap();
        Self { lots, journal, engine: Engine::new(None), plans: BTreeMap::new(), booted, closed: Vec::new() }
    }

    /// Plays a day's makes beside each other to their end.
    pub fn day(&mut self, shifts: Vec<Shift>) {
        let mut going: Vec<Going> = shifts
            .into_iter()
            .map(|shift| {
                let takes = Chance::of(shift.begins.0.cast_unsigned()).branch(0xac);
                Going { shift, takes, to_take: Vec::new() }
            })
            .collect();
        let begins = going.iter().map(|g| g.shift.begins).min().unwrap();
        for g in &mut going {
            self.follow(begins, g);
        }
        let mut half_seconds = 0;
        while !going.is_empty() {
            let now = At(begins.0 + half_seconds * 500_000_000);
            for i in 0..going.len() {
                self.half_second(now, &mut going, i);
            }
            if half_seconds % 2 == 0 {
                self.happened(now, Happening::Tick, &mut going);
            }
            let done: Vec<usize> = (0..going.len()).filter(|i| going[*i].shift.scene.done()).collect();
            for i in done.into_iter().rev() {
                let ask = Command {
                    kettle: Name::from(going[i].shift.kettle),
                    by: Some(Name::from(MAKER)),
                    ask: Ask::EndMake,
                };
                self.happened(now, Happening::Command(ask), &mut going);
                going.remove(i);
            }
            half_seconds += 1;
        }
        self.journal.commit().unwrap();
    }

    fn follow(&mut self, at: At, going: &mut Going) {
        let plan = Arc::new(going.shift.scene.plan.clone());
        let kettle = Name::from(going.shift.kettle);
        let ask = Command { kettle, by: None, ask: Ask::Follow(Some(plan.clone())) };
        self.happened(at, Happening::Command(ask), &mut []);
        self.plans.insert(going.shift.kettle, plan);
    }

    fn half_second(&mut self, now: At, going: &mut [Going], i: usize) {
        let g = &mut going[i];
        if now < g.shift.begins {
            return;
        }
        let kettle = Name::from(g.shift.kettle);
        let by = Some(Name::from(MAKER));
        let moment = g.shift.scene.step();
        let (due, later): (Vec<_>, Vec<_>) = g.to_take.drain(..).partition(|t| t.0 <= now);
        g.to_take = later;
        for kind in moment.marks {
            let mark = Mark { kettle: kettle.clone(), kind, by: by.clone() };
            self.happened(now, Happening::Mark(mark), going);
        }
        if let Some(said) = moment.said {
            self.happened(now, Happening::Reading(reading(&kettle, said)), going);
        }
        for (_, alarm) in due {
            let ask = Ask::Acknowledge(Some(alarm));
            let command = Command { kettle: kettle.clone(), by: by.clone(), ask };
            self.happened(now, Happening::Command(command), going);
        }
    }

    /// To the journal and the engine; what the engine concludes to the journal,
    /// the maker and the lots.
    fn happened(&mut self, now: At, what: Happening, going: &mut [Going]) {
        let mono_ns = (now.0 - self.booted.0).cast_unsigned();
        let at = Moment { mono_ns, offset_ns: self.booted.0, clock_sure: true };
        let mut line = String::new();
        if intake::write(&mut line, &what, now.0) {
            self.journal.push(&line, at).unwrap();
        }
        let mut effects = Vec::new();
        let stamp = Stamp { boot: 1, mono_ns, wall_ns: Some(now.0) };
        self.engine.step(&Event { stamp, what }, &mut effects);
        for effect in &effects {
            let mut line = String::new();
            if intake::write_said(&mut line, effect, now.0) {
                self.journal.push(&line, at).unwrap();
            }
        }
        for effect in &effects {
            let of = going.iter_mut().find(|g| g.shift.kettle == &*effect.kettle);
            self.concluded(now, effect, of);
        }
        if self.journal.is_due(mono_ns) {
            self.journal.commit().unwrap();
        }
    }

    fn concluded(&mut self, now: At, effect: &Effect, of: Option<&mut Going>) {
        match &effect.what {
            Conclusion::Alarm(alarm) if alarm.state == AlarmState::Unacknowledged => {
                let Some(g) = of else { return };
                if alarm.alarm == AlarmKind::HeatOff && !g.shift.deaf {
                    g.shift.scene.maker.hear_heat_off();
                }
                if alarm.sounds {
                    let after_s = g.takes.log_normal(25.0, 0.45);
                    g.to_take.push((At(now.0 + (after_s * 1e9) as i64), alarm.alarm));
                }
            }
            Conclusion::MakeBegan | Conclusion::Make(_) if of.as_ref().is_none_or(|g| !g.shift.forgotten) => {
                self.journal.commit().unwrap();
                let plan = self.plans.get(&*effect.kettle).cloned();
                let done = self.lots.take(effect, plan.as_deref(), Some(MAKER), now).unwrap();
                self.closed.extend(done.filter(|d| d.closed).map(|d| d.lot));
            }
            _ => {}
        }
    }
}
