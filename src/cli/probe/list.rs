//! `curdtrace probe list`: what is attached, under names that stay, and what
//! the configuration makes of it. Opens no port.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::cli::error::Failure;
use crate::cli::{Place, configured, say};
use crate::config::dairy::{self, Config};
use crate::config::source::{Format, SerialPort};

/// Where the system keeps names that stay the same whatever is plugged in
/// first: by the adapter's own number, else by the socket.
const STABLE: [&str; 2] = ["/dev/serial/by-id", "/dev/serial/by-path"];

/// What is attached. Needs no configuration; with one, it says what belongs to
/// what.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
}

/// Lists ports, then sources, then probes.
pub fn run(args: Args) -> Result<(), Failure> {
    // Without a configuration the ports are what a maker wants to see first.
    let config = match dairy::place(args.place.config.clone()) {
        Ok(_) => Some(configured(args.place)?),
        Err(_) if args.place.config.is_none() => None,
        Err(e) => return Err(Failure::no_input(e)),
    };
    let ports = ports(&STABLE.map(Path::new));
    say("serial ports")?;
    for (device, stable) in &ports {
        say(&port_line(device, stable.as_deref(), config.as_ref()))?;
    }
    if ports.is_empty() {
        say("  none attached")?;
    }
    let Some(config) = config else {
        return say("no configuration yet: copy config/first.toml and name a port by its stable name");
    };
    sources(&config)?;
    probes(&config)
}

/// Devices that are there, each with its most stable name.
fn ports(stable: &[&Path]) -> BTreeMap<PathBuf, Option<PathBuf>> {
    let mut found: BTreeMap<PathBuf, Option<PathBuf>> = BTreeMap::new();
    for folder in stable {
        let Ok(entries) = std::fs::read_dir(folder) else { continue };
        let mut names: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
        names.sort();
        for name in names {
            if let Ok(device) = std::fs::canonicalize(&name) {
                found.entry(device).or_insert(Some(name));
            }
        }
    }
    for port in serialport::available_ports().unwrap_or_default() {
        // A built-in port that nothing hangs at is listed by the system too.
        let usb = matches!(port.port_type, serialport::SerialPortType::UsbPort(_));
        if usb || port.port_name.contains("ttyAMA") || port.port_name.contains("serial") {
            found.entry(PathBuf::from(port.port_name)).or_insert(None);
        }
    }
    found
}

fn port_line(device: &Path, stable: Option<&Path>, config: Option<&Config>) -> String {
    let name = stable.unwrap_or(device);
    let at = stable.map_or(String::new(), |_| format!(" ({})", device.display()));
    let owner = config.and_then(|c| c.serial.iter().find(|s| is_at(s, device)));
    let whose = match (owner, config) {
        (Some(s), _) => format!("  belongs to {}", s.name),
        (None, Some(_)) => "  belongs to nothing yet".into(),
        (None, None) => String::new(),
    };
    format!("  {}{at}{whose}", name.display())
}

fn is_at(s: &SerialPort, device: &Path) -> bool {
    std::fs::canonicalize(&s.port).is_ok_and(|real| real == device) || s.port == device
}

fn sources(config: &Config) -> Result<(), Failure> {
    say("sources")?;
    for s in &config.serial {
        let there = if s.port.exists() { "attached" } else { "not attached" };
        let format = match &s.format {
            Format::Frames => "frames".into(),
            Format::Lines(p) => format!("{:?}", p.kind).to_lowercase(),
        };
        say(&format!("  serial {}: {} {} baud, {format}, {there}", s.name, s.port.display(), s.baud))?;
    }
    for b in &config.brokers {
        let topics: Vec<String> = b.subscriptions.iter().map(|s| s.topic.filter()).collect();
        say(&format!("  mqtt {}: {}:{}, {}", b.name, b.host, b.port, topics.join(" ")))?;
    }
    for m in &config.modbus {
        say(&format!("  modbus {}: {} registers", m.name, m.registers.len()))?;
    }
    Ok(())
}

fn probes(config: &Config) -> Result<(), Failure> {
    say("probes")?;
    for p in &config.probes {
        let kettle = p.kettle.as_ref().unwrap_or(&p.name);
        say(&format!("  {} in kettle {kettle}", p.name))?;
    }
    say("  any other is taken in as it comes, its kettle under its own name")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_is_listed_once_under_its_most_stable_name() {
        let dir = tempfile::tempdir().unwrap();
        let device = dir.path().join("ttyUSB7");
        std::fs::write(&device, "").unwrap();
        let folders = ["by-id", "by-path"].map(|f| dir.path().join(f));
        for (folder, name) in folders.iter().zip(["usb-maker_0001", "pci-0:1"]) {
            std::fs::create_dir(folder).unwrap();
            std::os::unix::fs::symlink(&device, folder.join(name)).unwrap();
        }
        let real = std::fs::canonicalize(&device).unwrap();
        let found = ports(&[&folders[0], &folders[1]]);
        assert_eq!(found[&real], Some(folders[0].join("usb-maker_0001")));
        assert!(port_line(&real, found[&real].as_deref(), None).contains("by-id/usb-maker_0001 ("));
    }
}
