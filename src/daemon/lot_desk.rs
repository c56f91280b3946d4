//! The lots, as the record thread keeps them: makes that begin and end, plans
//! that change, and what commands ask through the data folder's inbox.
//!
//! Invariant: what concerns a lot is done only after the journal has synced
//! what it rests on.
//!
//! Where a person closes a lot while its make runs, the make is ended first
//! ([`Ending`]), so that the lot holds the whole of it.
//!
//! A daemon that was killed between a make's beginning and its lot's opening
//! catches up at the next start ([`LotDesk::catch_up`]).

mod again;
mod asked;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicU32;

use again::{Again, Turn};

use super::input::{Incoming, Input};
use super::outlet::LotNews;
use super::ssh_keygen::SshKeygen;
use crate::config::dairy::Config;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Ask as Command, Command as Commanded, Name};
use crate::engine::plan::Plan;
use crate::journal::storage::Storage;
use crate::lot::at::At;
use crate::lot::inbox::{Answer, Ask, Inbox, Request};
use crate::lot::life::{Done, Lots};
use crate::lot::store::{Dairy, LotError};

/// A make's beginning and its lot's opening may be so far apart, nanoseconds.
const SAME_NS: i64 = 60_000_000_000;

/// A make that does not end when told to is waited for through so many looks
/// into the inbox; then its lot is closed as it is.
const LOOKS_UNTIL_CLOSED: u32 = 25;

/// One thing to do for the lots.
#[derive(Debug)]
pub enum Work {
    /// A make began, or ended; by whom, where a person ended it.
    Effect(Effect, Option<Name>),
    /// Another plan is followed.
    Follow(Name, Option<Arc<Plan>>),
}

/// A lot to be closed as soon as its make has ended.
#[derive(Debug)]
struct Ending {
    request: Request,
    /// The names of the files in the inbox that ask for it: two persons may.
    names: Vec<String>,
    /// So often the make was not over yet.
    looks: u32,
}

/// The lots and who asks for them.
#[derive(Debug)]
pub struct LotDesk {
    lots: Lots,
    storage: Arc<dyn Storage>,
    data: PathBuf,
    plans: BTreeMap<Name, Arc<Plan>>,
    /// So many marks are on their way through the engine, and commands wait for them.
    marks_in_hand: Arc<AtomicU32>,
    /// Kettles with a make on.
    making: BTreeSet<Name>,
    /// Lots to be closed once the make on their kettle has ended.
    endings: BTreeMap<Name, Ending>,
    /// What has to go through the engine before the lots can go on.
    inputs: Vec<Input>,
    /// That the inbox cannot be used has been said.
    told: bool,
    /// What the disk kept from being done.
    again: Again,
}

