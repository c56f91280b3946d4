//! `curdtrace run`: the daemon.

use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

use super::error::Failure;
use super::{Place, configured};
use crate::daemon::clock::Clock;
use crate::daemon::notify::Notify;
use crate::daemon::runner::RunError;
use crate::daemon::{DaemonError, Setup, log};

/// What waits for the disk when all else has ended has so long: a disk that hangs must not
/// keep the process from ending, nor the supervisor from starting it again.
const LAST_OF_DISK: Duration = Duration::from_secs(2);

/// The daemon: reads the probes, calls, records. SIGTERM, Ctrl-C or a closed
/// terminal (SIGHUP) end it with everything received on disk; under nohup a
/// closed terminal does not.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
}

/// Runs until told to stop.
pub fn run(args: Args) -> Result<(), Failure> {
    let config = configured(args.place)?;
    let _logging = log::start();
    let mut setup = Setup::of(config, Clock::real());
    if let Some(notify) = Notify::from_environment() {
        setup.outlets.push(Box::new(notify));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::unavailable(format!("the runtime does not start ({e}); free some memory")))?;
    let ended = runtime.block_on(async {
        let stop = CancellationToken::new();
        stop_on_signals(&stop).map_err(|e| Failure::unavailable(format!("no signals can be taken ({e})")))?;
        crate::daemon::run(setup, stop).await.map_err(|e| failure(&e))
    });
    runtime.shutdown_timeout(LAST_OF_DISK);
    ended
}

/// Cancels `stop` when the process is told to end; a terminal that is closed,
/// or a dropped line to it, tells that too.
pub(super) fn stop_on_signals(stop: &CancellationToken) -> std::io::Result<()> {
    let mut kinds = vec![SignalKind::terminate(), SignalKind::interrupt()];
    kinds.extend((!is_hangup_ignored()).then(SignalKind::hangup));
    for kind in kinds {
        let mut heard = signal(kind)?;
        let stop = stop.clone();
        tokio::spawn(async move {
            heard.recv().await;
            stop.cancel();
        });
    }
    Ok(())
}

/// Whether who started us wants us to outlive the terminal, as `nohup` does.
fn is_hangup_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    let ignored = ignored.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    // The lowest bit is signal 1.
    ignored & 1 == 1
}

pub(super) fn failure(e: &DaemonError) -> Failure {
    match e {
        DaemonError::Data { .. }
        | DaemonError::Journal(_)
        | DaemonError::Lots(_)
        | DaemonError::Run(RunError::Disk(_) | RunError::Record(_)) => Failure::io(e),
        DaemonError::Taken(_) | DaemonError::Ended { .. } => Failure::unavailable(e),
    }
}
