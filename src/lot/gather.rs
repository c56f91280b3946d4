//! What the journal holds of a lot: readings, marks, events.
//!
//! The journal is the one truth; a lot's trace, stages and alarms are drawn
//! from it when the lot is closed, and again when a stretch is attached.
//! The trace keeps the journal's order; its points are in the order of time,
//! since what a box had to keep for itself comes late. A reading whose wall
//! clock was not to be trusted and is known by now bears the time as known, and
//! the time it bore before in a field `clock_was`.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value as Json;

use super::at::At;
use super::record::{Mark, PlanDone, Stretch, plan_name};
use super::story::{Story, made_stages, time};
use crate::engine::probe::{Health, Missing, PLAUSIBLE_CELSIUS};
use crate::journal::JournalError;
use crate::journal::replay::{Replay, Span, Stamped};
use crate::journal::storage::Storage;
use crate::sensor::channel::NEVER_CALIBRATED;
use crate::wire::line::{EventLine, Line, Names, RESUMED, parse};
use redated::redated;
use told::Told;

mod redated;
mod told;

/// What to gather.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// The lot's stretches.
    pub stretches: Vec<Stretch>,
    /// All probes that hang in the lot's kettle between these moments.
    pub live: Option<(At, At)>,
    /// The lot's kettle.
    pub kettle: String,
    /// Only what was marked and told, without the readings.
    pub told_only: bool,
}

/// A make is said to have ended when that is sure, up to so long after its last
/// reading, seconds.
const TOLD_LATER_S: i64 = 3 * 3600;

/// One reading, for the curve and the limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When.
    pub at: At,
    /// °C; `None` where there was none.
    pub celsius: Option<f64>,
    /// Whether it counts: the source called it good (or said nothing), and it is
    /// a temperature that milk, whey, air or steam can have.
    pub good: bool,
}

impl Point {
    /// Whether it has a number that no milk, air or steam can have. It stays in
    /// the trace as it came, and counts for nothing.
    pub fn is_out_of_range(&self) -> bool {
        self.celsius.is_some_and(|c| !PLAUSIBLE_CELSIUS.contains(&c))
    }
}

/// What was found.
#[derive(Debug, Default)]
pub struct Gathered {
    /// The readings as line protocol.
    pub trace: String,
    /// The readings by probe, oldest first.
    pub points: BTreeMap<String, Vec<Point>>,
    /// Why a probe had no number, by the moment of the reading.
    pub reasons: BTreeMap<(String, At), String>,
    /// The events as JSON lines.
    pub events: String,
    /// What people marked.
    pub marks: Vec<Mark>,
    /// Stages, heatings and alarms.
    pub story: Story,
    /// When the program listened again after it had been stopped, or killed.
    pub resumed: Vec<At>,
    /// Readings that were written under a wrong clock, and whose moment is known since.
    pub redated: u64,
    /// Readings whose moment nobody knows: the clock was not to be trusted, and never was
    /// set while the machine ran.
    pub undated: u64,
    /// Segments that have lost something of the time that was read.
    pub damaged: Vec<String>,
    /// The last plan followed, its TOML text; `Some(None)`: none any more.
    pub followed: Option<Option<String>>,
    /// The plans that were chosen.
    pub plans: Vec<PlanDone>,
    /// Probes whose readings say that they must be calibrated and never were.
    pub uncalibrated: BTreeSet<String>,
    /// Of which of the stretches wanted the probe hung in another kettle than the lot was
    /// made in, by their place, with that kettle.
    pub elsewhere: BTreeMap<usize, String>,
}

/// Reads a lot's part of the journal.
///
/// # Errors
/// The journal cannot be read.
pub fn gather(storage: &Arc<dyn Storage>, journal: &Path, wanted: &Wanted) -> Result<Gathered, JournalError> {
    let mut found = Gathered::default();
    let Some(span) = wanted.span() else { return Ok(found) };
    let mut replay = Replay::open(storage.clone(), journal, span)?;
    let mut names = Names::default();
    let mut told = Told::default();
    while let Some((stamp, text)) = replay.next_line()? {
        let at = At(stamp.wall_ns.unwrap_or(stamp.written_ns));
        let Ok(Some((line, _))) = parse(text, &mut names) else { continue };
        match line {
            Line::Reading(r) if wanted.has(&r.probe, r.kettle(), at) => {
                told.hears_of(wanted, (&r.probe, r.kettle()), at);
                if !wanted.told_only {
                    found.take_line(text, &stamp);
                    found.take_reading(&r, at);
                }
            }
            Line::Mark(m) => told.mark(at, m, wanted),
            Line::Event(e) if e.what == RESUMED => found.resumed.push(at),
            Line::Event(e) => told.event(at, (e, stamp), wanted),
            Line::Reading(_) => {}
        }
    }
    told.give(wanted, &mut found);
    found.damaged = replay.damage().iter().map(|d| d.file().to_owned()).collect();
    found.damaged.dedup();
    found.story.end();
    found.put_in_order();
    Ok(found)
}