impl LotDesk {
    /// Opens the lots of the configured data folder.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn open(
        storage: Arc<dyn Storage>,
        config: &Config,
        plans: BTreeMap<Name, Arc<Plan>>,
    ) -> Result<Self, LotError> {
        let dairy = Dairy {
            name: config.dairy.clone(),
            time_zone: config.time_zone.clone(),
            language: config.language.clone(),
            lot_id: config.lot_id.clone(),
        };
        for fault in config.signing.faults() {
            tracing::warn!("lots will not be signed: {fault}");
        }
        let signer = SshKeygen::of(&config.signing);
        let (lots, finished) = Lots::open_signing(storage.clone(), &config.data, dairy, signer)?;
        for words in finished {
            tracing::info!("{words}");
        }
        for trouble in lots.troubles() {
            tracing::error!("{trouble}");
        }
        Inbox::put_back(&*storage, &config.data);
        Ok(Self {
            lots,
            storage,
            data: config.data.clone(),
            plans,
            marks_in_hand: Arc::default(),
            making: BTreeSet::new(),
            endings: BTreeMap::new(),
            inputs: Vec::new(),
            told: false,
            again: Again::default(),
        })
    }

    /// Counts the marks that are on their way.
    pub fn marks_in_hand(&self) -> Arc<AtomicU32> {
        self.marks_in_hand.clone()
    }

    /// The lot that is open on each kettle.
    pub fn open_lots(&self) -> BTreeMap<Name, String> {
        self.lots.open_lots().into_iter().map(|(k, id)| (Name::from(k), id)).collect()
    }

    /// What the recent past left undone: the last beginning or end of a make
    /// of each kettle. Answers that nobody waits for any longer go.
    pub fn catch_up(&mut self, turns: &[Effect], now: At) -> Vec<LotNews> {
        Inbox::forget_old_answers(&*self.storage, &self.data, now);
        let mut news = Vec::new();
        for turn in turns {
            news.extend(self.make_unless_done(Turn { effect: turn.clone(), by: None, came: now }, now));
        }
        news
    }

    /// A make's beginning or end that the lots may know of already. Where the disk
    /// cannot say, it waits.
    fn make_unless_done(&mut self, turn: Turn, now: At) -> Option<LotNews> {
        let kettle = &turn.effect.kettle;
        match self.is_done(&turn.effect) {
            Ok(false) => {
                tracing::info!("kettle {kettle}: catching up with the make");
                return self.make(&turn.effect, turn.by.as_deref(), turn.came);
            }
            Ok(true) => self.turned(&turn.effect),
            Err(e) => {
                tracing::error!("kettle {kettle}: {e}");
                self.turned(&turn.effect);
                if self.again.failed(&e, now.0) {
                    self.again.wait(turn);
                }
            }
        }
        None
    }

    /// Whether the lots know of this turn already.
    fn is_done(&self, turn: &Effect) -> Result<bool, LotError> {
        let (lots, _) = self.lots.store().list()?;
        let at = turn.time.unwrap_or_default();
        let mut of_kettle = lots.iter().filter(|l| l.kettle == *turn.kettle);
        Ok(match turn.what {
            // A lot that was opened for it, or was open then.
            Conclusion::MakeBegan => {
                of_kettle.any(|l| l.opened.0 >= at - SAME_NS || l.closed.is_none_or(|closed| closed.0 >= at))
            }
            // No lot of before its end is still open.
            Conclusion::Make(_) => !of_kettle.any(|l| l.closed.is_none() && !l.past && l.opened.0 <= at),
            _ => true,
        })
    }

    /// Does one thing; what became of it, where it is news.
    pub fn work(&mut self, work: Work, now: At) -> Option<LotNews> {
        match work {
            Work::Effect(effect, by) if self.again.has(&effect.kettle) => {
                self.turned(&effect);
                self.again.wait(Turn { effect, by, came: now });
                None
            }
            Work::Effect(effect, by) => self.make(&effect, by.as_deref(), now),
            Work::Follow(kettle, plan) => {
                if let Err(e) = self.lots.follow(&kettle, plan.as_deref(), now) {
                    tracing::warn!("kettle {kettle}: the lot does not learn of the plan: {e}");
                }
                match plan {
                    Some(plan) => self.plans.insert(kettle, plan),
                    None => self.plans.remove(&kettle),
                };
                None
            }
        }
    }

    /// A make began or ended: its lot is opened or closed, and whoever waits
    /// for that is answered.
    fn make(&mut self, effect: &Effect, by: Option<&str>, now: At) -> Option<LotNews> {
        self.turned(effect);
        let plan = self.plans.get(&effect.kettle).cloned();
        let done = self.lots.take(effect, plan.as_deref(), by, now);
        let ending = match effect.what {
            Conclusion::Make(_) => self.endings.remove(&effect.kettle),
            _ => None,
        };
        match (done, ending) {
            (Ok(Some(done)), ending) => {
                let text = format!("{}\n{}", done.text, ended_with_it(&done.kettle));
                let told = Answer::of(Ok(&Done { text, ..done.clone() }));
                ending.iter().flat_map(|e| &e.names).for_each(|name| self.answer(name, &told));
                news(&done)
            }
            (Ok(None), None) => {
                if matches!(effect.what, Conclusion::Make(_)) {
                    tracing::warn!(
                        "kettle {}: a make is over and no lot is open there, so that none is closed; `curdtrace lot attach --make` gives it to one",
                        effect.kettle
                    );
                }
                None
            }
            (Ok(None), Some(Ending { request, names, .. })) => self.carry_out(&request, &names),
            (Err(e), ending) => {
                tracing::error!("kettle {}: {e}", effect.kettle);
                if self.again.failed(&e, now.0) {
                    self.again.wait(Turn { effect: effect.clone(), by: by.map(Name::from), came: now });
                }
                ending.iter().flat_map(|e| &e.names).for_each(|name| self.answer(name, &Answer::of(Err(&e))));
                None
            }
        }
    }

    fn turned(&mut self, turn: &Effect) {
        match turn.what {
            Conclusion::MakeBegan => {
                self.making.insert(turn.kettle.clone());
            }
            Conclusion::Make(_) => {
                self.making.remove(&turn.kettle);
            }
            _ => {}
        }
    }

    /// Serves what a command asks, at once or once the make has ended.
    fn serve(&mut self, request: Request, name: String) -> Option<LotNews> {
        if let Ask::Close { lot } = &request.ask
            && let Some(kettle) = self.making_of(lot)
        {
            if let Some(ending) = self.endings.get_mut(&kettle) {
                ending.names.push(name);
                return None;
            }
            let by = request.by.as_deref().map(Name::from);
            let end = Commanded { kettle: kettle.clone(), by, ask: Command::EndMake };
            self.inputs.push(Input::of(Incoming::Command(end)));
            self.endings.insert(kettle, Ending { request, names: vec![name], looks: 0 });
            return None;
        }
        self.carry_out(&request, &[name])
    }

    /// The kettle on which a lot is open while a make runs there.
    fn making_of(&self, lot: &str) -> Option<Name> {
        let open = self.lots.open_lots().into_iter().find(|(_, id)| id == lot)?;
        self.making.get(open.0.as_str()).cloned()
    }

    fn carry_out(&mut self, request: &Request, names: &[String]) -> Option<LotNews> {
        let done = self.lots.apply(request);
        if let Err(e) = &done {
            self.again.failed(e, request.at.0);
        }
        for name in names {
            self.answer(name, &Answer::of(done.as_ref()));
        }
        done.ok().as_ref().and_then(news)
    }

    /// Lots whose make has not ended in time are closed as they are.
    fn close_overdue(&mut self) -> Vec<LotNews> {
        self.endings.values_mut().for_each(|e| e.looks += 1);
        let (late, in_time) = std::mem::take(&mut self.endings)
            .into_iter()
            .partition::<BTreeMap<_, _>, _>(|(_, e)| e.looks > LOOKS_UNTIL_CLOSED);
        self.endings = in_time;
        late.into_values().filter_map(|e| self.carry_out(&e.request, &e.names)).collect()
    }

    /// What has to go through the engine before the lots can go on.
    pub fn take_inputs(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.inputs)
    }
}

/// What a person who closes a lot in the middle of its make may not have meant.
fn ended_with_it(kettle: &str) -> String {
    format!(
        "the make that ran in kettle {kettle} is ended with it: what goes on there is a new one, and its calls may come late"
    )
}

/// What is worth telling of what was done.
fn news(done: &Done) -> Option<LotNews> {
    if let Some(why) = &done.unsigned {
        tracing::warn!(
            "lot {} is sealed and NOT SIGNED: {why}; then `curdtrace lot sign {}`",
            done.lot,
            done.lot
        );
    }
    (done.opened || done.closed).then(|| LotNews {
        kettle: Name::from(done.kettle.as_str()),
        id: done.lot.clone(),
        folder: done.folder.clone(),
        closed: done.closed,
    })
}
