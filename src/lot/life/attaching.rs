//! A stretch of a probe's trace is given to a lot, before or after it is closed.

use std::collections::BTreeSet;

use super::{Done, Lots, SOMEBODY};
use crate::lot::at::At;
use crate::lot::correct::ATTACHED_LATE;
use crate::lot::gather::probes_between;
use crate::lot::inbox::AttachAsk;
use crate::lot::record::{Correction, Record, Stretch};
use crate::lot::store::LotError;
use crate::words::record::counted;

impl Lots {
    pub(super) fn attach(&mut self, ask: &AttachAsk, by: Option<&str>, at: At) -> Result<Done, LotError> {
        let mut record = self.changeable(&ask.lot)?;
        if record.is_closed() && by.is_none() {
            return Err(LotError::Author(ask.lot.clone()));
        }
        let until = self.store.end_of(&record, record.closed.unwrap_or(at))?;
        let has = self.as_it_stands(&record, until)?;
        let former = record.stretches.len();
        let mut shared = BTreeSet::new();
        for part in self.missing(ask, &has.stretches)? {
            let also_in = self.others(&part, at)?;
            shared.extend(also_in.clone());
            let AttachAsk { probe, from, to, .. } = part;
            let (attached_by, attached) = (Some(by.unwrap_or(SOMEBODY).into()), Some(at));
            let stretch = Stretch { probe, from, to, attached_by, attached, also_in, ..Stretch::default() };
            record.stretches.push(stretch);
        }
        let mut drawn = record.clone();
        let found = self.store.draw(&mut drawn, until)?;
        let late = if record.is_closed() { came_late(&has.stretches, &drawn.stretches) } else { Vec::new() };
        let of_probe = late.iter().filter(|s| s.probe == ask.probe).map(|s| s.readings);
        if record.stretches.len() == former && of_probe.clone().count() == 0 {
            return self.nothing_more(ask, &has);
        }
        let new = drawn.stretches.iter().skip(former).take(record.stretches.len() - former);
        let readings = new.map(|s| s.readings).sum::<u64>() + of_probe.sum::<u64>();
        let warning = if shared.is_empty() {
            String::new()
        } else {
            let lots: Vec<String> = shared.into_iter().collect();
            format!("; a part of it belongs to {} already; the record says so", lots.join(", "))
        };
        let hung = drawn.stretches.iter().skip(former).take(1).find_map(|s| s.kettle.as_ref());
        let beside = hung.map(|kettle| format!("; it hung in {kettle}, so the stages stay as they are"));
        let warning = beside.unwrap_or_default() + &warning;
        let text = format!(
            "lot {} has {} of probe {} more{warning}",
            ask.lot,
            counted(readings, "reading"),
            ask.probe
        );
        if record.is_closed() {
            let asked = (record.stretches.len() > former)
                .then(|| format!("{} {} to {}", ask.probe, ask.from, ask.to));
            let late = late.iter().map(|s| {
                let more = counted(s.readings, "reading");
                format!("{} {} to {}: {more} that came late", s.probe, s.from, s.to)
            });
            for new in asked.into_iter().chain(late) {
                let (field, by, reason) =
                    ("stretch".into(), by.unwrap_or(SOMEBODY).into(), ATTACHED_LATE.into());
                drawn.corrections.push(Correction { field, old: String::new(), new, by, at, reason });
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

    /// A lot with its stretches; an open one with those that it would have if it
    /// were closed now.
    fn as_it_stands(&self, record: &Record, until: At) -> Result<Record, LotError> {
        let mut drawn = record.clone();
        if !record.is_closed() {
            self.store.draw(&mut drawn, until)?;
        }
        Ok(drawn)
    }

    /// The parts of a stretch asked for that the lot has none of yet, and that
    /// have readings.
    fn missing(&self, ask: &AttachAsk, has: &[Stretch]) -> Result<Vec<AttachAsk>, LotError> {
        let (storage, journal) = (&self.store.storage, self.store.journal());
        let mut parts = Vec::new();
        for (from, to) in without(ask, has) {
            if probes_between(storage, &journal, from, to)?.contains(&ask.probe) {
                parts.push(AttachAsk { from, to, ..ask.clone() });
            }
        }
        Ok(parts)
    }

    /// Nothing is to be added: the lot has it already, or there is nothing.
    fn nothing_more(&self, ask: &AttachAsk, has: &Record) -> Result<Done, LotError> {
        let AttachAsk { lot, probe, from, to } = ask.clone();
        if has.stretches.iter().any(|s| s.probe == probe && s.from < to && from < s.to) {
            return Ok(self.done(has, format!("lot {lot} has these readings of probe {probe} already")));
        }
        Err(LotError::NoReadings { probe, from, to, hint: self.hint(ask) })
    }

    /// Other lots that have a part of a stretch, or would have it if they were
    /// closed now.
    fn others(&self, ask: &AttachAsk, now: At) -> Result<Vec<String>, LotError> {
        let mut others = Vec::new();
        for head in self.store.list()?.0 {
            // A lot's trace lies near its opening unless it was attached later.
            let far = head.opened.plus_s(-3 * 86_400) > ask.to && !head.past;
            if head.lot == ask.lot || far {
                continue;
            }
            let lot = self.store.load(&head.lot)?;
            let until = self.store.end_of(&lot, now)?;
            // One whose trace cannot be drawn keeps no other from being recorded.
            let lot = self.as_it_stands(&lot, until).unwrap_or(lot);
            if shares(&lot, &ask.probe, ask.from, ask.to) {
                others.push(head.lot);
            }
        }
        Ok(others)
    }

    /// Notes in a lot that is being closed which others have a part of its own
    /// trace by then.
    pub(super) fn note_shared(&self, record: &mut Record) -> Result<(), LotError> {
        let own = |s: &Stretch| s.attached.is_none();
        let Some(from) = record.stretches.iter().filter(|s| own(s)).map(|s| s.from).min() else {
            return Ok(());
        };
        let chain = self.store.chain()?;
        for head in self.store.list()?.0 {
            // What was sealed before the trace began has nothing of it; a clock may
            // have been set meanwhile.
            let before = chain.seal_of(&head.lot).is_some_and(|seal| seal.at.plus_s(86_400) < from);
            if head.lot == record.lot || before {
                continue;
            }
            // One that can no longer be read keeps no other from being closed.
            let Ok(lot) = self.store.load(&head.lot) else { continue };
            for s in record.stretches.iter_mut().filter(|s| own(s)) {
                if shares(&lot, &s.probe, s.from, s.to) && !s.also_in.contains(&head.lot) {
                    s.also_in.push(head.lot.clone());
                }
            }
        }
        Ok(())
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

/// Whether a lot has a part of a stretch.
fn shares(lot: &Record, probe: &str, from: At, to: At) -> bool {
    lot.stretches.iter().any(|s| s.probe == probe && s.from < to && from < s.to)
}

/// The parts of a stretch asked for that a lot has none of yet.
fn without(ask: &AttachAsk, has: &[Stretch]) -> Vec<(At, At)> {
    let mut parts = vec![(ask.from, ask.to)];
    for s in has.iter().filter(|s| s.probe == ask.probe) {
        let rest = |(from, to): (At, At)| {
            [(from, to.min(s.from)), (from.max(s.to), to)].into_iter().filter(|part| part.0 < part.1)
        };
        parts = parts.into_iter().flat_map(rest).collect();
    }
    parts
}

/// The stretches that hold more than was sealed, each with how many readings more: a box
/// had kept them until its line was up again.
fn came_late(sealed: &[Stretch], drawn: &[Stretch]) -> Vec<Stretch> {
    let more = sealed.iter().zip(drawn).filter(|(sealed, drawn)| drawn.readings > sealed.readings);
    more.map(|(sealed, drawn)| Stretch { readings: drawn.readings - sealed.readings, ..sealed.clone() })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_lot_has_already_is_left_out() {
        let stretch = |probe: &str, from, to| Stretch {
            probe: probe.into(),
            from: At(from),
            to: At(to),
            ..Stretch::default()
        };
        let has = [stretch("k", 10, 20), stretch("k", 30, 40), stretch("other", 0, 100)];
        for (from, to, rest) in [
            (0, 50, &[(0, 10), (20, 30), (40, 50)][..]),
            (12, 18, &[]),
            (15, 35, &[(20, 30)]),
            (20, 30, &[(20, 30)]),
            (50, 60, &[(50, 60)]),
        ] {
            let ask = AttachAsk { probe: "k".into(), from: At(from), to: At(to), ..AttachAsk::default() };
            let parts: Vec<(i64, i64)> = without(&ask, &has).into_iter().map(|(f, t)| (f.0, t.0)).collect();
            assert_eq!(parts, rest, "{from} to {to}");
        }
    }
}
