//! The page as an outlet: binds its address, translates what the daemon knows
//! into what the page is given, and passes on what a person asks.
//!
//! Invariant: a page that cannot be served costs no call. An address that is
//! taken, or of a network that is not up yet, is tried until it is to be had; a
//! rehearsal takes another port.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::alerts::Board;
use super::outlet::{CommandError, Commands, Feed, Outlet, Running, Snapshot};
use crate::config::dairy::{self, Config};
use crate::config::shown;
use crate::engine::event::Name;
use crate::engine::view::{KettleView, View};
use crate::web::seam::{self, Answer, Asked, Calibrated, MarkSeen, Seam, Wish};
use crate::web::{Room, Settings, serve};

mod remembered;

/// A person waits this long for a wish to be on disk; then it counts as taken
/// in, and the store alarm says the rest.
const WAITS: Duration = Duration::from_millis(1_500);

/// What is said where the record thread had no room for a wish. The engine has
/// heard it: an alarm taken is silent all the same.
const NOT_RECORDED: &str =
    "it is heard, but not recorded: the disk has failed for too long; write it on paper, and free the disk";

/// An address that is not to be had is tried again after so long, each time
/// after twice as long, and at last so often.
const AGAIN_AT_FIRST: Duration = Duration::from_millis(500);
const AGAIN_AT_LAST: Duration = Duration::from_secs(30);

/// The page.
#[derive(Debug)]
pub struct Page {
    at: SocketAddr,
    /// Where the address is taken: wait for it, or take any free port.
    needed: bool,
    settings: Settings,
    data: PathBuf,
    zone: jiff::tz::TimeZone,
    board: Arc<Board>,
    /// The dairy's own kettles, each with the probe that is to hang in it.
    kettles: Vec<(Name, Name)>,
}

impl Page {
    /// The page that `config` asks for, if any.
    pub fn configured(config: &Config, board: Arc<Board>) -> Option<Self> {
        let shown::Page { listen, needed, access, proxied, hosts, language } = config.web.clone();
        let at = listen?;
        let with_plan = config.kettles.iter().filter_map(|k| Some((k.name.clone(), k.plan_file.clone()?)));
        let configured_plans: Vec<(Name, PathBuf)> = with_plan.collect();
        let plans = configured_plans.iter().find_map(|(_, file)| Some(file.parent()?.to_owned()));
        let base = Settings::in_data(&config.data);
        let settings = Settings {
            access,
            proxied,
            hosts,
            language,
            plans: plans.unwrap_or_else(|| base.plans.clone()),
            configured_plans,
            ..base
        };
        let zone = dairy::zone(&config.time_zone);
        let probe_of = |kettle: &Name| {
            let hangs = config.probes.iter().find(|p| p.kettle.as_ref() == Some(kettle));
            hangs.map_or_else(|| kettle.clone(), |p| p.name.clone())
        };
        let kettles = config.kettles.iter().map(|k| (k.name.clone(), probe_of(&k.name))).collect();
        Some(Self { at, needed, settings, data: config.data.clone(), zone, board, kettles })
    }

    fn translated(&self, s: &Snapshot) -> seam::Snapshot {
        let local =
            jiff::Timestamp::from_nanosecond(i128::from(s.wall_ns)).map(|t| self.zone.to_offset(t).seconds());
        let counters = vec![
            ("readings", "Readings taken in since the start.", s.readings),
            ("readings_kept", "Readings known to be synced since the start.", s.readings_kept),
        ];
        seam::Snapshot {
            view: self.with_those_that_wait(s.view.clone()),
            taken: Instant::now(),
            wall_ns: Some(s.wall_ns),
            offset_ns: s.offset_ns,
            clock_sure: s.clock_sure,
            utc_offset_s: local.unwrap_or(0),
            open_lots: s.open_lots.clone(),
            plans: s.plans.clone(),
            marks: s
                .marks
                .iter()
                .map(|(wall_ns, mark)| MarkSeen { wall_ns: Some(*wall_ns), mark: mark.clone() })
                .collect(),
            outlets: self.board.states(),
            store: s.store_trouble.clone().map_or(Ok(()), Err),
            counters,
            sources: s.sources.iter().map(|s| (s.name.clone(), s.counted.clone())).collect(),
        }
    }

