//! The real page before an invented kettle, on a loopback port, for tests.

use std::net::SocketAddr;
use std::sync::Arc;

use curdtrace::engine::alarm::{AlarmKind, AlarmState, Priority};
use curdtrace::engine::event::Name;
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::engine::view::{AlarmView, KettleView, View};
use curdtrace::web::seam::{Asked, Seam, Snapshot, Wish};
use curdtrace::web::{Room, Settings, serve};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// A page that runs until dropped.
pub struct PageRoom {
    pub at: SocketAddr,
    pub room: Arc<Room>,
    pub show: watch::Sender<Arc<Snapshot>>,
    pub wishes: mpsc::UnboundedReceiver<Wish>,
    stop: CancellationToken,
    pub data: tempfile::TempDir,
}

impl Drop for PageRoom {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

impl PageRoom {
    /// Opens a page on a free loopback port.
    pub async fn open(change: impl FnOnce(&mut Settings)) -> Self {
        let data = tempfile::tempdir().unwrap();
        let (show, snapshot) = watch::channel(Arc::new(snapshot()));
        let (desk, mut asked) = mpsc::channel::<Asked>(16);
        let (heard, wishes) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            while let Some(a) = asked.recv().await {
                let _ = heard.send(a.wish);
                let _ = a.answer.send(Ok(()));
            }
        });
        let mut settings = Settings::in_data(data.path());
        // A slow hash on a slow machine would end in the limit for an answer.
        settings.pin_rounds = 100;
        change(&mut settings);
        let seam = Seam {
            snapshot,
            desk,
            in_hand: Arc::default(),
            data: data.path().to_owned(),
            calibration_of: |_, _| None,
        };
        let room = Room::new(seam, settings, "run-1".into());
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        tokio::spawn(serve(listener, Arc::clone(&room), stop.clone()));
        Self { at, room, show, wishes, stop, data }
    }

    /// One request written as it stands, and the whole answer (the connection
    /// is asked to close).
    pub async fn raw(&self, request: &str) -> String {
        let mut stream = TcpStream::connect(self.at).await.unwrap();
        let _ = stream.write_all(request.as_bytes()).await;
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// A request with a body, and `(status, answer)`.
    pub async fn ask(&self, method: &str, path: &str, headers: &str, body: &str) -> (u16, String) {
        let host = self.at;
        let length = body.len();
        let kind = if body.is_empty() { "" } else { "content-type: application/json\r\n" };
        let request = format!(
            "{method} {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n{headers}{kind}content-length: {length}\r\n\r\n{body}"
        );
        let answer = self.raw(&request).await;
        (status(&answer), answer)
    }
}

/// The status of an answer; 0 where there is none.
pub fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}

/// One invented kettle in its cook, with an alarm nobody took.
pub fn snapshot() -> Snapshot {
    let kettle = KettleView {
        kettle: Name::from("copper"),
        probe: Name::from("copper"),
        celsius: Some(40.1),
        age_s: Some(0.4),
        old_after_s: 10.0,
        rate_celsius_per_min: Some(0.7),
        roughness_celsius: Some(0.1),
        health: Health::Good,
        reason: String::new(),
        stage: Stage::Cooking,
        stage_began: Some(1_784_011_290_000_000_000),
        stage_confidence: 0.97,
        stage_basis: Basis::Trace,
        plan: None,
        target_celsius: Some(41.0),
        planned_minutes: Some(30.0),
        forecast: None,
        heat_off_called_at: Some(1_784_011_890_000_000_000),
        curd_check_at: None,
        alarms: vec![AlarmView {
            alarm: AlarmKind::HeatOff,
            state: AlarmState::Unacknowledged,
            stands: true,
            priority: Priority::High,
            sounds: true,
            since: Some(1_784_011_890_000_000_000),
            since_s: 0.0,
            shelved_until: None,
            text: "Take the kettle off now".into(),
            said: Vec::new(),
        }],
        stages: vec![(Stage::Cooking, Some(1_784_011_290_000_000_000))],
    };
    Snapshot {
        view: View { kettles: vec![kettle], house: Vec::new() },
        wall_ns: Some(1_784_011_900_000_000_000),
        clock_sure: true,
        ..Snapshot::nothing_yet()
    }
}
