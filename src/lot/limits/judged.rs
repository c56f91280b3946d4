//! A lot held against limits: the dairy's of today while it is open, those that it was
//! judged by once it is closed.
//!
//! Invariant: what the dairy changes in its file changes no closed lot.

use std::collections::BTreeMap;

use super::{FILE, Limit, Limits};
use crate::config::fault::listed;
use crate::lot::at::At;
use crate::lot::gather::Point;
use crate::lot::record::{LimitDone, Record};
use crate::lot::store::{LotError, Store};

impl Limit {
    /// The same as a lot's record has it.
    fn done(self, record: &Record, points: &BTreeMap<String, Vec<Point>>, now: At) -> LimitDone {
        let verdict = self.judge(record, points, now);
        LimitDone {
            name: self.name.clone(),
            limit: self.words(),
            source: self.source.clone(),
            verdict: verdict.word().into(),
            found: verdict.found_words(),
            limit_said: Some(self.said()),
            found_said: verdict.found,
            rule: Some(self),
        }
    }
}

impl Store {
    /// The dairy's limits; none where it has set none.
    ///
    /// # Errors
    /// [`LotError::Limits`] where the file is faulty, [`LotError::Io`].
    pub fn limits(&self) -> Result<Limits, LotError> {
        let path = self.data.join(FILE);
        match self.storage.read_text(&path) {
            Ok(text) => Limits::parse(&text, &path.display().to_string())
                .map_err(|faults| LotError::Limits(listed(&faults))),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Limits::default()),
            Err(e) => Err(LotError::io("cannot read", &path)(e)),
        }
    }

    /// Every limit of the dairy that is about this lot, as it is today, judged at `now`.
    ///
    /// # Errors
    /// As [`Store::limits`].
    pub fn judge_by_today(
        &self,
        record: &Record,
        points: &BTreeMap<String, Vec<Point>>,
        now: At,
    ) -> Result<Vec<LimitDone>, LotError> {
        let limits = self.limits()?.limits.into_iter();
        let about = limits.filter(|l| l.product.is_empty() || l.product == record.product);
        Ok(about.map(|l| l.done(record, points, now)).collect())
    }

    /// Holds a lot against its limits at `now`: those that stand in it where it was judged
    /// before, else the dairy's of today. A faulty file keeps no lot from being sealed: it
    /// is said in its place, and read again the next time.
    pub(crate) fn judge(&self, record: &mut Record, points: &BTreeMap<String, Vec<Point>>, now: At) {
        if record.judged.is_some() {
            let rules: Vec<Limit> = record.limits.iter().filter_map(|l| l.rule.clone()).collect();
            record.limits = rules.into_iter().map(|l| l.done(record, points, now)).collect();
            return;
        }
        match self.judge_by_today(record, points, now) {
            Ok(limits) => (record.limits, record.judged) = (limits, record.closed.map(|_| now)),
            Err(e) => {
                record.limits = vec![LimitDone {
                    name: "The dairy's limits".into(),
                    limit: FILE.into(),
                    source: self.data.join(FILE).display().to_string(),
                    verdict: "not-known".into(),
                    found: e.to_string().replace('\n', "; "),
                    ..LimitDone::default()
                }];
            }
        }
    }
}
