//! `curdtrace rehearse`: a whole make without hardware.
//!
//! A simulated box speaks frames into a pseudo-terminal, the same daemon reads
//! them, and a simulated maker hears its alarms. World, box and daemon share
//! one clock, moved by hand: it goes on by half a second when the daemon has
//! taken in what the box last said, and never faster than `--speed`. So a slow
//! machine makes a slower day, never a different one.

mod leftover;
mod live;
mod progress;
mod pty;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use self::live::Live;
use self::pty::BoxLine;
use super::error::Failure;
use crate::config::dairy::{self, Config, Grouping};
use crate::config::plan;
use crate::config::shown;
use crate::daemon::clock::Clock;
use crate::daemon::{Daemon, Setup, log};
use crate::engine::event::Name;
use crate::engine::plan::Plan;
use crate::rehearse::make::KETTLE;
use crate::rehearse::probe::Roughness;
use crate::rehearse::scene::{Options, Scene};
use crate::rehearse::script::Ending;
use crate::wire::figure::large;

/// So long the daemon may take to end where the rehearsal failed.
const ENDS_WITHIN: Duration = Duration::from_secs(20);

/// The plan of a rehearsal where none is named.
const PLAN: &str = r#"name = "Grauhorn wheel"
reaction-s = 18
tolerance-celsius = 0.5

[[stage]]
kind = "warming"
to-celsius = 32.5

[[stage]]
kind = "setting"
minutes = 32

[[stage]]
kind = "cutting"
minutes = 12

[[stage]]
kind = "cooking"
to-celsius = 43.0
minutes = 22

[[stage]]
kind = "stirring"
minutes = 18

[[stage]]
kind = "settling"
minutes = 6

[[stage]]
kind = "drawing"
"#;

/// A whole make without hardware: a simulated kettle, fire, maker and probe
/// box feed the same daemon through a pseudo-terminal.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The plan to rehearse; a semi-cooked wheel where none is named
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// How many times faster than the world
    #[arg(long, value_name = "N", default_value_t = 60.0, value_parser = large)]
    speed: f64,
    /// Another seed is another day
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Where the journal and the lots are kept
    #[arg(long, value_name = "DIR", default_value = "rehearsal")]
    data: PathBuf,
    /// Where the page is served; any free port where that one is taken
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8080")]
    page: std::net::SocketAddr,
    /// End when the make ends, close and seal the lot, print its folder
    #[arg(long)]
    once: bool,
}

/// Rehearses.
///
/// # Errors
/// A plan with faults, a data folder that cannot be used, a daemon that ended.
pub fn run(args: &Args) -> Result<(), Failure> {
    if !(0.01..=100_000.0).contains(&args.speed) {
        return Err(Failure::usage(format!("--speed {} is not between 0.01 and 100,000", args.speed)));
    }
    let plan = Arc::new(the_plan(args.plan.as_deref())?);
    let _logging = log::start();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::unavailable(format!("the runtime does not start ({e}); free some memory")))?;
    let folder = runtime.block_on(rehearse(args, &plan))?;
    // The record thread or a serial port must not hold the end up.
    runtime.shutdown_timeout(Duration::from_secs(2));
    match folder {
        Some(folder) => super::say(&folder.display().to_string()),
        None => Ok(()),
    }
}

fn the_plan(file: Option<&Path>) -> Result<Plan, Failure> {
    match file {
        Some(path) => super::read_plan(path),
        None => plan::parse(PLAN, "the rehearsal's own plan").map_err(|faults| super::faulty(&faults)),
    }
}

