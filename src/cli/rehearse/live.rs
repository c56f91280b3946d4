//! The day in lock-step: box, maker, clock and daemon.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::broadcast::{self, error::TryRecvError};
use tokio::sync::watch;
use tokio::task::JoinSet;

use super::progress::Progress;
use super::pty::BoxLine;
use crate::cli::error::Failure;
use crate::daemon::clock::Clock;
use crate::daemon::outlet::{Feed, News};
use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::effect::Conclusion;
use crate::engine::event::{Ask, Command, Mark, MarkKind, Name};
use crate::rehearse::chance::Chance;
use crate::rehearse::frames::ProbeBox;
use crate::rehearse::make::KETTLE;
use crate::rehearse::scene::Scene;
use crate::rehearse::world::STEP_S;
use crate::wire::frame::{Frame, Sound};

/// How long the daemon may take over one reading before the day goes on
/// without it; far beyond what any machine needs.
const TAKEN_WITHIN: Duration = Duration::from_secs(20);

/// How long the daemon may take to open its port.
const OPEN_WITHIN: Duration = Duration::from_secs(60);

/// How long closing and sealing the lot may take.
const SEALED_WITHIN: Duration = Duration::from_secs(120);

/// A disk that takes nothing for so long has nothing sealed, in the world's time.
const FULL_FOR: Duration = Duration::from_secs(15);

/// Who the simulated maker is.
pub(super) const MAKER: &str = "ada";

/// The running rehearsal.
pub struct Live {
    line: BoxLine,
    probe_box: ProbeBox,
    clock: Clock,
    /// The world's own clock, to go no faster than asked.
    world: Clock,
    feed: Feed,
    news: broadcast::Receiver<Arc<News>>,
    taken: watch::Receiver<u64>,
    /// Readings said so far.
    said: u64,
    speed: f64,
    buzzer: Sound,
    progress: Progress,
    /// The first lot of the running make, and those closed.
    first_lot: Option<(String, PathBuf)>,
    closed_lots: Vec<String>,
    /// Alarms heard, and when each will be taken, seconds of the scene.
    to_take: Vec<(f64, AlarmKind)>,
    asked: JoinSet<()>,
}

impl Live {
    /// A rehearsal on that line.
    pub fn new(line: BoxLine, clock: Clock, feed: Feed, speed: f64) -> Self {
        Self {
            line,
            probe_box: ProbeBox::with(KETTLE),
            clock,
            world: Clock::real(),
            news: feed.news.subscribe(),
            taken: feed.taken.clone(),
            feed,
            said: 0,
            speed,
            buzzer: Sound::Silent,
            progress: Progress::new(),
            first_lot: None,
            closed_lots: Vec::new(),
            to_take: Vec::new(),
            asked: JoinSet::new(),
        }
    }

    /// Waits until the daemon has opened the box's port.
    ///
    /// # Errors
    /// It does not.
    pub async fn wait_for_the_port(&mut self) -> Result<(), Failure> {
        let mut snapshot = self.feed.snapshot.clone();
        let up = async {
            while !snapshot.borrow_and_update().sources.iter().any(|s| s.up) {
                self.clock.advance(Duration::from_secs(1));
                // A snapshot comes with the next second, or not at all.
                let _ = tokio::time::timeout(Duration::from_millis(20), snapshot.changed()).await;
            }
        };
        tokio::time::timeout(OPEN_WITHIN, up).await.map_err(|_| {
            Failure::unavailable(format!(
                "the daemon did not open {} within {} s; the log says why",
                self.line.device().display(),
                OPEN_WITHIN.as_secs()
            ))
        })?;
        self.send(&self.probe_box.hello()).await
    }

