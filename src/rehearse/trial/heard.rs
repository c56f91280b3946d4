//! What the engine said over a whole stream, gathered.

use crate::engine::Engine;
use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::effect::{Conclusion, Effect, StageChange};
use crate::engine::event::Event;
use crate::engine::heat::Learned;
use crate::engine::said::Fact;
use crate::engine::stage::Stage;

/// A boundary the engine gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Which stage began.
    pub stage: Stage,
    /// When, nanoseconds since 1970.
    pub began_ns: i64,
    /// How sure it was.
    pub confidence: f64,
    /// When it first said so (or when the make ended, in hindsight).
    pub said_ns: i64,
}

/// An alarm that asked to be taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Rung {
    /// Which.
    pub alarm: AlarmKind,
    /// When, nanoseconds since 1970.
    pub at_ns: i64,
    /// Whether it sounded or only showed.
    pub sounds: bool,
    /// What it said.
    pub text: String,
    /// Between which temperatures it said that a heating will end, °C.
    pub band_celsius: Option<(f64, f64)>,
}

/// Everything it said.
#[derive(Debug, Clone, Default)]
pub struct Heard {
    /// Boundaries as they stood at the end, from `stage` events.
    pub live: Vec<Found>,
    /// Boundaries of every `make` event.
    pub hindsight: Vec<Found>,
    /// Alarms raised.
    pub rung: Vec<Rung>,
    /// Makes begun.
    pub makes_begun: u32,
    /// Stages taken back.
    pub withdrawn: u32,
    /// What was learned of the kettle, last.
    pub learned: Option<Learned>,
}

impl Heard {
    /// Hears a whole stream.
    pub fn over(engine: &mut Engine, events: impl Iterator<Item = Event>) -> Self {
        let mut heard = Self::default();
        let mut effects = Vec::new();
        for event in events {
            engine.step(&event, &mut effects);
            for effect in effects.drain(..) {
                heard.take(effect);
            }
        }
        heard
    }

    /// Takes note of one effect.
    pub fn take(&mut self, effect: Effect) {
        let now_ns = effect.time.unwrap_or(0);
        match effect.what {
            Conclusion::Stage(change) => self.stage(&change, now_ns),
            Conclusion::Make(make) => {
                self.hindsight.extend(make.stages.iter().filter(|s| s.stage != Stage::Idle).map(|s| Found {
                    stage: s.stage,
                    began_ns: s.began.unwrap_or(0),
                    confidence: s.confidence,
                    said_ns: now_ns,
                }));
            }
            Conclusion::Alarm(change) if change.state == AlarmState::Unacknowledged => {
                let told = |name: &str| match change.said.first()?.values.get(name)? {
                    Fact::Number(celsius) => Some(*celsius),
                    Fact::Word(_) => None,
                };
                self.rung.push(Rung {
                    band_celsius: told("low").zip(told("high")),
                    alarm: change.alarm,
                    at_ns: now_ns,
                    sounds: change.sounds,
                    text: change.text,
                });
            }
            Conclusion::MakeBegan => self.makes_begun += 1,
            Conclusion::Learned(learned) => self.learned = Some(learned),
            _ => {}
        }
    }

    fn stage(&mut self, change: &StageChange, now_ns: i64) {
        if change.stage == Stage::Idle {
            return;
        }
        let last = self.live.iter().rposition(|f| f.stage == change.stage);
        let found = Found {
            stage: change.stage,
            began_ns: change.began.unwrap_or(now_ns),
            confidence: change.confidence,
            said_ns: now_ns,
        };
        match (change.withdrawn, change.revises, last) {
            (true, _, Some(i)) => {
                self.live.remove(i);
                self.withdrawn += 1;
            }
            (false, true, Some(i)) => self.live[i] = Found { said_ns: self.live[i].said_ns, ..found },
            (true, _, None) => self.withdrawn += 1,
            _ => self.live.push(found),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::{Conclusion, Effect, Engine, Heard, Stage, StageChange};
    use crate::engine::effect::WallNs;
    use crate::engine::stage::Basis;
    use crate::rehearse::family::Family;
    use crate::rehearse::make::{Marks, make};
    use crate::rehearse::scene::Options;

    fn said(stage: Stage, at: WallNs, revises: bool, withdrawn: bool) -> Effect {
        let change =
            StageChange { stage, began: Some(at), confidence: 0.9, basis: Basis::Trace, revises, withdrawn };
        let name = "k".into();
        Effect { time: Some(at + 60), probe: "k".into(), kettle: name, what: Conclusion::Stage(change) }
    }

    /// The whey's make began without a word, and so its lot was never opened.
    #[test]
    fn whey_on_the_fire_begins_a_make_of_its_own() {
        let m = make(0, Family::WithWheyCheese, &Options::default(), Marks::None);
        let heard = Heard::over(&mut Engine::new(Some(Arc::new(m.plan.clone()))), m.events());
        assert!(heard.hindsight.iter().any(|f| f.stage == Stage::WheyHeating), "{:?}", heard.hindsight);
        assert_eq!(heard.makes_begun, 2);
    }

    #[test]
    fn revisions_replace_and_withdrawals_remove() {
        let mut heard = Heard::default();
        heard.take(said(Stage::Cooking, 100, false, false));
        heard.take(said(Stage::Cooking, 90, true, false));
        assert_eq!((heard.live[0].began_ns, heard.live[0].said_ns), (90, 160));
        heard.take(said(Stage::Stirring, 200, false, false));
        heard.take(said(Stage::Stirring, 200, false, true));
        assert_eq!(heard.live.len(), 1);
    }
}
