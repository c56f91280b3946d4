//! A real mosquitto on a free loopback port, with its own configuration and
//! its own memory; and a small client to publish and to listen with.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

/// A mosquitto of the test's own.
pub struct Broker {
    child: Option<Child>,
    folder: PathBuf,
    pub port: u16,
}

impl Broker {
    /// Starts one; `password`, where given, is that of the user `hut`, and
    /// nobody else may connect.
    pub fn start(folder: &Path, password: Option<&str>) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut text = format!(
            "listener {port} 127.0.0.1\npersistence true\npersistence_location {}/\nautosave_on_changes true\nautosave_interval 1\nmax_queued_messages 100000\nmax_inflight_messages 20\nlog_dest none\n",
            folder.display()
        );
        if let Some(password) = password {
            let file = folder.join("passwords");
            let made = Command::new("mosquitto_passwd")
                .args(["-b", "-c", file.to_str().unwrap(), "hut", password])
                .output()
                .unwrap();
            assert!(made.status.success(), "{made:?}");
            text = format!("{text}password_file {}\n", file.display());
        } else {
            text.push_str("allow_anonymous true\n");
        }
        // Started by root, mosquitto would become a user who cannot read here.
        if rustix::process::getuid().is_root() {
            text.push_str("user root\n");
        }
        std::fs::write(folder.join("mosquitto.conf"), text).unwrap();
        let mut broker = Self { child: None, folder: folder.into(), port };
        broker.up();
        broker
    }

    /// Starts it again on the same port, with what it remembers.
    pub fn up(&mut self) {
        let program = ["/usr/sbin/mosquitto", "mosquitto"].into_iter().find(|p| Path::new(p).exists());
        let child = Command::new(program.unwrap_or("mosquitto"))
            .args(["-c", "mosquitto.conf"])
            .current_dir(&self.folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| panic!("mosquitto does not start ({e}); apt-get install mosquitto"));
        self.child = Some(child);
        let until = Instant::now() + Duration::from_secs(5);
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < until, "mosquitto does not listen");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Ends it in order: it saves what it remembers.
    pub fn down(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        let pid = rustix::process::Pid::from_child(&child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        child.wait().unwrap();
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// A client of the test.
pub struct Hand {
    client: Client,
    heard: Arc<Mutex<Vec<(String, String, bool)>>>,
    acked: Arc<Mutex<usize>>,
    ready: Arc<Mutex<bool>>,
}

impl Hand {
    /// Connects and listens to `filter`.
    pub fn new(port: u16, id: &str, password: Option<&str>, filter: &str) -> Self {
        let mut o = MqttOptions::new(id, "127.0.0.1", port);
        o.set_keep_alive(Duration::from_secs(30));
        o.set_max_packet_size(1 << 20, 8 << 20);
        if let Some(p) = password {
            o.set_credentials("hut", p);
        }
        let (client, mut connection) = Client::new(o, 50_000);
        let hand = Self { client, heard: Arc::default(), acked: Arc::default(), ready: Arc::default() };
        let (heard, acked, ready) = (hand.heard.clone(), hand.acked.clone(), hand.ready.clone());
        let (again, filter) = (hand.client.clone(), filter.to_string());
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        let _ = again.try_subscribe(&filter, QoS::AtLeastOnce);
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => *ready.lock().unwrap() = true,
                    Ok(Event::Incoming(Packet::PubAck(_))) => *acked.lock().unwrap() += 1,
                    Ok(Event::Incoming(Packet::Publish(p))) => heard.lock().unwrap().push((
                        p.topic.clone(),
                        String::from_utf8_lossy(&p.payload).into_owned(),
                        p.retain,
                    )),
                    Ok(_) => {}
                    Err(_) => std::thread::sleep(Duration::from_millis(50)),
                }
            }
        });
        let until = Instant::now() + Duration::from_secs(5);
        while !*hand.ready.lock().unwrap() {
            assert!(Instant::now() < until, "the test's own client does not connect");
            std::thread::sleep(Duration::from_millis(2));
        }
        hand
    }

    /// Publishes with QoS 1.
    pub fn publish(&self, topic: &str, payload: &str) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).unwrap();
    }

    /// Publishes what the broker is to keep for whoever comes later.
    pub fn retain(&self, topic: &str, payload: &str) {
        self.client.publish(topic, QoS::AtLeastOnce, true, payload).unwrap();
    }

    /// How many of ours the broker has taken over.
    pub fn taken_over(&self) -> usize {
        *self.acked.lock().unwrap()
    }

    /// What came under topics that begin so: topic, payload, retained.
    pub fn heard(&self, start: &str) -> Vec<(String, String, bool)> {
        self.heard.lock().unwrap().iter().filter(|h| h.0.starts_with(start)).cloned().collect()
    }
}
