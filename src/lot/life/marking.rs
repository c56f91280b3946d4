//! A moment is marked that is past, and marks are corrected.
//!
//! Invariant: the journal and the engine hear nothing of it; an open lot's file has of
//! its marks only those that persons changed or told late.

use super::Lots;
use super::entering::{added, check_moment};
use crate::lot::at::At;
use crate::lot::correct::{Author, set};
use crate::lot::marks;
use crate::lot::record::{Mark, Record};
use crate::lot::store::LotError;

/// Marks a moment that is past.
pub(super) fn mark_late(record: &mut Record, mark: &Mark, author: &Author) -> Result<String, LotError> {
    let field = format!("mark.{}", mark.name);
    check_moment(record, &field, mark.at, author.at)?;
    if !marks::add(record, mark) {
        return Ok(String::new());
    }
    let at = mark.at.clock(&record.zone());
    added(record, author, &field, &format!("\"{}\"", mark.at))?;
    Ok(format!("{} at {at}; kept in the record, the stages found and the calls heed it not", mark.name))
}

/// Sets fields one after the other. `drawn` is an open lot with what the journal has of
/// it, where a field names a mark or a pH.
pub(super) fn set_all(
    record: &mut Record,
    drawn: Option<Record>,
    fields: &[(String, String)],
    author: &Author,
) -> Result<String, LotError> {
    let is_drawn = drawn.is_some();
    if let Some(drawn) = drawn {
        (record.marks, record.ph) = (drawn.marks, drawn.ph);
    }
    let mut changed = Vec::new();
    for (field, value) in fields {
        if set(record, field, value, author)? {
            changed.push(field.as_str());
        }
    }
    if is_drawn {
        record.marks.retain(|m| m.told.is_some());
    }
    Ok(changed.join(", "))
}

impl Lots {
    /// An open lot with its marks and pH, which only the journal has, where a field names one.
    pub(super) fn drawn_to_correct(
        &self,
        lot: &str,
        fields: &[(String, String)],
        at: At,
    ) -> Result<Option<Record>, LotError> {
        let is_of_the_journal = |field: &str| field.starts_with("mark.") || field.starts_with("ph.");
        if !fields.iter().any(|(field, _)| is_of_the_journal(field)) {
            return Ok(None);
        }
        let record = self.store.load(lot)?;
        if record.is_closed() {
            return Ok(None);
        }
        Ok(Some(self.store.preview(record, at)?.0))
    }
}
