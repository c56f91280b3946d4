//! A lot's files, and sealing them.
//!
//! Every file is put in place whole; `SHA256SUMS` comes after all others, the
//! chain's line after that. While this goes on an *intent* lies in
//! `DATA/sealing/`; whoever opens the lots next finishes what was begun.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::at::At;
use super::csv;
use super::findings;
use super::gather::{Gathered, Point, Wanted, gather};
use super::marks::holding;
use super::record::{Record, Stretch, plan_name};
use super::seal::{CHAIN_HEADER, Chain, SUMS, sha256, sums};
use super::store::{LotError, Store};
use super::verify::FILES;
use crate::journal::known::newest_line_ns;
use crate::journal::storage::{Sink, aside};
use crate::words::Words;

/// Before the first stage so much of the trace belongs to the lot, and after
/// the last, seconds.
pub(crate) const MARGIN_S: i64 = 600;

/// A lot without a make that ended takes no more of the trace by itself, seconds: three
/// days. One that was opened and forgotten would be drawn in memory as a whole; the rest
/// stays in the journal, and can be attached.
pub(super) const LONGEST_S: i64 = 3 * 86_400;

/// A lot opened by a person may have begun so long before, seconds.
const OPENED_LATE_S: i64 = 2 * 3600;

impl Store {
    /// Draws a lot's trace, stages and alarms from the journal into `record`.
    /// `until` is where an open lot ends.
    pub(crate) fn draw(&self, record: &mut Record, until: At) -> Result<Gathered, LotError> {
        self.date_opening(record);
        let journal = self.journal();
        let mut wanted = Wanted { kettle: record.kettle.clone(), ..Wanted::default() };
        wanted.stretches.clone_from(&record.stretches);
        if record.is_live() {
            let earliest = record.opened.plus_s(-OPENED_LATE_S).max(self.given_until(record)?);
            wanted.live = Some((earliest, until.next_ms()));
            wanted.told_only = true;
            let first = gather(&self.storage, &journal, &wanted)?;
            wanted.live = Some(live_stretch(record, &first, earliest, until));
            wanted.told_only = false;
        }
        let found = gather(&self.storage, &journal, &wanted)?;
        self.take_over(record, &found, wanted.live)?;
        Ok(found)
    }

