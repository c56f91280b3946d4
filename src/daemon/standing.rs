//! What persons ordered that holds until they say otherwise: the plan they chose
//! for a kettle, an alarm they put out of service.
//!
//! A restart looks back over the last hours only. So what still stands is said
//! again, marked `again`, before its line is out of sight: at the start, and
//! twice within every look back. The engine takes it as the same command; it
//! changes nothing there.
//!
//! Deliberately absent: acknowledgements, which end with their occasion, and
//! shelvings, which end by themselves.

use std::collections::BTreeMap;

use crate::engine::alarm::AlarmKind;
use crate::engine::event::{Ask, Command, Name};

/// The orders that stand.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// By kettle and, where it concerns one, alarm.
    orders: BTreeMap<(Name, Option<AlarmKind>), Command>,
    /// When they are to be said again, monotonic ns.
    due_ns: u64,
}

impl Standing {
    /// Takes note of what was asked. A plan that no person chose is the
    /// configuration's, which is followed anyhow.
    pub fn note(&mut self, command: &Command) {
        let (alarm, stands) = match &command.ask {
            Ask::Follow(_) => (None, command.by.is_some()),
            Ask::OutOfService(alarm, out) => (Some(*alarm), *out),
            _ => return,
        };
        let key = (command.kettle.clone(), alarm);
        if stands {
            self.orders.insert(key, command.clone());
        } else {
            self.orders.remove(&key);
        }
    }

    /// What is to be said again now, where they are due; the next time is
    /// `every_ns` later.
    pub fn due(&mut self, now_ns: u64, every_ns: u64) -> Vec<Command> {
        if now_ns < self.due_ns {
            return Vec::new();
        }
        self.due_ns = now_ns.saturating_add(every_ns);
        self.orders.values().cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_is_said_again_until_it_is_taken_back() {
        let mut standing = Standing::default();
        let ask = |by: Option<&str>, ask| Command { kettle: "big".into(), by: by.map(Name::from), ask };
        standing.note(&ask(Some("ada"), Ask::OutOfService(AlarmKind::MilkWarm, true)));
        standing.note(&ask(Some("ada"), Ask::Follow(None)));
        standing.note(&ask(Some("ada"), Ask::EndMake));
        assert_eq!(standing.due(5, 10).len(), 2);
        assert_eq!(standing.due(14, 10).len(), 0);
        standing.note(&ask(Some("bo"), Ask::OutOfService(AlarmKind::MilkWarm, false)));
        assert_eq!(standing.due(15, 10), [ask(Some("ada"), Ask::Follow(None))]);
        standing.note(&ask(None, Ask::Follow(None)));
        assert!(standing.due(25, 10).is_empty());
    }
}
