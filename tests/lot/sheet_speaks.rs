//! Promise: the make sheet speaks the dairy's language, figures as that language
//! writes them, while the files for machines stay as they are; what persons wrote
//! stays as they wrote it.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::Record;
use curdtrace::lot::sheet::render;
use curdtrace::lot::store::Dairy;
use curdtrace::words::Words;
use made_day::{Day, MORNING_NS, PLAN, dairy};

/// A lot with a limit that is not kept, a word of the maker's, and a correction.
fn made(data: &Path, language: &str) -> (Record, Lots) {
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let limit = "[[limit]]\nname = \"Plan 4.2\"\nsource = \"own plan\"\nat-most-celsius = 40.5\n";
    std::fs::create_dir_all(data).unwrap();
    std::fs::write(data.join("limits.toml"), limit).unwrap();
    let mut day = Day::new(storage.clone(), data);
    let (mut lots, _) = Lots::open(storage, data, Dairy { language: language.into(), ..dairy() }).unwrap();
    let start = At(MORNING_NS);
    let by = |at, ask| Request { at, by: Some("Ada".into()), ask };
    let fields =
        [("milk.litres", "320.5"), ("milk.source", "31 cows, upper pasture"), ("rennet.dose-ml", "42.5")];
    let fields = fields.map(|(f, v)| (f.to_owned(), v.to_owned())).to_vec();
    let open = Opening { kettle: "big".into(), plan: Some(PLAN.into()), fields, ..Opening::default() };
    let lot = lots.apply(&by(start, Ask::Open(open))).unwrap().lot;
    let (_, end) = day.make("big", "big", start);
    lots.apply(&by(end.plus_s(1200), Ask::Close { lot: lot.clone() })).unwrap();
    let fields = vec![("rennet.dose-ml".into(), "45.5".into())];
    let set = Ask::Set { lot: lot.clone(), fields, reason: Some("misread the cup".into()) };
    lots.apply(&by(end.plus_s(7200), set)).unwrap();
    (lots.store().load(&lot).unwrap(), lots)
}

/// What a person reads of a page.
fn read(html: &str) -> String {
    let body = html.split("</style>").nth(1).unwrap();
    let mut text = String::new();
    for (i, part) in body.split(['<', '>']).enumerate() {
        text.push_str(if i % 2 == 0 { part } else { "\n" });
    }
    text
}

#[test]
fn a_german_dairys_sheet_is_german_with_decimal_commas() {
    let data = tempfile::tempdir().unwrap();
    let (record, lots) = made(data.path(), "de");
    let folder = lots.store().folder(&record.lot);
    let file = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let html = file("sheet.html");
    assert!(html.contains("<html lang=\"de\">"));
    let sheet = read(&html);
    for says in [
        "Fabrikationsblatt",
        "Zuerst anzusehen",
        "Grenzwert verletzt: Plan 4.2 (höchstens 40,5 °C): ",
        "320,5 L",
        "45,5 mL",
        "42,5 → 45,5 (misread the cup)",
        "Dicklegen",
        "verletzt",
        "31 cows, upper pasture",
    ] {
        assert!(sheet.contains(says), "{says} is missing in {sheet}");
    }
    let lines = sheet.lines().filter(|l| {
        !l.contains("cows")
            && !l.contains("misread")
            && !l.contains("Hut above")
            && !l.contains("curdtrace lot verify")
    });
    for line in lines {
        let figure = line.as_bytes().windows(3).any(|w| {
            w[0].is_ascii_digit() && w[1] == b'.' && w[2].is_ascii_digit() && !line.contains("Plan 4.2")
        });
        let slips = [" the ", " of ", "taken", "Stage", "began", "reading", "called"]
            .iter()
            .any(|e| line.contains(e));
        assert!(!figure && !slips, "{line:?}");
    }
    // What machines read.
    assert!(file("trace.csv").lines().nth(1).unwrap().contains('.'));
    assert!(file("lot.toml").contains("litres = 320.5"));
    assert!(record.deviations[0].starts_with("Limit not kept: Plan 4.2 (at most 40.5 °C): "), "{record:?}");
}

