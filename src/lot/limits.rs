//! (being built)
use super::gather::Point;
use super::record::{LimitDone, Record};
use super::store::{LotError, Store};
use std::collections::BTreeMap;
impl Store {
    pub(crate) fn judge_limits(
        &self,
        _record: &Record,
        _points: &BTreeMap<String, Vec<Point>>,
    ) -> Result<Vec<LimitDone>, LotError> {
        let _ = self;
        Ok(vec![])
    }
    pub(crate) fn look_at_instruments(&self, _record: &mut Record) {
        let _ = self;
    }
}
