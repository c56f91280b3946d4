//! `curdtrace check`: every fault of a configuration at once. Touches no
//! device.

use std::path::PathBuf;

use super::error::Failure;
use crate::config::{dairy, fault, plan};
use crate::lot::picture::counted;

/// Files to check. With neither, the configuration in its usual place.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The daemon's configuration, and every plan it names
    #[arg(long, value_name = "FILE", env = "CURDTRACE_CONFIG")]
    config: Option<PathBuf>,
    /// A plan by itself
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
}

/// Prints one line a file that is good; fails with every fault there is.
pub fn run(args: Args) -> Result<(), Failure> {
    let (mut faults, mut good) = (Vec::new(), Vec::new());
    if let Some(path) = &args.plan {
        if !path.exists() {
            return Err(Failure::no_input(format_args!(
                "plan {} is not there; mend the path",
                path.display()
            )));
        }
        match plan::read(path) {
            Ok(p) => good.push(format!(
                "{}: plan {:?}, {}",
                path.display(),
                p.name,
                counted(p.stages.len(), "stage")
            )),
            Err(of_plan) => faults.extend(of_plan),
        }
    }
    if args.config.is_some() || args.plan.is_none() {
        let path = dairy::place(args.config).map_err(Failure::no_input)?;
        match dairy::check(&path) {
            Ok(c) => good.push(format!(
                "{}: {}, {}, {}, {}",
                path.display(),
                c.dairy,
                counted(c.kettles.len(), "kettle"),
                counted(c.serial.len(), "serial port"),
                counted(c.brokers.len(), "broker")
            )),
            Err(of_config) => faults.extend(of_config),
        }
    }
    for line in &good {
        super::say(line)?;
    }
    match faults.len() {
        0 => Ok(()),
        1 => Err(Failure::config(fault::listed(&faults))),
        n => Err(Failure::config(format!("{n} faults\n{}", fault::listed(&faults)))),
    }
}
