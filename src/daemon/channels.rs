//! Every probe's channel: settings from the configuration, calibration from
//! disk. Sources call [`Channels::reading`] and nothing else.
//!
//! A calibration made while the daemon runs is taken within [`LOOK_AGAIN_NS`]
//! and the time that reading it takes.
//!
//! Invariants: a correction that was known is never taken back by a look at the disk that
//! finds less; it holds, and each reading says so. [`Channels::reading`] never waits for the disk. A thread of its
//! own reads what is there ([`Channels::kept_fresh`]); one that hangs on a card
//! costs newer calibrations and nothing else.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError, RwLock, Weak};

use super::calibrations::{self, CalibrationFileError};
use super::clock::{Clock, NEVER_SET_BEFORE_NS, Now};
use super::store_watch::HANGS_AFTER;
use crate::config::dairy::Config;
use crate::config::source::Probe;
use crate::engine::event::{Name, Reading};
use crate::sensor::calibration::Record;
use crate::sensor::channel::Channel;
use crate::sensor::raw::Raw;

/// The calibrations are looked at again after so long.
pub const LOOK_AGAIN_NS: u64 = 60_000_000_000;

/// A disk that has not answered for so long hangs, nanoseconds of the world's time:
/// the daemon's own patience with it ([`HANGS_AFTER`]).
const HANGS_AFTER_NS: u64 = HANGS_AFTER.as_secs() * 1_000_000_000;

/// Most probes of which a calibration is kept in memory.
const MOST_KEPT: usize = 1024;

/// What every reading says where its calibration is not as it was kept.
const UNREADABLE: &str = "a calibration file cannot be read: calibrate anew";
const GONE: &str = "a calibration file is gone: what it said holds; put it back, or calibrate anew";

/// The channels of all probes. Shared by the sources.
#[derive(Debug)]
pub struct Channels {
    known: RwLock<Arc<BTreeMap<Name, Channel>>>,
    /// When it was last asked to look again, monotonic.
    asked_ns: AtomicU64,
    /// Asks the thread to look again; `None` where there is none.
    again: Option<SyncSender<()>>,
    /// The world's own clock: a rehearsal's runs faster than any disk answers.
    world: Clock,
    patience: Mutex<Patience>,
}

/// How long the disk has not answered, and whether that was said.
#[derive(Debug, Default)]
struct Patience {
    since_ns: Option<u64>,
    told: bool,
}

impl Patience {
    /// The thread still hangs on the last look; whether that is to be said now.
    fn waits(&mut self, now_ns: u64) -> bool {
        let since_ns = *self.since_ns.get_or_insert(now_ns);
        let due = !self.told && now_ns.saturating_sub(since_ns) >= HANGS_AFTER_NS;
        self.told |= due;
        due
    }

    /// The thread took what it was asked; whether the end of a hang is to be said.
    fn answered(&mut self) -> bool {
        self.since_ns = None;
        std::mem::take(&mut self.told)
    }
}

/// Where channels are read from.
#[derive(Debug)]
struct Shelf {
    /// Where calibrations lie.
    data: PathBuf,
    set: BTreeMap<Name, Probe>,
    /// The calibration that was found last of each probe.
    found: BTreeMap<Name, Record>,
    /// Faults that were said already.
    told: BTreeSet<String>,
}

impl Channels {
    /// Those of a configuration, as they are on disk now.
    pub fn of(config: &Config) -> Self {
        Self::holding(Shelf::of(config).all(), None)
    }

    /// As [`Channels::of`], with a thread that takes in what is calibrated
    /// later. It ends when nobody holds the channels any more.
    ///
    /// # Errors
    /// The thread cannot be started.
    pub fn kept_fresh(config: &Config) -> std::io::Result<Arc<Self>> {
        let mut shelf = Shelf::of(config);
        Self::fed_by(move || shelf.all())
    }