    /// With the dairy's kettles of which nothing was heard yet: a person may
    /// mark, plan and open a lot there before the first reading.
    fn with_those_that_wait(&self, mut view: View) -> View {
        for (kettle, probe) in &self.kettles {
            if view.kettles.iter().all(|k| k.kettle != *kettle) {
                let is_elsewhere = view.kettles.iter().any(|k| k.probe == *probe);
                let probe = if is_elsewhere { kettle } else { probe };
                view.kettles.push(KettleView::unheard(kettle, probe));
            }
        }
        view.kettles.sort_by(|a, b| a.kettle.cmp(&b.kettle));
        view
    }

    async fn bound(&self) -> std::io::Result<TcpListener> {
        match TcpListener::bind(self.at).await {
            Err(_) if !self.needed => TcpListener::bind((self.at.ip(), 0)).await,
            bound => bound,
        }
    }

    /// Listens, as soon as the address is to be had; `None` once it is over.
    async fn listener(&self, stop: &CancellationToken) -> Option<TcpListener> {
        let mut wait = AGAIN_AT_FIRST;
        for tries in 1_u32.. {
            match self.bound().await {
                Ok(listener) => return Some(listener),
                // Seldom in the end: the log of a week has other things to say.
                Err(e) if tries.is_power_of_two() => tracing::error!(
                    "the page is not served: {} cannot be listened at ({e}); free it, or change web.listen; \
                     it is tried again, all else goes on",
                    self.at
                ),
                Err(_) => {}
            }
            tokio::select! {
                () = stop.cancelled() => return None,
                () = tokio::time::sleep(wait) => wait = (wait * 2).min(AGAIN_AT_LAST),
            }
        }
        None
    }

    async fn served(self, mut feed: Feed, stop: CancellationToken) -> Result<(), super::outlet::OutletError> {
        let Some(listener) = self.listener(&stop).await else { return Ok(()) };
        let at = listener.local_addr()?;
        tracing::info!("the page is at http://{at}/");
        let first = self.translated(&feed.snapshot.borrow_and_update().clone());
        let run = format!("{}-{}", std::process::id(), first.wall_ns.unwrap_or_default());
        let (show, snapshot) = watch::channel(Arc::new(first));
        let (desk, asked) = mpsc::channel(64);
        let room = Room::new(
            Seam {
                snapshot,
                desk,
                in_hand: feed.commands.in_hand(),
                data: self.data.clone(),
                calibration_of,
            },
            self.settings.clone(),
            run,
        );
        if self.settings.proxied && !room.pin.is_set() {
            tracing::warn!(
                "the page is behind a proxy and no PIN is set, so nobody may command; set one without proxied first"
            );
        }
        tokio::task::spawn_blocking({
            let (room, data) = (Arc::clone(&room), self.data.clone());
            move || remembered::remember(&room, &data)
        });
        let held = Arc::clone(&room.held);
        feed.leaving.before_the_end(async move { held.pass_on_all(None).await });
        let mut serving = tokio::spawn(serve(listener, room, stop.clone()));
        let mut answering = tokio::spawn(answer(asked, feed.commands.clone(), Arc::clone(&self.board)));
        loop {
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                // Before they were told to.
                ended = &mut serving => return Err(died(ended)),
                ended = &mut answering => return Err(died(ended)),
                changed = feed.snapshot.changed() => if changed.is_err() { break },
            }
            let seen = feed.snapshot.borrow_and_update().clone();
            show.send_replace(Arc::new(self.translated(&seen)));
        }
        stop.cancelled().await;
        answering.abort();
        // The page ends with `stop`; its last bytes have half a second.
        let _ = serving.await;
        Ok(())
    }
}

/// Why a task that should go on is over.
fn died(ended: Result<(), tokio::task::JoinError>) -> super::outlet::OutletError {
    ended.err().map_or_else(|| "a part of it ended".into(), Into::into)
}

impl Outlet for Page {
    fn name(&self) -> String {
        "page".into()
    }

    fn run(self: Box<Self>, feed: Feed, stop: CancellationToken) -> Running {
        Box::pin(self.served(feed, stop))
    }
}

/// A probe's calibration that holds.
fn calibration_of(data: &Path, probe: &str) -> Option<Calibrated> {
    let c = super::calibrations::of(data, probe).latest?;
    Some(Calibrated {
        time: c.time,
        by: c.by,
        due: c.due,
        uncertainty_celsius: c.expanded_uncertainty_celsius,
    })
}