/// The probes that have readings between two moments.
///
/// # Errors
/// The journal cannot be read.
pub fn probes_between(
    storage: &Arc<dyn Storage>,
    journal: &Path,
    from: At,
    to: At,
) -> Result<BTreeSet<String>, JournalError> {
    let wanted = Wanted { live: Some((from, to)), ..Wanted::default() };
    let mut found = BTreeSet::new();
    let Some(span) = wanted.span() else { return Ok(found) };
    let mut replay = Replay::open(storage.clone(), journal, span)?;
    let mut names = Names::default();
    while let Some((stamp, text)) = replay.next_line()? {
        let at = At(stamp.wall_ns.unwrap_or(stamp.written_ns));
        if let Ok(Some((Line::Reading(r), _))) = parse(text, &mut names)
            && (from..to).contains(&at)
            && !found.contains(&*r.probe)
        {
            found.insert(r.probe.to_string());
        }
    }
    Ok(found)
}

/// The readings of a trace in line protocol, by probe, oldest first.
pub fn points_of(trace: &str) -> BTreeMap<String, Vec<Point>> {
    let mut found = Gathered::default();
    let mut names = Names::default();
    for text in trace.lines() {
        if let Ok(Some((Line::Reading(r), Some(ns)))) = parse(text, &mut names) {
            found.take_reading(&r, At(ns));
        }
    }
    found.put_in_order();
    found.points
}

impl Wanted {
    fn all(&self) -> impl Iterator<Item = (At, At)> {
        self.stretches.iter().map(|s| (s.from, s.to)).chain(self.live)
    }

    /// The time from the first moment wanted to the last that may tell of it.
    fn span(&self) -> Option<Span> {
        let from = self.all().map(|s| s.0).min()?;
        let to = self.all().map(|s| s.1).max()?;
        Some(Span { from_ns: Some(from.0), to_ns: Some(to.plus_s(TOLD_LATER_S).0) })
    }

    /// Whether a reading belongs to the lot.
    fn has(&self, probe: &str, kettle: &str, at: At) -> bool {
        self.stretches.iter().any(|s| s.probe == probe && s.from <= at && at < s.to)
            || (kettle == self.kettle && self.live.is_some_and(|(from, to)| from <= at && at < to))
    }
}

impl Gathered {
    fn take_line(&mut self, text: &str, stamp: &Stamped) {
        match stamp.wall_ns {
            Some(wall) if wall != stamp.written_ns => {
                self.redated += 1;
                let before = text.rsplit_once(' ').map_or(text, |(b, _)| b);
                let _ = write!(self.trace, "{before},clock_was={}i {wall}", stamp.written_ns);
            }
            known => {
                self.undated += u64::from(known.is_none());
                self.trace.push_str(text);
            }
        }
        self.trace.push('\n');
    }

    fn take_reading(&mut self, r: &crate::engine::event::Reading, at: At) {
        let mut point = Point { at, celsius: r.celsius, good: false };
        let out_of_range = point.is_out_of_range();
        let well = r.health.is_none_or(|h| h <= Health::MaintenanceRequired);
        point.good = well && r.celsius.is_some() && !out_of_range;
        let why = r.reason.clone().or(out_of_range.then(|| Missing::OutOfRange.to_string()));
        if let (false, Some(why)) = (point.good, why) {
            self.reasons.insert((r.probe.to_string(), at), why);
        }
        let never = r.reason.as_deref().is_some_and(|why| why.contains(NEVER_CALIBRATED));
        if never && !self.uncalibrated.contains(&*r.probe) {
            self.uncalibrated.insert(r.probe.to_string());
        }
        if let Some(points) = self.points.get_mut(&*r.probe) {
            points.push(point);
        } else {
            self.points.insert(r.probe.to_string(), vec![point]);
        }
    }

    fn put_in_order(&mut self) {
        for points in self.points.values_mut() {
            points.sort_by_key(|p| p.at);
        }
    }