    /// Those that `look` gives, now and whenever they are asked for again.
    fn fed_by(
        mut look: impl FnMut() -> BTreeMap<Name, Channel> + Send + 'static,
    ) -> std::io::Result<Arc<Self>> {
        // One that waits is enough: it looks at everything.
        let (again, asked) = sync_channel(1);
        let channels = Arc::new(Self::holding(look(), Some(again)));
        let held = Arc::downgrade(&channels);
        std::thread::Builder::new().name("calibrations".into()).spawn(move || {
            for () in asked {
                let fresh = look();
                let Some(channels) = Weak::upgrade(&held) else { return };
                *channels.known.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(fresh);
            }
        })?;
        Ok(channels)
    }

    /// Those of a configuration without any correction, which calibrating
    /// looks at.
    pub fn uncorrected(config: &Config) -> Self {
        let plain = |p: &Probe| {
            let mut channel = set_as(&p.name, Some(p));
            channel.calibration_needed = false;
            (p.name.clone(), channel)
        };
        Self::holding(config.probes.iter().map(plain).collect(), None)
    }

    fn holding(known: BTreeMap<Name, Channel>, again: Option<SyncSender<()>>) -> Self {
        let (asked_ns, world, patience) = (AtomicU64::new(0), Clock::real(), Mutex::default());
        Self { known: RwLock::new(Arc::new(known)), asked_ns, again, world, patience }
    }

    /// The reading that a raw value of a probe makes, with its kettle: the
    /// source's, else the configured one.
    pub fn reading(&self, probe: &Name, kettle: Option<Name>, raw: &Raw, now: Now) -> Reading {
        self.look_again(now);
        let known = self.known.read().unwrap_or_else(PoisonError::into_inner).clone();
        let wall_ns = (now.wall_ns >= NEVER_SET_BEFORE_NS).then_some(now.wall_ns);
        let mut reading = match known.get(probe) {
            Some(channel) => channel.reading(raw, wall_ns),
            // Neither set nor calibrated.
            None => Channel::named(probe).reading(raw, wall_ns),
        };
        reading.kettle = kettle.or(reading.kettle).filter(|k| k != probe);
        reading
    }

    /// Has the thread look where the last look is old. Never waits.
    fn look_again(&self, now: Now) {
        let Some(again) = &self.again else { return };
        if now.mono_ns.saturating_sub(self.asked_ns.load(Ordering::Relaxed)) < LOOK_AGAIN_NS {
            return;
        }
        self.asked_ns.store(now.mono_ns, Ordering::Relaxed);
        let mut patience = self.patience.lock().unwrap_or_else(PoisonError::into_inner);
        if let Err(TrySendError::Full(())) = again.try_send(()) {
            if patience.waits(self.world.now().mono_ns) {
                tracing::warn!("the disk does not give the calibrations; those known hold until it does");
            }
        } else if patience.answered() {
            tracing::info!("the disk gives the calibrations again");
        }
    }
}

impl Shelf {
    fn of(config: &Config) -> Self {
        let set = config.probes.iter().map(|p| (p.name.clone(), p.clone())).collect();
        Self { data: config.data.clone(), set, found: BTreeMap::new(), told: BTreeSet::new() }
    }

    /// Every probe that is set or was ever calibrated.
    fn all(&mut self) -> BTreeMap<Name, Channel> {
        let calibrated = calibrations::probes(&self.data).unwrap_or_else(|fault| {
            self.tell(&fault);
            Vec::new()
        });
        let calibrated = calibrated.into_iter().map(Name::from).take(MOST_KEPT);
        let known = self.set.keys().chain(self.found.keys()).cloned();
        let names: BTreeSet<Name> = known.chain(calibrated).collect();
        names.into_iter().map(|n| (n.clone(), self.channel(&n))).collect()
    }

    /// Says a fault once.
    fn tell(&mut self, fault: &CalibrationFileError) {
        let text = fault.to_string();
        if !self.told.contains(&text) {
            tracing::error!("{text}");
            self.told.insert(text);
        }
    }

