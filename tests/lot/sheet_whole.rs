//! Promise: the make sheet tells all that is in the record, in the order in which it
//! was, and no figure that was not; what nobody entered is a line to write on.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{Record, Wheel};
use curdtrace::lot::sheet::render;
use curdtrace::words::Words;
use made_day::{Day, MORNING_NS, PLAN, dairy};

fn start() -> At {
    At(MORNING_NS)
}

fn ask(lots: &mut Lots, minute: i64, by: Option<&str>, ask: Ask) -> String {
    let request = Request { at: start().plus_s(minute * 60), by: by.map(Into::into), ask };
    lots.apply(&request).unwrap().lot
}

/// A lot that is open on `big` since the morning.
fn opened(data: &Path) -> (Day, Lots, String) {
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let day = Day::new(storage.clone(), data);
    let (mut lots, _) = Lots::open(storage, data, dairy()).unwrap();
    let open = Opening { kettle: "big".into(), plan: Some(PLAN.into()), ..Opening::default() };
    let lot = ask(&mut lots, 0, Some("Ada"), Ask::Open(open));
    (day, lots, lot)
}

fn set(lots: &mut Lots, lot: &str, minute: i64, fields: &[(&str, &str)], reason: Option<&str>) {
    let fields = fields.iter().map(|(f, v)| ((*f).to_owned(), (*v).to_owned())).collect();
    let wish = Ask::Set { lot: lot.into(), fields, reason: reason.map(Into::into) };
    ask(lots, minute, Some("Ada"), wish);
}

/// The sheet of a lot as things stand so many minutes after its opening.
fn sheet(lots: &Lots, lot: &str, minute: i64, code: &str) -> String {
    let record = lots.store().load(lot).unwrap();
    let (record, points) = if record.is_closed() {
        let points = lots.store().points(lot).unwrap();
        (record, points)
    } else {
        lots.store().preview(record, start().plus_s(minute * 60)).unwrap()
    };
    render(&Record { language: code.into(), ..record }, &points, None)
}

/// The rows of the stages: each its cells.
fn stages(html: &str) -> Vec<Vec<String>> {
    let table = html.split("<h2>Stages</h2>").nth(1).unwrap().split("</table>").next().unwrap();
    let rows = table.split("<tbody>").nth(1).unwrap().split("</tr>").filter(|r| r.contains("<th"));
    let cell = |c: &str| c.rsplit_once('>').unwrap().1.to_owned();
    rows.map(|r| r.split("</t").filter(|c| c.contains("<t")).map(cell).collect()).collect()
}

/// What a person reads of a page, as one text.
fn read(html: &str) -> String {
    let body = html.split("</style>").nth(1).unwrap();
    let parts = body.split(['<', '>']).enumerate().filter(|(i, _)| i % 2 == 0).map(|p| p.1);
    parts.collect::<Vec<_>>().join(" ").replace("&#39;", "'").replace("&amp;", "&")
}

/// A minute of readings, one every five seconds, from °C to °C.
fn minutes(day: &mut Day, from_min: i64, many: i64, from: f64, to: f64) {
    for n in 0..many * 12 {
        let celsius = from + (to - from) * n as f64 / (many * 12) as f64;
        let at = start().plus_s(from_min * 60 + n * 5);
        day.push(at, &format!("temperature,probe=big celsius={celsius:.3}"));
    }
}

fn stage(day: &mut Day, told_min: i64, stage: &str, began_min: i64, basis: &str) {
    let (at, began) = (start().plus_s(told_min * 60), start().plus_s(began_min * 60));
    let json = format!(
        r#"{{"kind":"stage","time":"{at}","probe":"big","stage":"{stage}","began":"{began}","confidence":0.97,"basis":"{basis}"}}"#
    );
    day.said(at, "big", "stage", &json);
}

