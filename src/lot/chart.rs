//! The curve, as SVG from plain data. Pure; the sheet and the live page draw
//! with the same code.
//!
//! What is not known is not drawn: the line is broken at every gap and the gap
//! is hatched; a reading called bad is a hollow dot, never part of the line.
//! Everything is told by shape as well as by colour, so that it holds on grey
//! paper.

use jiff::tz::TimeZone;

use super::at::At;
use super::gather::Point;
use axes::Axes;

mod axes;
mod line;
mod signs;

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
    /// What stands in a gap.
    pub no_reading: String,
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

/// Line styles by rank: colour, width, dashes.
const STYLES: [(&str, f64, &str); 4] =
    [("#123f63", 1.5, ""), ("#a3481d", 1.1, "5 2"), ("#4d7021", 1.1, "2 2"), ("#6b4f8a", 1.1, "7 2 2 2")];

/// Draws the picture.
pub fn draw(p: &Picture<'_>) -> String {
    let axes = Axes::around(p);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.0} {h:.0}\" role=\"img\" \
         aria-labelledby=\"curve-title\" aria-describedby=\"curve-text\" class=\"curve\">\
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
    for (rank, curve) in p.curves.iter().enumerate().rev() {
        axes.curve(&mut svg, curve, rank);
    }
    // Over band and curve, which hid their numbers.
    axes.marks(&mut svg);
    axes.calls(&mut svg);
    if p.curves.iter().all(|c| c.points.is_empty()) {
        axes.nothing(&mut svg);
    }
    if p.curves.len() > 1 {
        axes.legend(&mut svg);
    }
    svg.push_str("</svg>");
    svg
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
            no_reading: "no reading".into(),
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
