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

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::at::At;
use super::correct::{Author, set};
use super::id;
use super::inbox::{Answer, Ask, AttachAsk, Opening, Request};
use super::picture::counted;
use super::record::{Correction, Record, Stretch};
use super::store::{Dairy, LotError, Store};
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;
use crate::journal::storage::Storage;

/// Who opens a lot when milk is found.
pub const ITSELF: &str = "curdtrace";

/// An open lot that has waited so long is not the one of a make that begins
/// now, seconds.
const STALE_S: i64 = 12 * 3600;

/// A make of whey begins within so long of its mother's end, seconds.
const FOLLOWS_S: i64 = 6 * 3600;

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
}

/// The lots, for their one owner.
#[derive(Debug)]
pub struct Lots {
    store: Store,
    dairy: Dairy,
    open: BTreeMap<String, Record>,
}

impl Lots {
    /// Opens the lots of a data folder, and finishes sealings that were cut
    /// short. Gives what was finished, in words.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn open(
        storage: Arc<dyn Storage>,
        data: &Path,
        dairy: Dairy,
    ) -> Result<(Self, Vec<String>), LotError> {
        let store = Store::at(storage, data);
        let lots_dir = data.join("lots");
        store.storage.make_dir(&lots_dir).map_err(LotError::io("cannot make", &lots_dir))?;
        let mut lots = Self { store, dairy, open: BTreeMap::new() };
        let done = lots.finish_sealings()?;
        for head in lots.store.list()?.0 {
            if !head.is_closed() {
                let record = lots.store.load(&head.lot)?;
                lots.open.insert(head.lot, record);
            }
        }
        Ok((lots, done))
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

    /// The lot that is open on a kettle, where it has not waited too long.
    fn open_on(&self, kettle: &str, now: At) -> Option<&Record> {
        let live = self.open.values().filter(|r| r.kettle == kettle && r.is_live());
        live.filter(|r| r.opened.plus_s(STALE_S) > now).max_by_key(|r| r.opened)
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
        let at = effect.time.map_or(now, At);
        match &effect.what {
            Conclusion::MakeBegan if self.open_on(&effect.kettle, at).is_none() => {
                let plan = plan.map(crate::config::plan::write);
                let opening = Opening { kettle: effect.kettle.to_string(), plan, ..Opening::default() };
                self.begin(&opening, ITSELF, at).map(Some)
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
                    self.link_to_mother(&lot)?;
                }
                self.close(&lot, by.unwrap_or(ITSELF), at.max(now)).map(Some)
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
        let at = request.at;
        let by = request.by.as_deref();
        match &request.ask {
            Ask::Open(opening) => self.begin_by_hand(opening, by.unwrap_or("a person"), at),
            Ask::Mark(mark) => match self.open_on(&mark.kettle, at) {
                Some(r) => Ok(self.done(r, format!("marked {} in lot {}", mark.name, r.lot))),
                None => Err(LotError::NoneOpen(mark.kettle.clone())),
            },
            Ask::Close { lot } => self.close(lot, by.unwrap_or("a person"), at),
            Ask::Set { lot, fields, reason } => {
                self.enter(lot, by, at, reason.as_deref(), |record, author| {
                    let mut changed = Vec::new();
                    for (field, value) in fields {
                        if set(record, field, value, author)? {
                            changed.push(field.as_str());
                        }
                    }
                    Ok(changed.join(", "))
                })
            }
            Ask::Milking { lot, milking } => self.enter(lot, by, at, None, |record, author| {
                record.milkings.push(milking.clone());
                added(record, author, "milking", &milking.milking)
            }),
            Ask::Wheels { lot, wheels } => self.enter(lot, by, at, None, |record, author| {
                for wheel in wheels {
                    record.wheels.retain(|w| w.wheel != wheel.wheel);
                    record.wheels.push(wheel.clone());
                }
                let names: Vec<&str> = wheels.iter().map(|w| w.wheel.as_str()).collect();
                added(record, author, "wheel", &names.join(", "))
            }),
            Ask::Ph { lot, ph } => self.enter(lot, by, at, None, |record, author| {
                record.ph.push(ph.clone());
                record.ph.sort_by_key(|p| p.at);
                added(record, author, "ph", &ph.value.to_string())
            }),
            Ask::Attach(attach) => self.attach(attach, by, at),
        }
    }

    /// The plan followed on a kettle changed: its open lot follows.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn follow(&mut self, kettle: &str, plan: Option<&Plan>, now: At) -> Result<(), LotError> {
        let Some(lot) = self.open_on(kettle, now).map(|r| r.lot.clone()) else { return Ok(()) };
        let Some(record) = self.open.get_mut(&lot) else { return Ok(()) };
        let former = record.plan.take();
        record.plan = plan.and_then(|p| crate::config::plan::write(p).parse().ok());
        if let Some(p) = plan
            && (record.product.is_empty()
                || former.is_some_and(|f| f.get("name").and_then(|n| n.as_str()) == Some(&record.product)))
        {
            record.product.clone_from(&p.name);
        }
        self.store.save(record)
    }

    fn begin_by_hand(&mut self, opening: &Opening, by: &str, at: At) -> Result<Done, LotError> {
        let standing = self.open_on(&opening.kettle, at).filter(|_| !opening.past).map(|r| r.lot.clone());
        let Some(lot) = standing else { return self.begin(opening, by, at) };
        // Milk was found before the person came: the lot is there, it becomes theirs.
        let own = self.open.get(&lot).is_some_and(|r| r.opened_by == ITSELF);
        if !own || opening.id.as_ref().is_some_and(|id| *id != lot) {
            return Err(LotError::AlreadyOpen { lot, kettle: opening.kettle.clone() });
        }
        let author =
            Author { by: Some(by.into()), at, reason: Some("entered when the lot was taken over".into()) };
        let mut record = self.store.load(&lot)?;
        let opened = record.opened.clock(&record.zone());
        fill(&mut record, opening, &author)?;
        by.clone_into(&mut record.opened_by);
        self.store.save(&record)?;
        let done = self
            .done(&record, format!("lot {lot} was opened at {opened}, when milk was found; it is yours now"));
        self.open.insert(lot, record);
        Ok(done)
    }

    fn begin(&mut self, opening: &Opening, by: &str, at: At) -> Result<Done, LotError> {
        let mut record = Record {
            format: 1,
            dairy: self.dairy.name.clone(),
            kettle: opening.kettle.clone(),
            time_zone: self.dairy.time_zone.clone(),
            opened: at,
            opened_by: by.into(),
            past: opening.past,
            made: opening.made,
            ..Record::default()
        };
        fill(&mut record, opening, &Author { by: Some(by.into()), at, reason: None })?;
        record.lot = self.new_id(opening, &record)?;
        self.store.save(&record)?;
        let mut done = self.done(&record, format!("lot {} is open on kettle {}", record.lot, record.kettle));
        done.opened = true;
        self.open.insert(record.lot.clone(), record);
        Ok(done)
    }

    fn new_id(&self, opening: &Opening, record: &Record) -> Result<String, LotError> {
        // A folder that cannot be looked into counts as taken.
        let taken =
            |id: &str| self.store.storage.list(&self.store.folder(id)).map_or(true, |l| !l.is_empty());
        if let Some(id) = &opening.id {
            if !id::is_fit(id) {
                return Err(LotError::Id(id.clone(), "use letters, digits, - _ and . only"));
            }
            return if taken(id) {
                Err(LotError::Id(id.clone(), "there is such a lot; choose another"))
            } else {
                Ok(id.clone())
            };
        }
        let plan =
            record.plan.as_ref().and_then(|p| p.get("name")).and_then(|n| n.as_str()).unwrap_or_default();
        let date = record.day();
        Ok(id::free(&self.dairy.lot_id, id::Parts { date: &date, kettle: &record.kettle, plan }, taken))
    }

    fn close(&mut self, lot: &str, by: &str, at: At) -> Result<Done, LotError> {
        let mut record = self.store.load(lot)?;
        if record.is_closed() {
            return Err(LotError::Closed(lot.into()));
        }
        let found = self.store.draw(&mut record, at)?;
        record.closed = Some(at);
        record.closed_by = Some(by.into());
        self.store.seal(&mut record, Some(&found), at)?;
        self.open.remove(lot);
        let mut done = self.done(&record, format!("lot {lot} is closed and sealed"));
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
        Ok(self.done(&record, format!("lot {lot}: {what}; sealed again")))
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

    fn attach(&mut self, ask: &AttachAsk, by: Option<&str>, at: At) -> Result<Done, LotError> {
        let mut record = self.changeable(&ask.lot)?;
        if record.is_closed() && by.is_none() {
            return Err(LotError::Author(ask.lot.clone()));
        }
        let also_in = self.others(ask)?;
        let stretch = Stretch {
            probe: ask.probe.clone(),
            from: ask.from,
            to: ask.to,
            readings: 0,
            attached_by: Some(by.unwrap_or("a person").into()),
            attached: Some(at),
            also_in: also_in.clone(),
        };
        let same = |s: &Stretch| s.probe == stretch.probe && s.from == stretch.from && s.to == stretch.to;
        if record.stretches.iter().any(same) {
            return Ok(self.done(&record, format!("lot {} has this stretch already", ask.lot)));
        }
        record.stretches.push(stretch);
        let until = record.closed.unwrap_or(at);
        let mut drawn = record.clone();
        let found = self.store.draw(&mut drawn, until)?;
        let readings = drawn.stretches.get(record.stretches.len() - 1).map_or(0, |s| s.readings);
        if readings == 0 {
            let (probe, from, to) = (ask.probe.clone(), ask.from, ask.to);
            return Err(LotError::NoReadings { probe, from, to, hint: self.hint() });
        }
        let warning = if also_in.is_empty() {
            String::new()
        } else {
            format!("; a part of it belongs to {} already; the record says so", also_in.join(", "))
        };
        let text = format!(
            "lot {} has {} of probe {} more{warning}",
            ask.lot,
            counted(readings, "reading"),
            ask.probe
        );
        if record.is_closed() {
            if let Some(by) = by {
                drawn.corrections.push(Correction {
                    field: "stretch".into(),
                    old: String::new(),
                    new: format!("{} {} to {}", ask.probe, ask.from, ask.to),
                    by: by.into(),
                    at,
                    reason: "attached after closing".into(),
                });
            }
            self.store.seal(&mut drawn, Some(&found), at)?;
            return Ok(self.done(&drawn, format!("{text}; sealed again")));
        }
        for (kept, counted) in record.stretches.iter_mut().zip(&drawn.stretches) {
            kept.readings = counted.readings;
        }
        self.store.save(&record)?;
        self.open.insert(ask.lot.clone(), record.clone());
        Ok(self.done(&record, text))
    }

    /// Other lots that have a part of a stretch.
    fn others(&self, ask: &AttachAsk) -> Result<Vec<String>, LotError> {
        let mut others = Vec::new();
        for head in self.store.list()?.0 {
            // A lot's trace lies near its opening unless it was attached later.
            let far = head.opened.plus_s(-3 * 86_400) > ask.to && !head.past;
            if head.lot == ask.lot || far {
                continue;
            }
            let lot = self.store.load(&head.lot)?;
            if lot.stretches.iter().any(|s| s.probe == ask.probe && s.from < ask.to && ask.from < s.to) {
                others.push(head.lot);
            }
        }
        Ok(others)
    }

    fn hint(&self) -> String {
        let names = crate::journal::recover::segments(&*self.store.storage, &self.store.journal());
        match names.as_deref() {
            Ok([first, .., last]) => format!("; it has days from {} to {} (UTC)", first.day, last.day),
            Ok([only]) => format!("; it has the day {} (UTC) only", only.day),
            _ => "; it is empty".into(),
        }
    }

    /// The lot of the cheese whose whey this kettle heats.
    fn link_to_mother(&mut self, lot: &str) -> Result<(), LotError> {
        let Some(record) = self.open.get(lot).filter(|r| r.mother.is_none()).cloned() else { return Ok(()) };
        let heads = self.store.list()?.0;
        let near = |h: &Record| {
            h.lot != lot
                && h.kettle == record.kettle
                && h.closed
                    .is_some_and(|c| c <= record.opened.plus_s(1800) && c.plus_s(FOLLOWS_S) > record.opened)
        };
        let Some(mother) = heads.into_iter().rev().find(near) else { return Ok(()) };
        let changed = Record { mother: Some(mother.lot), ..record };
        self.store.save(&changed)?;
        self.open.insert(lot.into(), changed);
        Ok(())
    }

    /// Seals that were begun and not ended are ended.
    fn finish_sealings(&mut self) -> Result<Vec<String>, LotError> {
        let dir = self.store.data.join("sealing");
        let names = self.store.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        let mut done = Vec::new();
        for lot in names.into_iter().filter(|n| id::is_fit(n)) {
            let intent = self.store.intent_path(&lot);
            let remove =
                || self.store.storage.remove(&intent).map_err(LotError::io("cannot remove", &intent));
            if !self.store.has(&lot)? {
                remove()?;
                continue;
            }
            let mut record = self.store.load(&lot)?;
            let Some(closed) = record.closed else {
                // It never got as far as `lot.toml`: it is open as before.
                remove()?;
                continue;
            };
            let latest = record.corrections.iter().map(|c| c.at).max().unwrap_or(closed).max(closed);
            let found = self.store.draw(&mut record, closed)?;
            self.store.seal(&mut record, Some(&found), latest)?;
            done.push(format!("the sealing of lot {lot} had been cut short; it is sealed now"));
        }
        Ok(done)
    }

    fn done(&self, record: &Record, text: String) -> Done {
        Done {
            lot: record.lot.clone(),
            kettle: record.kettle.clone(),
            folder: self.store.folder(&record.lot),
            opened: false,
            closed: false,
            text,
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

/// Enters what was said at the opening.
fn fill(record: &mut Record, opening: &Opening, author: &Author) -> Result<(), LotError> {
    if let Some(text) = &opening.plan {
        let plan: toml::Table =
            text.parse().map_err(|e: toml::de::Error| LotError::Plan(e.message().into()))?;
        if let Some(name) = plan.get("name").and_then(|n| n.as_str())
            && record.product.is_empty()
        {
            record.product = name.into();
        }
        record.plan = Some(plan);
    }
    if opening.mother.is_some() {
        record.mother.clone_from(&opening.mother);
    }
    for (field, value) in &opening.fields {
        if field == "product" {
            record.product.clear();
        }
        set(record, field, value, author)?;
    }
    Ok(())
}

/// Something was added: on a closed lot that is a correction with an author.
fn added(record: &mut Record, author: &Author, field: &str, what: &str) -> Result<String, LotError> {
    if record.is_closed() {
        let Some(by) = &author.by else { return Err(LotError::Author(record.lot.clone())) };
        record.corrections.push(Correction {
            field: field.into(),
            old: String::new(),
            new: what.into(),
            by: by.clone(),
            at: author.at,
            reason: author.reason.clone().unwrap_or_else(|| "entered after closing".into()),
        });
    }
    Ok(format!("{field} {what}"))
}