    /// Plays one make to its end and has its lot closed; the lot's folder.
    ///
    /// # Errors
    /// The line breaks, or the lot is not closed.
    pub async fn play(&mut self, mut scene: Scene) -> Result<PathBuf, Failure> {
        let mut takes = Chance::of(scene.now_s().to_bits()).branch(0xac);
        let began_ns = self.world.now().mono_ns;
        (self.first_lot, self.closed_lots) = (None, Vec::new());
        self.to_take.clear();
        while !scene.done() {
            let moment = scene.step();
            self.pass(STEP_S).await;
            for kind in moment.marks {
                self.mark(kind);
            }
            if let Some(said) = moment.said {
                let frame = self.probe_box.reading(said, scene.world.air_celsius);
                self.send(&frame).await?;
                self.said += 1;
                self.until_taken().await;
            }
            self.hear(&mut scene, &mut takes);
            self.take_alarms(moment.now_s);
            self.progress.tell(&scene, self.buzzer);
            self.pace(began_ns, moment.now_s / self.speed).await;
        }
        self.progress.end();
        self.close().await
    }

    /// Lets the daemon's clock go on, and the daemon see it.
    async fn pass(&self, seconds: f64) {
        self.clock.advance(Duration::from_secs_f64(seconds));
        tokio::task::yield_now().await;
    }

