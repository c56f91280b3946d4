//! `curdtrace lot attach`: the forgetful maker's way.

use super::room::{Room, day, failure, person};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::at::At;
use crate::lot::gather::{MadeOnce, makes};
use crate::lot::genealogy::{lot_of, mother_of};
use crate::lot::inbox::{Ask, AttachAsk, Opening};

/// So much of the trace around a make is given with it, seconds.
const AROUND_S: i64 = 600;

/// So far back the last make is looked for, days: the nearest first.
const LOOK_BACK_DAYS: [i64; 3] = [2, 10, 40];

/// Gives a lot a stretch of a probe's trace: by time, or a whole make.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot; `new` opens one for the make, attaches and closes it
    lot: String,
    /// The probe; where left out the make's own, or the only one of the lot's kettle
    #[arg(long)]
    probe: Option<String>,
    /// From: 06:03, "yesterday 06:03", "2026-07-14 06:03", 2026-07-14T04:03:00Z
    #[arg(long, value_name = "MOMENT", requires = "until", group = "stretch")]
    since: Option<String>,
    /// Up to, likewise
    #[arg(long, value_name = "MOMENT", requires = "since")]
    until: Option<String>,
    /// A whole make: last, morning, afternoon, evening, yesterday, yesterday-morning, 2026-07-14, 2026-07-14-morning, or when it began: "2026-07-14 06:03"
    #[arg(long, value_name = "WHICH", group = "stretch", conflicts_with = "until")]
    make: Option<String>,
    /// The make's kettle, where several made at that time
    #[arg(long)]
    kettle: Option<String>,
    /// The lot whose whey it is made of, with `new`; found by itself where whey was heated after a cheese in the same kettle
    #[arg(long, value_name = "LOT")]
    mother: Option<String>,
    /// Who attaches it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

/// The probe whose stretch is meant.
fn the_probe(room: &Room, args: &Args) -> Result<String, Failure> {
    match (&args.probe, args.lot.as_str()) {
        (Some(probe), _) => Ok(probe.clone()),
        (None, "new") => room.probe_of(&room.kettle(args.kettle.clone())?),
        (None, lot) => room.probe_of(&room.store.load(lot).map_err(|e| failure(&e))?.kettle),
    }
}

pub(super) fn run(room: &mut Room, args: Args) -> Result<(), Failure> {
    if args.lot != "new" {
        room.go_by(&args.lot)?;
    }
    let make = args.make.as_deref().map(|which| the_make(room, which, &args)).transpose()?;
    let (probe, from, to) = match (&make, &args.since, &args.until) {
        (Some(m), ..) => {
            let probe = args.probe.clone().unwrap_or_else(|| m.probe.clone());
            (probe, m.began.plus_s(-AROUND_S), m.ended.plus_s(AROUND_S))
        }
        (None, Some(since), Some(until)) => {
            (the_probe(room, &args)?, room.moment(since)?, room.moment(until)?)
        }
        _ => return Err(Failure::usage("say which stretch: --make WHICH, or --since and --until")),
    };
    if to <= from {
        return Err(Failure::usage(format_args!("the stretch ends ({to}) before it begins ({from})")));
    }
    if args.lot != "new" {
        if let Some(mother) = &args.mother {
            return Err(Failure::usage(format_args!(
                "--mother goes with a new lot; enter it into this one: curdtrace lot set {} mother={mother}",
                args.lot
            )));
        }
        return room.ask_and_say(args.by, Ask::Attach(AttachAsk { lot: args.lot, probe, from, to }));
    }
    if let Some(make) = &make {
        must_have_no_lot(room, make, (from, to))?;
    }
    let made = Some(make.as_ref().map_or(from, |m| m.began));
    let followed = make.as_ref().and_then(|m| m.plan.clone());
    let mother = mother(room, &args, make.as_ref())?;
    let kettle = make.map_or_else(|| room.kettle(args.kettle.clone()), |m| Ok(m.kettle))?;
    let plan = followed.or_else(|| room.plan_of(&kettle));
    let opening = Opening { kettle, plan, past: true, made, mother: mother.clone(), ..Opening::default() };
    let opened = room.ask(args.by.clone(), Ask::Open(opening))?;
    say(&opened.text)?;
    if let Some(mother) = mother {
        say(&format!("it is made of the whey of {mother}"))?;
    }
    let lot = opened.lot.unwrap_or_default();
    room.ask_and_say(args.by.clone(), Ask::Attach(AttachAsk { lot: lot.clone(), probe, from, to }))?;
    room.ask_and_say(args.by, Ask::Close { lot })
}

