//! A simulated make as text: line protocol, plan, truth.

use super::make::{Make, Spoken, nanoseconds};
use crate::config;
use crate::engine::plan::Plan;
use crate::wire::line::{write_mark, write_reading};

/// Readings and marks, line protocol.
pub fn lines(make: &Make) -> String {
    let mut out = String::with_capacity(make.lines.len() * 64);
    for (wall_ns, spoken) in &make.lines {
        match spoken {
            Spoken::Reading(r) => write_reading(&mut out, r, *wall_ns),
            Spoken::Mark(m) => write_mark(&mut out, m, *wall_ns),
        }
        out.push('\n');
    }
    out
}

/// The plan as a maker would type it.
pub fn plan(plan: &Plan) -> String {
    config::plan::write(plan)
}

/// The truth as JSON.
pub fn truth(make: &Make) -> String {
    let seconds = |ns: i64| ns as f64 / 1.0e9;
    let began: Vec<String> = make
        .began
        .iter()
        .map(|(stage, ns)| format!("  {{\"stage\": \"{}\", \"epoch_s\": {:.1}}}", stage.name(), seconds(*ns)))
        .collect();
    let at = |s: f64| seconds(make.start_ns + nanoseconds(s));
    let cooks: Vec<String> = make
        .cooks
        .iter()
        .map(|c| {
            let off = c.heat_off_s.map_or("null".into(), |s| format!("{:.1}", at(s)));
            format!(
                "  {{\"target_celsius\": {:.2}, \"heat_off_epoch_s\": {off}, \"peak_celsius\": {:.2}, \"peak_epoch_s\": {:.1}}}",
                c.target_celsius, c.peak_celsius, at(c.peak_s)
            )
        })
        .collect();
    format!("{{\n \"began\": [\n{}\n ],\n \"cooks\": [\n{}\n ]\n}}\n", began.join(",\n"), cooks.join(",\n"))
}

#[cfg(test)]
mod tests {
    use super::super::make::{Marks, make};
    use super::super::scene::Options;
    use super::{lines, plan, truth};
    use crate::rehearse::family::Family;

    #[test]
    fn texts_read_back() {
        let m = make(4, Family::WithWheyCheese, &Options::default(), Marks::All);
        let text = lines(&m);
        let mut parsed = 0;
        for line in influxdb_line_protocol::parse_lines(&text) {
            line.unwrap();
            parsed += 1;
        }
        assert_eq!(parsed, m.lines.len());
        assert_eq!(crate::config::plan::parse(&plan(&m.plan), "p").unwrap(), m.plan);
        let json: serde_json::Value = serde_json::from_str(&truth(&m)).unwrap();
        assert_eq!(json["began"].as_array().unwrap().len(), m.began.len());
    }
}
