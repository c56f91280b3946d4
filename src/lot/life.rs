//! A lot's life: opened, entered into, closed, corrected, added to.
//!
//! [`Lots`] is for the one process that holds [`super::hold::Hold`]: the
//! daemon's record thread, or a command while no daemon runs. An open lot's
//! `lot.toml` has what persons entered; what the journal tells is drawn from it
//! when the lot is closed, so that nothing needs saving while the make goes on
//! and a killed process loses nothing. A closed lot that is added to is first
//! compared with its seal, and left alone where it differs.
//!
//! Call after the journal has committed: what is not synced is not seen.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::at::At;
use super::build::LONGEST_S;
use super::correct::Author;
use super::genealogy::mother_of;
use super::inbox::{Answer, Ask, Opening, Request};
use super::record::{Record, plan_name};
use super::signature::Signer;
use super::store::{Dairy, LotError, Store};
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;
use crate::journal::storage::Storage;

use entering::{milking, ph, wheels};
use marking::{mark_late, set_all};

mod attaching;
mod entering;
mod finishing;
mod marking;
mod opened;
mod opening;
mod signing;

/// Who opens a lot when milk is found.
pub const ITSELF: &str = "curdtrace";

/// A person who did not say who.
pub const SOMEBODY: &str = "a person";

/// An open lot that has waited so long is not the one of a make that begins
/// now, seconds. A make that ends may have gone on for longer.
const STALE_S: i64 = 12 * 3600;

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// The lot.
    pub lot: String,
    /// Its kettle.
    pub kettle: String,
    /// Its folder.
    pub folder: PathBuf,
    /// It was opened now.
    pub opened: bool,
    /// It was closed and sealed now.
    pub closed: bool,
    /// What to tell the person.
    pub text: String,
    /// Why it is not signed, where it should be.
    pub unsigned: Option<String>,
}

/// The lots, for their one owner.
#[derive(Debug)]
pub struct Lots {
    store: Store,
    dairy: Dairy,
    open: BTreeMap<String, Record>,
    /// Lots that are closed and could not be sealed yet.
    closing: BTreeSet<String>,
    signer: Option<Arc<dyn Signer>>,
    troubles: Vec<String>,
}

impl Lots {
    /// Opens the lots of a data folder, and finishes sealings that were cut
    /// short. Gives what was finished, in words. A lot that cannot be read or
    /// finished keeps no other from being recorded: it is left as it is, and
    /// among [`Lots::troubles`].
    ///
    /// # Errors
    /// [`LotError`].
    pub fn open(
        storage: Arc<dyn Storage>,
        data: &Path,
        dairy: Dairy,
    ) -> Result<(Self, Vec<String>), LotError> {
        Self::open_signing(storage, data, dairy, None)
    }

