//! A lot is opened: by a person, by milk, or for a make that is over.

use super::{Done, ITSELF, Lots};
use crate::lot::at::At;
use crate::lot::correct::{Author, TAKEN_OVER, set};
use crate::lot::id;
use crate::lot::inbox::Opening;
use crate::lot::record::{Record, plan_name};
use crate::lot::store::LotError;

impl Lots {
    pub(super) fn begin_by_hand(&mut self, opening: &Opening, by: &str, at: At) -> Result<Done, LotError> {
        let mother = opening.mother.iter().map(|m| ("mother".to_owned(), m.clone()));
        let mothers: Vec<_> = mother.chain(opening.fields.iter().cloned()).collect();
        self.check_mother(opening.id.as_deref().unwrap_or_default(), &mothers)?;
        let standing = self.waiting_on(&opening.kettle, at).filter(|_| !opening.past).map(|r| r.lot.clone());
        let Some(lot) = standing else { return self.begin(opening, by, at, at) };
        // Milk was found before the person came: the lot is there, it becomes theirs.
        let own = self.open.get(&lot).is_some_and(|r| r.opened_by == ITSELF);
        if !own || opening.id.as_ref().is_some_and(|id| *id != lot) {
            return Err(LotError::AlreadyOpen { lot, kettle: opening.kettle.clone() });
        }
        let author = Author { by: Some(by.into()), at, reason: Some(TAKEN_OVER.into()) };
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

    /// Opens a lot as of `at`, at a moment at which the machine's clock said `clock`:
    /// the engine goes by what the record knows where that clock is not to be trusted.
    pub(super) fn begin(&mut self, opening: &Opening, by: &str, at: At, clock: At) -> Result<Done, LotError> {
        let mut record = Record {
            format: 1,
            dairy: self.dairy.name.clone(),
            kettle: opening.kettle.clone(),
            time_zone: self.dairy.time_zone.clone(),
            language: self.dairy.language.clone(),
            opened: at,
            opened_unsure: self.store.unsure(at, clock),
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
            if let Some(why) = id::unfit(id) {
                return Err(LotError::Id(id.clone(), why));
            }
            return if taken(id) {
                Err(LotError::Id(id.clone(), "there is such a lot; choose another"))
            } else {
                Ok(id.clone())
            };
        }
        let plan = record.plan.as_ref().and_then(plan_name).unwrap_or_default();
        let date = record.day();
        Ok(id::free(&self.dairy.lot_id, id::Parts { date: &date, kettle: &record.kettle, plan }, taken))
    }
}

/// Enters what was said at the opening.
fn fill(record: &mut Record, opening: &Opening, author: &Author) -> Result<(), LotError> {
    if let Some(text) = &opening.plan {
        let plan: toml::Table =
            text.parse().map_err(|e: toml::de::Error| LotError::Plan(e.message().into()))?;
        if let Some(name) = plan_name(&plan)
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
