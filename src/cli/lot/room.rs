//! Where the lot commands find the lots, the clock and whoever may change
//! them.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;

use crate::cli::error::Failure;
use crate::cli::{Place, say};
use crate::config::dairy;
use crate::config::signing::Signing;
use crate::daemon::clock::{Clock, NEVER_SET_BEFORE_NS};
use crate::journal::storage::{Disk, Storage};
use crate::lot::at::At;
use crate::lot::inbox::{Answer, Ask, Request};
use crate::lot::store::{Dairy, LotError, Store};
use crate::wire::name::unfit;

/// How long the daemon may take to begin with what it is asked.
const PATIENCE: Duration = Duration::from_secs(15);

/// The lots, the dairy and the clock.
pub(super) struct Room {
    /// The data folder is named at the command line, or by its environment.
    data_is_named: bool,
    pub(super) storage: Arc<dyn Storage>,
    pub(super) store: Store,
    pub(super) dairy: Dairy,
    /// The time zone in which times are typed and told: the dairy's, or a lot's own.
    pub(super) zone: TimeZone,
    /// Kettles the configuration names.
    kettles: Vec<dairy::Kettle>,
    /// Probes it names.
    probes: Vec<crate::config::source::Probe>,
    pub(super) clock: Clock,
    /// How lots are signed.
    pub(super) signing: Signing,
    /// How far back the journal is asked what time it was, nanoseconds.
    pub(super) look_back_ns: i64,
    /// How long the daemon may take to begin.
    pub(super) patience: Duration,
}

impl Room {
    /// Finds the data folder: `--data`, else the configuration's, else
    /// `./data`. A configuration is needed only where one is named.
    pub(super) fn enter(place: Place) -> Result<Self, Failure> {
        let named = place.config.is_some();
        let found = match dairy::place(place.config) {
            Err(why) if named => return Err(Failure::no_input(why)),
            found => found.ok(),
        };
        let config = match found {
            Some(path) => {
                dairy::read(&path).map_err(|faults| Failure::config(crate::config::fault::listed(&faults)))?
            }
            None => dairy::Config::default(),
        };
        let look_back_ns = config.look_back_ns();
        let data_is_named = place.data.is_some();
        let data: PathBuf = place.data.unwrap_or(config.data);
        let storage: Arc<dyn Storage> = Arc::new(Disk);
        let dairy = Dairy {
            name: config.dairy,
            time_zone: config.time_zone,
            language: config.language,
            lot_id: config.lot_id,
        };
        Ok(Self {
            data_is_named,
            store: Store::at(storage.clone(), &data),
            zone: dairy::zone(&dairy.time_zone),
            dairy,
            storage,
            kettles: config.kettles,
            probes: config.probes,
            signing: config.signing,
            look_back_ns,
            patience: PATIENCE,
            clock: Clock::real(),
        })
    }

    /// Now.
    pub(super) fn now(&self) -> At {
        At(self.clock.now().wall_ns)
    }

    /// The probe meant where none is named: the only one that hangs in the kettle;
    /// where the configuration names none, it bears the kettle's name.
    pub(super) fn probe_of(&self, kettle: &str) -> Result<String, Failure> {
        let hangs =
            |p: &&crate::config::source::Probe| p.kettle.as_ref().unwrap_or(&p.name).as_ref() == kettle;
        let names: Vec<&str> = self.probes.iter().filter(hangs).map(|p| &*p.name).collect();
        match names.as_slice() {
            [] => Ok(kettle.to_owned()),
            [only] => Ok((*only).to_owned()),
            many => {
                Err(Failure::usage(format_args!("say which probe: --probe {}", many.join(" or --probe "))))
            }
        }
    }

    /// The kettle meant where none is named: the only one the configuration
    /// has or, without a configuration, the only one on which a lot is open. One
    /// that is named must be there, where the configuration says which there are.
    pub(super) fn kettle(&self, named: Option<String>) -> Result<String, Failure> {
        if let Some(kettle) = &named {
            fit_kettle(kettle)?;
        }
        match (named, self.kettles.as_slice()) {
            (Some(k), []) => Ok(k),
            (Some(k), _) if self.is_known(&k)? => Ok(k),
            (Some(k), names) => {
                let names: Vec<&str> = names.iter().map(|k| &*k.name).collect();
                Err(Failure::usage(format_args!(
                    "there is no kettle {k:?}; the configuration has {}: name one of them, or add a [[kettle]] of that name",
                    names.join(", ")
                )))
            }
            (None, [only]) => Ok(only.name.to_string()),
            (None, []) => Ok(self.only_open().unwrap_or_else(|| "kettle".into())),
            (None, many) => {
                let many: Vec<&str> = many.iter().map(|k| &*k.name).collect();
                Err(Failure::usage(format_args!("say which kettle: --kettle {}", many.join(" or --kettle "))))
            }
        }
    }