    fn channel(&mut self, probe: &Name) -> Channel {
        let mut channel = set_as(probe, self.set.get(probe));
        let kept = calibrations::of(&self.data, probe);
        kept.faults.iter().for_each(|fault| self.tell(fault));
        let (holds, is_gone) = match (kept.latest, self.found.get(probe)) {
            (None, Some(known)) => (Some(known.clone()), true),
            // Who calibrates anew without the former files begins to count anew.
            (Some(now), Some(known)) if now.number < known.number && now.time <= known.time => {
                (Some(known.clone()), true)
            }
            (latest, _) => (latest, false),
        };
        if !kept.faults.is_empty() {
            channel.calibration_doubt = Some(UNREADABLE.to_owned());
        } else if is_gone {
            channel.calibration_doubt = Some(GONE.to_owned());
        }
        if let Some(record) = holds {
            // Records are checked when they are read.
            channel.calibration = record.applied().ok();
            self.found.insert(probe.clone(), record);
        }
        channel
    }
}

/// One probe's channel, its calibration read from disk now.
pub fn channel(config: &Config, probe: &str) -> Channel {
    Shelf::of(config).channel(&Name::from(probe))
}

/// A probe's channel as it is set, without its calibration.
fn set_as(probe: &Name, set: Option<&Probe>) -> Channel {
    let mut channel = Channel::named(probe);
    if let Some(p) = set {
        channel.kettle.clone_from(&p.kettle);
        channel.sensor = p.sensor.sensor;
        channel.grade = p.sensor.grade;
        channel.calibration_needed = p.sensor.calibration_needed;
    }
    channel
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::probe::Health;
    use crate::sensor::calibration::Shape;
    use crate::sensor::raw::Signal;

    const WALL_NS: i64 = 1_781_424_000_000_000_000;

    fn at(s: u64) -> Now {
        Now { mono_ns: s * 1_000_000_000, wall_ns: WALL_NS }
    }

    fn record(probe: &str) -> Record {
        Record {
            probe: probe.into(),
            number: 1,
            time: "2026-06-14T08:12:30Z".into(),
            by: "ada".into(),
            sensor: "as the box says".into(),
            shape: Shape::Linear,
            knots: vec![(0.5, 0.0)],
            expanded_uncertainty_celsius: 0.2,
            due: "2026-06-13".into(),
            remarks: vec![],
            points: vec![],
        }
    }

    /// Until the thread has looked, which nothing waits for.
    fn reads(channels: &Channels, probe: &str, celsius: f64) -> Reading {
        reads_that(channels, probe, 60, |r| r.celsius == Some(celsius))
    }

    fn reads_that(channels: &Channels, probe: &str, s: u64, is_it: impl Fn(&Reading) -> bool) -> Reading {
        let (probe, raw) = (Name::from(probe), Raw::of(Signal::Celsius(34.5)));
        for _ in 0..5_000 {
            let r = channels.reading(&probe, Some(Name::from("big")), &raw, at(s));
            if is_it(&r) {
                return r;
            }
            std::thread::sleep(std::time::Duration::from_millis(2));
        }
        panic!("the calibration is not taken");
    }

    #[test]
    fn a_calibration_made_meanwhile_is_taken() {
        let data = tempfile::tempdir().unwrap();
        let config = Config { data: data.path().into(), ..Config::default() };
        calibrations::keep(data.path(), &record("tank")).unwrap();
        let channels = Channels::kept_fresh(&config).unwrap();
        let (probe, raw) = (Name::from("kettle"), Raw::of(Signal::Celsius(34.5)));
        assert_eq!(channels.reading(&probe, None, &raw, at(0)).celsius, Some(34.5));
        let tank = channels.reading(&Name::from("tank"), None, &raw, at(0));
        assert_eq!(tank.celsius, Some(34.0), "what was there at the start holds from the first reading on");
        calibrations::keep(data.path(), &record("kettle")).unwrap();
        assert_eq!(channels.reading(&probe, None, &raw, at(59)).celsius, Some(34.5));
        let r = reads(&channels, "kettle", 34.0);
        assert_eq!(r.kettle.as_deref(), Some("big"));
        // Due yesterday: said in every reading; but not by a clock never set.
        assert_eq!(r.health, Some(Health::MaintenanceRequired));
        let unset = Now { mono_ns: 61_000_000_000, wall_ns: 5 };
        assert_eq!(channels.reading(&probe, None, &raw, unset).health, None);
    }

    /// A folder that was away for a minute, or that the disk did not give, took the
    /// correction away, and nothing said so.
    #[test]
    fn a_calibration_that_is_gone_or_cannot_be_read_holds_and_is_doubted() {
        let data = tempfile::tempdir().unwrap();
        let config = Config { data: data.path().into(), ..Config::default() };
        let valid = || Record { due: "2030-01-01".into(), ..record("kettle") };
        calibrations::keep(data.path(), &valid()).unwrap();
        let channels = Channels::kept_fresh(&config).unwrap();
        let check = |s: u64, doubt: Option<&str>| {
            let says = |r: &Reading| match (doubt, &r.reason) {
                (Some(doubt), Some(reason)) => reason.starts_with(doubt),
                (None, None) => true,
                _ => false,
            };
            let r = reads_that(&channels, "kettle", s, says);
            assert_eq!(r.celsius, Some(34.0), "{doubt:?}");
            assert_eq!(r.health, doubt.map(|_| Health::MaintenanceRequired));
        };
        check(0, None);
        let (all, away) = (data.path().join("calibrations"), data.path().join("away"));
        std::fs::rename(&all, &away).unwrap();
        check(60, Some("a calibration file is gone"));
        // No folder any more, as on a disk that gives an error.
        std::fs::write(&all, "").unwrap();
        check(120, Some("a calibration file cannot be read"));
        std::fs::remove_file(&all).unwrap();
        std::fs::rename(&away, &all).unwrap();
        check(180, None);
        // Calibrated anew without the former files it counts from one again.
        for number in [2, 1] {
            std::fs::remove_dir_all(&all).unwrap();
            let time = format!("2026-06-1{}T08:12:30Z", 7 - number);
            let knots = vec![(f64::from(number), 0.0)];
            calibrations::keep(data.path(), &Record { number, time, knots, ..valid() }).unwrap();
            let s = 360 - 60 * u64::from(number);
            let taken = reads_that(&channels, "kettle", s, |r| r.celsius == Some(34.5 - f64::from(number)));
            assert_eq!(taken.health, None);
        }
    }

    /// A rehearsal's minute passes in the time of one look, and each was told as a
    /// disk that hangs.
    #[test]
    fn a_disk_that_hangs_is_told_once_and_one_that_is_only_slower_is_not() {
        let mut patience = Patience::default();
        let told: Vec<u64> =
            (0..HANGS_AFTER_NS).step_by(40_000_000).filter(|ns| patience.waits(*ns)).collect();
        assert_eq!(told, [0; 0]);
        assert!(!patience.answered() && !patience.waits(HANGS_AFTER_NS), "it answered meanwhile");
        assert!(patience.waits(2 * HANGS_AFTER_NS) && !patience.waits(9 * HANGS_AFTER_NS));
        assert!(patience.answered() && !patience.answered());
    }

    /// A calibration was read on the thread on which engine, alarms and page
    /// run: a card that hung stopped them all.
    #[test]
    fn a_calibration_file_that_does_not_come_back_holds_up_no_reading() {
        let data = tempfile::tempdir().unwrap();
        let config = Config { data: data.path().into(), ..Config::default() };
        calibrations::keep(data.path(), &record("kettle")).unwrap();
        let mut shelf = Shelf::of(&config);
        let (_held, never) = std::sync::mpsc::channel::<()>();
        let mut looks = 0;
        let channels = Channels::fed_by(move || {
            looks += 1;
            // The card hangs at the second look, until the test is over.
            if looks > 1 {
                let _ = never.recv();
            }
            shelf.all()
        })
        .unwrap();
        let (told, heard) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            let raw = Raw::of(Signal::Celsius(34.5));
            for s in [0, 60, 120, 180, 240] {
                let r = channels.reading(&Name::from("kettle"), None, &raw, at(s));
                told.send(r.celsius).unwrap();
            }
        });
        for _ in 0..5 {
            let celsius =
                heard.recv_timeout(std::time::Duration::from_secs(20)).expect("a reading waits for the disk");
            assert_eq!(celsius, Some(34.0), "what was known holds");
        }
    }
}
