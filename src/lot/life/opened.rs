//! When a lot was opened, where the clock was not to be trusted then.
//!
//! The moment is kept on the boot's monotonic clock as well, and is dated as
//! readings are: once the clock is set, by the offset known then. Where that boot
//! never knew the time, the lot counts from the first moment known after it: the
//! readings before cannot be dated either. Until then nobody can say how long it
//! has been open.

use super::Lots;
use crate::journal::known::{first_sure, newest};
use crate::lot::at::At;
use crate::lot::record::{OpenedUnsure, Record};
use crate::lot::store::{LotError, Store};

impl Store {
    /// What is known of a lot opened as of `at`, where the clock, which says `clock`, is
    /// not to be trusted: under the clock that the journal is written under. A journal
    /// that cannot be read says nothing; whoever needs it will say so.
    pub(super) fn unsure(&self, at: At, clock: At) -> Option<OpenedUnsure> {
        let last = newest(&*self.storage, &self.journal()).ok()??;
        let mono_ns = clock.0.saturating_sub(last.offset_ns);
        (!last.clock_sure && mono_ns >= 0).then_some(OpenedUnsure { boot: last.boot, mono_ns, clock_was: at })
    }

    /// Dates a lot's opening, where that can be done by now; whether it changed.
    pub(crate) fn date_opening(&self, record: &mut Record) -> bool {
        let Some(unsure) = record.opened_unsure.filter(|_| record.is_opening_unknown()) else { return false };
        let known = first_sure(&*self.storage, &self.journal(), unsure.boot).ok().flatten();
        let Some(known) = known else { return false };
        record.opened = if known.boot == unsure.boot {
            At(unsure.mono_ns.saturating_add(known.offset_ns))
        } else {
            At(known.wall_ns)
        };
        true
    }
}

impl Lots {
    /// Dates the openings that can be dated by now.
    pub(super) fn date_openings(&mut self) -> Result<(), LotError> {
        for record in self.open.values_mut() {
            if self.store.date_opening(record) {
                self.store.save(record)?;
            }
        }
        Ok(())
    }
}
