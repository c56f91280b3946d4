//! The curve's line: broken at every gap, thinned to what the paper shows, and
//! hollow dots for what is called bad.

use std::fmt::Write as _;

use super::axes::Axes;
use super::{Curve, STYLES};
use crate::lot::at::At;

impl Axes<'_> {
    pub(super) fn curve(&self, svg: &mut String, curve: &Curve<'_>, rank: usize) {
        let (colour, width, dashes) = STYLES[rank.min(STYLES.len() - 1)];
        let shifted = |at: At| At(at.0.saturating_add(curve.shift_ns));
        let mut path = String::new();
        let mut pen = Pen { axes: self, path: &mut path, column: None, last: None };
        let mut bad: Vec<(f64, f64)> = Vec::new();
        for q in curve.points {
            let at = shifted(q.at);
            if at < self.p.from || at > self.p.to {
                continue;
            }
            match q.celsius {
                Some(c) if q.good => pen.to(at, c, curve.join_within_s),
                Some(c) => {
                    let dot = (self.x(at), self.y(c));
                    if bad.last().is_none_or(|b| dot.0 - b.0 >= 3.0) {
                        bad.push(dot);
                    }
                }
                None => {}
            }
        }
        pen.lift();
        if !path.is_empty() {
            let dash =
                if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dashes}\"") };
            let _ = write!(
                svg,
                "<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" \
                 stroke-linejoin=\"round\" stroke-linecap=\"round\"{dash}/>"
            );
        }
        for (x, y) in bad {
            let _ = write!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.4\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"0.5\"/>"
            );
        }
    }
}

/// Draws a line, at most a low and a high point for each half unit of width.
struct Pen<'a, 'p> {
    axes: &'a Axes<'p>,
    path: &'a mut String,
    column: Option<Column>,
    last: Option<At>,
}

/// The readings that fall on one half unit of width.
struct Column {
    x: f64,
    first: f64,
    last: f64,
    low: f64,
    high: f64,
    new_line: bool,
}

impl Pen<'_, '_> {
    fn to(&mut self, at: At, celsius: f64, join_within_s: f64) {
        let joined = self.last.is_some_and(|l| at.minutes_since(l) * 60.0 <= join_within_s);
        self.last = Some(at);
        let x = (self.axes.x(at) * 2.0).round() / 2.0;
        match &mut self.column {
            Some(c) if joined && (x - c.x).abs() < 0.25 => {
                c.last = celsius;
                c.low = c.low.min(celsius);
                c.high = c.high.max(celsius);
            }
            _ => {
                self.put();
                let (first, last, low, high) = (celsius, celsius, celsius, celsius);
                self.column = Some(Column { x, first, last, low, high, new_line: !joined });
            }
        }
    }

    fn put(&mut self) {
        let Some(c) = self.column.take() else { return };
        let letter = if c.new_line { 'M' } else { 'L' };
        let _ = write!(self.path, "{letter}{} {:.1}", c.x, self.axes.y(c.first));
        let wide = self.axes.y(c.low) - self.axes.y(c.high) >= 0.1;
        if wide {
            let _ = write!(
                self.path,
                "V{:.1}V{:.1}V{:.1}",
                self.axes.y(c.high),
                self.axes.y(c.low),
                self.axes.y(c.last)
            );
        } else if c.new_line {
            // A lone reading is a dot.
            self.path.push_str("h0.01");
        }
    }

    fn lift(&mut self) {
        self.put();
        self.last = None;
    }
}