/// The lot whose whey a new one is made of: the one named, or the cheese's
/// before it in the same kettle.
fn mother(room: &Room, args: &Args, make: Option<&MadeOnce>) -> Result<Option<String>, Failure> {
    if let Some(named) = &args.mother {
        room.store.load(named).map_err(|e| failure(&e))?;
        return Ok(Some(named.clone()));
    }
    let Some(make) = make.filter(|m| m.of_whey) else { return Ok(None) };
    let found = mother_of(&room.store, &make.kettle, make.began).map_err(|e| failure(&e))?;
    if found.is_none() {
        remark(
            "curdtrace: no lot of the cheese before it is known; name it when it is: curdtrace lot set LOT mother=…",
        );
    }
    Ok(found)
}

/// The make that is meant.
fn the_make(room: &Room, which: &str, args: &Args) -> Result<MadeOnce, Failure> {
    let now = room.now();
    let wanted = Wanted::of(which, &now.day(&room.zone)).ok_or_else(|| {
        Failure::usage(format_args!(
            "{which:?} is no make; say last, morning, afternoon, evening, yesterday, yesterday-morning, 2026-07-14, 2026-07-14-morning, or when it began: \"2026-07-14 06:03\""
        ))
    })?;
    let kettle = kettle_meant(room, args)?;
    let fits = |m: &&MadeOnce| {
        kettle.as_ref().is_none_or(|k| *k == m.kettle)
            && args.probe.as_ref().is_none_or(|p| *p == m.probe || *p == m.kettle)
            && wanted.has(m.began, room)
    };
    let mut known = Vec::new();
    for (from, to) in wanted.spans(room) {
        known = makes(room.store.storage(), &room.store.journal(), from, to).map_err(Failure::io)?;
        if known.iter().any(|m| fits(&m)) {
            break;
        }
    }
    let found: Vec<&MadeOnce> = known.iter().filter(fits).collect();
    match (found.as_slice(), wanted.last) {
        ([.., last], true) | ([last], _) => Ok((*last).clone()),
        ([], _) => {
            let seen: Vec<String> = known.iter().rev().take(5).map(|m| told(m, room)).collect();
            let seen = if seen.is_empty() { "no make at all".into() } else { seen.join("; ") };
            let of = kettle.map(|k| format!(" in kettle {k}")).unwrap_or_default();
            Err(Failure::no_input(format_args!(
                "the journal tells of no such make{of}; it has {seen}; name its --kettle, or say --since and --until"
            )))
        }
        ([.., last], false) => {
            let listed: Vec<String> = found.iter().map(|m| told(m, room)).collect();
            Err(Failure::usage(format_args!(
                "several makes are meant: {}; say which by when it began, such as --make \"{} {}\", or by --kettle",
                listed.join("; "),
                last.began.day(&room.zone),
                last.began.clock(&room.zone)
            )))
        }
    }
}

/// The kettle whose makes are meant: the one named, else the lot's own. A probe
/// that is named may have hung elsewhere.
fn kettle_meant(room: &Room, args: &Args) -> Result<Option<String>, Failure> {
    if args.kettle.is_some() || args.probe.is_some() || args.lot == "new" {
        return Ok(args.kettle.clone());
    }
    room.store.load(&args.lot).map(|lot| Some(lot.kettle)).map_err(|e| failure(&e))
}

/// That no lot has a make already: it would stand twice in the dairy's record.
fn must_have_no_lot(room: &Room, make: &MadeOnce, (from, to): (At, At)) -> Result<(), Failure> {
    let Some(lot) = lot_of(&room.store, make, room.now()).map_err(|e| failure(&e))? else { return Ok(()) };
    let at = |at: At| format!("{} {}", at.day(&room.zone), at.clock_s(&room.zone));
    Err(Failure::data(format_args!(
        "the make of {} is lot {lot} already (curdtrace lot show {lot}); to make another lot of it all the same, \
         name the time: curdtrace lot attach new --since \"{}\" --until \"{}\"",
        told(make, room),
        at(from),
        at(to)
    )))
}