    /// As [`Lots::open`]; what is sealed is signed by `signer`.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn open_signing(
        storage: Arc<dyn Storage>,
        data: &Path,
        dairy: Dairy,
        signer: Option<Arc<dyn Signer>>,
    ) -> Result<(Self, Vec<String>), LotError> {
        let store = Store::at(storage, data);
        let lots_dir = data.join("lots");
        store.storage.make_dir(&lots_dir).map_err(LotError::io("cannot make", &lots_dir))?;
        let (open, closing) = (BTreeMap::new(), BTreeSet::new());
        let mut lots = Self { store, dairy, open, closing, signer, troubles: Vec::new() };
        let done = lots.finish_sealings()?;
        let (heads, bad) = lots.store.list()?;
        lots.troubles.extend(bad.iter().map(ToString::to_string));
        for head in heads.into_iter().filter(|h| !h.is_closed()) {
            match lots.store.load(&head.lot) {
                Ok(record) => {
                    lots.open.insert(head.lot, record);
                }
                Err(e) => lots.troubles.push(e.to_string()),
            }
        }
        Ok((lots, done.into_iter().map(|d| d.text).collect()))
    }

    /// What could not be read or finished when the lots were opened, or when that
    /// was tried again, in words.
    pub fn troubles(&self) -> &[String] {
        &self.troubles
    }

    /// Reading them.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The open lots by kettle: the newest of each.
    pub fn open_lots(&self) -> BTreeMap<String, String> {
        let mut newest: BTreeMap<String, &Record> = BTreeMap::new();
        for r in self.open.values().filter(|r| r.is_live()) {
            if newest.get(&r.kettle).is_none_or(|n| n.opened <= r.opened) {
                newest.insert(r.kettle.clone(), r);
            }
        }
        newest.into_iter().map(|(k, r)| (k, r.lot.clone())).collect()
    }

    /// The lot that is open on a kettle at that moment: the newest, however long ago it
    /// was opened.
    fn open_on(&self, kettle: &str, at: At) -> Option<&Record> {
        let live = self.open.values().filter(|r| r.kettle == kettle && r.is_live());
        live.filter(|r| r.is_opening_unknown() || r.opened <= at).max_by_key(|r| r.opened)
    }

    /// The lot that is open on a kettle for a make that begins now: none that has waited
    /// too long, unless nobody can say how long.
    fn waiting_on(&self, kettle: &str, now: At) -> Option<&Record> {
        let live = self.open.values().filter(|r| r.kettle == kettle && r.is_live());
        live.filter(|r| r.is_opening_unknown() || r.opened.plus_s(STALE_S) > now).max_by_key(|r| r.opened)
    }

    /// What the engine concluded: a make that begins opens its lot unless one
    /// is open, a make that ends closes it.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn take(
        &mut self,
        effect: &Effect,
        plan: Option<&Plan>,
        by: Option<&str>,
        now: At,
    ) -> Result<Option<Done>, LotError> {
        self.date_openings()?;
        let at = effect.time.map_or(now, At);
        match &effect.what {
            Conclusion::MakeBegan if self.waiting_on(&effect.kettle, at).is_none() => {
                let plan = plan.map(crate::config::plan::write);
                let opening = Opening { kettle: effect.kettle.to_string(), plan, ..Opening::default() };
                self.begin(&opening, ITSELF, at, now).map(Some)
            }
            Conclusion::Make(make) => {
                let Some(lot) = self.open_on(&effect.kettle, at).map(|r| r.lot.clone()) else {
                    return Ok(None);
                };
                let of_whey = make
                    .stages
                    .iter()
                    .all(|s| matches!(s.stage, Stage::WheyHeating | Stage::WheyResting | Stage::Idle));
                if of_whey && !make.stages.is_empty() {
                    self.link_to_mother(&lot, make.stages.iter().find_map(|s| s.began).map(At))?;
                }
                let at = at.max(now);
                self.close(&lot, by.unwrap_or(ITSELF), at, at).map(Some)
            }
            _ => Ok(None),
        }
    }

    /// Carries out a request. [`Ask::Mark`] is not for the lots: the owner gives
    /// it to the engine and the journal; here it only finds the kettle's lot.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn apply(&mut self, request: &Request) -> Result<Done, LotError> {
        self.date_openings()?;
        let at = request.at;
        let by = request.by.as_deref();
        match &request.ask {
            Ask::Open(opening) => self.begin_by_hand(opening, by.unwrap_or(SOMEBODY), at),
            Ask::Mark(mark) => match self.open_on(&mark.kettle, at) {
                Some(r) => Ok(self.done(r, format!("marked {} in lot {}", mark.name, r.lot))),
                None => Err(LotError::NoneOpen(mark.kettle.clone())),
            },
            Ask::Close { lot } => {
                let until = self.store.end_of(&self.store.load(lot)?, at)?;
                self.close(lot, by.unwrap_or(SOMEBODY), at, until)
            }
            Ask::Set { lot, fields, reason } => {
                self.check_mother(lot, fields)?;
                let drawn = self.drawn_to_correct(lot, fields, at)?;
                self.enter(lot, by, at, reason.as_deref(), |record, author| {
                    set_all(record, drawn, fields, author)
                })
            }
            Ask::Milking { lot, milking: m } => {
                self.enter(lot, by, at, None, |record, author| milking(record, m, author))
            }
            Ask::Wheels { lot, wheels: w } => {
                self.enter(lot, by, at, None, |record, author| wheels(record, w, author))
            }
            Ask::Ph { lot, ph: p } => self.enter(lot, by, at, None, |record, author| ph(record, p, author)),
            Ask::MarkLate { lot, mark } => {
                self.enter(lot, by, at, None, |record, author| mark_late(record, mark, author))
            }
            Ask::Attach(attach) => self.attach(attach, by, at),
            Ask::Sign { lot } => self.sign(lot, at),
        }
    }

    /// The plan followed on a kettle changed: its open lot follows.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn follow(&mut self, kettle: &str, plan: Option<&Plan>, now: At) -> Result<(), LotError> {
        self.date_openings()?;
        let Some(lot) = self.open_on(kettle, now).map(|r| r.lot.clone()) else { return Ok(()) };
        let Some(record) = self.open.get_mut(&lot) else { return Ok(()) };
        let former = record.plan.take();
        record.plan = plan.and_then(|p| crate::config::plan::write(p).parse().ok());
        if let Some(p) = plan
            && (record.product.is_empty() || former.is_some_and(|f| plan_name(&f) == Some(&record.product)))
        {
            record.product.clone_from(&p.name);
        }
        self.store.save(record)
    }

    /// Closes a lot at `at`, with what the journal has of it up to `until`.
    fn close(&mut self, lot: &str, by: &str, at: At, until: At) -> Result<Done, LotError> {
        let mut record = self.store.load(lot)?;
        if record.is_closed() {
            return Err(LotError::Closed(lot.into()));
        }
        let was_live = record.is_live();
        let found = self.store.draw(&mut record, until)?;
        self.note_shared(&mut record)?;
        record.closed = Some(at);
        record.closed_by = Some(by.into());
        if let Err(e) = self.store.seal(&mut record, Some(&found), at) {
            // It may be closed all the same, and its seal comes later: no make
            // that begins goes into it.
            if self.store.load(lot).is_ok_and(|r| r.is_closed()) {
                self.open.remove(lot);
                self.closing.insert(lot.into());
            }
            return Err(e);
        }
        self.open.remove(lot);
        let mut text = format!("lot {lot} is closed and sealed");
        if was_live && let Some(end) = cut_at(&record, until) {
            let _ = write!(
                text,
                "; it had no make that ended, so its trace goes to {end} only: `curdtrace lot attach` gives it more"
            );
        }
        let mut done = self.sealed(&record, text, at);
        done.closed = true;
        Ok(done)
    }

    /// Changes a record through `change`, which gives what changed in words. A
    /// closed lot is sealed again.
    fn enter(
        &mut self,
        lot: &str,
        by: Option<&str>,
        at: At,
        reason: Option<&str>,
        change: impl FnOnce(&mut Record, &Author) -> Result<String, LotError>,
    ) -> Result<Done, LotError> {
        let mut record = self.changeable(lot)?;
        let author = Author { by: by.map(Into::into), at, reason: reason.map(Into::into) };
        let before = record.clone();
        let what = change(&mut record, &author)?;
        if record == before {
            return Ok(self.done(&record, format!("lot {lot} is as it was: it says so already")));
        }
        if !record.is_closed() {
            self.store.save(&record)?;
            self.open.insert(lot.into(), record.clone());
            return Ok(self.done(&record, format!("lot {lot}: {what}")));
        }
        self.store.seal(&mut record, None, at)?;
        Ok(self.sealed(&record, format!("lot {lot}: {what}; sealed again"), at))
    }

    /// A lot that may be changed: an open one, or one that is as it was sealed.
    fn changeable(&self, lot: &str) -> Result<Record, LotError> {
        let record = self.store.load(lot)?;
        let chain = self.store.chain()?;
        if record.is_closed() || chain.seal_of(lot).is_some() {
            let found = self.store.verify(lot, &chain)?;
            if let Some(first) = found.first() {
                return Err(LotError::NotAsSealed { lot: lot.into(), what: first.to_string() });
            }
        }
        Ok(record)
    }

    /// The lot of the cheese whose whey this kettle heats, since `began` where that is known.
    fn link_to_mother(&mut self, lot: &str, began: Option<At>) -> Result<(), LotError> {
        let Some(record) = self.open.get(lot).filter(|r| r.mother.is_none()) else { return Ok(()) };
        let began = began.unwrap_or(record.opened);
        let Some(mother) = mother_of(&self.store, &record.kettle, began)? else { return Ok(()) };
        let changed = Record { mother: Some(mother), ..record.clone() };
        self.store.save(&changed)?;
        self.open.insert(lot.into(), changed);
        Ok(())
    }

    fn done(&self, record: &Record, text: String) -> Done {
        Done {
            lot: record.lot.clone(),
            kettle: record.kettle.clone(),
            folder: self.store.folder(&record.lot),
            opened: false,
            closed: false,
            text,
            unsigned: None,
        }
    }
}

impl Answer {
    /// What became of a request, in words.
    pub fn of(done: Result<&Done, &LotError>) -> Self {
        match done {
            Ok(done) => Self { code: 0, text: done.text.clone(), lot: Some(done.lot.clone()) },
            Err(e) => Self { code: e.exit_code(), text: e.to_string(), lot: None },
        }
    }
}

/// Where the trace of a lot that was open for long ends before the lot does.
fn cut_at(record: &Record, until: At) -> Option<At> {
    let end = record.own_stretches().map(|s| s.to).max()?;
    let began = record.own_stretches().map(|s| s.from).min()?;
    (end < until && end.minutes_since(began) * 60.0 >= LONGEST_S as f64 - 1.0).then_some(end)
}
