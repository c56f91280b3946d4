//! An invented make at an invented hut, written into a journal as the daemon
//! writes it: readings of one or two probes, marks, what the engine said.

#![allow(clippy::unwrap_used, clippy::cast_possible_wrap, clippy::too_many_arguments)] // a test may end here

use std::path::{Path, PathBuf};
use std::sync::Arc;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::store::Dairy;

/// 14 July 2026, 04:03 UTC, ns: 06:03 at the hut.
pub const MORNING_NS: i64 = 1_784_001_780_000_000_000;

pub const PLAN: &str = r#"
name = "Larch wheel"
reaction-s = 18
tolerance-celsius = 0.5

[[stage]]
kind = "warming"
to-celsius = 32.0
minutes = 45

[[stage]]
kind = "ripening"
minutes = 20
optional = true

[[stage]]
kind = "setting"
minutes = 35

[[stage]]
kind = "cutting"
minutes = 12

[[stage]]
kind = "cooking"
to-celsius = 41.0
minutes = 28
band-celsius = 1.5
points = [[0, 32.0], [10, 34.5], [28, 41.0]]

[[stage]]
kind = "stirring"
minutes = 20

[[stage]]
kind = "settling"
minutes = 6

[[stage]]
kind = "drawing"
"#;

pub fn dairy() -> Dairy {
    Dairy {
        name: "Hut above the larches".into(),
        time_zone: "Europe/Zurich".into(),
        lot_id: "{date}-{kettle}-{number}".into(),
        ..Dairy::default()
    }
}

/// How the make goes: (stage, minutes, from °C, to °C).
pub const STAGES: [(&str, f64, f64, f64); 8] = [
    ("warming", 41.0, 13.0, 32.1),
    ("ripening", 22.0, 32.1, 31.8),
    ("setting", 34.0, 31.8, 31.6),
    ("cutting", 12.0, 31.2, 31.0),
    ("cooking", 29.0, 31.0, 41.0),
    ("stirring", 21.0, 41.3, 40.6),
    ("settling", 6.0, 40.6, 40.3),
    ("drawing", 7.0, 40.3, 31.0),
];

/// Writes makes into a journal.
pub struct Day {
    pub storage: Arc<dyn Storage>,
    pub data: PathBuf,
    pub journal: Journal,
    pub every_s: f64,
}

impl Day {
    pub fn new(storage: Arc<dyn Storage>, data: &Path) -> Self {
        let settings = Settings { group_lines: 64, ..Settings::default() };
        let (journal, _) = Journal::open(storage.clone(), &data.join("journal"), settings, "hut").unwrap();
        Self { storage, data: data.into(), journal, every_s: 5.0 }
    }

    pub fn push(&mut self, at: At, line: &str) {
        let offset_ns = MORNING_NS - 1_000_000_000_000_000;
        let moment = Moment { mono_ns: (at.0 - offset_ns) as u64, offset_ns, clock_sure: true };
        self.journal.push(&format!("{line} {}", at.0), moment).unwrap();
        if self.journal.is_due(moment.mono_ns) {
            self.journal.commit().unwrap();
        }
    }

    pub fn said(&mut self, at: At, kettle: &str, what: &str, json: &str) {
        let json = json.replace('\\', "\\\\").replace('"', "\\\"");
        self.push(at, &format!("event,kettle={kettle},what=said-{what} json=\"{json}\""));
    }