fn told(m: &MadeOnce, room: &Room) -> String {
    let (day, from, to) = (m.began.day(&room.zone), m.began.clock(&room.zone), m.ended.clock(&room.zone));
    format!("{day} {from} to {to} in kettle {} (probe {})", m.kettle, m.probe)
}

/// Which makes a word means.
#[derive(Debug, PartialEq)]
struct Wanted {
    /// The day; any where `None`.
    day: Option<String>,
    /// From and to which hour it began.
    hours: (i8, i8),
    /// At which minute it began, such as `06:03`.
    clock: Option<String>,
    /// Only the last of them.
    last: bool,
}

impl Wanted {
    fn of(which: &str, today: &str) -> Option<Self> {
        if which == "last" {
            return Some(Self { day: None, hours: (0, 24), clock: None, last: true });
        }
        let part = |word: &str| match word {
            "morning" => Some((0, 12)),
            "afternoon" => Some((12, 17)),
            "evening" => Some((17, 24)),
            _ => None,
        };
        if let Some(hours) = part(which) {
            return Some(Self { day: day("today", today), hours, clock: None, last: false });
        }
        if which.contains(':') {
            let (of_day, clock) = which.rsplit_once([' ', 'T']).unwrap_or(("today", which));
            let clock = Some(clock.into());
            return Some(Self { day: Some(day(of_day, today)?), hours: (0, 24), clock, last: false });
        }
        let (of_day, hours) = match which.rsplit_once('-') {
            Some((of_day, word)) if part(word).is_some() => (of_day, part(word)?),
            _ => (which, (0, 24)),
        };
        Some(Self { day: Some(day(of_day, today)?), hours, clock: None, last: false })
    }

    /// The stretches of time to look for it in, one after the other until it is
    /// found; the last is for who looks in vain.
    fn spans(&self, room: &Room) -> Vec<(At, At)> {
        let now = room.now();
        // Whatever the clocks say, nothing is later than the last.
        let until = At(i64::MAX);
        let back = LOOK_BACK_DAYS.map(|days| (now.plus_s(-days * 86_400), until));
        match self.day.as_deref().and_then(|d| room.moment(d).ok()) {
            // A make begun that day may have ended on the next.
            Some(midnight) => vec![(midnight.plus_s(-86_400), midnight.plus_s(2 * 86_400)), back[2]],
            None => back.into(),
        }
    }

    fn has(&self, began: At, room: &Room) -> bool {
        let local = room.zone.to_datetime(began.timestamp());
        self.day.as_ref().is_none_or(|d| *d == local.date().to_string())
            && (self.hours.0..self.hours.1).contains(&local.hour())
            && self.clock.as_ref().is_none_or(|c| began.is_meant_by(c, &room.zone))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn makes_as_a_person_names_them() {
        let of =
            |which| Wanted::of(which, "2026-07-14").map(|w| (w.day.unwrap_or_default(), w.hours, w.last));
        assert_eq!(of("last"), Some((String::new(), (0, 24), true)));
        assert_eq!(of("morning"), Some(("2026-07-14".into(), (0, 12), false)));
        assert_eq!(of("yesterday-evening"), Some(("2026-07-13".into(), (17, 24), false)));
        assert_eq!(of("2026-07-02"), Some(("2026-07-02".into(), (0, 24), false)));
        assert_eq!(of("2026-07-02-morning"), Some(("2026-07-02".into(), (0, 12), false)));
        assert_eq!(of("noonish"), None);
        let began = |which| Wanted::of(which, "2026-07-14").and_then(|w| Some((w.day?, w.clock?)));
        assert_eq!(began("2026-07-02 06:03"), Some(("2026-07-02".into(), "06:03".into())));
        assert_eq!(began("06:03"), Some(("2026-07-14".into(), "06:03".into())));
        assert_eq!(began("soon 06:03"), None);
    }
}
