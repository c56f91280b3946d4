//! (being built)
use super::gather::Point;
use super::record::Record;
use super::seal::Link;
use std::collections::BTreeMap;
/// (being built)
pub fn render(record: &Record, _points: &BTreeMap<String, Vec<Point>>, _former: Option<&Link>) -> String {
    format!("<!doctype html><title>{}</title>", record.lot)
}
