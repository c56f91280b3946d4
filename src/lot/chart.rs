//! The curve, as SVG from plain data. Pure; the sheet and the live page draw
//! with the same code.
//!
//! What is not known is not drawn: the line is broken at every gap and the gap
//! is hatched; a reading called bad is a hollow dot, never part of the line.
//! Everything is told by shape as well as by colour, so that it holds on grey
//! paper.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::at::At;
use super::gather::Point;

/// Everything there is to draw.
#[derive(Debug, Clone)]
pub struct Picture<'a> {
    /// Width, in the drawing's own units (about 0.26 mm on the sheet).
    pub width: f64,
    /// Height, in the same units.
    pub height: f64,
    /// Left edge.
    pub from: At,
    /// Right edge.
    pub to: At,
    /// For the clock along the bottom.
    pub zone: TimeZone,
    /// The curves, the most important first.
    pub curves: Vec<Curve<'a>>,
    /// Stages along the top: word, began, ended.
    pub stages: Vec<(String, At, At)>,
    /// Where the plan wants the curve.
    pub bands: Vec<Band>,
    /// Moments marked by persons, each with the sign drawn for it.
    pub marks: Vec<(At, String)>,
    /// Calls on the curve: when, at what °C, what was called.
    pub calls: Vec<(At, f64, String)>,
    /// Times without a good reading.
    pub gaps: Vec<(At, At)>,
    /// What the picture is called, for who does not see it.
    pub title: String,
    /// What it shows in a sentence or two.
    pub description: String,
}

/// One curve.
#[derive(Debug, Clone)]
pub struct Curve<'a> {
    /// Whose.
    pub name: String,
    /// Its readings.
    pub points: &'a [Point],
    /// Two good readings further apart than this are not joined, seconds.
    pub join_within_s: f64,
    /// Moved along the time axis by so much, ns, to lie over another make.
    pub shift_ns: i64,
}

/// Where the plan wants the curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// The wanted temperature along time, °C.
    pub line: Vec<(At, f64)>,
    /// Half the width of what is still good, °C.
    pub half_width_celsius: f64,
}

const LEFT: f64 = 30.0;
const RIGHT: f64 = 8.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 18.0;

/// So far from both its neighbours a single reading is a spike, °C.
const SPIKE_CELSIUS: f64 = 4.0;

/// Line styles by rank: colour, width, dashes.
const STYLES: [(&str, f64, &str); 4] =
    [("#123f63", 1.5, ""), ("#a3481d", 1.1, "5 2"), ("#4d7021", 1.1, "2 2"), ("#6b4f8a", 1.1, "7 2 2 2")];

struct Axes<'p> {
    p: &'p Picture<'p>,
    low: f64,
    high: f64,
}

