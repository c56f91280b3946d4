//! The frame of the curve: scales, grid, clock, stages.
//!
//! Invariant: the scale lies within what milk, air or steam can be, and the
//! clock has a tick for every so much of the paper, so that no reading and no
//! stretch of time makes the drawing large.

use std::fmt::Write as _;

use super::{Picture, escape};
use crate::engine::probe::PLAUSIBLE_CELSIUS;
use crate::lot::at::At;
use crate::lot::gather::Point;

pub(super) const LEFT: f64 = 30.0;
pub(super) const RIGHT: f64 = 8.0;
pub(super) const TOP: f64 = 26.0;
pub(super) const BOTTOM: f64 = 18.0;

/// Room for a letter of a stage's name: the page's semi-bold ones, 9 units high,
/// are wider than the sheet's. Of the fonts that a device may have, the widest.
fn letter(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | 'I' | ' ' | '\'' | '’' | '-' | '.' => 3.4,
        'f' | 'r' | 't' => 4.4,
        'c' | 's' | 'z' => 5.4,
        'm' | 'w' | 'M' | 'W' => 9.4,
        c if c.is_uppercase() => 7.4,
        _ => 6.4,
    }
}

/// So far from both its neighbours a single reading is a spike, °C.
const SPIKE_CELSIUS: f64 = 4.0;

/// A picture with its scales.
pub(super) struct Axes<'p> {
    pub(super) p: &'p Picture<'p>,
    low: f64,
    high: f64,
}

/// Whether a reading leaps away from both its neighbours to the same side. It
/// is drawn, up to the frame, but does not squeeze all others.
fn is_spike(points: &[Point], i: usize) -> bool {
    let celsius = |i: usize| points.get(i).and_then(|q| q.celsius);
    let (Some(c), Some(before), Some(after)) =
        (celsius(i), i.checked_sub(1).and_then(celsius), celsius(i + 1))
    else {
        return false;
    };
    (c - before).min(c - after) > SPIKE_CELSIUS || (before - c).min(after - c) > SPIKE_CELSIUS
}

impl<'p> Axes<'p> {
    pub(super) fn around(p: &'p Picture<'p>) -> Self {
        let drawn = p.curves.iter().flat_map(|c| {
            let shown = |q: &Point| (p.from..=p.to).contains(&At(q.at.0.saturating_add(c.shift_ns)));
            let points =
                c.points.iter().enumerate().filter(move |(i, q)| shown(q) && !is_spike(c.points, *i));
            points.filter(|(_, q)| q.good).filter_map(|(_, q)| q.celsius)
        });
        let wanted = p.bands.iter().flat_map(|b| b.line.iter().map(|l| l.1));
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for c in drawn.chain(wanted).filter(|c| PLAUSIBLE_CELSIUS.contains(c)) {
            low = low.min(c);
            high = high.max(c);
        }
        if low > high {
            (low, high) = (0.0, 50.0);
        }
        let step = Self::step_celsius(low, high);
        let low = ((low - 0.5) / step).floor() * step;
        let high = ((high + 0.5) / step).ceil() * step;
        // Two whole degrees at least, since only those are written.
        Self { p, low, high: high.max(low + if step < 1.0 { 1.5 } else { step }) }
    }

    pub(super) fn step_celsius(low: f64, high: f64) -> f64 {
        match high - low {
            d if d > 45.0 => 10.0,
            d if d > 9.0 => 5.0,
            d if d > 4.0 => 1.0,
            _ => 0.5,
        }
    }

    pub(super) fn x(&self, at: At) -> f64 {
        let span = self.p.to.minutes_since(self.p.from).max(1.0 / 60.0);
        let share = (at.minutes_since(self.p.from) / span).clamp(0.0, 1.0);
        LEFT + share * (self.p.width - LEFT - RIGHT)
    }

    pub(super) fn y(&self, celsius: f64) -> f64 {
        let share = ((celsius - self.low) / (self.high - self.low)).clamp(-0.02, 1.02);
        self.foot() - share * (self.foot() - TOP)
    }

    pub(super) fn foot(&self) -> f64 {
        self.p.height - BOTTOM
    }

