//! Calls go on where the page's address is not to be had: taken by another, or
//! of a network that is not up yet. Once it is to be had the page is served.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::house;
use support::pty;

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use house::{House, config, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(20);

fn open(folder: &Path, listen: &str) -> House {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[web]\nlisten = \"{listen}\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        folder.join("box").display()
    );
    House::open(config(folder, &text), Clock::real())
}

fn serves(at: SocketAddr) -> bool {
    let mut answer = String::new();
    TcpStream::connect(at)
        .and_then(|mut page| {
            page.write_all(b"GET /health HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n")?;
            page.read_to_string(&mut answer)
        })
        .is_ok_and(|_| answer.starts_with("HTTP/1.1 200"))
}

/// The whole daemon ended, with every alarm, as another program had the port.
#[test]
fn a_port_that_is_taken_keeps_no_reading_from_being_kept() {
    let folder = tempfile::tempdir().unwrap();
    let other = TcpListener::bind("127.0.0.1:0").unwrap();
    let at = other.local_addr().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &at.to_string());
    pty.keeps_first(30.0);
    drop(other);
    assert!(wait_for(SOON, || serves(at)), "served once the port is free");
    pty.send_reading(2, "milk", 30.1, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2]));
    house.close().unwrap();
}

#[test]
fn an_address_of_no_network_keeps_no_reading_from_being_kept() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    // Kept for documents: no machine has it.
    let house = open(folder.path(), "192.0.2.7:8080");
    pty.keeps_first(30.0);
    house.close().unwrap();
}