    async fn send(&self, bytes: &[u8]) -> Result<(), Failure> {
        let mut rest = bytes;
        while !rest.is_empty() {
            let sent = self.line.send(rest).map_err(|e| {
                Failure::io(format!("the box's line {} broke ({e})", self.line.device().display()))
            })?;
            rest = &rest[sent..];
            if sent == 0 {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        }
        Ok(())
    }

    async fn until_taken(&mut self) {
        let said = self.said;
        let taken = self.taken.wait_for(|n| *n >= said);
        if tokio::time::timeout(TAKEN_WITHIN, taken).await.is_err() {
            tracing::warn!("reading {said} did not arrive; the day goes on without it");
            self.said = *self.taken.borrow();
        }
    }

    /// The maker presses a button. It is taken in at once; that it is on disk
    /// comes later, with the clock.
    fn mark(&mut self, kind: MarkKind) {
        let commands = self.feed.commands.clone();
        let mark = Mark { kettle: Name::from(KETTLE), kind, by: Some(Name::from(MAKER)) };
        self.asked.spawn(async move {
            if let Err(e) = commands.mark(mark).await {
                tracing::debug!("a mark: {e}");
            }
        });
    }

    /// The maker hears what the daemon concluded, and the box what it is told.
    fn hear(&mut self, scene: &mut Scene, takes: &mut Chance) {
        for frame in self.line.hear() {
            if let Frame::Sound { sound, .. } = frame {
                self.buzzer = sound;
            }
        }
        loop {
            match self.news.try_recv() {
                Ok(news) => self.heard(&news, scene, takes),
                Err(TryRecvError::Lagged(n)) => tracing::warn!("{n} news passed the maker by"),
                Err(_) => return,
            }
        }
    }

    fn heard(&mut self, news: &News, scene: &mut Scene, takes: &mut Chance) {
        match news {
            News::Effect(effect) => {
                let Conclusion::Alarm(alarm) = &effect.what else { return };
                if alarm.state != AlarmState::Unacknowledged {
                    return;
                }
                if alarm.alarm == AlarmKind::HeatOff {
                    scene.maker.hear_heat_off();
                }
                if alarm.sounds {
                    self.to_take.push((scene.now_s() + takes.log_normal(25.0, 0.45), alarm.alarm));
                }
            }
            News::Lot(lot) if lot.closed => self.closed_lots.push(lot.id.clone()),
            News::Lot(lot) => {
                self.first_lot.get_or_insert_with(|| (lot.id.clone(), lot.folder.clone()));
            }
            News::Marked(..) => {}
        }
    }

    /// A gloved thumb on what has sounded long enough.
    fn take_alarms(&mut self, now_s: f64) {
        let (due, later): (Vec<_>, Vec<_>) = self.to_take.drain(..).partition(|t| t.0 <= now_s);
        self.to_take = later;
        for (_, alarm) in due {
            self.command(Ask::Acknowledge(Some(alarm)));
        }
    }

    /// Has every open lot closed and waits until the make's own is sealed.
    async fn close(&mut self) -> Result<PathBuf, Failure> {
        let Some((id, folder)) = self.first_lot.clone() else {
            if let Some(why) = self.feed.snapshot.borrow().store_trouble.clone() {
                return Err(unkept("no lot was opened", &why));
            }
            return Err(Failure::unavailable("no lot was opened: the daemon found no make in this day"));
        };
        if self.open_lot().is_some() {
            // A make that ends has its lot closed with the whole of it.
            self.end_make();
        }
        self.until_sealed(&id, &folder).await?;
        Ok(folder)
    }

    /// The lot that is open on the kettle.
    pub(super) fn open_lot(&self) -> Option<String> {
        self.feed.snapshot.borrow().open_lots.get(&Name::from(KETTLE)).cloned()
    }

    /// The daemon's clock, nanoseconds since 1970.
    pub(super) fn now_ns(&self) -> i64 {
        self.clock.now().wall_ns
    }

    /// The maker says that the make is over.
    pub(super) fn end_make(&mut self) {
        self.command(Ask::EndMake);
    }

    /// Says what the maker wants; what becomes of it comes with the news.
    fn command(&mut self, ask: Ask) {
        let commands = self.feed.commands.clone();
        let command = Command { kettle: Name::from(KETTLE), by: Some(Name::from(MAKER)), ask };
        self.asked.spawn(async move {
            if let Err(e) = commands.command(command).await {
                tracing::debug!("a command: {e}");
            }
        });
    }

    /// Lets a second of the daemon's clock pass, and hears what came of it.
    pub(super) async fn let_pass(&mut self) {
        self.pass(1.0).await;
        tokio::time::sleep(Duration::from_millis(5)).await;
        // A line that nobody hears fills up, and the box seems gone.
        self.line.hear();
        while let Ok(news) = self.news.try_recv() {
            if let News::Lot(lot) = &*news
                && lot.closed
            {
                self.closed_lots.push(lot.id.clone());
            }
        }
    }

    /// Waits until that lot is sealed.
    pub(super) async fn until_sealed(&mut self, id: &String, folder: &Path) -> Result<(), Failure> {
        let mut well_ns = self.world.now().mono_ns;
        let sealed = async {
            while !self.closed_lots.contains(id) {
                self.let_pass().await;
                let trouble = self.feed.snapshot.borrow().store_trouble.clone();
                let now_ns = self.world.now().mono_ns;
                match trouble {
                    None => well_ns = now_ns,
                    Some(why) if now_ns.saturating_sub(well_ns) >= FULL_FOR.as_nanos() as u64 => {
                        return Err(unkept(&format!("the lot {} is not sealed", folder.display()), &why));
                    }
                    Some(_) => {}
                }
            }
            Ok(())
        };
        tokio::time::timeout(SEALED_WITHIN, sealed).await.map_err(|_| {
            Failure::io(format!(
                "the lot {} was not sealed within {} s; the log says why",
                folder.display(),
                SEALED_WITHIN.as_secs()
            ))
        })?
    }

    /// Sleeps where the day would run faster than asked.
    async fn pace(&self, began_ns: u64, due_s: f64) {
        let passed_s = self.world.now().mono_ns.saturating_sub(began_ns) as f64 / 1e9;
        // The timer counts in milliseconds.
        if due_s > passed_s + 0.002 {
            tokio::time::sleep(Duration::from_secs_f64(due_s - passed_s)).await;
        }
    }
}

/// The disk kept something from being done.
fn unkept(what: &str, why: &str) -> Failure {
    Failure::io(format!("{what}, since readings are not being kept ({why}); then rehearse again"))
}
