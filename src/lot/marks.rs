//! The marks that hold of a lot. Pure.
//!
//! The journal keeps every mark as it was pressed, and that stays. Here a person may
//! tell one late, say that it was meant for another moment, or strike it: the record
//! then has both the moment meant and the one at which it was said, and a correction
//! has who and why. A draw from the journal changes none of that.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::at::At;
use super::correct::{Author, CorrectError, none_such};
use super::record::{Correction, Mark, Record};

impl Mark {
    /// When it was pressed or said.
    fn said_at(&self) -> At {
        self.told.unwrap_or(self.at)
    }

    /// Whether both are one press; files keep no finer than milliseconds.
    fn is_press_of(&self, other: &Self) -> bool {
        (&self.name, &self.by, self.said_at().next_ms())
            == (&other.name, &other.by, other.said_at().next_ms())
    }
}

/// The marks that hold, by the moment meant: those that the journal has, as persons
/// corrected them and without those struck, and those told late.
pub fn holding(record: &Record, pressed: &[Mark]) -> Vec<Mark> {
    let is_of_a_person = |m: &&Mark| m.told.is_some();
    let mut marks: Vec<Mark> = record.marks.iter().filter(is_of_a_person).cloned().collect();
    let as_pressed = |m: &&Mark| !marks.iter().chain(&record.struck).any(|own| own.is_press_of(m));
    let as_pressed: Vec<Mark> = pressed.iter().filter(as_pressed).cloned().collect();
    marks.extend(as_pressed);
    marks.sort_by_key(|m| m.at);
    marks
}

/// Puts a mark in its place. `false` where it stands already.
pub fn add(record: &mut Record, mark: &Mark) -> bool {
    let stands = |m: &Mark| (m.at, &m.name, &m.by, &m.text) == (mark.at, &mark.name, &mark.by, &mark.text);
    if record.marks.iter().any(stands) {
        return false;
    }
    record.marks.push(mark.clone());
    record.marks.sort_by_key(|m| m.at);
    true
}

/// Moves a mark to the moment that was meant, or strikes it where `value` is empty:
/// `mark.rennet`, or `mark.rennet.18:05` where there are several. `true` where
/// anything changed.
///
/// # Errors
/// [`CorrectError`]; the record is then as before.
pub fn set(record: &mut Record, field: &str, value: &str, author: &Author) -> Result<bool, CorrectError> {
    let nth = find(record, field)?;
    let (old, zone) = (record.marks[nth].clone(), record.zone());
    let bad = |why: String| CorrectError::Value { field: field.into(), value: value.into(), why };
    if old.name == "ph" {
        let at = old.at.clock(&zone);
        return Err(bad(format!("a pH is corrected by its own field, ph.{at}=6.45")));
    }
    let new = match value.trim() {
        "" => None,
        text => Some(moment(text, &zone, old.at).ok_or_else(|| {
            bad("it is no moment; write 18:03, \"2026-07-14 18:03\", or nothing to strike the mark".into())
        })?),
    };
    if new.is_some_and(|at| at > author.at) {
        return Err(bad("that moment is still to come".into()));
    }
    if new == Some(old.at) {
        return Ok(false);
    }
    let (Some(by), Some(reason)) = (&author.by, &author.reason) else {
        let (field, lot, old) = (field.into(), record.lot.clone(), old.at.clock_s(&zone));
        return Err(CorrectError::Reason { field, lot, old });
    };
    let quoted = |at: At| format!("\"{at}\"");
    record.corrections.push(Correction {
        field: format!("mark.{}", old.name),
        old: quoted(old.at),
        new: new.map(quoted).unwrap_or_default(),
        by: by.clone(),
        at: author.at,
        reason: reason.clone(),
    });
    match new {
        Some(at) => record.marks[nth] = Mark { at, told: Some(old.said_at()), ..old },
        None => record.struck.push(record.marks.remove(nth)),
    }
    record.marks.sort_by_key(|m| m.at);
    Ok(true)
}

/// A pH that was struck is no mark either.
pub fn strike_ph(record: &mut Record) {
    let Some(struck) = record.struck_ph.last().map(|p| p.at.next_ms()) else { return };
    let is_it = |m: &Mark| m.name == "ph" && m.at.next_ms() == struck;
    let stands = |record: &Record| record.ph.iter().any(|p| p.at.next_ms() == struck);
    if let Some(nth) = record.marks.iter().position(is_it).filter(|_| !stands(record)) {
        record.struck.push(record.marks.remove(nth));
    }
}

/// Which mark a field names.
fn find(record: &Record, field: &str) -> Result<usize, CorrectError> {
    let zone = record.zone();
    let meant = field.trim_start_matches("mark.");
    let (name, when) = meant.split_once('.').map_or((meant, None), |(name, when)| (name, Some(when)));
    let of_name = record.marks.iter().enumerate().filter(|(_, m)| m.name == name);
    let found: Vec<usize> = of_name
        .clone()
        .filter(|(_, m)| when.is_none_or(|when| m.at.is_meant_by(when, &zone)))
        .map(|(nth, _)| nth)
        .collect();
    match found.as_slice() {
        [only] => Ok(*only),
        [] => {
            let there = record.marks.iter().map(|m| format!("{}.{}", m.name, m.at.clock_s(&zone)));
            Err(none_such(field, record, "mark", &there.collect::<Vec<_>>()))
        }
        _ => {
            let mut there: Vec<String> = of_name.clone().map(|(_, m)| m.at.clock_s(&zone)).collect();
            if there.windows(2).any(|two| two[0] == two[1]) {
                there = of_name.map(|(_, m)| m.at.to_string()).collect();
            }
            Err(CorrectError::Several { field: field.into(), there: there.join(", ") })
        }
    }
}

