//! Every probe's channel: settings from the configuration, calibration from
//! disk. Sources call [`Channels::reading`] and nothing else.
//!
//! A calibration made while the daemon runs is taken within
//! [`LOOK_AGAIN_NS`].

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use super::calibrations;
use super::clock::{NEVER_SET_BEFORE_NS, Now};
use crate::config::dairy::Config;
use crate::config::source::Probe;
use crate::engine::event::{Name, Reading};
use crate::sensor::channel::Channel;
use crate::sensor::raw::Raw;

/// A probe's calibrations are looked at again after so long.
pub const LOOK_AGAIN_NS: u64 = 60_000_000_000;

/// Most probes of which a channel is kept; a source that invents names without
/// end does not fill the memory.
const MOST_KEPT: usize = 1024;

/// The channels of all probes. Shared by the sources.
#[derive(Debug)]
pub struct Channels {
    /// Where calibrations lie; `None` corrects nothing.
    data: Option<PathBuf>,
    set: BTreeMap<Name, Probe>,
    known: Mutex<BTreeMap<Name, Known>>,
}

#[derive(Debug)]
struct Known {
    channel: Channel,
    looked_ns: u64,
}

impl Channels {
    /// Those of a configuration.
    pub fn of(config: &Config) -> Self {
        let set = config.probes.iter().map(|p| (p.name.clone(), p.clone())).collect();
        Self { data: Some(config.data.clone()), set, known: Mutex::default() }
    }

    /// Those of a configuration without any correction, which calibrating
    /// looks at.
    pub fn uncorrected(config: &Config) -> Self {
        let mut set: BTreeMap<Name, Probe> =
            config.probes.iter().map(|p| (p.name.clone(), p.clone())).collect();
        for p in set.values_mut() {
            p.sensor.calibration_needed = false;
        }
        Self { data: None, set, known: Mutex::default() }
    }

    /// The reading that a raw value of a probe makes, with its kettle: the
    /// source's, else the configured one.
    pub fn reading(&self, probe: &Name, kettle: Option<Name>, raw: &Raw, now: Now) -> Reading {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let stale = |k: &Known| now.mono_ns.saturating_sub(k.looked_ns) >= LOOK_AGAIN_NS;
        if known.get(probe).is_none_or(stale) {
            if known.len() >= MOST_KEPT && !known.contains_key(probe) {
                known.clear();
            }
            let channel = self.channel(probe);
            known.insert(probe.clone(), Known { channel, looked_ns: now.mono_ns });
        }
        let wall_ns = (now.wall_ns >= NEVER_SET_BEFORE_NS).then_some(now.wall_ns);
        let mut reading = match known.get(probe) {
            Some(k) => k.channel.reading(raw, wall_ns),
            None => Channel::named(probe).reading(raw, wall_ns),
        };
        reading.kettle = kettle.or(reading.kettle).filter(|k| k != probe);
        reading
    }

    /// A probe's channel, its calibration read from disk now.
    pub fn channel(&self, probe: &Name) -> Channel {
        let mut channel = Channel::named(probe);
        if let Some(p) = self.set.get(probe) {
            channel.kettle.clone_from(&p.kettle);
            channel.sensor = p.sensor.sensor;
            channel.grade = p.sensor.grade;
            channel.calibration_needed = p.sensor.calibration_needed;
        }
        let kept = self.data.as_ref().map(|data| calibrations::of(data, probe)).unwrap_or_default();
        for fault in &kept.faults {
            tracing::error!(%probe, "{fault}");
        }
        // Records are checked when they are read.
        channel.calibration = kept.latest.and_then(|r| r.applied().ok());
        if !kept.faults.is_empty() {
            channel.calibration_doubt = Some("a calibration file cannot be read: calibrate anew".to_owned());
        }
        channel
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::probe::Health;
    use crate::sensor::calibration::{Record, Shape};
    use crate::sensor::raw::Signal;

    #[test]
    fn a_calibration_made_meanwhile_is_taken() {
        let data = tempfile::tempdir().unwrap();
        let config = Config { data: data.path().into(), ..Config::default() };
        let channels = Channels::of(&config);
        let probe = Name::from("kettle");
        let at = |s: u64| Now { mono_ns: s * 1_000_000_000, wall_ns: 1_781_424_000_000_000_000 };
        let raw = Raw::of(Signal::Celsius(34.5));
        assert_eq!(channels.reading(&probe, None, &raw, at(0)).celsius, Some(34.5));
        let record = Record {
            probe: "kettle".into(),
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
        };
        calibrations::keep(data.path(), &record).unwrap();
        assert_eq!(channels.reading(&probe, None, &raw, at(59)).celsius, Some(34.5));
        let r = channels.reading(&probe, Some(Name::from("big")), &raw, at(60));
        assert_eq!((r.celsius, r.kettle.as_deref()), (Some(34.0), Some("big")));
        // Due yesterday: said in every reading; but not by a clock never set.
        assert_eq!(r.health, Some(Health::MaintenanceRequired));
        let unset = Now { mono_ns: 61_000_000_000, wall_ns: 5 };
        assert_eq!(channels.reading(&probe, None, &raw, unset).health, None);
    }
}