    /// The kettle on which a lot is open, where there is one such.
    fn only_open(&self) -> Option<String> {
        let heads = self.store.list().ok()?.0;
        let mut open = heads.into_iter().filter(|l| !l.is_closed() && !l.past).map(|l| l.kettle);
        open.next().filter(|one| open.all(|other| other == *one))
    }

    /// Whether anything is known of a kettle: the configuration names it or a
    /// probe of it, or a lot was made in it, as in one that only its box names.
    fn is_known(&self, kettle: &str) -> Result<bool, Failure> {
        let named = self.kettles.iter().any(|k| &*k.name == kettle)
            || self.probes.iter().any(|p| &**p.kettle.as_ref().unwrap_or(&p.name) == kettle);
        Ok(named || self.store.list().map_err(|e| failure(&e))?.0.iter().any(|l| l.kettle == kettle))
    }

    /// The plan that the configuration has for a kettle, its TOML text.
    pub(super) fn plan_of(&self, kettle: &str) -> Option<String> {
        let plan = self.kettles.iter().find(|k| &*k.name == kettle)?.plan.as_deref()?;
        Some(crate::config::plan::write(plan))
    }

    /// Has a request carried out: by the daemon where one runs, else here.
    pub(super) fn ask(&self, by: Option<String>, ask: Ask) -> Result<Answer, Failure> {
        // Only what begins something makes the data folder, and none that is named here: it
        // may be mistyped, and the lot would not be where it is looked for.
        let makes_it = matches!(ask, Ask::Open(_) | Ask::Mark(_));
        if !makes_it || (self.data_is_named && !self.store.data().exists()) {
            self.must_be_there()?;
        }
        let answer = self.have_done(&Request { at: self.now(), by, ask })?;
        match answer.code {
            0 => Ok(answer),
            code => Err(Failure::of(code, answer.text)),
        }
    }

    /// As [`Room::ask`]; what became of it is printed.
    pub(super) fn ask_and_say(&self, by: Option<String>, ask: Ask) -> Result<(), Failure> {
        let answer = self.ask(by, ask)?;
        say(&answer.text)
    }

    /// That there is a data folder to read.
    ///
    /// # Errors
    /// 66 where there is none.
    pub(super) fn must_be_there(&self) -> Result<(), Failure> {
        let data = self.store.data();
        if data.is_dir() {
            return Ok(());
        }
        let data = data.display();
        Err(Failure::no_input(format_args!(
            "there is no data folder at {data}; name it with --data DIR, or make it first where it is new"
        )))
    }

    /// A year, a month or a day, as what the days in it begin with.
    ///
    /// # Errors
    /// 64 where it is none.
    pub(super) fn days(&self, text: &str) -> Result<String, Failure> {
        days(text, &self.now().day(&self.zone)).ok_or_else(|| {
            Failure::usage(format_args!(
                "{text:?} is no day, month or year; write 2026-07-14, 2026-07, 2026, today or yesterday"
            ))
        })
    }

    /// From here on times are those of a lot: where no configuration is in reach, its
    /// record still has its time zone.
    ///
    /// # Errors
    /// As [`Store::load`].
    pub(super) fn go_by(&mut self, lot: &str) -> Result<(), Failure> {
        self.zone = self.store.load(lot).map_err(|e| failure(&e))?.zone();
        Ok(())
    }

    /// A moment as a person writes it: RFC 3339, `2026-07-14 06:03`, `06:03`
    /// (today), `yesterday 06:03`; in the room's time zone.
    pub(super) fn moment(&self, text: &str) -> Result<At, Failure> {
        let today = self.now().day(&self.zone);
        moment(text, &today, &self.zone).ok_or_else(|| {
            Failure::usage(format_args!(
                "{text:?} is no moment; write 06:03, \"yesterday 06:03\", \"2026-07-14 06:03\" or 2026-07-14T06:03:00Z"
            ))
        })
    }

    /// A moment that is past, as a person writes it after `option`.
    pub(super) fn past(&self, option: &str, text: &str) -> Result<At, Failure> {
        let (at, now) = (self.moment(text)?, self.now());
        // A clock that was never set cannot say what is still to come.
        if now.0 < NEVER_SET_BEFORE_NS || at <= now {
            return Ok(at);
        }
        let has_no_day = text.contains(':') && !text.trim().contains([' ', 'T']);
        let remedy = if has_no_day {
            format!("of another day it is {option} \"yesterday {text}\" or {option} \"2026-07-14 06:03\"")
        } else {
            format!("mend the day or the time after {option}")
        };
        Err(Failure::usage(format_args!("{text} is still to come; {remedy}")))
    }
}

/// Who does it, as `--by` names him.
pub(super) fn person(text: &str) -> Result<String, String> {
    let name = text.trim();
    if name.is_empty() || name.chars().any(char::is_control) {
        return Err("a name is wanted, in one line".into());
    }
    Ok(name.into())
}

