//! `curdtrace check`: every fault of a configuration at once. Touches no
//! device.

use std::path::PathBuf;

use super::error::Failure;
use crate::config::{dairy, fault, plan};
use crate::words::record::counted;

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

/// Prints one line a file that is good, and what is doubtful; fails with every fault
/// there is.
pub fn run(args: Args) -> Result<(), Failure> {
    let (mut faults, mut good) = (Vec::new(), Vec::new());
    // What is not there hides no fault of the other file.
    let mut missing = Vec::new();
    if let Some(path) = &args.plan {
        match plan::read(path) {
            _ if !path.exists() => {
                missing.push(format!("plan {} is not there; mend the path", path.display()));
            }
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
        match dairy::place(args.config).map(|path| (dairy::check(&path), path)) {
            Err(why) => missing.push(why),
            Ok(((read, doubts), path)) => {
                for doubt in &doubts {
                    super::remark(&format!("doubtful: {doubt}"));
                }
                match read {
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
        }
    }
    for line in &good {
        super::say(line)?;
    }
    let missing = missing.join("\n");
    match (faults.len(), missing.is_empty()) {
        (0, true) => Ok(()),
        (0, false) => Err(Failure::no_input(missing)),
        (1, true) => Err(Failure::config(fault::listed(&faults))),
        (1, false) => Err(Failure::config(format!("{missing}\n{}", fault::listed(&faults)))),
        (n, true) => Err(Failure::config(format!("{n} faults\n{}", fault::listed(&faults)))),
        (n, false) => Err(Failure::config(format!("{missing}\n{n} faults\n{}", fault::listed(&faults)))),
    }
}