/// A warming to 32 °C was said to have reached the first minutes of the cook.
#[test]
fn a_short_setting_lends_the_warming_nothing_of_the_cook() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, lots, lot) = opened(data.path());
    minutes(&mut day, 0, 20, 20.0, 32.0);
    stage(&mut day, 2, "warming", 0, "trace");
    minutes(&mut day, 20, 1, 32.2, 32.2);
    stage(&mut day, 20, "setting", 20, "mark");
    minutes(&mut day, 21, 1, 32.1, 32.1);
    stage(&mut day, 21, "cutting", 21, "mark");
    minutes(&mut day, 22, 8, 32.1, 40.1);
    stage(&mut day, 22, "cooking", 22, "mark");
    day.journal.commit().unwrap();
    let rows = stages(&sheet(&lots, &lot, 30, "en"));
    assert_eq!((rows[0][0].as_str(), rows[0][6].as_str()), ("Warming", "32.2 °C"), "{rows:?}");
}

/// The warming that was told last stood below the cook, which took -6 min.
#[test]
fn stages_stand_in_the_order_in_which_they_were() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, mut lots, lot) = opened(data.path());
    minutes(&mut day, 0, 7, 30.0, 34.0);
    for name in ["setting", "cutting", "cooking"] {
        stage(&mut day, 7, name, 7, "mark");
    }
    minutes(&mut day, 7, 3, 34.0, 38.0);
    stage(&mut day, 10, "warming", 1, "trace");
    day.journal.commit().unwrap();
    let check = |rows: &[Vec<String>]| {
        let told: Vec<_> = rows.iter().map(|r| (r[0].as_str(), r[3].as_str())).collect();
        let right = [("Warming", "6 min"), ("Setting", "0 min"), ("Cutting", "0 min"), ("Cooking", "3 min")];
        assert_eq!(told, right);
    };
    check(&stages(&sheet(&lots, &lot, 10, "en")));
    ask(&mut lots, 10, Some("Ada"), Ask::Close { lot: lot.clone() });
    check(&stages(&sheet(&lots, &lot, 10, "en")));
}

/// The lot's note and the wheels' were not on it, and longer words were cut.
#[test]
fn what_persons_wrote_stands_whole_in_every_language() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, mut lots, lot) = opened(data.path());
    let (_, end) = day.make("big", "big", start());
    let smoke =
        "smoke in the hut, the stirrer stood still for a minute & was turned by hand until Bruno came";
    day.push(
        end.plus_s(-4000),
        &format!("mark,kettle=big name=\"note\",text=\"{smoke}\",by=\"Maria Magdalena\""),
    );
    day.journal.commit().unwrap();
    let source = "evening and morning, 14 cows of the upper pasture and three that calved late";
    let note = "Held: inhibitor test unclear, wheel 2 set aside until the second test on Friday; the whey \
                went to the pigs, the vet was told by telephone at noon and comes on Thursday";
    let fields = [
        ("people.maker", "Maria Magdalena von Allmen-Zurbriggen"),
        ("people.helpers", "Bruno, Chiara and the two children of the neighbour"),
        ("milk.source", source),
        ("note", note),
    ];
    set(&mut lots, &lot, 1, &fields, None);
    let wheels = ["1", "2"].map(|n| Wheel {
        wheel: n.into(),
        kg: Some(6.2),
        note: Some(format!("old mould no. {n}, the rim cracked when it was turned")),
    });
    let minute = (end.minutes_since(start()) as i64) + 20;
    ask(&mut lots, minute, Some("Ada"), Ask::Wheels { lot: lot.clone(), wheels: wheels.clone().into() });
    ask(&mut lots, minute, Some("Ada"), Ask::Close { lot: lot.clone() });
    for words in Words::all() {
        let html = sheet(&lots, &lot, minute, words.code());
        let read = read(&html);
        let whole = [smoke, source, note, fields[0].1, fields[1].1, "Maria Magdalena"];
        let notes = wheels.iter().filter_map(|w| w.note.as_deref());
        for says in whole.into_iter().chain(notes) {
            assert!(read.contains(says), "{}: {says:?} is missing in {read}", words.code());
        }
        assert!(!html.contains("class=\"beyond\""), "{}: one page bears that", words.code());
    }
}