    /// One make in `kettle`, read by `probe`. Gives when it began and ended.
    pub fn make(&mut self, kettle: &str, probe: &str, began: At) -> (At, At) {
        let tags =
            if kettle == probe { format!("probe={probe}") } else { format!("kettle={kettle},probe={probe}") };
        let minute = |m: f64| At(began.0 + (m * 60e9) as i64);
        let mut t = 0.0;
        let mut told = Vec::new();
        self.said(
            began,
            kettle,
            "make-began",
            &format!(r#"{{"kind":"make-began","time":"{began}","probe":"{probe}"}}"#),
        );
        for (i, (stage, minutes, from, to)) in STAGES.into_iter().enumerate() {
            let at = minute(t);
            told.push((stage, at, minute(t + minutes)));
            self.said(
                at,
                kettle,
                "stage",
                &format!(r#"{{"kind":"stage","time":"{at}","probe":"{probe}","stage":"{stage}","began":"{at}","confidence":0.97,"basis":"trace"}}"#),
            );
            let steps = (minutes * 60.0 / self.every_s) as i64;
            for n in 0..steps {
                let share = n as f64 / steps as f64;
                // Cooking slows at its end; the noise is a plain pattern.
                let bend = if stage == "cooking" { share * (1.15 - 0.15 * share) } else { share };
                let noise = ((n * 37 + i as i64 * 11) % 13 - 6) as f64
                    * if stage == "setting" { 0.002 } else { 0.012 };
                let celsius = from + (to - from) * bend + noise;
                let at = minute(t + minutes * share);
                // A lead pulled out for four minutes while it stirs.
                if stage == "stirring" && (8.0..12.0).contains(&(minutes * share)) {
                    if n % 4 == 0 {
                        self.push(at, &format!("temperature,{tags} health=\"failure\",reason=\"open circuit: the probe's wire is loose\""));
                    }
                    continue;
                }
                self.push(at, &format!("temperature,{tags} celsius={celsius:.3}"));
                self.on_the_way(kettle, probe, stage, n, steps, at, celsius);
            }
            t += minutes;
        }
        let end = minute(t);
        self.end_of_make(kettle, probe, &told, end);
        (began, end)
    }

    fn on_the_way(
        &mut self,
        kettle: &str,
        probe: &str,
        stage: &str,
        n: i64,
        steps: i64,
        at: At,
        celsius: f64,
    ) {
        let mark = match (stage, n) {
            ("ripening", 2) => "name=\"culture\",by=\"Ada\"",
            ("setting", 1) => "name=\"rennet\",by=\"Ada\"",
            ("setting", n) if n == steps / 3 => "name=\"floc\",by=\"Bruno\"",
            ("cutting", 0) => "name=\"cut\",by=\"Ada\"",
            ("stirring", 3) => "name=\"ph\",value=6.45,by=\"Ada\"",
            ("drawing", 4) => "name=\"lift\",by=\"Ada\"",
            _ => "",
        };
        if !mark.is_empty() {
            self.push(at, &format!("mark,kettle={kettle} {mark}"));
        }
        let alarm = match (stage, n) {
            ("cooking", n) if n == steps * 3 / 4 => {
                Some(("get-ready", "unacknowledged", "medium", "the target of 41.0 °C is 6 min off"))
            }
            ("cooking", n) if n == steps - 12 => {
                Some(("heat-off", "unacknowledged", "high", "take the kettle off now: it coasts to 41.3 °C"))
            }
            ("cooking", n) if n == steps - 9 => {
                Some(("heat-off", "acknowledged", "high", "take the kettle off now: it coasts to 41.3 °C"))
            }
            ("stirring", 1) => Some(("at-target", "unacknowledged", "low", "41.0 °C is reached")),
            ("stirring", 4) => Some(("at-target", "normal", "low", "41.0 °C is reached")),
            ("stirring", n) if n == (9.0 * 60.0 / self.every_s) as i64 => {
                Some(("probe-fault", "unacknowledged", "high", "probe says: open circuit"))
            }
            _ => None,
        };
        if let Some((alarm, state, priority, text)) = alarm {
            let said = match alarm {
                "get-ready" => {
                    format!(r#"{{"say":"said-get-ready","wanted":41.0,"lasting":360,"now":{celsius:.2}}}"#)
                }
                "heat-off" => format!(
                    r#"{{"say":"said-heat-off-peak","wanted":41.0,"now":{celsius:.2},"peak":41.3,"low":41.1,"high":41.6}}"#
                ),
                "at-target" => format!(r#"{{"say":"said-at-target","wanted":41.0,"now":{celsius:.2}}}"#),
                _ => r#"{"say":"said-probe-fault","reason":"open circuit"},{"say":"said-probe-do"}"#.into(),
            };
            let by = if state == "acknowledged" { r#","by":"Bruno""# } else { "" };
            self.said(
                at,
                kettle,
                "alarm",
                &format!(r#"{{"kind":"alarm","time":"{at}","probe":"{probe}","alarm":"{alarm}","state":"{state}","priority":"{priority}","celsius":{celsius:.2},"limit_celsius":41.0,"text":"{text}","said":[{said}]{by}}}"#),
            );
        }
    }

    fn end_of_make(&mut self, kettle: &str, probe: &str, told: &[(&str, At, At)], end: At) {
        let stages: Vec<String> = told
            .iter()
            .map(|(stage, began, ended)| {
                format!(r#"{{"stage":"{stage}","began":"{began}","ended":"{ended}","confidence":0.98,"basis":"trace"}}"#)
            })
            .collect();
        let cooking = told.iter().find(|t| t.0 == "cooking").unwrap();
        let (called, reached) = (cooking.2.plus_s(-60), cooking.2.plus_s(8));
        let json = format!(
            r#"{{"kind":"make","time":"{end}","probe":"{probe}","stages":[{}],"cooks":[{{"target_celsius":41.0,"heat_off_called_at":"{called}","reached_at":"{reached}","peak_celsius":41.3,"peak_at":"{reached}"}}]}}"#,
            stages.join(",")
        );
        // The engine is sure of the end some minutes later.
        let later = end.plus_s(900);
        self.said(later, kettle, "make", &json);
        self.journal.commit().unwrap();
    }
}

/// The lots below `data`, after a stretch of probe `big` was attached to a past lot of its
/// own and that was closed, nine days after the first morning.
pub fn attached(data: &Path, id: &str, (from, to): (At, At)) -> Lots {
    let (mut lots, _) = Lots::open(Arc::new(Disk), data, dairy()).unwrap();
    let by = |ask| Request { at: At(MORNING_NS).plus_s(9 * 86_400), by: Some("Ada".into()), ask };
    let open = Opening { kettle: "big".into(), id: Some(id.into()), past: true, ..Opening::default() };
    lots.apply(&by(Ask::Open(open))).unwrap();
    let attach = AttachAsk { lot: id.into(), probe: "big".into(), from, to };
    lots.apply(&by(Ask::Attach(attach))).unwrap();
    lots.apply(&by(Ask::Close { lot: id.into() })).unwrap();
    lots
}

/// The journal's segments below `data`, packed or plain, oldest first.
pub fn segments(data: &Path) -> Vec<String> {
    let all = Disk.list(&data.join("journal")).unwrap();
    all.into_iter().filter(|n| n.contains(".lp")).collect()
}
