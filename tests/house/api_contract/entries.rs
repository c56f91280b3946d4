//! What persons enter into a lot by way of the page.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Answer, Ask, Inbox, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::store::Dairy;

use super::*;

/// A lot that is open, and one who carries out what is asked, as the daemon does.
struct Keeper {
    lot: String,
    over: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Keeper {
    fn of(data: PathBuf) -> Self {
        let disk: Arc<dyn Storage> = Arc::new(Disk);
        let mut lots = Lots::open(disk, &data, Dairy::default()).unwrap().0;
        let opening = Opening { kettle: "copper".into(), ..Opening::default() };
        let request = Request { at: At(1_783_990_000_000_000_000), by: None, ask: Ask::Open(opening) };
        let lot = lots.apply(&request).unwrap().lot;
        let over = Arc::new(AtomicBool::new(false));
        let told = over.clone();
        let thread = std::thread::spawn(move || {
            let inbox = Inbox::of(&Disk, &data).unwrap();
            while !told.load(Ordering::SeqCst) {
                for waiting in inbox.waiting().unwrap() {
                    if inbox.take_in_hand(&waiting.name).unwrap() {
                        let done = lots.apply(&waiting.request.unwrap());
                        inbox.answer(&waiting.name, &Answer::of(done.as_ref())).unwrap();
                    }
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        });
        Self { lot, over, thread: Some(thread) }
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        self.over.store(true, Ordering::SeqCst);
        self.thread.take().unwrap().join().unwrap();
    }
}

#[tokio::test]
async fn what_is_entered_stands_and_is_changed_only_with_a_reason() {
    let c = contract().await;
    let keeper = Keeper::of(c.page.data.path().to_owned());
    let lot = &keeper.lot;
    let (at, fields) = (format!("/api/v1/lots/{lot}/fields"), "/api/v1/lots/{lot}/fields");
    let milk = r#"{"fields":{"milk.litres":"102,5","rennet.lot":"R 7"}}"#;
    c.ask("POST", &at, fields, milk, 200).await;
    let german = c.ask("GET", &format!("{at}?language=de"), fields, "", 200).await;
    let of = |name: &str| {
        let all = german["fields"].as_array().unwrap();
        all.iter().find(|f| f["field"] == name).cloned().unwrap_or_default()
    };
    assert_eq!(
        (of("milk.litres")["label"].as_str(), of("milk.litres")["value"].as_str()),
        (Some("Milch, L"), Some("102.5"))
    );
    assert_eq!((of("milk.source")["value"].is_null(), of("kettle").is_null()), (true, true));
    for (body, status, word) in [
        (r#"{"fields":{"rennet.lot":"R 8"}}"#, 422, "stands already"),
        (r#"{"fields":{"rennet.lot":"R 8"},"reason":" ","by":"Nives"}"#, 422, "stands already"),
        (r#"{"fields":{"milk.litres":"-3"},"reason":"a","by":"Nives"}"#, 422, "milk.litres"),
        (r#"{"fields":{"milk":"3"}}"#, 422, "no field"),
        (r#"{"fields":{}}"#, 422, "at least one"),
        (r#"{"fields":{"note":"a"},"who":"b"}"#, 422, "who"),
    ] {
        let answer = c.ask("POST", &at, fields, body, status).await;
        assert!(answer["error"].as_str().unwrap().contains(word), "{body}: {answer}");
    }
    c.ask("POST", &at, fields, r#"{"fields":{"rennet.lot":"R 8"},"reason":"misread","by":"Nives"}"#, 200)
        .await;
    let shown = c.ask("GET", &format!("/api/v1/lots/{lot}"), "/api/v1/lots/{lot}", "", 200).await;
    assert_eq!(
        (shown["closed"].as_bool(), shown["lot"]["rennet"]["lot"].as_str()),
        (Some(false), Some("R 8"))
    );
    assert_eq!(shown["lot"]["correction"][0]["reason"], "misread", "{shown}");
    // An emptied field of the form strikes what stood there.
    c.ask("POST", &at, fields, r#"{"fields":{"milk.litres":""},"reason":"another lot's","by":"Nives"}"#, 200)
        .await;
    let now = c.ask("GET", &format!("{at}?language=de"), fields, "", 200).await;
    let litres = now["fields"].as_array().unwrap().iter().find(|f| f["field"] == "milk.litres").cloned();
    assert!(litres.unwrap()["value"].is_null(), "{now}");
    c.ask("POST", "/api/v1/lots/none/fields", fields, milk, 404).await;
    c.ask("GET", "/api/v1/lots/none/fields", fields, "", 404).await;
}

#[tokio::test]
async fn a_wheel_is_weighed_and_an_open_lot_has_its_sheet() {
    let c = contract().await;
    let keeper = Keeper::of(c.page.data.path().to_owned());
    let at = format!("/api/v1/lots/{}/wheels", keeper.lot);
    let wheels = "/api/v1/lots/{lot}/wheels";
    c.ask("POST", &at, wheels, r#"{"wheel":"1","kg":6.25,"by":"Nives"}"#, 200).await;
    c.ask("POST", &at, wheels, r#"{"wheel":"2","kg":-1}"#, 422).await;
    c.ask("POST", &at, wheels, r#"{"kg":6}"#, 422).await;
    let (status, sheet) = c.page.ask("GET", &format!("/api/v1/lots/{}/sheet.html", keeper.lot), "", "").await;
    assert!(status == 200 && sheet.contains("6.25") && sheet.contains("still open"), "{status} {sheet}");
}

/// The rest of the page was in the reader's language, what is to be looked at first was not.
#[tokio::test]
async fn a_lot_is_told_in_the_language_asked_for() {
    let c = contract().await;
    let data = c.page.data.path().to_owned();
    std::fs::write(data.join("limits.toml"), include_str!("../../../config/limits.toml")).unwrap();
    let keeper = Keeper::of(data.clone());
    let (at, shown) = (format!("/api/v1/lots/{}", keeper.lot), "/api/v1/lots/{lot}");
    for closed in [false, true] {
        if closed {
            let request = Request {
                at: At(1_783_993_600_000_000_000),
                by: None,
                ask: Ask::Close { lot: keeper.lot.clone() },
            };
            let inbox = Inbox::of(&Disk, &data).unwrap();
            let name = inbox.ask(&request, std::process::id()).unwrap();
            tokio::task::spawn_blocking(move || inbox.hear(&name, Duration::from_secs(10)))
                .await
                .unwrap()
                .unwrap();
        }
        let mut told = Vec::new();
        for (query, language) in [("", "en"), ("?language=en", "en"), ("?language=de", "de")] {
            let lot = c.ask("GET", &format!("{at}{query}"), shown, "", 200).await;
            assert_eq!(lot["closed"], closed, "{lot}");
            told.push(lot["lot"]["deviations"].clone());
            let (_, sheet) = c.page.ask("GET", &format!("{at}/sheet.html{query}"), "", "").await;
            assert!(sheet.contains(&format!("<html lang=\"{language}\">")), "{query} {closed}: {sheet}");
        }
        let lines = |n: usize| told[n].as_array().map_or(0, Vec::len);
        assert!(lines(0) > 0 && told[0] == told[1] && told[0] != told[2] && lines(0) == lines(2), "{told:?}");
        c.ask("GET", &format!("{at}?tongue=de"), shown, "", 400).await;
    }
    let sealed = std::fs::read_to_string(data.join("lots").join(&keeper.lot).join("sheet.html")).unwrap();
    let (_, sheet) = c.page.ask("GET", &format!("{at}/sheet.html?language=en"), "", "").await;
    assert!(sheet.ends_with(&sealed), "in its own language the one that is sealed");
}

/// Nobody carries it out: the request is taken back, so that it is not done later.
#[tokio::test]
async fn what_nobody_begins_with_is_taken_back() {
    let c = contract().await;
    let data = c.page.data.path().to_owned();
    let lot = Keeper::of(data.clone()).lot.clone();
    let fields = "/api/v1/lots/{lot}/fields";
    let answer =
        c.ask("POST", &format!("/api/v1/lots/{lot}/fields"), fields, r#"{"fields":{"note":"a"}}"#, 503).await;
    assert!(answer["error"].as_str().unwrap().contains("nothing was entered"), "{answer}");
    assert_eq!(Disk.list(&data.join("inbox")).unwrap(), [""; 0]);
}
