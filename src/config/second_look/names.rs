//! Names that do not meet: a slip of the pen in one section leaves another without
//! what it waits for.
//!
//! Terms: a source is *open* where names come over its wire: then any probe may be
//! its own.

use std::collections::{BTreeMap, BTreeSet};

use crate::config::check::{Section, nearest};
use crate::config::dairy::Config;
use crate::config::source::{Format, SerialPort};

/// Looks at the names of probes and kettles.
pub(in crate::config) fn names(probes: &[Section<'_, '_>], ports: &[Section<'_, '_>], config: &Config) {
    let given = given(config);
    let open = is_open(config);
    if !open && !given.is_empty() {
        without_source(probes, &given);
    }
    kettles(ports, &given, open, config);
    given_twice(ports, config);
}

/// A probe that is named comes from somewhere. A box may give one its own name, though
/// its port renames others.
fn without_source(probes: &[Section<'_, '_>], given: &BTreeSet<&str>) {
    for s in probes {
        let Some(probe) = s.text("name").filter(|name| !given.contains(name)) else { continue };
        let like = nearest(probe, &given.iter().copied().collect::<Vec<_>>());
        s.doubt_at(
            "name",
            format!("no source gives probe {probe:?}{like}"),
            "let a source give that name, or take this section out",
        );
    }
}

/// Buttons speak of a kettle that is there.
fn kettles(ports: &[Section<'_, '_>], given: &BTreeSet<&str>, open: bool, config: &Config) {
    let there: Vec<&str> = config.kettles.iter().map(|k| &*k.name).collect();
    if there.is_empty() {
        return;
    }
    for s in ports {
        let Some(kettle) = s.text("kettle") else { continue };
        // One that is not named bears its probe's name.
        if there.contains(&kettle) || given.contains(kettle) {
            continue;
        }
        let what = format!("kettle = {kettle:?} is not there{}", nearest(kettle, &there));
        let remedy = "add a [[kettle]] of that name, or mend this one";
        if open {
            s.doubt_at("kettle", what, remedy);
        } else {
            s.fault_at("kettle", what, remedy);
        }
    }
}

/// No two ports give the same probe: its readings would jump between them.
fn given_twice(ports: &[Section<'_, '_>], config: &Config) {
    let registers = config.modbus.iter().flat_map(|m| m.registers.iter().map(|r| (&*r.probe, &*m.name)));
    let mut seen: BTreeMap<&str, &str> = registers.collect();
    for port in &config.serial {
        let Some(s) = ports.iter().find(|s| s.text("name") == Some(&*port.name)) else { continue };
        for (key, probe) in certain(port) {
            if let Some(first) = seen.insert(probe, &*port.name) {
                s.fault_at(
                    key,
                    format!("{key} = {probe:?} is given by {first:?} already"),
                    "give each probe a name of its own",
                );
            }
        }
    }
}

/// The names that a port gives for sure, with the key under which they stand.
fn certain(port: &SerialPort) -> Vec<(&'static str, &str)> {
    match &port.format {
        Format::Frames => port.probes.values().map(|ours| ("probes", &**ours)).collect(),
        Format::Lines(payload) if !payload.names_probe() => {
            port.probe.iter().map(|ours| ("probe", &**ours)).collect()
        }
        Format::Lines(_) => Vec::new(),
    }
}

/// Every name that the configuration has a source give.
fn given(config: &Config) -> BTreeSet<&str> {
    let serial = config.serial.iter().flat_map(|s| s.probes.values().chain(&s.probe));
    let modbus = config.modbus.iter().flat_map(|m| m.registers.iter().map(|r| &r.probe));
    let topics = config.brokers.iter().flat_map(|b| b.subscriptions.iter().filter_map(|s| s.probe.as_ref()));
    serial.chain(modbus).chain(topics).map(|name| &**name).collect()
}

fn is_open(config: &Config) -> bool {
    let port = |s: &SerialPort| match &s.format {
        Format::Frames => s.probes.is_empty(),
        Format::Lines(payload) => payload.names_probe(),
    };
    let mut topics = config.brokers.iter().flat_map(|b| &b.subscriptions);
    config.serial.iter().any(port) || topics.any(|s| s.topic.names_probe() || s.payload.names_probe())
}
