//! The lots, as the record thread keeps them: makes that begin and end, plans
//! that change, and what commands ask through the data folder's inbox.
//!
//! Invariant: what concerns a lot is done only after the journal has synced
//! what it rests on.
//!
//! A daemon that was killed between a make's beginning and its lot's opening
//! catches up at the next start ([`LotDesk::catch_up`]).

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use super::input::{Incoming, Input, LotAsk, Receipt};
use super::outlet::LotNews;
use crate::config::dairy::Config;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Mark, Name};
use crate::engine::plan::Plan;
use crate::journal::storage::Storage;
use crate::lot::at::At;
use crate::lot::inbox::{Answer, Ask, Inbox, MarkAsk, Opening, Request};
use crate::lot::life::{Done, Lots};
use crate::lot::store::{Dairy, LotError};
use crate::wire::line::mark_kind;

/// A make's beginning and its lot's opening may be so far apart, nanoseconds.
const SAME_NS: i64 = 60_000_000_000;

/// One thing to do for the lots.
#[derive(Debug)]
pub enum Work {
    /// A make began or ended.
    Effect(Effect),
    /// Another plan is followed.
    Follow(Name, Option<Arc<Plan>>),
    /// A person asks.
    Ask(LotAsk, Option<Receipt>),
}

/// The lots and who asks for them.
#[derive(Debug)]
pub struct LotDesk {
    lots: Lots,
    storage: Arc<dyn Storage>,
    data: PathBuf,
    plans: BTreeMap<Name, Arc<Plan>>,
    /// Marks that are on their way through the engine.
    in_hand: BTreeSet<String>,
    /// That the inbox cannot be read has been said.
    told: bool,
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
            lot_id: config.lot_id.clone(),
        };
        let (lots, finished) = Lots::open(storage.clone(), &config.data, dairy)?;
        for words in finished {
            tracing::info!("{words}");
        }
        let (data, in_hand) = (config.data.clone(), BTreeSet::new());
        Ok(Self { lots, storage, data, plans, in_hand, told: false })
    }

    /// The lot that is open on each kettle.
    pub fn open_lots(&self) -> BTreeMap<Name, String> {
        self.lots.open_lots().into_iter().map(|(k, id)| (Name::from(k), id)).collect()
    }

    /// What the recent past left undone: the last beginning or end of a make
    /// of each kettle.
    pub fn catch_up(&mut self, turns: &[Effect], now: At) -> Vec<LotNews> {
        let mut news = Vec::new();
        for turn in turns {
            if !self.is_done(turn) {
                tracing::info!("kettle {}: catching up with the make", turn.kettle);
                news.extend(self.make(turn, now));
            }
        }
        news
    }

    /// Whether the lots know of this turn already.
    fn is_done(&self, turn: &Effect) -> bool {
        let Ok((lots, _)) = self.lots.store().list() else { return true };
        let at = turn.time.unwrap_or_default();
        let mut of_kettle = lots.iter().filter(|l| l.kettle == *turn.kettle);
        match turn.what {
            // A lot that was opened for it, or was open then.
            Conclusion::MakeBegan => {
                of_kettle.any(|l| l.opened.0 >= at - SAME_NS || l.closed.is_none_or(|closed| closed.0 >= at))
            }
            // No lot of before its end is still open.
            Conclusion::Make(_) => !of_kettle.any(|l| l.closed.is_none() && !l.past && l.opened.0 <= at),
            _ => true,
        }
    }

    /// Does one thing; what became of it, where it is news.
    pub fn work(&mut self, work: Work, now: At) -> Option<LotNews> {
        match work {
            Work::Effect(effect) => self.make(&effect, now),
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
            Work::Ask(ask, receipt) => {
                let request = self.request(&ask, now)?;
                match self.lots.apply(&request) {
                    Ok(done) => {
                        receipt.into_iter().for_each(Receipt::kept);
                        news(&done)
                    }
                    Err(e) => {
                        tracing::warn!("kettle {}: {e}", ask.kettle);
                        None
                    }
                }
            }
        }
    }

    fn make(&mut self, effect: &Effect, now: At) -> Option<LotNews> {
        let plan = self.plans.get(&effect.kettle).cloned();
        match self.lots.take(effect, plan.as_deref(), now) {
            Ok(done) => news(&done?),
            Err(e) => {
                tracing::error!("kettle {}: {e}", effect.kettle);
                None
            }
        }
    }

    fn request(&self, ask: &LotAsk, now: At) -> Option<Request> {
        let kettle = ask.kettle.to_string();
        let wish = if ask.open {
            Ask::Open(Opening { kettle, id: ask.id.clone(), ..Opening::default() })
        } else {
            let open = self.lots.open_lots().remove(&kettle);
            let Some(lot) = ask.id.clone().or(open) else {
                tracing::warn!(
                    "kettle {kettle}: no lot is open there; `curdtrace lot list` shows what there is"
                );
                return None;
            };
            Ask::Close { lot }
        };
        Some(Request { at: now, by: ask.by.as_deref().map(Into::into), ask: wish })
    }

    /// Whether anything lies in the inbox.
    pub fn is_asked(&self) -> bool {
        self.storage.list(&self.data.join("inbox")).is_ok_and(|names| !names.is_empty())
    }

    /// Takes what waits in the inbox: lots are served at once, marks are given
    /// back to go through the engine.
    pub fn inbox(&mut self) -> (Vec<Input>, Vec<LotNews>) {
        let (mut marks, mut all_news) = (Vec::new(), Vec::new());
        let storage = self.storage.clone();
        let waiting = Inbox::of(&*storage, &self.data).and_then(|i| i.waiting());
        let waiting = match waiting {
            Ok(waiting) => waiting,
            Err(e) => {
                if !self.told {
                    tracing::warn!("the inbox at {} cannot be read: {e}", self.data.display());
                }
                self.told = true;
                return (marks, all_news);
            }
        };
        for one in waiting {
            match one.request {
                Err(why) => self.answer(&one.name, &Answer { code: 65, text: why, lot: None }),
                Ok(Request { by, ask: Ask::Mark(ask), .. }) => {
                    if !self.in_hand.contains(&one.name) {
                        marks.extend(self.mark(&one.name, by, ask));
                    }
                }
                Ok(request) => {
                    let (answer, done) = self.lots.answer(&request);
                    self.answer(&one.name, &answer);
                    all_news.extend(done.as_ref().and_then(news));
                }
            }
        }
        (marks, all_news)
    }

    /// A mark on its way through the engine; answered when it is on disk.
    fn mark(&mut self, name: &str, by: Option<String>, ask: MarkAsk) -> Option<Input> {
        let kind = match mark_kind(&ask.name, ask.value, ask.value, ask.text) {
            Ok(kind) => kind,
            Err(e) => {
                self.answer(name, &Answer { code: 64, text: e.to_string(), lot: None });
                return None;
            }
        };
        self.in_hand.insert(name.into());
        let lot = self.lots.open_lots().get(&ask.kettle).cloned();
        let place = lot.as_ref().map_or("no lot is open there".into(), |l| format!("lot {l}"));
        let text = format!("marked {} on kettle {}, {place}", ask.name, ask.kettle);
        let answer = Answer { code: 0, text, lot };
        let (storage, data, name) = (self.storage.clone(), self.data.clone(), name.to_string());
        let receipt = Receipt::new(move || answered(&*storage, &data, &name, &answer));
        let mark = Mark { kettle: Name::from(ask.kettle), kind, by: by.map(Name::from) };
        Some(Input { what: Incoming::Mark(mark), wall_ns: None, receipt: Some(receipt) })
    }

    fn answer(&self, name: &str, answer: &Answer) {
        answered(&*self.storage, &self.data, name, answer);
    }
}

fn answered(storage: &dyn Storage, data: &std::path::Path, name: &str, answer: &Answer) {
    if let Err(e) = Inbox::of(storage, data).and_then(|i| i.answer(name, answer)) {
        tracing::warn!("a command gets no answer ({e}): {}", answer.text);
    }
}

/// What is worth telling of what was done.
fn news(done: &Done) -> Option<LotNews> {
    (done.opened || done.closed).then(|| LotNews {
        kettle: Name::from(done.kettle.as_str()),
        id: done.lot.clone(),
        folder: done.folder.clone(),
        closed: done.closed,
    })
}
