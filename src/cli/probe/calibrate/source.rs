//! Where the probe is read: the configuration's source, or a port named here.

use std::path::{Path, PathBuf};

use crate::cli::error::Failure;
use crate::config::dairy::{self, Config};
use crate::config::sensor::SensorSet;
use crate::config::source::Probe;
use crate::engine::event::Name;
use crate::sensor::channel::Sensor;
use crate::sensor::thermocouple::Couple;

/// Flags that name a port.
#[derive(Debug, clap::Args)]
pub(in crate::cli::probe) struct SourceArgs {
    /// Read this serial port instead of what the configuration says
    #[arg(long, value_name = "DEVICE")]
    port: Option<PathBuf>,
    /// What comes over it: frames, number, line-protocol, max31855-hex, …
    #[arg(long, value_name = "FORMAT", default_value = "frames", requires = "port")]
    format: String,
    /// Its speed, bits a second
    #[arg(long, value_name = "BAUD", default_value_t = 115_200, requires = "port")]
    baud: u32,
    /// What the box calls this probe, where that is another name
    #[arg(long, value_name = "NAME", requires = "port")]
    box_probe: Option<String>,
    /// The thermocouple's type as it is set: B, E, J, K, N, R, S, T
    #[arg(long, value_name = "TYPE")]
    couple: Option<char>,
}

impl SourceArgs {
    /// Whether a port is named.
    pub(in crate::cli::probe) fn is_given(&self) -> bool {
        self.port.is_some()
    }

    /// A configuration with that port and nothing else, checked as any is.
    pub(in crate::cli::probe) fn config(&self, probe: &str) -> Result<Config, Failure> {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let port = self.port.as_deref().unwrap_or(Path::new(""));
        let port = std::path::absolute(port).unwrap_or_else(|_| port.to_path_buf());
        let mut text = format!(
            "[[serial]]\nname = \"port\"\nport = {}\nbaud = {}\nformat = {}\n",
            quoted(&port.to_string_lossy()),
            self.baud,
            quoted(&self.format),
        );
        let whose = if self.format == "frames" {
            let theirs = self.box_probe.as_deref().unwrap_or(probe);
            format!("probes = {{ {} = {} }}\n", quoted(theirs), quoted(probe))
        } else {
            format!("probe = {}\n", quoted(probe))
        };
        text.push_str(&whose);
        // It says where in its JSON the number stands, which no flag can.
        if self.format == "json" {
            return Err(Failure::usage(
                "--format json cannot be read by flags, since they do not say where the number stands; \
                 write a [[serial]] with format = \"json\" and value-at = \"/…\" into a configuration, then --config FILE",
            ));
        }
        // The faults are those of the options, not of a file's lines.
        let of_options = |faults: Vec<crate::config::Fault>| {
            let said = faults.iter().map(|f| format!("--{}; {}", f.what, f.remedy));
            Failure::usage(said.collect::<Vec<_>>().join("\n"))
        };
        let mut config = dairy::parse(&text, "--port", Path::new(".")).map_err(of_options)?;
        self.set_sensor(&mut config, probe)?;
        Ok(config)
    }

    /// `--couple` goes before what the configuration says.
    pub(in crate::cli::probe) fn set_sensor(&self, config: &mut Config, probe: &str) -> Result<(), Failure> {
        let Some(letter) = self.couple else { return Ok(()) };
        let Some(couple) = Couple::lettered(letter) else {
            return Err(Failure::usage(format!(
                "--couple {letter} is no thermocouple; it is one of B, E, J, K, N, R, S, T"
            )));
        };
        let sensor = Sensor::Couple(couple);
        if let Some(p) = config.probes.iter_mut().find(|p| &*p.name == probe) {
            p.sensor.sensor = sensor;
        } else {
            let sensor = SensorSet { sensor, ..SensorSet::default() };
            config.probes.push(Probe { name: Name::from(probe), kettle: None, sensor });
        }
        Ok(())
    }
}
