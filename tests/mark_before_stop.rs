//! Promise: nothing marked is lost. A mark on the page may be taken back for some
//! seconds; a daemon that is told to stop meanwhile takes it in first.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::house;
use support::pty;

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
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

#[test]
fn a_mark_that_may_still_be_taken_back_is_taken_in_before_a_stop() {
    let folder = tempfile::tempdir().unwrap();
    let at = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[web]\nlisten = \"{at}\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        folder.path().join("box").display()
    );
    let house = House::open(config(folder.path(), &text), Clock::real());
    pty.keeps_first(30.0);
    let mut answer = String::new();
    assert!(
        wait_for(SOON, || {
            answer = mark(at, r#"{"name":"cut","by":"ada","hold_s":15}"#).unwrap_or_default();
            answer.starts_with("HTTP/1.1 202")
        }),
        "{answer}"
    );
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let marks: Vec<_> = lines.iter().filter(|l| l.starts_with("mark,") && l.contains("cut")).collect();
    assert_eq!(marks.len(), 1, "{lines:#?}");
}
