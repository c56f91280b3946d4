//! What stands on the curve: target bands, gaps, marks, calls, and whose line
//! is which.

use std::fmt::Write as _;

use super::axes::{Axes, RIGHT, TOP};
use super::{STYLES, escape};

impl Axes<'_> {
    pub(super) fn bands(&self, svg: &mut String) {
        for band in &self.p.bands {
            let upper = band.line.iter().map(|(t, c)| (self.x(*t), self.y(c + band.half_width_celsius)));
            let lower =
                band.line.iter().rev().map(|(t, c)| (self.x(*t), self.y(c - band.half_width_celsius)));
            let corners: Vec<String> = upper.chain(lower).map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
            let line: Vec<String> =
                band.line.iter().map(|(t, c)| format!("{:.1} {:.1}", self.x(*t), self.y(*c))).collect();
            let _ = write!(
                svg,
                "<path d=\"M{}Z\" fill=\"#e8c987\" fill-opacity=\"0.55\" stroke=\"#9a7420\" stroke-width=\"0.4\"/>\
                 <path d=\"M{}\" fill=\"none\" stroke=\"#7a5a10\" stroke-width=\"0.8\" stroke-dasharray=\"4 2.5\"/>",
                corners.join("L"),
                line.join("L"),
            );
        }
    }

    pub(super) fn gaps(&self, svg: &mut String) {
        for (from, to) in &self.p.gaps {
            let (x0, x1) = (self.x(*from), self.x(*to));
            let width = (x1 - x0).max(1.2);
            let _ = write!(
                svg,
                "<rect x=\"{x0:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{:.1}\" fill=\"url(#hatch)\" \
                 stroke=\"#777\" stroke-width=\"0.4\"/>",
                self.foot() - TOP
            );
            if width > 34.0 {
                let _ = write!(
                    svg,
                    "<text x=\"{:.1}\" y=\"{:.1}\" class=\"gap\" text-anchor=\"middle\">{}</text>",
                    x0 + width / 2.0,
                    self.foot() - 6.0,
                    escape(&self.p.no_reading),
                );
            }
        }
    }

    pub(super) fn marks(&self, svg: &mut String) {
        let mut last = [f64::NEG_INFINITY; 3];
        for (at, sign) in &self.p.marks {
            if *at < self.p.from || *at > self.p.to {
                continue;
            }
            let x = self.x(*at);
            // Three rows, so that marks close together can be told apart; the first above the
            // plot, where no curve is.
            let row = (0..2).find(|row| x - last[*row] >= 11.0).unwrap_or(2);
            last[row] = x;
            let y = TOP - 6.5 + row as f64 * 11.5;
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} {:.1}V{:.1}\" stroke=\"#333\" stroke-width=\"0.5\" stroke-dasharray=\"1.5 2\"/>\
                 <circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5.2\" fill=\"#fff\" stroke=\"#333\" stroke-width=\"0.7\"/>\
                 <text x=\"{x:.1}\" y=\"{:.1}\" class=\"sign\" text-anchor=\"middle\">{}</text>",
                y + 5.0,
                self.foot(),
                y + 2.4,
                escape(sign),
            );
        }
    }

    pub(super) fn calls(&self, svg: &mut String) {
        // Where the last label ends, and on which line it stands.
        let (mut free_from, mut line) = (f64::NEG_INFINITY, 0.0f64);
        for (at, celsius, text) in &self.p.calls {
            if *at < self.p.from || *at > self.p.to {
                continue;
            }
            let (x, y) = (self.x(*at), self.y(*celsius));
            let long = text.chars().count() as f64 * 4.2 + 8.0;
            let left = x + long > self.p.width - RIGHT;
            let side = if left { ("end", x - 6.0) } else { ("start", x + 6.0) };
            let below = if x < free_from { (y + 13.0).max(line + 9.0) } else { y + 13.0 };
            (free_from, line) = (x + long, below);
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} {y:.1}l-3.6 7.5h7.2z\" fill=\"#b3261e\" stroke=\"#fff\" stroke-width=\"0.5\"/>\
                 <text x=\"{:.1}\" y=\"{below:.1}\" class=\"call\" text-anchor=\"{}\">{}</text>",
                side.1,
                side.0,
                escape(text),
            );
        }
    }

    /// Where there is no reading at all.
    pub(super) fn nothing(&self, svg: &mut String) {
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" class=\"gap\" text-anchor=\"middle\">{}</text>",
            self.p.width / 2.0,
            f64::midpoint(TOP, self.foot()),
            escape(&self.p.no_reading),
        );
    }

    pub(super) fn legend(&self, svg: &mut String) {
        let foot = self.foot() - 6.0;
        let rows = self.p.curves.len().min(STYLES.len()) as f64;
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"146\" height=\"{:.1}\" fill=\"#fff\" fill-opacity=\"0.9\"/>",
            self.p.width - RIGHT - 146.0,
            foot - 10.0 * rows,
            10.0 * rows + 3.0
        );
        let names = self.p.curves.iter().take(STYLES.len()).enumerate();
        for (rank, curve) in names {
            let (colour, width, dashes) = STYLES[rank];
            let y = foot - 10.0 * (self.p.curves.len().min(STYLES.len()) - 1 - rank) as f64;
            let x = self.p.width - RIGHT - 142.0;
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} {:.1}h18\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-dasharray=\"{}\"/>\
                 <text x=\"{:.1}\" y=\"{y:.1}\" class=\"tick\">{}</text>",
                y - 2.5,
                if dashes.is_empty() { "none" } else { dashes },
                x + 22.0,
                escape(&curve.name),
            );
        }
    }
}
