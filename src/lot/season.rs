//! A season at a glance: a line a lot, and a picture of what changes slowly.
//! Pure.
//!
//! *Coast* is how far the temperature rose after the call to take the heat off:
//! the peak less the temperature at the call, °C.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::chart::escape;
use super::csv;
use super::record::{CookDone, Record};
use crate::sensor::calibration;
use crate::words::record::counted;

/// One lot of the season.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Line {
    /// The lot.
    pub lot: String,
    /// The dairy's day.
    pub day: String,
    /// The cheese.
    pub product: String,
    /// Milk, L.
    pub litres: Option<f64>,
    /// Cheese, kg.
    pub kg: Option<f64>,
    /// Yield, kg per 100 L.
    pub yield_kg_per_100_l: Option<f64>,
    /// Highest temperature of the last cook less its target, °C.
    pub over_target_celsius: Option<f64>,
    /// Rise after the call, °C.
    pub coast_celsius: Option<f64>,
    /// How many deviations.
    pub deviations: usize,
    /// Minutes without a good reading.
    pub gap_minutes: f64,
    /// The maker's score.
    pub score: Option<f64>,
}

/// A name and a value of a line.
type Column = (&'static str, fn(&Line) -> Option<f64>);

/// The season of these lots, in order of time.
pub fn lines(lots: &[Record]) -> Vec<Line> {
    lots.iter()
        .map(|r| {
            let cook = r.cooks.last();
            let call = cook.and_then(|c| c.heat_off_called);
            let at_call = call.and_then(|t| {
                r.alarms
                    .iter()
                    .find(|a| a.alarm == "heat-off" && a.raised.minutes_since(t).abs() < 0.2)?
                    .celsius
            });
            Line {
                lot: r.lot.clone(),
                day: r.day(),
                product: r.product.clone(),
                litres: r.litres(),
                kg: r.kg(),
                yield_kg_per_100_l: r.yield_kg_per_100_l(),
                over_target_celsius: cook.and_then(CookDone::over_celsius),
                coast_celsius: cook.zip(at_call).map(|(c, t)| c.peak_celsius - t),
                deviations: r.deviations.len(),
                gap_minutes: r.gaps.iter().map(|g| g.to.minutes_since(g.from)).sum(),
                score: r.score,
            }
        })
        .collect()
}

/// The names of the columns.
pub const COLUMNS: [&str; 11] = [
    "day",
    "lot",
    "product",
    "litres",
    "kg",
    "kg_per_100_l",
    "over_target_celsius",
    "coast_celsius",
    "deviations",
    "gap_minutes",
    "score",
];

/// The one that a person words.
const PRODUCT: usize = 2;

/// A line's cells, as text.
pub fn cells(l: &Line) -> [String; 11] {
    let n = |x: Option<f64>, digits: usize| x.map(|x| figure(x, digits)).unwrap_or_default();
    [
        l.day.clone(),
        l.lot.clone(),
        l.product.clone(),
        entered(l.litres),
        entered(l.kg),
        n(l.yield_kg_per_100_l, 2),
        n(l.over_target_celsius, 2),
        n(l.coast_celsius, 2),
        l.deviations.to_string(),
        figure(l.gap_minutes, 0),
        entered(l.score),
    ]
}

/// What persons entered, as they did; a sum of it has no more digits than grams.
fn entered(x: Option<f64>) -> String {
    x.map(|x| ((x * 1e3).round() / 1e3).to_string()).unwrap_or_default()
}

/// A number with so many digits; nothing is 0, not -0.
fn figure(x: f64, digits: usize) -> String {
    let text = format!("{x:.digits$}");
    match text.strip_prefix('-') {
        Some(zero) if zero.chars().all(|c| "0.".contains(c)) => zero.into(),
        _ => text,
    }
}

/// The table as CSV.
pub fn to_csv(lines: &[Line]) -> String {
    let mut out = String::new();
    csv::row(&mut out, &COLUMNS);
    for l in lines {
        let cells = cells(l);
        let mut fields = cells.each_ref().map(String::as_str);
        let product = csv::word(&l.product);
        fields[PRODUCT] = &product;
        csv::row(&mut out, &fields);
    }
    out
}

/// Where days differ from the season: a value further than three times the
/// median distance from the median, in words.
pub fn outliers(lines: &[Line]) -> Vec<String> {
    let mut found = Vec::new();
    let columns: [Column; 3] = [
        ("yield, kg/100 L", |l| l.yield_kg_per_100_l),
        ("over the target, °C", |l| l.over_target_celsius),
        ("coast, °C", |l| l.coast_celsius),
    ];
    let mut products: Vec<&str> = lines.iter().map(|l| l.product.as_str()).collect();
    products.sort_unstable();
    products.dedup();
    for product in products {
        for (name, value) in columns {
            let of: Vec<(&Line, f64)> =
                lines.iter().filter(|l| l.product == product).filter_map(|l| Some((l, value(l)?))).collect();
            if of.len() < 5 {
                continue;
            }
            let middle = median(of.iter().map(|o| o.1).collect());
            let spread = median(of.iter().map(|o| (o.1 - middle).abs()).collect()).max(1e-9);
            for (l, v) in of.iter().filter(|o| (o.1 - middle).abs() > 3.0 * 1.4826 * spread) {
                found.push(format!("{} {}: {name} {v:.2}, usually {middle:.2}", l.day, l.lot));
            }
        }
    }
    found
}

fn median(mut of: Vec<f64>) -> f64 {
    if of.is_empty() {
        return 0.0;
    }
    of.sort_by(f64::total_cmp);
    let n = of.len();
    if n % 2 == 1 { of[n / 2] } else { f64::midpoint(of[n / 2 - 1], of[n / 2]) }
}

/// What each probe showed too much or too little at its calibrations, oldest
/// first, in words.
pub fn drift(calibrations: &[calibration::Record]) -> Vec<String> {
    let mut by_probe: BTreeMap<&str, Vec<&calibration::Record>> = BTreeMap::new();
    for c in calibrations {
        by_probe.entry(&c.probe).or_default().push(c);
    }
    let mut lines = Vec::new();
    for (probe, mut of) in by_probe {
        of.sort_by_key(|c| c.number);
        let steps: Vec<String> = of
            .iter()
            .map(|c| {
                let found: Vec<String> = c
                    .points
                    .iter()
                    .map(|p| format!("{} {:+.2} °C", p.against, p.found_off_celsius()))
                    .collect();
                format!("{} {}", c.time.get(..10).unwrap_or(&c.time), found.join(", "))
            })
            .collect();
        lines.push(format!("{probe}: as found {}", steps.join("; ")));
    }
    lines
}

/// A page with the picture and the table.
pub fn page(dairy: &str, name: &str, lines: &[Line], drift: &[String]) -> String {
    let mut body = String::new();
    for l in lines {
        let row = cells(l)
            .iter()
            .enumerate()
            .map(|(i, c)| {
                let class = if (3..=10).contains(&i) { " class=\"n\"" } else { "" };
                format!("<td{class}>{}</td>", escape(c))
            })
            .collect::<Vec<_>>()
            .concat();
        let _ = write!(body, "<tr>{row}</tr>");
    }
    let heads = [
        "Day",
        "Lot",
        "Cheese",
        "L",
        "kg",
        "kg/100 L",
        "over °C",
        "coast °C",
        "to look at",
        "gaps min",
        "score",
    ]
    .iter()
    .enumerate()
    .map(|(i, h)| format!("<th scope=\"col\"{}>{h}</th>", if i > 2 { " class=\"n\"" } else { "" }))
    .collect::<Vec<_>>()
    .concat();
    let list = |title: &str, of: &[String]| {
        if of.is_empty() {
            return String::new();
        }
        let items = of.iter().map(|o| format!("<li>{}</li>", escape(o))).collect::<Vec<_>>().concat();
        format!("<section><h2>{title}</h2><ul class=\"plain\">{items}</ul></section>")
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>Season {name}, {dairy}</title>\n\
         <style>\n{style}\n.plain{{margin-left:5mm}}</style>\n</head>\n<body>\n<h1>Season {name}, {dairy}</h1>\n\
         <figure>{picture}</figure>\n{differ}{drift}\
         <table><caption>Lots</caption><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>\n</body>\n</html>\n",
        dairy = escape(dairy),
        name = escape(name),
        style = include_str!("sheet/style.css"),
        picture = picture(lines),
        differ = list("Where a day differs", &outliers(lines)),
        drift = list("The probes between calibrations", drift),
    )
}

/// Three rows of dots over the days: yield, end over target, coast.
fn picture(lines: &[Line]) -> String {
    let rows: [Column; 3] = [
        ("yield, kg per 100 L", |l| l.yield_kg_per_100_l),
        ("end of the cook over its target, °C", |l| l.over_target_celsius),
        ("coast after the call, °C", |l| l.coast_celsius),
    ];
    let (width, each) = (711.0, 96.0);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {}\" role=\"img\" class=\"curve\" \
         aria-label=\"Yield, end of the cook and coast of {} over the season\">",
        each * 3.0,
        counted(lines.len(), "lot")
    );
    for (i, (name, value)) in rows.into_iter().enumerate() {
        let (top, foot) = (i as f64 * each + 16.0, (i + 1) as f64 * each - 8.0);
        let values: Vec<f64> = lines.iter().filter_map(value).collect();
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let _ = write!(svg, "<text x=\"30\" y=\"{:.0}\" class=\"stage\">{name}</text>", top - 5.0);
        let _ = write!(
            svg,
            "<path d=\"M30 {top}V{foot}H703\" fill=\"none\" stroke=\"#333\" stroke-width=\"0.7\"/>"
        );
        if values.is_empty() {
            let _ =
                write!(svg, "<text x=\"40\" y=\"{:.0}\" class=\"tick\">nothing entered</text>", foot - 20.0);
            continue;
        }
        let span = (high - low).max(0.1);
        let y = |v: f64| foot - 4.0 - (v - low) / span * (foot - top - 8.0);
        for v in [low, high] {
            let _ = write!(
                svg,
                "<text x=\"26\" y=\"{:.1}\" class=\"tick\" text-anchor=\"end\">{v:.1}</text>",
                y(v) + 2.8
            );
        }
        let middle = median(values);
        let _ = write!(
            svg,
            "<path d=\"M30 {m:.1}H703\" stroke=\"#9a7420\" stroke-width=\"0.6\" stroke-dasharray=\"4 3\"/>",
            m = y(middle)
        );
        let step = 665.0 / lines.len().max(1) as f64;
        for (n, l) in lines.iter().enumerate() {
            if let Some(v) = value(l) {
                let fill = if l.deviations > 0 { "#fff" } else { "#123f63" };
                let _ = write!(
                    svg,
                    "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2\" fill=\"{fill}\" stroke=\"#123f63\" stroke-width=\"0.8\"/>",
                    34.0 + (n as f64 + 0.5) * step,
                    y(v)
                );
            }
        }
    }
    svg.push_str("</svg><figcaption class=\"key\">A dot a lot; hollow where something is to be looked at; dashed: the middle value.</figcaption>");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_that_differs_is_named() {
        let mut lines: Vec<Line> = (0..20)
            .map(|n| Line {
                lot: format!("l-{n}"),
                day: format!("2026-07-{:02}", n + 1),
                yield_kg_per_100_l: Some(9.0 + f64::from(n % 5) * 0.05),
                ..Line::default()
            })
            .collect();
        assert!(outliers(&lines).is_empty());
        lines[7].yield_kg_per_100_l = Some(7.1);
        let found = outliers(&lines);
        assert!(found.len() == 1 && found[0].contains("2026-07-08 l-7"), "{found:?}");
        assert_eq!(to_csv(&lines).split("\r\n").count(), 22);
        lines[0].product = "=1+1".into();
        lines[0].over_target_celsius = Some(-0.4);
        let row = to_csv(&lines).lines().nth(1).unwrap().to_owned();
        assert!(row.starts_with("2026-07-01,l-0,'=1+1,,,9.00,-0.40,"), "{row}");
    }

    /// 180.5 L were 180 in the table for a spreadsheet.
    #[test]
    fn what_was_entered_is_given_as_it_was_entered() {
        let mut lot = Record::default();
        lot.milk.litres = Some(180.5);
        lot.score = Some(7.25);
        lot.wheels = [4.125, 0.1, 0.2]
            .map(|kg| crate::lot::record::Wheel { kg: Some(kg), ..Default::default() })
            .into();
        let row = cells(&lines(&[lot])[0]);
        assert_eq!([3, 4, 10].map(|n| row[n].as_str()), ["180.5", "4.425", "7.25"]);
    }

    /// A lot without a gap had -0 minutes of them.
    #[test]
    fn nothing_is_not_less_than_nothing() {
        let mut line = lines(&[Record::default()]).remove(0);
        line.over_target_celsius = Some(-0.004);
        let cells = cells(&line);
        assert_eq!((cells[9].as_str(), cells[6].as_str()), ("0", "0.00"), "{cells:?}");
    }
}
