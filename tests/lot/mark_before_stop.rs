//! Promise: nothing marked is lost. A mark on the page may be taken back for some
//! seconds; a daemon that is told to stop meanwhile, or to close its lot, takes it in first.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::house;
use support::pty;

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Heard, Inbox, Opening, Request};
use curdtrace::lot::store::Store;
use house::{House, config, journal, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(20);

/// What the page answers to a mark; nothing where it is not served yet.
fn mark(at: SocketAddr, body: &str) -> std::io::Result<String> {
    let mut page = TcpStream::connect(at)?;
    let request = format!(
        "POST /api/v1/kettles/milk/marks HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\
        content-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    page.write_all(request.as_bytes())?;
    let mut answer = String::new();
    page.read_to_string(&mut answer)?;
    Ok(answer)
}

/// A daemon with its page, and one mark on it that may still be taken back.
fn marked(folder: &std::path::Path, hold_s: u32) -> (House, Pty) {
    let at = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut pty = Pty::plug(&folder.join("box"));
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[web]\nlisten = \"{at}\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        folder.join("box").display()
    );
    let house = House::open(config(folder, &text), Clock::real());
    pty.keeps_first(30.0);
    asked(folder, Ask::Open(Opening { kettle: "milk".into(), id: Some("a".into()), ..Opening::default() }));
    let body = format!(r#"{{"name":"note","text":"of a","by":"ada","hold_s":{hold_s}}}"#);
    let mut answer = String::new();
    let is_taken = || {
        answer = mark(at, &body).unwrap_or_default();
        answer.starts_with("HTTP/1.1 202")
    };
    assert!(wait_for(SOON, is_taken), "{answer}");
    (house, pty)
}

fn asked(folder: &std::path::Path, ask: Ask) {
    let data = folder.join("data");
    let inbox = Inbox::of(&Disk, &data).unwrap();
    let at = At(Clock::real().now().wall_ns);
    let name = inbox.ask(&Request { at, by: Some("ada".into()), ask }, 1).unwrap();
    let Heard::Answer(answer) = inbox.hear(&name, SOON).unwrap() else { panic!("nobody answered") };
    assert_eq!(answer.code, 0, "{answer:?}");
}

fn notes(folder: &std::path::Path) -> usize {
    journal(&folder.join("data")).iter().filter(|l| l.starts_with("mark,") && l.contains("of a")).count()
}

#[test]
fn a_mark_that_may_still_be_taken_back_is_taken_in_before_a_stop() {
    let folder = tempfile::tempdir().unwrap();
    let (house, _pty) = marked(folder.path(), 15);
    house.close().unwrap();
    assert_eq!(notes(folder.path()), 1);
}

/// It was in the journal with its time, and in no lot.
#[test]
fn a_lot_is_closed_after_the_mark_that_was_pressed_before() {
    let folder = tempfile::tempdir().unwrap();
    let (house, _pty) = marked(folder.path(), 3);
    asked(folder.path(), Ask::Close { lot: "a".into() });
    let lot = Store::on_disk(&folder.path().join("data")).load("a").unwrap();
    assert!(
        lot.is_closed() && lot.marks.iter().any(|m| m.text.as_deref() == Some("of a")),
        "{:?}",
        lot.marks
    );
    assert_eq!(notes(folder.path()), 1);
    house.close().unwrap();
}