    /// A lot and its readings: a closed one as it is kept, an open one as the
    /// journal tells it at `now`. Nothing is written.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn as_it_stands(
        &self,
        lot: &str,
        now: At,
    ) -> Result<(Record, BTreeMap<String, Vec<Point>>), LotError> {
        let record = self.load(lot)?;
        if record.is_closed() {
            let points = self.points(lot)?;
            return Ok((record, points));
        }
        self.preview(record, now)
    }

    /// An open lot as it would be if it were closed at `now`. Nothing is
    /// written.
    ///
    /// # Errors
    /// [`LotError`].
    pub fn preview(
        &self,
        mut record: Record,
        now: At,
    ) -> Result<(Record, BTreeMap<String, Vec<Point>>), LotError> {
        let until = self.end_of(&record, now)?;
        let found = self.draw(&mut record, until)?;
        self.judge(&mut record, &found.points, now);
        record.deviations = findings::deviations(&record, Words::of("en"));
        Ok((record, found.points))
    }

    /// Up to where an open lot goes at `now`: to the end of the journal, where its
    /// clock was ahead of whoever asks.
    pub(super) fn end_of(&self, record: &Record, now: At) -> Result<At, LotError> {
        if record.is_closed() {
            return Ok(now);
        }
        let journal = self.journal();
        let newest =
            newest_line_ns(&*self.storage, &journal).map_err(LotError::io("cannot read", &journal))?;
        Ok(newest.map_or(now, |ns| At(ns).max(now)))
    }

    /// Up to where the kettle's trace was given to lots before this one.
    fn given_until(&self, record: &Record) -> Result<At, LotError> {
        let mut until = At(i64::MIN);
        for head in self.list()?.0 {
            let near = head.opened <= record.opened && head.opened.plus_s(3 * 86_400) > record.opened;
            if !near || head.lot == record.lot || !head.is_closed() {
                continue;
            }
            // One that can no longer be read keeps no other from being closed.
            let ended = match self.load(&head.lot) {
                Ok(lot) if !hung_in(&lot, &record.kettle) => continue,
                Ok(lot) => {
                    let last = lot.own_stretches().map(|s| s.to).max();
                    // Without a reading it has its marks all the same.
                    last.or(lot.closed.filter(|_| lot.is_live()))
                }
                Err(_) if head.kettle != record.kettle => continue,
                Err(_) => head.closed,
            };
            until = until.max(ended.unwrap_or(until));
        }
        Ok(until.min(record.opened))
    }

    /// Puts what was found into the record.
    fn take_over(
        &self,
        record: &mut Record,
        found: &Gathered,
        live: Option<(At, At)>,
    ) -> Result<(), LotError> {
        for (nth, stretch) in record.stretches.iter_mut().enumerate() {
            let points = found.points.get(&stretch.probe).map(Vec::as_slice).unwrap_or_default();
            let has = points.iter().filter(|p| stretch.from <= p.at && p.at < stretch.to).count() as u64;
            if has < stretch.readings {
                let (lot, probe) = (record.lot.clone(), stretch.probe.clone());
                return Err(LotError::Fewer { lot, probe, had: stretch.readings, has });
            }
            stretch.readings = has;
            stretch.kettle = found.elsewhere.get(&nth).cloned();
            stretch.out_of_range = out_of_range(points, stretch.from, stretch.to);
        }
        if let Some((from, to)) = live {
            for (probe, points) in &found.points {
                let readings = points.iter().filter(|p| from <= p.at && p.at < to).count() as u64;
                let known =
                    record.stretches.iter().any(|s| s.probe == *probe && s.from <= from && s.to >= to);
                if readings > 0 && !known {
                    record.stretches.push(Stretch {
                        probe: probe.clone(),
                        from,
                        to,
                        readings,
                        out_of_range: out_of_range(points, from, to),
                        ..Stretch::default()
                    });
                }
            }
        }
        record.marks = holding(record, &found.marks);
        for m in found.marks.iter().filter(|m| m.name == "ph") {
            let ph = super::record::Ph { at: m.at, value: m.value.unwrap_or_default(), by: m.by.clone() };
            // One that is there already may be corrected; files keep no more than
            // milliseconds.
            let same = |p: &super::record::Ph| p.at.next_ms() == ph.at.next_ms() && p.by == ph.by;
            if !record.ph.iter().chain(&record.struck_ph).any(same) {
                record.ph.push(ph);
            }
        }
        record.ph.sort_by_key(|p| p.at);
        record.stages.clone_from(&found.story.stages);
        record.cooks.clone_from(&found.story.cooks);
        record.alarms.clone_from(&found.story.alarms);
        record.plans.clone_from(&found.plans);
        if let Some(followed) = &found.followed {
            record.plan = followed.as_ref().and_then(|text| text.parse().ok());
            if let Some(name) = record.plan.as_ref().and_then(plan_name)
                && record.product.is_empty()
            {
                record.product = name.into();
            }
        }
        let first = found.story.stages.first().map(|s| s.began);
        record.made = first.or(record.own_stretches().map(|s| s.from).min()).or(record.made);
        record.gaps = findings::gaps(found);
        record.journal_damage.clone_from(&found.damaged);
        let some = |n: u64| (n > 0).then_some(n);
        (record.readings_redated, record.readings_undated) = (some(found.redated), some(found.undated));
        self.look_at_instruments(record, found);
        Ok(())
    }

    /// Seals a lot: writes its files and appends to the chain. With `found` the
    /// trace and the events are written too, else they stay as they are.
    pub(crate) fn seal(&self, record: &mut Record, found: Option<&Gathered>, at: At) -> Result<(), LotError> {
        let id = record.lot.clone();
        let dir = self.folder(&id);
        if let Some(what) = self.unsealable(&id)? {
            return Err(LotError::NotSealable { lot: id, what: what.to_string(), folder: dir });
        }
        let intent = self.put_intent(&id, &format!("lot {id} is being sealed since {at}\n"))?;
        self.drop_signature(&id)?;
        let own;
        let points = if let Some(found) = found {
            self.put(&dir.join("trace.lp"), found.trace.as_bytes())?;
            self.put(&dir.join("trace.csv"), csv::of_trace(&found.trace).as_bytes())?;
            self.put(&dir.join("events.jsonl"), found.events.as_bytes())?;
            &found.points
        } else {
            own = self.points(&id)?;
            &own
        };
        self.judge(record, points, at);
        record.deviations = findings::deviations(record, Words::of("en"));
        self.save(record)?;
        let chain = self.chain()?;
        let sheet = super::sheet::render(record, points, chain.links.last());
        self.put(&dir.join("sheet.html"), sheet.as_bytes())?;
        self.drop_leftovers(&id)?;
        let (files, odd) = self.hashes(&id)?;
        if let Some(what) = odd.values().next() {
            return Err(LotError::NotSealable { lot: id, what: what.to_string(), folder: dir });
        }
        let text = sums(&files);
        self.put(&dir.join(SUMS), text.as_bytes())?;
        let hash = sha256(text.as_bytes());
        // The same seal again is not appended, unless it was signed meanwhile:
        // that signature is gone.
        if chain.seal_of(&id).is_none_or(|l| l.sums != hash) || chain.signature_of(&id).is_some() {
            self.append_link(&chain, at, &id, &hash)?;
        }
        self.remove_intent(&intent)
    }

    /// What a process that died while it put a file in place left beside it is
    /// none of the lot's files.
    pub(super) fn drop_leftovers(&self, lot: &str) -> Result<(), LotError> {
        let dir = self.folder(lot);
        let mut dropped = false;
        for file in FILES {
            let path = aside(&dir.join(file));
            dropped |= self.storage.remove_if_there(&path).map_err(LotError::io("cannot remove", &path))?;
        }
        if dropped {
            self.storage.sync_dir(&dir).map_err(LotError::io("cannot sync", &dir))?;
        }
        Ok(())
    }

    /// Leaves word of what is being done with a lot; where.
    pub(super) fn put_intent(&self, lot: &str, text: &str) -> Result<PathBuf, LotError> {
        let (sealing, intent) = (self.data.join("sealing"), self.intent_path(lot));
        self.storage.make_dir(&sealing).map_err(LotError::io("cannot make", &sealing))?;
        self.put(&intent, text.as_bytes())?;
        Ok(intent)
    }

    /// It is done.
    pub(super) fn remove_intent(&self, intent: &Path) -> Result<(), LotError> {
        let sealing = self.data.join("sealing");
        self.storage.remove(intent).map_err(LotError::io("cannot remove", intent))?;
        self.storage.sync_dir(&sealing).map_err(LotError::io("cannot sync", &sealing))
    }

    /// Appends a line to the chain.
    pub(super) fn append_link(
        &self,
        chain: &Chain,
        at: At,
        lot: &str,
        sums_hash: &str,
    ) -> Result<(), LotError> {
        let path = self.chain_path();
        let io = || LotError::io("cannot append to", &path);
        let line = chain.next_line(at, lot, sums_hash);
        if chain.whole == 0 {
            return self.put(&path, format!("{CHAIN_HEADER}{line}").as_bytes());
        }
        let whole = chain.whole as u64;
        if chain.torn > 0 {
            self.storage.cut(&path, whole).map_err(io())?;
        }
        let mut sink: Box<dyn Sink> = self.storage.append(&path).map_err(io())?;
        if let Err(e) = sink.write_whole(line.as_bytes()).and_then(|()| sink.sync()) {
            // A line that may be there in part must not stay. Best effort: what
            // stays is cut by the next append.
            let _ = self.storage.cut(&path, whole);
            return Err(io()(e));
        }
        Ok(())
    }

    /// Writes `lot.toml`.
    pub(crate) fn save(&self, record: &Record) -> Result<(), LotError> {
        let dir = self.folder(&record.lot);
        self.storage.make_dir(&dir).map_err(LotError::io("cannot make", &dir))?;
        let path = dir.join("lot.toml");
        let text = record.to_toml().map_err(|e| LotError::File { path: path.clone(), why: e.to_string() })?;
        self.put(&path, text.as_bytes())
    }

    fn put(&self, path: &Path, bytes: &[u8]) -> Result<(), LotError> {
        self.storage.replace(path, bytes).map_err(LotError::io("cannot write", path))
    }

    /// The readings of a lot's own trace, by probe.
    ///
    /// # Errors
    /// [`LotError::Io`].
    pub fn points(&self, lot: &str) -> Result<BTreeMap<String, Vec<Point>>, LotError> {
        let path = self.folder(lot).join("trace.lp");
        let text = match self.storage.read_text(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(e) => return Err(LotError::io("cannot read", &path)(e)),
        };
        Ok(super::gather::points_of(&text))
    }
}

