//! Probes that fail together: one cause, one alarm.
//!
//! Invariant: one kettle speaks for another only where its own alarm sounds if the
//! other's would, and comes no later. So no running make is silent behind an idle
//! kettle, nor behind an alarm that is shelved or out of service.

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

/// How a failing probe's alarm would make itself heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Voice {
    /// Whether it sounds, and not only shows.
    pub sounds: bool,
    /// How long a probe may be silent before it comes, whole seconds.
    pub after_s: u32,
}

/// Whether the alarm of one kettle says what another's would: `None` is one that a
/// person or the plan keeps silent.
fn covers(one: Option<Voice>, other: Option<Voice>) -> bool {
    match (one, other) {
        (_, None) => true,
        (None, Some(_)) => false,
        (Some(one), Some(other)) => one.sounds >= other.sounds && one.after_s <= other.after_s,
    }
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
    /// How its own alarm would be heard.
    voice: Option<Voice>,
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
    /// or in failure, and how its own alarm would be heard. Cheap while nobody
    /// fails.
    pub fn share(
        &mut self,
        kettle: &Name,
        failing: bool,
        voice: impl FnOnce() -> Option<Voice>,
        t_s: f64,
    ) -> Share {
        if !failing {
            if !self.failing.is_empty() && self.failing.remove(kettle).is_some() {
                self.appoint_after(kettle, t_s);
            }
            return Share::Alone;
        }
        let voice = voice();
        let speaker = match self.failing.get_mut(kettle) {
            Some(member) => {
                member.voice = voice;
                Name::clone(&member.speaker)
            }
            None => self.join(kettle, voice, t_s),
        };
        if speaker == *kettle {
            return self.share_of_speaker(kettle, t_s);
        }
        let of_speaker = self.failing.get(&speaker).and_then(|m| m.voice);
        if covers(of_speaker, voice) {
            return Share::SpokenFor { by: speaker };
        }
        if covers(voice, of_speaker) {
            self.hand_over(&speaker, kettle, t_s);
        } else if let Some(member) = self.failing.get_mut(kettle) {
            // Neither says what the other would: both speak.
            member.speaker = Name::clone(kettle);
            member.quiet_until_s = t_s;
        }
        self.share_of_speaker(kettle, t_s)
    }

    fn join(&mut self, kettle: &Name, voice: Option<Voice>, t_s: f64) -> Name {
        let together = |m: &&Member| (t_s - m.since_s).abs() <= TOGETHER_S;
        let speaker = self.failing.values().find(together).map_or(kettle, |m| &m.speaker);
        let speaker = Name::clone(speaker);
        let member = Member { since_s: t_s, speaker: Name::clone(&speaker), voice, quiet_until_s: t_s };
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

    /// A speaker is well again: of its company one speaks, after a while, whose
    /// alarm is heard first.
    fn appoint_after(&mut self, gone: &Name, t_s: f64) {
        let mut heir: Option<(&Name, &Member)> = None;
        for next in self.failing.iter().filter(|(_, m)| m.speaker == *gone) {
            if heir.is_none_or(|h| !covers(h.1.voice, next.1.voice)) {
                heir = Some(next);
            }
        }
        if let Some(heir) = heir.map(|h| Name::clone(h.0)) {
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

    const SHOWS_LATE: Option<Voice> = Some(Voice { sounds: false, after_s: 600 });
    const SOUNDS: Option<Voice> = Some(Voice { sounds: true, after_s: 60 });
    const SOUNDS_LATE: Option<Voice> = Some(Voice { sounds: true, after_s: 600 });
    const SHOWS: Option<Voice> = Some(Voice { sounds: false, after_s: 60 });
    const COOK: Option<Voice> = Some(Voice { sounds: true, after_s: 10 });
    const MUTE: Option<Voice> = None;

    /// A second, a kettle, whether its probe fails, and how its alarm is heard.
    type Step<'a> = (f64, &'a str, bool, Option<Voice>);

    /// One after the other; the last share.
    fn check(steps: &[Step<'_>], expected: &Share) {
        let mut company = Company::new();
        let mut last = Share::Alone;
        for (t_s, kettle, failing, voice) in steps {
            last = company.share(&Name::from(*kettle), *failing, || *voice, *t_s);
        }
        assert_eq!(last, *expected, "{steps:?}");
    }

    fn spoken_for(by: &str) -> Share {
        Share::SpokenFor { by: Name::from(by) }
    }

    #[test]
    fn speaks_once_for_one_cause() {
        let a = (0.0, "a", true, SHOWS_LATE);
        let b = (1.0, "b", true, SHOWS_LATE);
        check(&[(0.0, "a", false, SHOWS_LATE)], &Share::Alone);
        check(&[a], &Share::Alone);
        check(&[a, b], &spoken_for("a"));
        check(&[a, b, (2.0, "a", true, SHOWS_LATE)], &Share::First { others: 1 });
        // Much later is another cause.
        check(&[a, (900.0, "b", true, SHOWS_LATE)], &Share::Alone);
    }

    #[test]
    fn nobody_is_silent_behind_one_who_speaks_later_or_not_at_all() {
        let (first, other) = (Share::First { others: 1 }, Share::Alone);
        for (a, b, of_b, of_a) in [
            (SHOWS_LATE, COOK, first.clone(), spoken_for("b")),
            (SHOWS_LATE, SOUNDS, first.clone(), spoken_for("b")),
            (MUTE, SOUNDS, first.clone(), spoken_for("b")),
            (MUTE, SHOWS_LATE, first.clone(), spoken_for("b")),
            (SOUNDS, COOK, first.clone(), spoken_for("b")),
            (COOK, SOUNDS, spoken_for("a"), first.clone()),
            (SOUNDS, MUTE, spoken_for("a"), first),
            // One sounds, the other comes first: each for itself.
            (SOUNDS_LATE, SHOWS, other.clone(), other),
        ] {
            let steps = [(0.0, "a", true, a), (1.0, "b", true, b), (2.0, "a", true, a)];
            check(&steps[..2], &of_b);
            check(&steps, &of_a);
        }
    }

    #[test]
    fn does_not_hand_the_alarm_round_while_all_come_back() {
        for voice in [SHOWS_LATE, COOK] {
            let recovers = [
                (0.0, "a", true, voice),
                (1.0, "b", true, MUTE),
                (1.0, "c", true, voice),
                (1.0, "d", true, voice),
                (9.0, "a", false, voice),
            ];
            let then = |step| [&recovers[..], &[step]].concat();
            check(&then((10.0, "b", true, MUTE)), &spoken_for("c"));
            check(&then((10.0, "c", true, voice)), &spoken_for("c"));
            check(&then((10.0, "d", true, voice)), &spoken_for("c"));
            check(&then((80.0, "c", true, voice)), &Share::First { others: 2 });
            check(&then((80.0, "d", true, voice)), &spoken_for("c"));
        }
    }
}
