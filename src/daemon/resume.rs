//! After a restart: the journal's recent stretch through the engine, with its
//! effects muted, so that stages, alarms and the open make go on.
//!
//! Deliberately absent: any saved state beside the journal. What the engine
//! knows follows from what happened; there is nothing to disagree with it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use super::heard::Newest;
use super::intake;
use super::outlet::make_began;
use super::standing::Standing;
use crate::engine::Engine;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Ask, Command, Event, Happening, Mark, Name, Stamp};
use crate::engine::plan::Plan;
use crate::journal::JournalError;
use crate::journal::recover::Damage;
use crate::journal::replay::{Replay, Stamped};
use crate::journal::storage::Storage;
use crate::wire::line::{Names, parse};

/// What the recent past left behind.
#[derive(Debug, Default)]
pub struct Past {
    /// The last wall time that was to be trusted, nanoseconds since 1970.
    pub newest_wall_ns: Option<i64>,
    /// Wall minus monotonic time as it was trusted last, nanoseconds.
    offset_ns: Option<i64>,
    /// The plan last followed on each kettle, and who chose it; `None` inside
    /// means that no plan is followed.
    pub followed: BTreeMap<Name, (Option<Arc<Plan>>, Option<Name>)>,
    /// Marks of each kettle's running make, with their wall time.
    pub marks: Vec<(i64, Mark)>,
    /// The newest frames of boxes, which may come again.
    pub frames: Newest,
    /// Probes seen.
    pub probes: BTreeSet<Name>,
    /// The last beginning or end of a make of each kettle.
    pub turns: BTreeMap<Name, Effect>,
    /// What persons ordered that still stands.
    pub standing: Standing,
    /// Packed days that were not whole.
    pub damage: Vec<Damage>,
    /// Lines taken in.
    pub lines: u64,
    /// Lines that could not be taken in; they stay in the journal.
    pub refused: u64,
}

/// Steps `engine` through the last `look_back_ns` of the journal in `dir`,
/// counted backward from its newest line, since the clock now may be wrong, and
/// any clock may have been.
///
/// # Errors
/// The journal cannot be read.
pub fn resume(
    engine: &mut Engine,
    storage: &Arc<dyn Storage>,
    dir: &Path,
    look_back_ns: i64,
) -> Result<Past, JournalError> {
    let mut past = Past::default();
    let mut replay = Replay::recent(storage, dir, look_back_ns)?;
    let mut names = Names::default();
    let mut effects = Vec::new();
    while let Some((at, text)) = replay.next_line()? {
        let what = match happening(text, &mut names) {
            Ok(Some(what)) => what,
            Ok(None) => continue,
            Err(Unread) => {
                past.refused += 1;
                continue;
            }
        };
        past.lines += 1;
        past.remember(&what, &at);
        let stamp = Stamp { boot: at.boot, mono_ns: at.mono_ns, wall_ns: at.wall_ns };
        engine.step(&Event { stamp, what }, &mut effects);
        for effect in effects.drain(..) {
            if effect.what == Conclusion::MakeBegan {
                make_began(&mut past.marks, &effect.kettle, effect.time.unwrap_or(at.written_ns));
            }
            if matches!(effect.what, Conclusion::MakeBegan | Conclusion::Make(_)) {
                past.turns.insert(effect.kettle.clone(), effect);
            }
        }
    }
    past.damage = replay.damage().to_vec();
    Ok(past)
}

/// The last wall time that was to be trusted in the last `look_back_ns` of the journal
/// in `dir`: for who needs nothing else of the past.
///
/// # Errors
/// The journal cannot be read.
pub fn newest_trusted(
    storage: &Arc<dyn Storage>,
    dir: &Path,
    look_back_ns: i64,
) -> Result<Option<i64>, JournalError> {
    let mut past = Past::default();
    let mut replay = Replay::recent(storage, dir, look_back_ns)?;
    let mut names = Names::default();
    while let Some((at, text)) = replay.next_line()? {
        if let Ok(Some(what)) = happening(text, &mut names) {
            past.trust(&what, &at);
        }
    }
    Ok(past.newest_wall_ns)
}

/// A line that cannot be taken in.
struct Unread;

/// What a journal line says happened; `None` where the engine said it itself.
fn happening(text: &str, names: &mut Names) -> Result<Option<Happening>, Unread> {
    let (line, _) = parse(text, names).ok().flatten().ok_or(Unread)?;
    intake::happening(line).map_err(|_| Unread)
}

impl Past {
    fn remember(&mut self, what: &Happening, at: &Stamped) {
        self.trust(what, at);
        if let Happening::Command(command) = what {
            self.standing.note(command);
        }
        match what {
            Happening::Reading(r) => self.frames.note(r, at),
            Happening::Mark(m) => self.frames.note_mark(m, at),
            _ => {}
        }
        match what {
            Happening::Reading(r) if !self.probes.contains(&r.probe) => {
                self.probes.insert(r.probe.clone());
            }
            Happening::Mark(m) => self.marks.push((at.written_ns, m.clone())),
            Happening::Command(Command { kettle, by, ask: Ask::Follow(plan) }) => {
                self.followed.insert(kettle.clone(), (plan.clone(), by.clone()));
            }
            _ => {}
        }
    }

    /// The newest trusted wall time: the latest by the offset trusted last, since
    /// a clock that was ahead and was put right tells nothing any more.
    fn trust(&mut self, what: &Happening, at: &Stamped) {
        let late = matches!(what, Happening::Reading(r) if r.late_s.is_some());
        let Some(wall_ns) = at.wall_ns.filter(|_| !late) else { return };
        let offset_ns = wall_ns.saturating_sub_unsigned(at.mono_ns);
        let same = self.offset_ns.replace(offset_ns) == Some(offset_ns);
        self.newest_wall_ns = self.newest_wall_ns.filter(|_| same).max(Some(wall_ns));
    }

    /// The plans that are followed.
    pub fn plans(&self) -> BTreeMap<Name, Arc<Plan>> {
        self.followed.iter().filter_map(|(k, (plan, _))| Some((k.clone(), plan.clone()?))).collect()
    }

    /// Whether the configured plan must be followed anew: a person's choice
    /// stands, and so does the same plan.
    pub fn wants(&self, kettle: &Name, configured: &Arc<Plan>) -> bool {
        match self.followed.get(kettle) {
            Some((_, Some(_))) => false,
            Some((Some(now), None)) => now != configured,
            _ => true,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_persons_plan_stands_and_a_changed_file_is_followed() {
        let kettle = Name::from("big");
        let plan = |name: &str| Arc::new(Plan { name: name.into(), ..Plan::default() });
        let mut past = Past::default();
        assert!(past.wants(&kettle, &plan("file")));
        for (now, by, wanted) in [
            (Some("file"), None, false),
            (Some("older"), None, true),
            (Some("mine"), Some("ada"), false),
            (None, Some("ada"), false),
        ] {
            past.followed.insert(kettle.clone(), (now.map(plan), by.map(Name::from)));
            assert_eq!(past.wants(&kettle, &plan("file")), wanted, "{now:?} {by:?}");
        }
    }
}
