//! One make over the best ones, stage by stage. Pure.

use std::collections::BTreeMap;

use super::at::At;
use super::chart::{Curve, Picture, draw, escape};
use super::gather::Point;
use super::picture::{ended, join_within_s, main_points, picture};
use super::record::Record;
use crate::words::Words;
use crate::words::record::word;

/// A make with its readings.
#[derive(Debug, Clone)]
pub struct Make {
    /// Its record.
    pub record: Record,
    /// Its readings by probe.
    pub points: BTreeMap<String, Vec<Point>>,
}

/// The best makes of a product to hold one against: those of the highest score,
/// the newer first where it is the same; never the make itself.
pub fn best<'a>(heads: &'a [Record], of: &Record, count: usize) -> Vec<&'a Record> {
    let mut found: Vec<&Record> = heads
        .iter()
        .filter(|h| h.lot != of.lot && h.product == of.product && h.score.is_some() && h.is_closed())
        .collect();
    found.sort_by(|a, b| {
        let score = |r: &Record| r.score.unwrap_or_default();
        score(b).total_cmp(&score(a)).then(b.opened.cmp(&a.opened))
    });
    found.truncate(count);
    found
}

/// One row of the comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The stage.
    pub stage: String,
    /// How long it took, minutes; this make first, then the others.
    pub minutes: Vec<Option<f64>>,
    /// Temperature at its end, °C, likewise.
    pub celsius: Vec<Option<f64>>,
}

/// Stage by stage: the nth of its kind of this make with the nth of its kind of
/// the others.
pub fn rows(this: &Make, others: &[Make]) -> Vec<Row> {
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    let mut rows = Vec::new();
    for s in &this.record.stages {
        let n = *seen.entry(&s.stage).and_modify(|n| *n += 1).or_insert(0);
        let of = |make: &Make| {
            let r = &make.record;
            let i = (0..r.stages.len()).filter(|i| r.stages[*i].stage == s.stage).nth(n)?;
            let main = main_points(r, &make.points);
            let end = ended(r, i, main.last().map_or(r.opened, |p| p.at));
            Some((end.minutes_since(r.stages[i].began), super::picture::celsius_at(main, end)))
        };
        let all: Vec<Option<(f64, Option<f64>)>> = std::iter::once(this).chain(others).map(of).collect();
        rows.push(Row {
            stage: s.stage.clone(),
            minutes: all.iter().map(|a| a.map(|a| a.0)).collect(),
            celsius: all.iter().map(|a| a.and_then(|a| a.1)).collect(),
        });
    }
    rows
}

/// The moment by which makes are laid over each other: where the curd is cut,
/// else where the milk was set, else the first stage.
fn anchor(r: &Record) -> Option<At> {
    let of = |name: &str| r.stages.iter().find(|s| s.stage == name).map(|s| s.began);
    of("cutting").or(of("setting")).or(r.stages.first().map(|s| s.began))
}

/// A page with the curves over each other and the table.
pub fn page(this: &Make, others: &[Make]) -> String {
    let base = picture(&this.record, &this.points, 711.0, 380.0, Words::of("en"));
    let here = anchor(&this.record);
    let points = main_points(&this.record, &this.points);
    let mut curves = vec![Curve {
        name: format!("{} (this make)", this.record.lot),
        points,
        join_within_s: join_within_s(points),
        shift_ns: 0,
    }];
    for other in others.iter().take(3) {
        let points = main_points(&other.record, &other.points);
        let shift_ns = match (here, anchor(&other.record)) {
            (Some(a), Some(b)) => a.0.saturating_sub(b.0),
            _ => 0,
        };
        let score = other.record.score.map(|s| format!(", score {s}")).unwrap_or_default();
        let name = format!("{}{score}", other.record.lot);
        curves.push(Curve { name, points, join_within_s: join_within_s(points), shift_ns });
    }
    let names: Vec<&str> = others.iter().map(|o| o.record.lot.as_str()).collect();
    let title = format!("Lot {} over {}", this.record.lot, names.join(", "));
    let curve = draw(&Picture { curves, title: title.clone(), ..base });
    let heads = std::iter::once(this)
        .chain(others)
        .map(|m| format!("<th scope=\"col\" class=\"n\">{}</th>", escape(&m.record.lot)))
        .collect::<Vec<_>>()
        .concat();
    let body = rows(this, others)
        .iter()
        .map(|row| {
            let cells = row
                .minutes
                .iter()
                .zip(&row.celsius)
                .map(|(m, c)| {
                    let m = m.map(|m| format!("{m:.0} min")).unwrap_or_default();
                    let c = c.map(|c| format!(", {c:.1} °C")).unwrap_or_default();
                    format!("<td class=\"n\">{m}{c}</td>")
                })
                .collect::<Vec<_>>()
                .concat();
            format!("<tr><th scope=\"row\">{}</th>{cells}</tr>", word(&row.stage))
        })
        .collect::<Vec<_>>()
        .concat();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>{title}</title>\n\
         <style>\n{style}</style>\n</head>\n<body>\n<h1>{title}</h1>\n<p>Laid over each other where the curd was cut.</p>\n\
         <figure>{curve}</figure>\n<table><caption>Stage by stage: how long, and °C at the end</caption>\
         <thead><tr><th scope=\"col\">Stage</th>{heads}</tr></thead><tbody>{body}</tbody></table>\n</body>\n</html>\n",
        title = escape(&title),
        style = include_str!("sheet/style.css"),
    )
}