    fn take_mark(&mut self, m: &crate::engine::event::Mark, at: At) {
        use crate::engine::event::MarkKind;
        let (value, text) = match &m.kind {
            MarkKind::Ph(v) | MarkKind::Target(v) => (Some(*v), None),
            MarkKind::Note(t) => (None, Some(t.clone())),
            _ => (None, None),
        };
        let (name, by) = (m.kind.name().into(), m.by.as_deref().map(Into::into));
        let mark = Mark { at, name, by, value, text, told: None };
        let mut event = serde_json::json!({"kind": "mark", "time": at.to_string(), "kettle": &*m.kettle, "name": mark.name});
        for (key, value) in [
            ("by", mark.by.clone().map(Json::from)),
            (
                if matches!(m.kind, MarkKind::Target(_)) { "celsius" } else { "value" },
                mark.value.map(Json::from),
            ),
            ("text", mark.text.clone().map(Json::from)),
        ] {
            if let Some(value) = value {
                event[key] = value;
            }
        }
        // `kind` first, as every event has it.
        let rest = event.as_object().map(|o| o.iter().filter(|(k, _)| *k != "kind"));
        let mut line = String::from("{\"kind\":\"mark\"");
        for (k, v) in rest.into_iter().flatten() {
            let _ = write!(line, ",\"{k}\":{v}");
        }
        self.events.push_str(&line);
        self.events.push_str("}\n");
        self.marks.push(mark);
    }

    fn take_event(&mut self, e: &EventLine, stamp: &Stamped, at: At) {
        // Said again it is no choice of this lot's time.
        if e.what == "follow" && e.truth("again") != Some(true) {
            let plan = plan_of(e);
            let table = plan.as_deref().map(|text| text.parse::<toml::Table>().unwrap_or_default());
            let name = table.as_ref().map(|t| plan_name(t).unwrap_or_default().into());
            self.plans.push(PlanDone { at, plan: name, by: e.text("by").map(Into::into) });
            self.followed = Some(plan);
        }
        if !e.what.starts_with("said-") {
            return;
        }
        let Some(text) = e.text("json") else { return };
        let event = serde_json::from_str::<Json>(text).unwrap_or_default();
        let text = redated(text, &event, stamp);
        self.events.push_str(&text);
        self.events.push('\n');
        if let Ok(event) = serde_json::from_str(&text) {
            self.story.take(&event);
        }
    }
}

/// The plan in a line `follow`, its TOML text; `None`: none any more.
fn plan_of(e: &EventLine) -> Option<String> {
    e.text("plan").map(|t| t.replace('\u{2424}', "\n"))
}

/// A make that ended, as the journal tells of it.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeOnce {
    /// The kettle.
    pub kettle: String,
    /// The probe.
    pub probe: String,
    /// When its first stage began.
    pub began: At,
    /// When its last one ended, or the make was said to have.
    pub ended: At,
    /// Whether it was of whey only.
    pub of_whey: bool,
    /// The plan followed then, its TOML text, where the stretch of time tells.
    pub plan: Option<String>,
}

/// The makes that ended in a stretch of time, oldest first.
///
/// # Errors
/// The journal cannot be read.
pub fn makes(
    storage: &Arc<dyn Storage>,
    journal: &Path,
    from: At,
    to: At,
) -> Result<Vec<MadeOnce>, JournalError> {
    let mut replay =
        Replay::open(storage.clone(), journal, Span { from_ns: Some(from.0), to_ns: Some(to.0) })?;
    let mut names = Names::default();
    let mut makes: Vec<MadeOnce> = Vec::new();
    let mut plans: BTreeMap<String, Option<String>> = BTreeMap::new();
    while let Some((_, text)) = replay.next_line()? {
        let tells = |what| text.starts_with("event,") && text.contains(what);
        if !tells("what=said-make ") && !tells("what=follow ") {
            continue;
        }
        let Ok(Some((Line::Event(e), _))) = parse(text, &mut names) else { continue };
        if e.what == "follow" {
            plans.insert(e.kettle.clone().unwrap_or_default(), plan_of(&e));
            continue;
        }
        let Some(event) = e.text("json").and_then(|t| serde_json::from_str::<Json>(t).ok()) else { continue };
        let stages = made_stages(&event);
        let Some(first) = stages.first() else { continue };
        let ended =
            stages.iter().filter_map(|s| s.ended).max().or(time(&event, "time")).unwrap_or(first.began);
        let kettle = e.kettle.clone().unwrap_or_default();
        let make = MadeOnce {
            plan: plans.get(&kettle).cloned().flatten(),
            kettle,
            probe: super::story::text(&event, "probe"),
            began: first.began,
            ended,
            of_whey: stages.iter().all(|s| matches!(s.stage.as_str(), "whey-heating" | "whey-resting")),
        };
        if !makes.contains(&make) {
            makes.push(make);
        }
    }
    Ok(makes)
}

#[cfg(test)]
mod tests;
