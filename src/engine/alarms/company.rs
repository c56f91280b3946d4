//! Probes that fail together: one cause, one alarm.

use std::collections::BTreeMap;

use crate::engine::event::Name;

/// Failures that begin within this of each other have one cause, seconds.
const TOGETHER_S: f64 = 60.0;

/// How one probe's failure stands to the failures of the others.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Share {
    /// It fails alone, or not at all.
    #[default]
    Alone,
    /// The first of several that fail together; its alarm speaks for all.
    First {
        /// How many others fail with it.
        others: u32,
    },
    /// Another kettle's alarm speaks for it.
    SpokenFor {
        /// Whose.
        by: Name,
    },
}

/// Finds kettles whose probes fail together. One for the whole engine.
#[derive(Debug, Clone, Default)]
pub struct Company {
    failing: BTreeMap<Name, Member>,
}

/// One failing probe's kettle.
#[derive(Debug, Clone)]
struct Member {
    /// Since when it fails, engine seconds.
    since_s: f64,
    /// Who speaks for it: itself, or another.
    speaker: Name,
    /// Whether a cook hangs on it.
    urgent: bool,
    /// It inherited the word from one that is well again: it keeps silent
    /// until then, since the others mostly follow.
    quiet_until_s: f64,
}

impl Company {
    /// Nobody fails.
    pub fn new() -> Self {
        Self::default()
    }

    /// Tells how `kettle` stands at `t_s`: `failing` while its probe is silent
    /// or in failure, `urgent` while a cook hangs on it. Cheap while nobody
    /// fails.
    pub fn share(&mut self, kettle: &Name, failing: bool, urgent: bool, t_s: f64) -> Share {
        if !failing {
            if !self.failing.is_empty() && self.failing.remove(kettle).is_some() {
                self.appoint_after(kettle, t_s);
            }
            return Share::Alone;
        }
        let speaker = match self.failing.get_mut(kettle) {
            Some(member) => {
                member.urgent = urgent;
                Name::clone(&member.speaker)
            }
            None => self.join(kettle, urgent, t_s),
        };
        if speaker == *kettle {
            return self.share_of_speaker(kettle, t_s);
        }
        // A cook's alarm waits for no idle kettle's.
        if urgent && self.failing.get(&speaker).is_some_and(|m| !m.urgent) {
            self.hand_over(&speaker, kettle, t_s);
            return self.share_of_speaker(kettle, t_s);
        }
        Share::SpokenFor { by: speaker }
    }

    fn join(&mut self, kettle: &Name, urgent: bool, t_s: f64) -> Name {
        let together = |m: &&Member| (t_s - m.since_s).abs() <= TOGETHER_S;
        let speaker = self.failing.values().find(together).map_or(kettle, |m| &m.speaker);
        let speaker = Name::clone(speaker);
        let member = Member { since_s: t_s, speaker: Name::clone(&speaker), urgent, quiet_until_s: t_s };
        self.failing.insert(Name::clone(kettle), member);
        speaker
    }

    fn share_of_speaker(&self, kettle: &Name, t_s: f64) -> Share {
        if self.failing.get(kettle).is_some_and(|m| t_s < m.quiet_until_s) {
            return Share::SpokenFor { by: Name::clone(kettle) };
        }
        let mine = self.failing.values().filter(|m| m.speaker == *kettle).count();
        match u32::try_from(mine).unwrap_or(u32::MAX) {
            0 | 1 => Share::Alone,
            all => Share::First { others: all - 1 },
        }
    }

    /// A speaker is well again: the next of its company speaks, after a while.
    fn appoint_after(&mut self, gone: &Name, t_s: f64) {
        let heir = self.failing.iter().find(|(_, m)| m.speaker == *gone).map(|(name, _)| Name::clone(name));
        if let Some(heir) = heir {
            self.hand_over(gone, &heir, t_s + TOGETHER_S);
        }
    }

    fn hand_over(&mut self, from: &Name, to: &Name, speaks_from_s: f64) {
        for member in self.failing.values_mut().filter(|m| m.speaker == *from) {
            member.speaker = Name::clone(to);
            member.quiet_until_s = speaks_from_s;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (second, kettle, failing, urgent) one after the other; the last share.
    fn check(steps: &[(f64, &str, bool, bool)], expected: &Share) {
        let mut company = Company::new();
        let mut last = Share::Alone;
        for (t_s, kettle, failing, urgent) in steps {
            last = company.share(&Name::from(*kettle), *failing, *urgent, *t_s);
        }
        assert_eq!(last, *expected);
    }

    fn spoken_for(by: &str) -> Share {
        Share::SpokenFor { by: Name::from(by) }
    }

    #[test]
    fn speaks_once_for_one_cause() {
        let a = (0.0, "a", true, false);
        let b = (1.0, "b", true, false);
        check(&[(0.0, "a", false, false)], &Share::Alone);
        check(&[a], &Share::Alone);
        check(&[a, b], &spoken_for("a"));
        check(&[a, b, (2.0, "a", true, false)], &Share::First { others: 1 });
        // Much later is another cause.
        check(&[a, (900.0, "b", true, false)], &Share::Alone);
        // A cook's alarm waits for no idle kettle's.
        check(&[a, (1.0, "b", true, true)], &Share::First { others: 1 });
        check(&[a, (1.0, "b", true, true), (2.0, "a", true, false)], &spoken_for("b"));
    }

    #[test]
    fn does_not_hand_the_alarm_round_while_all_come_back() {
        let recovers = [
            (0.0, "a", true, false),
            (1.0, "b", true, false),
            (1.0, "c", true, false),
            (9.0, "a", false, false),
        ];
        let then = |step| [&recovers[..], &[step]].concat();
        check(&then((10.0, "b", true, false)), &spoken_for("b"));
        check(&then((10.0, "c", true, false)), &spoken_for("b"));
        check(&then((80.0, "b", true, false)), &Share::First { others: 1 });
        check(&then((80.0, "c", true, false)), &spoken_for("b"));
    }
}
