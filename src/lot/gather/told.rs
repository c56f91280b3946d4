//! What kettles told in a lot's time, held until it is known which of them the lot was
//! made in. Pure.
//!
//! A lot is made in one kettle: the one whose probes recorded it, else the lot's own, else,
//! where it has no reading of that, the one whose trace it was given. Only that kettle's
//! stages, marks and alarms are the lot's. Of another whose probe was attached beside, such
//! as the tank of the stored milk, it has the readings, and the alarm that is about that
//! milk.

use std::collections::BTreeMap;

use serde_json::Value as Json;

use super::{Gathered, Wanted};
use crate::engine::event::Mark;
use crate::journal::replay::Stamped;
use crate::lot::at::At;
use crate::lot::build::MARGIN_S;
use crate::lot::record::Stretch;
use crate::lot::story::made_stages;
use crate::wire::line::EventLine;

/// A make's first stage may have begun so long before its stretch, seconds.
const BEGAN_BEFORE_S: i64 = 15 * 60;

/// A mark or an event.
enum What {
    Mark(Mark),
    Event(EventLine, Stamped),
}

/// The kettle that the probe of each stretch hung in, by the stretch's place. A probe may
/// have hung elsewhere on another day.
type Hangs = BTreeMap<usize, String>;

/// What was told, in the journal's order, and where the probes hung.
#[derive(Default)]
pub(super) struct Told {
    lines: Vec<(At, What)>,
    hangs: Hangs,
    /// Whether any probe of the lot's hung in its own kettle.
    has_own: bool,
}

impl Told {
    /// A reading of the lot's.
    pub(super) fn hears_of(&mut self, wanted: &Wanted, (probe, kettle): (&str, &str), at: At) {
        self.has_own |= kettle == wanted.kettle;
        for (nth, s) in wanted.stretches.iter().enumerate() {
            if s.probe == probe && s.from <= at && at < s.to && !self.hangs.contains_key(&nth) {
                self.hangs.insert(nth, kettle.into());
            }
        }
    }

    pub(super) fn mark(&mut self, at: At, mark: Mark, wanted: &Wanted) {
        if wanted.all().any(|(from, to)| from <= at && at < to) {
            self.lines.push((at, What::Mark(mark)));
        }
    }

    pub(super) fn event(&mut self, at: At, (event, stamp): (EventLine, Stamped), wanted: &Wanted) {
        let is_told = event.what == "follow" || event.what.starts_with("said-");
        let may_be = || event.what == "said-make" || wanted.all().any(|(from, to)| from <= at && at < to);
        if is_told && may_be() {
            self.lines.push((at, What::Event(event, stamp)));
        }
    }

    /// Gives the lot what is its own.
    pub(super) fn give(&self, wanted: &Wanted, found: &mut Gathered) {
        let own = self.own_kettles(wanted);
        for (at, what) in &self.lines {
            match what {
                What::Mark(m) if !own.contains(&&*m.kettle) => {}
                What::Mark(m) if wanted.tells_of(&m.kettle, &self.hangs, *at) => found.take_mark(m, *at),
                What::Event(e, _) if !own.contains(&kettle_of(e)) && !is_of_stored_milk(e) => {}
                What::Event(e, stamp) if wanted.has_told(e, &self.hangs, *at) => {
                    found.take_event(e, stamp, *at);
                }
                What::Mark(_) | What::Event(..) => {}
            }
        }
        let elsewhere = self.hangs.iter().filter(|(_, kettle)| !own.contains(&kettle.as_str()));
        found.elsewhere = elsewhere.map(|(nth, kettle)| (*nth, kettle.clone())).collect();
    }

    /// The kettles that tell of the lot's make.
    fn own_kettles<'a>(&'a self, wanted: &'a Wanted) -> Vec<&'a str> {
        let is_recorded = |nth: &usize| wanted.stretches.get(*nth).is_some_and(|s| s.attached.is_none());
        if let Some((_, own)) = self.hangs.iter().find(|(nth, _)| is_recorded(nth)) {
            return vec![own];
        }
        if self.has_own {
            return vec![&wanted.kettle];
        }
        let mut given = self.hangs.values().map(String::as_str);
        let first = given.clone().next();
        let made = given.find(|kettle| self.tells_stages(kettle, wanted));
        made.or(first).into_iter().chain([wanted.kettle.as_str()]).collect()
    }

    fn tells_stages(&self, kettle: &str, wanted: &Wanted) -> bool {
        self.lines.iter().any(|(at, what)| match what {
            What::Event(e, _) if matches!(e.what.as_str(), "said-stage" | "said-make") => {
                e.kettle.as_deref() == Some(kettle) && wanted.has_told(e, &self.hangs, *at)
            }
            _ => false,
        })
    }
}

fn kettle_of(e: &EventLine) -> &str {
    e.kettle.as_deref().unwrap_or_default()
}

/// Whether it is the alarm about milk that is stored.
fn is_of_stored_milk(e: &EventLine) -> bool {
    let is_it = |text: &str| serde_json::from_str::<Json>(text).is_ok_and(|a| a["alarm"] == "milk-warm");
    e.what == "said-alarm" && e.text("json").is_some_and(is_it)
}

impl Wanted {
    /// Whether an event is of the time of its kettle's stretches.
    fn has_told(&self, e: &EventLine, hangs: &Hangs, at: At) -> bool {
        let kettle = kettle_of(e);
        let told = self.tells_of(kettle, hangs, at);
        if e.what == "said-make" { self.is_made_in(kettle, hangs, e, told) } else { told }
    }

    /// Whether a mark or event of a kettle belongs to the lot: a stretch of a
    /// probe that hangs in it has that moment.
    fn tells_of(&self, kettle: &str, hangs: &Hangs, at: At) -> bool {
        self.stretches_of(kettle, hangs).any(|(from, to)| from <= at && at < to)
    }

    /// Whether a make that is said to have ended is the lot's: it began in the
    /// lot's time, or is `told` of in it and went on into it. A cheese that is
    /// told of when its whey is on the fire already is not the whey's.
    fn is_made_in(&self, kettle: &str, hangs: &Hangs, e: &EventLine, told: bool) -> bool {
        let event: Option<Json> = e.text("json").and_then(|t| serde_json::from_str(t).ok());
        let stages = event.map(|e| made_stages(&e)).unwrap_or_default();
        let Some(began) = stages.first().map(|s| s.began) else { return false };
        let ended = stages.iter().filter_map(|s| s.ended).max();
        self.stretches_of(kettle, hangs).any(|(from, to)| {
            let begins_in = from.plus_s(-BEGAN_BEFORE_S) <= began && began < to;
            // What begins in the margin after a make is the next one.
            let is_next = began.plus_s(MARGIN_S) >= to && ended.is_none_or(|ended| ended > to);
            let goes_on_in = ended.is_none_or(|ended| ended > from);
            (begins_in && !is_next) || (told && goes_on_in)
        })
    }

    fn stretches_of<'a>(&'a self, kettle: &'a str, hangs: &'a Hangs) -> impl Iterator<Item = (At, At)> + 'a {
        let own = self.live.filter(|_| kettle == self.kettle);
        // Where nothing says where it hung, it may be the lot's own, or one of its name.
        let hung = move |(nth, s): &(usize, &Stretch)| match hangs.get(nth) {
            Some(there) => there == kettle,
            None => s.probe == kettle || kettle == self.kettle,
        };
        self.stretches.iter().enumerate().filter(hung).map(|(_, s)| (s.from, s.to)).chain(own)
    }
}