async fn rehearse(args: &Args, plan: &Arc<Plan>) -> Result<Option<PathBuf>, Failure> {
    let line = BoxLine::open().map_err(|e| {
        Failure::unavailable(format!("no pseudo-terminal can be had ({e}); is /dev/pts mounted?"))
    })?;
    let clock = Clock::by_hand(first_ns(&args.data));
    let setup = Setup::of(config(args, plan, line.device())?, clock.clone());
    let daemon = Daemon::prepare(setup).map_err(|e| super::run::failure(&e))?;
    let feed = daemon.feed();
    let stop = CancellationToken::new();
    let told = CancellationToken::new();
    super::run::stop_on_signals(&told)
        .map_err(|e| Failure::unavailable(format!("no signals can be taken ({e})")))?;
    let mut running = tokio::spawn(daemon.run(stop.clone()));
    let mut live = Live::new(line, clock, feed, args.speed);
    let play = async {
        live.wait_for_the_port().await?;
        live.end_what_was_left(&args.data).await?;
        let mut seed = args.seed;
        loop {
            let scene = Scene::by_plan(seed, plan, &options(args.seed));
            match live.play(scene).await {
                folder if args.once => return folder,
                Ok(folder) => {
                    tracing::info!("the next day begins; the last one's lot is {}", folder.display());
                }
                Err(why) => tracing::warn!("{why}; the next day begins all the same"),
            }
            seed += 1;
        }
    };
    let folder = tokio::select! {
        folder = play => folder,
        ended = &mut running => return Err(daemon_ended(ended)),
        () = told.cancelled() => Err(Failure::unavailable(
            "interrupted before the make ended; what was read is in the journal, and its lot is closed when the next rehearsal begins",
        )),
    };
    stop.cancel();
    // A disk that takes nothing holds up the daemon's end too.
    let patience = if folder.is_err() { ENDS_WITHIN } else { Duration::MAX };
    match (tokio::time::timeout(patience, running).await, folder) {
        (Ok(Ok(Ok(()))), _) if !args.once => Ok(None),
        // What failed first is why the rest did.
        (_, Err(why)) => Err(why),
        (Ok(Ok(Ok(()))) | Err(_), Ok(folder)) => Ok(Some(folder)),
        (Ok(ended), Ok(_)) => Err(daemon_ended(ended)),
    }
}

fn daemon_ended(ended: Result<Result<(), crate::daemon::DaemonError>, tokio::task::JoinError>) -> Failure {
    match ended {
        Ok(Ok(())) => Failure::unavailable("the daemon ended before the make did; run it again"),
        Ok(Err(e)) => super::run::failure(&e),
        Err(e) => Failure::unavailable(format!("the daemon broke ({e}); please report it")),
    }
}

/// An ordinary day: the probe is lifted now and then, a spike, a short gap.
/// The kettle is the same every day, so that it can be learned.
fn options(kettle: u64) -> Options {
    Options {
        kettle: Some(kettle),
        rough: Roughness { spikes: 0.7, gaps: 0.7, lifts: 2.0, faults: 0.0 },
        odd: 0.0,
        ending: Ending::Called,
        ..Options::default()
    }
}

/// The daemon's configuration: what a maker would type, and what only a
/// rehearsal may say.
fn config(args: &Args, plan: &Arc<Plan>, device: &Path) -> Result<Config, Failure> {
    // A gap of the probe is no gap of the line, so it never counts as stalled.
    let typed = format!(
        "[dairy]\nname = \"Alp Grauhorn (rehearsal)\"\n\n\
         [[serial]]\nname = \"box\"\nport = {:?}\nformat = \"frames\"\nstall-s = 3600\n",
        device.display().to_string()
    );
    let meant = dairy::parse(&typed, "the rehearsal's own configuration", Path::new("."))
        .map_err(|faults| super::faulty(&faults))?;
    let kettle =
        dairy::Kettle { name: Name::from(KETTLE), plan: Some(plan.clone()), plan_file: args.plan.clone() };
    Ok(Config {
        data: args.data.clone(),
        kettles: vec![kettle],
        // A second of the world, not of the day that runs N times as fast.
        journal: Grouping {
            seconds: args.speed.clamp(1.0, 60.0),
            readings: (64.0 * args.speed).clamp(64.0, 4096.0) as u32,
            ..Grouping::default()
        },
        web: shown::Page { listen: Some(args.page), needed: false, ..shown::Page::default() },
        ..meant
    })
}

/// Now; or, where an earlier rehearsal ran ahead of the world, an hour after
/// it, so that the day in the journal goes on forward.
fn first_ns(data: &Path) -> i64 {
    let now_ns = Clock::real().now().wall_ns;
    let last_ns = last_line_ns(&data.join("journal")).unwrap_or(0);
    now_ns.max(last_ns.saturating_add(3_600_000_000_000))
}

/// The time of the last line of the newest journal file.
fn last_line_ns(journal: &Path) -> Option<i64> {
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(journal).ok()?.flatten().map(|e| e.path()).filter(|p| p.is_file()).collect();
    files.sort();
    files.iter().rev().find_map(|file| {
        let text = std::fs::read_to_string(file).ok()?;
        text.lines().rev().filter(|l| !l.starts_with('#')).find_map(|l| l.rsplit(' ').next()?.parse().ok())
    })
}