/// Draws the picture.
pub fn draw(p: &Picture<'_>) -> String {
    let axes = Axes::around(p);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.0} {h:.0}\" role=\"img\" \
         aria-labelledby=\"curve-title curve-text\" class=\"curve\">\
         <title id=\"curve-title\">{title}</title><desc id=\"curve-text\">{text}</desc>\
         <defs><pattern id=\"hatch\" width=\"4\" height=\"4\" patternUnits=\"userSpaceOnUse\" \
         patternTransform=\"rotate(45)\"><path d=\"M0 0V4\" stroke=\"#777\" stroke-width=\"0.9\"/></pattern></defs>",
        w = p.width,
        h = p.height,
        title = escape(&p.title),
        text = escape(&p.description),
    );
    axes.stages(&mut svg);
    axes.grid(&mut svg);
    axes.bands(&mut svg);
    axes.gaps(&mut svg);
    axes.marks(&mut svg);
    for (rank, curve) in p.curves.iter().enumerate().rev() {
        axes.curve(&mut svg, curve, rank);
    }
    axes.calls(&mut svg);
    if p.curves.len() > 1 {
        axes.legend(&mut svg);
    }
    svg.push_str("</svg>");
    svg
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
    fn around(p: &'p Picture<'p>) -> Self {
        let drawn = p.curves.iter().flat_map(|c| {
            let shown = |q: &Point| (p.from..=p.to).contains(&At(q.at.0.saturating_add(c.shift_ns)));
            let points =
                c.points.iter().enumerate().filter(move |(i, q)| shown(q) && !is_spike(c.points, *i));
            points.filter(|(_, q)| q.good).filter_map(|(_, q)| q.celsius)
        });
        let wanted = p.bands.iter().flat_map(|b| b.line.iter().map(|l| l.1));
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for c in drawn.chain(wanted).filter(|c| c.is_finite()) {
            low = low.min(c);
            high = high.max(c);
        }
        if low > high {
            (low, high) = (0.0, 50.0);
        }
        let step = Self::step_celsius(low, high);
        let low = ((low - 0.5) / step).floor() * step;
        let high = ((high + 0.5) / step).ceil() * step;
        Self { p, low, high: high.max(low + step) }
    }

    fn step_celsius(low: f64, high: f64) -> f64 {
        match high - low {
            d if d > 45.0 => 10.0,
            d if d > 9.0 => 5.0,
            d if d > 4.0 => 1.0,
            _ => 0.5,
        }
    }

    fn x(&self, at: At) -> f64 {
        let span = self.p.to.minutes_since(self.p.from).max(1.0 / 60.0);
        let share = (at.minutes_since(self.p.from) / span).clamp(0.0, 1.0);
        LEFT + share * (self.p.width - LEFT - RIGHT)
    }

    fn y(&self, celsius: f64) -> f64 {
        let share = ((celsius - self.low) / (self.high - self.low)).clamp(-0.02, 1.02);
        self.foot() - share * (self.foot() - TOP)
    }

    fn foot(&self) -> f64 {
        self.p.height - BOTTOM
    }

    fn stages(&self, svg: &mut String) {
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
            let (width, needs) = (x1 - x0, name.chars().count() as f64 * 4.3 + 4.0);
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

    fn grid(&self, svg: &mut String) {
        let right = self.p.width - RIGHT;
        let step = Self::step_celsius(self.low, self.high);
        let lines = ((self.high - self.low) / step).round() as i32;
        let unit = if lines > 10 { 2 } else { 1 };
        for i in (0..=lines).step_by(unit) {
            let celsius = self.low + f64::from(i) * step;
            let y = self.y(celsius);
            let digits = usize::from(step < 1.0);
            let _ = write!(
                svg,
                "<path d=\"M{LEFT} {y:.1}H{right:.1}\" stroke=\"#cfc9bb\" stroke-width=\"0.5\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" class=\"tick\" text-anchor=\"end\">{celsius:.digits$}</text>",
                LEFT - 4.0,
                y + 2.8,
            );
        }
        let _ = write!(svg, "<text x=\"2\" y=\"{:.1}\" class=\"tick\">°C</text>", TOP - 8.0);
        let span = self.p.to.minutes_since(self.p.from);
        let every = [5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 180.0, 360.0, 720.0, 1440.0];
        let most = (self.p.width / 52.0).max(2.0);
        let every = every.into_iter().find(|m| span / m <= most).unwrap_or(2880.0);
        let every_ns = (every * 60e9) as i64;
        // Ticks on the dairy's clock, not on UTC's.
        let offset_ns = i64::from(self.p.zone.to_offset(self.p.from.timestamp()).seconds()) * 1_000_000_000;
        let mut t = (self.p.from.0 + offset_ns).div_euclid(every_ns) * every_ns - offset_ns + every_ns;
        while t <= self.p.to.0 {
            let (x, foot) = (self.x(At(t)), self.foot());
            let _ = write!(
                svg,
                "<path d=\"M{x:.1} {foot:.1}v3\" stroke=\"#333\" stroke-width=\"0.7\"/>\
                 <text x=\"{x:.1}\" y=\"{:.1}\" class=\"tick\" text-anchor=\"middle\">{}</text>",
                foot + 11.5,
                At(t).clock(&self.p.zone),
            );
            t += every_ns;
        }
        let _ = write!(
            svg,
            "<path d=\"M{LEFT} {TOP}V{f:.1}H{right:.1}\" fill=\"none\" stroke=\"#333\" stroke-width=\"0.8\"/>",
            f = self.foot()
        );
    }

    fn bands(&self, svg: &mut String) {
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

    fn gaps(&self, svg: &mut String) {
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
                    "<text x=\"{:.1}\" y=\"{:.1}\" class=\"gap\" text-anchor=\"middle\">no reading</text>",
                    x0 + width / 2.0,
                    self.foot() - 6.0
                );
            }
        }
    }

    fn marks(&self, svg: &mut String) {
        let mut last = [f64::NEG_INFINITY; 2];
        for (at, sign) in &self.p.marks {
            if *at < self.p.from || *at > self.p.to {
                continue;
            }
            let x = self.x(*at);
            // Two rows, so that marks close together can be told apart.
            let row = usize::from(x - last[0] < 11.0);
            last[row] = x;
            let y = TOP + 6.0 + row as f64 * 11.5;
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

    fn curve(&self, svg: &mut String, curve: &Curve<'_>, rank: usize) {
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

    fn calls(&self, svg: &mut String) {
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

    fn legend(&self, svg: &mut String) {
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

/// Text as it may stand in HTML and SVG.
///
/// ```
/// assert_eq!(curdtrace::lot::chart::escape("a < b & \"c\""), "a &lt; b &amp; &quot;c&quot;");
/// ```
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Signs that no HTML may hold.
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(points: &[Point]) -> Picture<'_> {
        Picture {
            width: 700.0,
            height: 260.0,
            from: At(0),
            to: At(3_600_000_000_000),
            zone: TimeZone::UTC,
            curves: vec![Curve { name: "p".into(), points, join_within_s: 20.0, shift_ns: 0 }],
            stages: vec![],
            bands: vec![],
            marks: vec![],
            calls: vec![],
            gaps: vec![],
            title: "t <&>".into(),
            description: String::new(),
        }
    }

    fn points(seconds: impl Iterator<Item = i64>) -> Vec<Point> {
        seconds.map(|s| Point { at: At(s * 1_000_000_000), celsius: Some(30.0), good: true }).collect()
    }

    fn lines(svg: &str) -> usize {
        let path = svg.split("<path d=\"").find(|p| p.contains("stroke-linejoin")).unwrap();
        path.split('"').next().unwrap().matches('M').count()
    }

    #[test]
    fn a_gap_is_never_bridged() {
        let all = points(0..3600);
        assert_eq!(lines(&draw(&picture(&all))), 1);
        let with_gap = points((0..1000).chain(1600..3600));
        assert_eq!(lines(&draw(&picture(&with_gap))), 2);
    }

    #[test]
    fn a_bad_reading_is_a_hollow_dot_and_not_part_of_the_line() {
        let mut all = points(0..3600);
        for p in &mut all[1000..1060] {
            *p = Point { celsius: Some(85.0), good: false, ..*p };
        }
        let svg = draw(&picture(&all));
        assert_eq!(lines(&svg), 2);
        assert!(svg.contains("r=\"1.4\" fill=\"none\""));
        assert!(!svg.contains(">85<"), "a bad reading does not stretch the axis");
    }

    #[test]
    fn a_spike_is_drawn_and_does_not_stretch_the_axis() {
        let mut all = points(0..3600);
        all[1000].celsius = Some(85.0);
        let svg = draw(&picture(&all));
        assert!(!svg.contains(">85<"), "{svg}");
        assert_eq!(lines(&svg), 1);
        // Two in a row are a temperature.
        all[1001].celsius = Some(85.0);
        assert!(draw(&picture(&all)).contains(">90<"));
    }

    #[test]
    fn twenty_hours_twice_a_second_stay_small() {
        let many: Vec<Point> = (0..144_000)
            .map(|i| Point {
                at: At(i * 500_000_000),
                celsius: Some(30.0 + (i % 7) as f64 * 0.1),
                good: true,
            })
            .collect();
        let mut p = picture(&many);
        p.to = At(72_000_000_000_000);
        let svg = draw(&p);
        assert!(svg.len() < 80_000, "{} bytes", svg.len());
        assert!(svg.contains("&lt;&amp;&gt;"));
    }
}