/// How many readings of a stretch no milk, air or steam can have.
fn out_of_range(points: &[Point], from: At, to: At) -> Option<u64> {
    let such = points.iter().filter(|p| from <= p.at && p.at < to && p.is_out_of_range());
    Some(such.count() as u64).filter(|n| *n > 0)
}

/// Where a live lot's trace begins and ends: a little around its stages, and
/// around what was marked.
fn live_stretch(record: &Record, found: &Gathered, earliest: At, until: At) -> (At, At) {
    let first_mark = found.marks.iter().map(|m| m.at).find(|at| *at >= record.opened);
    let began = found.story.stages.first().map(|s| s.began).into_iter().chain(first_mark).min();
    let from = began.map_or(record.opened, |b| b.plus_s(-MARGIN_S));
    let last_mark = found.marks.iter().map(|m| m.at).max();
    let ended = found.story.stages.iter().filter_map(|s| s.ended).max();
    let to = match ended.filter(|_| found.story.make_ended) {
        Some(ended) => ended.max(last_mark.unwrap_or(ended)).plus_s(MARGIN_S).min(until),
        None => until.min(from.plus_s(LONGEST_S)),
    };
    (from.max(earliest), to.max(from).next_ms())
}
/// Whether a lot was drawn from a kettle: what is corrected of it afterwards moves no trace.
fn hung_in(lot: &Record, kettle: &str) -> bool {
    let was = format!("{kettle:?}");
    lot.kettle == kettle || lot.corrections.iter().any(|c| c.field == "kettle" && c.old == was)
}