    pub(super) fn stages(&self, svg: &mut String) {
        for (i, (name, began, ended)) in self.p.stages.iter().enumerate() {
            let (x0, x1) = (self.x(*began), self.x(*ended));
            let fill = if i % 2 == 0 { "#f1eee6" } else { "#fbfaf6" };
            let _ = write!(
                svg,
                "<rect x=\"{x0:.1}\" y=\"12\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{fill}\"/>\
                 <path d=\"M{x0:.1} 3V{:.1}\" stroke=\"#8d877a\" stroke-width=\"0.5\"/>",
                (x1 - x0).max(0.0),
                self.foot() - 12.0,
                self.foot(),
            );
            // A word that has no room stands upright or, narrower still, only in the table.
            let (width, needs) = (x1 - x0, name.chars().map(letter).sum::<f64>() + 4.0);
            if width >= needs {
                let _ = write!(
                    svg,
                    "<text x=\"{:.1}\" y=\"9\" class=\"stage\">{}</text>",
                    x0 + 2.5,
                    escape(name)
                );
            } else if width >= 9.0 {
                let _ = write!(
                    svg,
                    "<text transform=\"translate({:.1} {:.1}) rotate(-90)\" class=\"stage\">{}</text>",
                    x0 + 7.5,
                    self.foot() - 3.0,
                    escape(name)
                );
            }
        }
        if let Some((_, _, ended)) = self.p.stages.last() {
            let x = self.x(*ended);
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} 3V{:.1}\" stroke=\"#8d877a\" stroke-width=\"0.5\"/>",
                self.foot()
            );
        }
    }

    pub(super) fn grid(&self, svg: &mut String) {
        let right = self.p.width - RIGHT;
        let step = Self::step_celsius(self.low, self.high);
        let lines = ((self.high - self.low) / step).round() as i32;
        let unit = if lines > 10 { 2 } else { 1 };
        for i in (0..=lines).step_by(unit) {
            let celsius = self.low + f64::from(i) * step;
            let y = self.y(celsius);
            let _ = write!(
                svg,
                "<path d=\"M{LEFT} {y:.1}H{right:.1}\" stroke=\"#cfc9bb\" stroke-width=\"0.5\"/>"
            );
            // Half degrees have their line only: no figure here has a decimal sign, which is not
            // the same in every language.
            if celsius.fract() == 0.0 {
                let _ = write!(
                    svg,
                    "<text x=\"{:.1}\" y=\"{:.1}\" class=\"tick\" text-anchor=\"end\">{celsius:.0}</text>",
                    LEFT - 4.0,
                    y + 2.8,
                );
            }
        }
        let _ = write!(svg, "<text x=\"2\" y=\"{:.1}\" class=\"tick\">°C</text>", TOP - 8.0);
        let span = self.p.to.minutes_since(self.p.from);
        let every = [5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 180.0, 360.0, 720.0, 1440.0];
        let most = (self.p.width / 52.0).max(2.0);
        let longer = || (span / most / 1440.0).ceil() * 1440.0;
        let every = every.into_iter().find(|m| span / m <= most).unwrap_or_else(longer);
        let every_ns = (every * 60e9) as i64;
        // Ticks on the dairy's clock, not on UTC's.
        let offset_ns = i64::from(self.p.zone.to_offset(self.p.from.timestamp()).seconds()) * 1_000_000_000;
        let before = self.p.from.0.saturating_add(offset_ns).div_euclid(every_ns).saturating_mul(every_ns);
        let mut next = before.saturating_sub(offset_ns).checked_add(every_ns);
        while let Some(t) = next.filter(|t| *t <= self.p.to.0) {
            let (x, foot) = (self.x(At(t)), self.foot());
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} {foot:.1}v3\" stroke=\"#333\" stroke-width=\"0.7\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" class=\"tick\" text-anchor=\"middle\">{}</text>",
                x.min(self.p.width - 11.0),
                foot + 11.5,
                At(t).clock(&self.p.zone),
            );
            next = t.checked_add(every_ns);
        }
        let _ = write!(
            svg,
            "<path d=\"M{LEFT} {TOP}V{f:.1}H{right:.1}\" fill=\"none\" stroke=\"#333\" stroke-width=\"0.8\"/>",
            f = self.foot()
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Measured in the widest font: "Wärmen" and "Maturazione" ran into their neighbours.
    #[test]
    fn a_stages_name_has_at_least_the_room_it_takes() {
        let measured = [
            ("Warming", 45.4),
            ("Cooking", 40.9),
            ("Wärmen", 42.0),
            ("Molke wärmen", 73.9),
            ("Brennen", 42.7),
            ("Chauffage", 51.4),
            ("Soutirage", 49.5),
            ("Maturazione", 63.3),
            ("Coagulazione", 67.9),
            ("Whey at rest", 65.1),
        ];
        for (name, takes) in measured {
            let room: f64 = name.chars().map(letter).sum();
            assert!(room >= takes && room < takes * 1.1, "{name}: {room} for {takes}");
        }
    }
}