/// The German copy hid three alarms and seventeen corrections below a large curve.
#[test]
fn what_has_no_room_on_the_page_stands_whole_below_it() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, mut lots, lot) = opened(data.path());
    let (_, end) = day.make("big", "big", start());
    let minute = (end.minutes_since(start()) as i64) + 20;
    ask(&mut lots, minute, Some("Ada"), Ask::Close { lot: lot.clone() });
    for n in 1..=30 {
        let reason = format!("reason no. {n}, the pipette was misread and read again by another");
        set(&mut lots, &lot, minute + n, &[("rennet.dose-ml", &format!("{n}"))], Some(&reason));
    }
    for words in Words::all() {
        let html = sheet(&lots, &lot, minute + 60, words.code());
        let (first, second) = html.split_once("class=\"beyond\"").unwrap();
        for n in 1..=30 {
            let says = format!("reason no. {n}, the pipette was misread and read again by another");
            assert!(n == 1 || second.contains(&says), "{}: {says}", words.code());
        }
        assert!(first.contains("class=\"more\""), "{}: the first page says so", words.code());
        assert!(first.matches("reason no.").count() >= 2, "{}: it has as much as it can", words.code());
    }
}

#[test]
fn what_was_entered_at_once_stands_together() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, mut lots, lot) = opened(data.path());
    let (_, end) = day.make("big", "big", start());
    let minute = (end.minutes_since(start()) as i64) + 20;
    ask(&mut lots, minute, Some("Ada"), Ask::Close { lot: lot.clone() });
    let fields =
        [("people.maker", "Ada"), ("milk.litres", "400"), ("milk.celsius-in", "14"), ("culture.dose", "2 L")];
    set(&mut lots, &lot, minute + 1, &fields, None);
    let read = read(&sheet(&lots, &lot, minute, "en"));
    let together =
        "Ada: maker Ada; milk, L 400; milk came in at, °C 14; culture’s dose 2 L (entered after closing)";
    assert!(read.contains(together), "{read}");
}

/// An inspector asked for them, and there was no line to write them on.
#[test]
fn whey_water_press_brine_and_instrument_have_a_line_and_their_value() {
    let data = tempfile::tempdir().unwrap();
    let (_day, mut lots, lot) = opened(data.path());
    let labels = [
        "Firmness at cut",
        "Whey drawn (L)",
        "Water added (L, °C)",
        "Press turns",
        "Brine",
        "Disposition",
        "Type and number",
        "Note",
    ];
    let blank = sheet(&lots, &lot, 5, "en");
    for label in labels {
        assert!(blank.contains(&format!("<dt>{label}</dt><dd></dd>")), "no line for {label}");
    }
    let fields = [
        ("curd.firmness", "clean break"),
        ("curd.whey-drawn-litres", "120"),
        ("curd.water-litres", "40.5"),
        ("curd.water-celsius", "55"),
        ("curd.press-turns", "15, 30, 60 min"),
        ("curd.brine", "18 °Bé, 12 °C, 24 h"),
        ("disposition", "held until Friday"),
        ("thermometer", "Pt100 no. 4711"),
    ];
    set(&mut lots, &lot, 1, &fields, None);
    let filled = read(&sheet(&lots, &lot, 5, "en"));
    let words = [
        "clean break",
        "120 L",
        "40.5 L, 55 °C",
        "15, 30, 60 min",
        "18 °Bé",
        "held until Friday",
        "no. 4711",
    ];
    for value in words {
        assert!(filled.contains(value), "{value} is missing in {filled}");
    }
}

/// An open lot was asked whether it was as it was closed.
#[test]
fn an_open_lot_is_not_spoken_of_as_closed() {
    let data = tempfile::tempdir().unwrap();
    let (mut day, mut lots, lot) = opened(data.path());
    minutes(&mut day, 0, 5, 20.0, 22.0);
    day.journal.commit().unwrap();
    let open = read(&sheet(&lots, &lot, 5, "en"));
    assert!(!open.contains("as it was closed") && open.contains("Still open"), "{open}");
    assert!(open.contains("Planned and actual minutes are in the table below."), "{open}");
    // Somebody who does not say who is no program.
    ask(&mut lots, 6, None, Ask::Close { lot: lot.clone() });
    let closed = read(&sheet(&lots, &lot, 6, "de"));
    assert!(closed.contains("curdtrace lot verify") && closed.contains(", jemand"), "{closed}");
}