/// A moment as a person writes it; a clock alone is the one nearest to `near`.
fn moment(text: &str, zone: &TimeZone, near: At) -> Option<At> {
    if let Ok(at) = text.parse::<At>() {
        return Some(at);
    }
    let on = |day: &str, clock: &str| -> Option<At> {
        if let Ok(at) = format!("{day}T{clock}").parse() {
            return Some(at);
        }
        let clock = if clock.len() == 5 { format!("{clock}:00") } else { clock.to_owned() };
        let local: DateTime = format!("{day}T{clock}").parse().ok()?;
        i64::try_from(zone.to_timestamp(local).ok()?.as_nanosecond()).ok().map(At)
    };
    if let Some((day, clock)) = text.split_once([' ', 'T']) {
        return on(day, clock);
    }
    let days = [-86_400, 0, 86_400].map(|s| near.plus_s(s).day(zone));
    let nearest = days.iter().filter_map(|day| on(day, text)).min_by_key(|at| at.0.abs_diff(near.0));
    nearest.filter(|_| text.contains(':'))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> At {
        text.parse().unwrap()
    }

    fn mark(name: &str, when: &str) -> Mark {
        Mark { at: at(when), name: name.into(), by: Some("ada".into()), ..Mark::default() }
    }

    fn ada() -> Author {
        let (by, reason) = (Some("ada".into()), Some("pressed late".into()));
        Author { by, at: at("2026-07-14T12:00:00Z"), reason }
    }

    #[test]
    fn what_was_corrected_stays_so_when_the_journal_is_read_again() {
        let pressed = [
            mark("rennet", "2026-07-14T04:05:10.123Z"),
            mark("cut", "2026-07-14T04:40:00Z"),
            mark("cut", "2026-07-14T04:41:00Z"),
        ];
        let mut lot = Record { lot: "x".into(), time_zone: "Europe/Zurich".into(), ..Record::default() };
        lot.marks = holding(&lot, &pressed);
        assert!(set(&mut lot, "mark.rennet", "06:03", &ada()).unwrap());
        assert!(set(&mut lot, "mark.cut.06:41", "", &ada()).unwrap());
        assert!(!set(&mut lot, "mark.rennet", "06:03", &ada()).unwrap(), "it says so already");
        assert!(add(
            &mut lot,
            &Mark { told: Some(at("2026-07-14T06:00:00Z")), ..mark("floc", "2026-07-14T04:20:00Z") }
        ));
        let held = lot.marks.clone();
        let names: Vec<_> = held.iter().map(|m| (m.name.as_str(), m.at.to_string())).collect();
        let times = ["2026-07-14T04:03:00Z", "2026-07-14T04:20:00Z", "2026-07-14T04:40:00Z"];
        assert_eq!(
            names,
            ["rennet", "floc", "cut"].into_iter().zip(times.map(String::from)).collect::<Vec<_>>()
        );
        assert_eq!(held[0].told, Some(pressed[0].at));
        assert_eq!(lot.struck, [pressed[2].clone()]);
        // From the file, and drawn anew.
        let again = Record::from_toml(&lot.to_toml().unwrap()).unwrap();
        assert_eq!(holding(&again, &pressed), again.marks);
        let old: Vec<_> = lot.corrections.iter().map(|c| (c.old.as_str(), c.new.as_str())).collect();
        assert_eq!(
            old,
            [("\"2026-07-14T04:05:10.123Z\"", "\"2026-07-14T04:03:00Z\""), ("\"2026-07-14T04:41:00Z\"", "")]
        );
    }

    #[test]
    fn refusals_say_why_and_change_nothing() {
        let mut lot = Record { lot: "x".into(), time_zone: "Europe/Zurich".into(), ..Record::default() };
        lot.marks = vec![mark("cut", "2026-07-14T04:40:00Z"), mark("cut", "2026-07-14T04:41:00Z")];
        lot.marks.push(mark("ph", "2026-07-14T05:00:00Z"));
        let before = lot.clone();
        for (field, value, says) in [
            ("mark.cut", "06:30", "06:40:00, 06:41:00"),
            ("mark.rennet", "06:30", "no such mark; it has cut.06:40:00"),
            ("mark.cut.06:40", "soon", "no moment"),
            ("mark.cut.06:40", "2026-07-15 06:40", "still to come"),
            ("mark.ph", "06:40", "ph.07:00=6.45"),
        ] {
            let e = set(&mut lot, field, value, &ada()).unwrap_err().to_string();
            assert!(e.contains(says), "{field}: {e}");
        }
        let e = set(&mut lot, "mark.cut.06:40", "", &Author { reason: None, ..ada() }).unwrap_err();
        assert!(e.to_string().contains("--reason"), "{e}");
        assert_eq!(lot, before);
    }
}