/// That a kettle can be called so: the journal takes no line of another.
pub(super) fn fit_kettle(kettle: &str) -> Result<(), Failure> {
    match unfit(kettle) {
        None => Ok(()),
        Some(why) => Err(Failure::usage(format_args!(
            "kettle {kettle:?} {why}; name one of those there are, such as --kettle big"
        ))),
    }
}

fn moment(text: &str, today: &str, zone: &TimeZone) -> Option<At> {
    let text = text.trim();
    if let Ok(at) = text.parse::<At>() {
        return Some(at);
    }
    let (day, clock) = match text.split_once([' ', 'T']) {
        Some((day, clock)) => (self::day(day, today)?, clock),
        None if text.contains(':') => (self::day("today", today)?, text),
        None => (self::day(text, today)?, "00:00"),
    };
    // With the offset, where the clocks go back: 02:30+01:00.
    if let Ok(at) = format!("{day}T{clock}").parse() {
        return Some(at);
    }
    let clock = if clock.len() == 5 { format!("{clock}:00") } else { clock.to_owned() };
    let local: jiff::civil::DateTime = format!("{day}T{clock}").parse().ok()?;
    i64::try_from(zone.to_timestamp(local).ok()?.as_nanosecond()).ok().map(At)
}

/// A day as a person writes it: `today`, `yesterday`, `2026-07-14`.
pub(super) fn day(text: &str, today: &str) -> Option<String> {
    let today: jiff::civil::Date = today.parse().ok()?;
    match text {
        "today" => Some(today.to_string()),
        "yesterday" => today.yesterday().ok().map(|d| d.to_string()),
        other => other.parse::<jiff::civil::Date>().ok().map(|d| d.to_string()),
    }
}

fn days(text: &str, today: &str) -> Option<String> {
    let is_begun = |rest: &str| format!("{text}{rest}").parse::<jiff::civil::Date>().is_ok();
    let (year, month) = (text.len() == 4 && is_begun("-01-01"), text.len() == 7 && is_begun("-01"));
    if year || month { Some(text.to_owned()) } else { day(text, today) }
}

/// A lot's failure as the command's.
pub(super) fn failure(e: &LotError) -> Failure {
    Failure::of(e.exit_code(), e.to_string())
}

/// Between two looks at a lot that is being sealed.
pub(super) fn pause() {
    std::thread::sleep(Duration::from_millis(5));
}

/// Writes a file a person asked for.
pub(super) fn write_out(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, bytes).map_err(|e| {
        Failure::io(format_args!(
            "cannot write {}: {e}; name a file in a folder that is there and takes it",
            path.display()
        ))
    })
}

/// Puts columns under each other. A record written by hand may hold what breaks a line.
pub(super) fn columns(rows: &[Vec<String>]) -> Vec<String> {
    let plain = |cell: &String| cell.replace(char::is_control, " ");
    let rows: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(plain).collect()).collect();
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count)
        .map(|i| rows.iter().filter_map(|r| r.get(i)).map(|c| c.chars().count()).max().unwrap_or(0))
        .collect();
    let line = |row: &Vec<String>| {
        let mut text = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            let pad = width - cell.chars().count();
            text.push_str(cell);
            text.extend(std::iter::repeat_n(' ', pad + 2));
        }
        text.trim_end().to_owned()
    };
    rows.iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_as_a_person_writes_them() {
        let zone = TimeZone::get("Europe/Zurich").unwrap();
        for (text, is) in [
            ("06:03", "2026-07-14T04:03:00Z"),
            ("yesterday 18:30", "2026-07-13T16:30:00Z"),
            ("2026-07-12 06:03:20", "2026-07-12T04:03:20Z"),
            ("2026-07-12", "2026-07-11T22:00:00Z"),
            ("2026-07-12T06:03:00Z", "2026-07-12T06:03:00Z"),
            ("2026-01-12T06:03", "2026-01-12T05:03:00Z"),
            ("2025-10-26 02:30", "2025-10-26T00:30:00Z"),
            ("2025-10-26 02:30+01:00", "2025-10-26T01:30:00Z"),
        ] {
            assert_eq!(moment(text, "2026-07-14", &zone).unwrap().to_string(), is, "{text}");
        }
        for (text, is) in [
            ("2026", Some("2026")),
            ("2026-07", Some("2026-07")),
            ("2026-07-14", Some("2026-07-14")),
            ("yesterday", Some("2026-07-13")),
            ("2026-13", None),
            ("2026-0", None),
            ("garbage", None),
            ("", None),
        ] {
            assert_eq!(days(text, "2026-07-14").as_deref(), is, "{text}");
        }
        for none in ["", "soon", "25:00", "2026-13-01"] {
            assert_eq!(moment(none, "2026-07-14", &zone), None, "{none}");
        }
    }
}
