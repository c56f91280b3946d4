//! A stretch of a probe's trace is given to a lot, before or after it is closed.

use super::{Done, Lots};
use crate::lot::at::At;
use crate::lot::correct::ATTACHED_LATE;
use crate::lot::gather::probes_between;
use crate::lot::inbox::AttachAsk;
use crate::lot::picture::counted;
use crate::lot::record::{Correction, Stretch};
use crate::lot::store::LotError;

impl Lots {
    pub(super) fn attach(&mut self, ask: &AttachAsk, by: Option<&str>, at: At) -> Result<Done, LotError> {
        let mut record = self.changeable(&ask.lot)?;
        if record.is_closed() && by.is_none() {
            return Err(LotError::Author(ask.lot.clone()));
        }
        let also_in = self.others(ask)?;
        let stretch = Stretch {
            probe: ask.probe.clone(),
            from: ask.from,
            to: ask.to,
            attached_by: Some(by.unwrap_or("a person").into()),
            attached: Some(at),
            also_in: also_in.clone(),
            ..Stretch::default()
        };
        let same = |s: &Stretch| s.probe == stretch.probe && s.from == stretch.from && s.to == stretch.to;
        if record.stretches.iter().any(same) {
            return Ok(self.done(&record, format!("lot {} has this stretch already", ask.lot)));
        }
        record.stretches.push(stretch);
        let until = self.store.end_of(&record, record.closed.unwrap_or(at))?;
        let mut drawn = record.clone();
        let found = self.store.draw(&mut drawn, until)?;
        let readings = drawn.stretches.get(record.stretches.len() - 1).map_or(0, |s| s.readings);
        if readings == 0 {
            let (probe, from, to) = (ask.probe.clone(), ask.from, ask.to);
            return Err(LotError::NoReadings { probe, from, to, hint: self.hint(ask) });
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
                    reason: ATTACHED_LATE.into(),
                });
            }
            self.store.seal(&mut drawn, Some(&found), at)?;
            return Ok(self.sealed(&drawn, format!("{text}; sealed again"), at));
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

    /// What there is instead: other probes then, else other days.
    fn hint(&self, ask: &AttachAsk) -> String {
        let journal = self.store.journal();
        let then = probes_between(&self.store.storage, &journal, ask.from, ask.to).unwrap_or_default();
        if !then.is_empty() {
            let names: Vec<String> = then.into_iter().collect();
            return format!("; it has readings of {} then", names.join(", "));
        }
        let names = crate::journal::recover::segments(&*self.store.storage, &journal);
        match names.as_deref() {
            Ok([first, .., last]) => format!("; it has days from {} to {} (UTC)", first.day, last.day),
            Ok([only]) => format!("; it has the day {} (UTC) only", only.day),
            _ => "; it is empty".into(),
        }
    }
}