#[test]
fn every_language_draws_the_same_sheet_from_the_same_record() {
    let data = tempfile::tempdir().unwrap();
    let (record, lots) = made(data.path(), "en");
    let points = lots.store().points(&record.lot).unwrap();
    let tags =
        |html: &str| html.matches("<tr").count() + html.matches("<li").count() + html.matches("<dt").count();
    let english = render(&record, &points, None);
    for words in Words::all() {
        let html = render(&Record { language: words.code().into(), ..record.clone() }, &points, None);
        assert_eq!(tags(&html), tags(&english), "{}", words.code());
        let cut: Vec<String> = read(&html).lines().filter(|l| l.contains('…')).map(str::to_owned).collect();
        assert!(cut.is_empty(), "{}: cut short: {cut:?}", words.code());
        for family in ["sheet-", "found-", "said-", "limit-", "field-", "verdict-", "curve-"] {
            let own = |t: &str| {
                t.matches(family).count() - t.matches("curve-title").count() * usize::from(family == "curve-")
            };
            assert_eq!(own(&read(&html)), 0, "{} shows a key {family}", words.code());
        }
    }
}

/// An instrument that was out of date, or never calibrated though that was asked for, stood
/// at the foot of the sheet and nowhere else.
#[test]
fn an_instrument_that_was_not_calibrated_in_time_is_to_be_looked_at() {
    const CALIBRATION: &str = r#"
probe = "big"
number = 1
time = "2026-01-02T08:00:00Z"
by = "Ada"
sensor = "type K"
shape = "linear"
knots = [[0.4, 0.0]]
expanded-uncertainty-celsius = 0.2
due = "2026-07-01"
point = [{ against = "ice", true-celsius = 0.0, true-expanded-uncertainty-celsius = 0.06, raw-celsius = 0.4, as-found-celsius = 0.4, as-left-celsius = 0.0, corrected = true, spread-celsius = 0.02, drift-celsius-per-min = 0.01, readings = 60, seconds = 60.0 }]
"#;
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let kept = data.join("calibrations/big");
    std::fs::create_dir_all(&kept).unwrap();
    std::fs::write(kept.join("1.toml"), CALIBRATION).unwrap();
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let mut day = Day::new(storage.clone(), data);
    day.every_s = 20.0;
    let (mut lots, _) = Lots::open(storage, data, dairy()).unwrap();
    let start = At(MORNING_NS);
    let by = |at, ask| Request { at, by: Some("Ada".into()), ask };
    let open = Opening { kettle: "big".into(), plan: Some(PLAN.into()), ..Opening::default() };
    let lot = lots.apply(&by(start, Ask::Open(open))).unwrap().lot;
    let spare = "temperature,kettle=big,probe=spare celsius=31.0,health=\"maintenance-required\",reason=";
    day.push(start.plus_s(60), &format!("{spare}\"the tip is worn; never calibrated\""));
    let (_, end) = day.make("big", "big", start);
    // Calibrated before the lot was closed, and after it was made.
    std::fs::create_dir_all(data.join("calibrations/spare")).unwrap();
    let late = CALIBRATION.replace("\"big\"", "\"spare\"").replace("2026-01-02", "2026-07-14");
    let late = late.replace("T08:00", "T22:00").replace("2026-07-01", "2027-01-01");
    std::fs::write(data.join("calibrations/spare/1.toml"), late).unwrap();
    lots.apply(&by(end.plus_s(86_400), Ask::Close { lot: lot.clone() })).unwrap();
    let (record, points) = (lots.store().load(&lot).unwrap(), lots.store().points(&lot).unwrap());
    let found = record.deviations.join("\n");
    assert!(found.contains("probe big was out of date: due on 2026-07-01"), "{found}");
    assert!(found.contains("Probe spare was never calibrated"), "{found}");
    for (language, due, never) in [
        ("de", "Fühler big war abgelaufen: fällig am 2026-07-01", "Fühler spare wurde nie kalibriert"),
        ("it", "sonda big scaduta", "Sonda spare mai tarata"),
        ("fr", "sonde big périmé", "Sonde spare jamais étalonnée"),
    ] {
        let sheet = render(&Record { language: language.into(), ..record.clone() }, &points, None);
        let first = sheet.split("class=\"first\"").nth(1).unwrap().split("</section>").next().unwrap();
        assert!(first.contains(due) && first.contains(never), "{first}");
    }
}
