//! What the readings mean. Pure: no clock, no disk, no thread, no chance.
//!
//! [`Engine::step`] is the only door: an [`Event`] goes in, [`Effect`]s come
//! out. The same events give the same effects, on any machine.

pub mod alarm;
pub mod alarms;
pub mod clot;
pub mod effect;
pub mod event;
pub mod heat;
pub mod plan;
pub mod probe;
pub mod situation;
pub mod stage;
pub mod view;

use std::collections::BTreeMap;
use std::sync::Arc;

use effect::Effect;
use event::{Event, Name};
use heat::Learned;
use plan::Plan;
use view::{KettleView, View};

/// The engine: one for all probes and kettles of a dairy.
#[derive(Debug, Default)]
pub struct Engine {
    plan: Option<Arc<Plan>>,
    learned: BTreeMap<Name, Learned>,
}

impl Engine {
    /// An engine that follows `plan` on every kettle that has no plan of its
    /// own.
    pub fn new(plan: Option<Arc<Plan>>) -> Self {
        Self { plan, learned: BTreeMap::new() }
    }

    /// What an earlier make taught of a kettle. Call before its first reading.
    pub fn teach(&mut self, kettle: &str, learned: Learned) {
        self.learned.insert(Name::from(kettle), learned);
    }

    /// Takes in what happened and appends what follows from it. Never fails.
    pub fn step(&mut self, event: &Event, out: &mut Vec<Effect>) {
        let _ = (event, out, &self.plan);
    }

    /// A snapshot for anyone to show.
    pub fn view(&self) -> View {
        View::default()
    }

    /// The snapshot of one probe's kettle, cheaper than the whole view.
    pub fn kettle_of(&self, probe: &str) -> Option<KettleView> {
        let _ = probe;
        None
    }
}