/// Passes on what persons ask, each beside the others.
async fn answer(mut asked: mpsc::Receiver<Asked>, commands: Commands, board: Arc<Board>) {
    while let Some(Asked { wish, answer }) = asked.recv().await {
        let (commands, board) = (commands.clone(), Arc::clone(&board));
        tokio::spawn(async move {
            // Who asked may have gone away; it is done all the same.
            let _ = answer.send(granted(wish, &commands, &board).await);
        });
    }
}

async fn granted(wish: Wish, commands: &Commands, board: &Board) -> Answer {
    let taken = match wish {
        Wish::TestOutlets => {
            board.test();
            return Ok(());
        }
        Wish::Mark(mark, ago) => tokio::time::timeout(WAITS, commands.mark_ago(mark, ago)).await,
        Wish::Command(command) => tokio::time::timeout(WAITS, commands.command(command)).await,
    };
    match taken {
        Ok(Ok(()) | Err(CommandError::NotKeptYet)) | Err(_) => Ok(()),
        Ok(Err(CommandError::Refused)) => Err(NOT_RECORDED.into()),
        Ok(Err(e @ CommandError::Stopping)) => Err(e.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::{Mark, MarkKind};

    /// What becomes of a mark whose receipt the record thread calls, or drops.
    async fn answered(kept: bool) -> Answer {
        let (inputs, mut taken) = mpsc::channel(1);
        let mark = Mark { kettle: Name::from("big"), kind: MarkKind::Cut, by: None };
        let (commands, board) = (Commands::into(inputs), Board::default());
        let granting = granted(Wish::Mark(mark, Duration::ZERO), &commands, &board);
        let recording = async {
            let receipt = taken.recv().await.and_then(|input| input.receipt);
            receipt.filter(|_| kept).into_iter().for_each(super::super::input::Receipt::kept);
        };
        tokio::join!(granting, recording).0
    }

    /// A kettle of the configuration was not there for the page until its probe
    /// spoke, and could not be marked.
    #[test]
    fn a_kettle_is_known_before_its_probe_speaks() {
        let text = "[web]\nlisten = \"127.0.0.1:0\"\n[[kettle]]\nname = \"small\"\n[[kettle]]\nname = \"big\"\n\
            [[probe]]\nname = \"milk\"\nkettle = \"big\"\n";
        let config = crate::config::dairy::parse(text, "c.toml", Path::new(".")).unwrap();
        let page = Page::configured(&config, Arc::default()).unwrap();
        let seen = |view| -> Vec<_> {
            let kettles = page.with_those_that_wait(view).kettles;
            kettles.into_iter().map(|k| (k.kettle.to_string(), k.probe.to_string(), k.celsius)).collect()
        };
        let small = || ("small".to_owned(), "small".to_owned(), None);
        assert_eq!(seen(View::default()), [("big".into(), "milk".into(), None), small()]);
        let heard = |kettle: &str| {
            let (kettle, probe) = (Name::from(kettle), Name::from("milk"));
            let k = KettleView { celsius: Some(31.0), ..KettleView::unheard(&kettle, &probe) };
            View { kettles: vec![k], ..View::default() }
        };
        assert_eq!(seen(heard("big")), [("big".into(), "milk".into(), Some(31.0)), small()]);
        let other = ("other".into(), "milk".into(), Some(31.0));
        assert_eq!(
            seen(heard("other")),
            [("big".into(), "big".into(), None), other, small()],
            "one probe once"
        );
    }

    #[test]
    fn the_page_knows_which_plans_the_kettles_are_configured_with() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(
            folder.path().join("larch.toml"),
            "name = \"Larch wheel\"\n[[stage]]\nkind = \"cooking\"\n",
        )
        .unwrap();
        let text = "[web]\nlisten = \"127.0.0.1:0\"\n[[kettle]]\nname = \"small\"\n\
            [[kettle]]\nname = \"big\"\nplan = \"larch.toml\"\n";
        let config = crate::config::dairy::parse(text, "c.toml", folder.path()).unwrap();
        let settings = Page::configured(&config, Arc::default()).unwrap().settings;
        let big = (Name::from("big"), folder.path().join("larch.toml"));
        assert_eq!((settings.configured_plans, settings.plans), (vec![big], folder.path().to_owned()));
    }

    #[tokio::test(flavor = "current_thread")]
    async fn a_mark_that_is_not_kept_is_not_said_to_be() {
        assert_eq!(answered(true).await, Ok(()));
        assert_eq!(answered(false).await, Err(NOT_RECORDED.into()));
    }
}
