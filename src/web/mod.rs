//! The page: what a maker with wet hands sees at three metres.
//!
//! | file | duty |
//! | --- | --- |
//! | [`seam`] | what the daemon gives and takes |
//! | [`say`] | the one plain sentence |
//! | [`state`] | what is known, as the browser draws it |
//! | [`live`] | the same, pushed as it changes |
//! | [`marks`] | marks that may still be taken back |
//! | [`curve`] | the recent trace, for the drawing |
//! | [`api`] | `/api/v1`, one file a subject |
//! | [`metrics`] | `/metrics` and `/health` |
//! | [`guard`] | who may ask; security headers |
//! | [`pin`] | the PIN |
//! | [`limits`] | how much one client may hold |
//! | [`assets`] | the page's files, out of the binary |
//!
//! Invariants: it sees a view and a command sender, never the engine; nothing
//! is fetched from outside; a page that stalls costs the others nothing.

pub mod api;
pub mod assets;
pub mod curve;
pub mod guard;
pub mod limits;
pub mod live;
pub mod marks;
pub mod metrics;
pub mod pin;
pub mod say;
pub mod seam;
pub mod state;

use std::path::PathBuf;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use crate::config::shown::Access;
use crate::engine::event::Name;
use limits::{Doors, Limits};
use live::Hub;
use marks::HeldMarks;
use pin::PinDesk;
use seam::Seam;

/// How the page is configured.
#[derive(Debug, Clone)]
pub struct Settings {
    /// What one client may hold.
    pub limits: Limits,
    /// Who may read and command.
    pub access: Access,
    /// A reverse proxy on this machine passes on what others ask.
    pub proxied: bool,
    /// Names by which the page may be called, beside addresses and `localhost`.
    pub hosts: Vec<String>,
    /// The dairy's language (`en`, `it`, `de`, `fr`), where the browser's is
    /// not one of these.
    pub language: String,
    /// The folder of plans that the page lists and edits.
    pub plans: PathBuf,
    /// The plan files that kettles are configured with, by the kettle's name: the daemon
    /// does not start without them.
    pub configured_plans: Vec<(Name, PathBuf)>,
    /// The folder of the PIN's hash and the known devices.
    pub secrets: PathBuf,
    /// How slow a new PIN's hash is; fewer than [`pin::ROUNDS`] only where no
    /// secret is at stake.
    pub pin_rounds: u32,
}

impl Settings {
    /// Defaults, with everything stored below `data`.
    pub fn in_data(data: &std::path::Path) -> Self {
        Self {
            limits: Limits::default(),
            access: Access::default(),
            proxied: false,
            hosts: Vec::new(),
            language: "en".into(),
            plans: data.join("plans"),
            configured_plans: Vec::new(),
            secrets: data.join("page"),
            pin_rounds: pin::ROUNDS,
        }
    }
}

/// All that the routes share.
#[derive(Debug)]
pub struct Room {
    /// What the daemon gives and takes.
    pub seam: Seam,
    /// How the page is configured.
    pub settings: Settings,
    /// This run of the daemon; a page that sees another knows of the restart.
    pub run: String,
    /// Marks that may still be taken back.
    pub held: Arc<HeldMarks>,
    /// Who listens.
    pub hub: Arc<Hub>,
    /// The PIN.
    pub pin: PinDesk,
    /// Connections.
    pub doors: Arc<Doors>,
    /// The recent trace of every kettle.
    pub curves: curve::Curves,
}

impl Room {
    /// A room for one run of the daemon; `run` names it and must differ from
    /// run to run.
    pub fn new(seam: Seam, settings: Settings, run: String) -> Arc<Self> {
        Arc::new(Self {
            held: Arc::new(HeldMarks::new(seam.desk.clone(), seam.in_hand.clone())),
            hub: Arc::default(),
            pin: PinDesk::open(&settings.secrets, settings.pin_rounds),
            doors: Arc::default(),
            curves: curve::Curves::default(),
            seam,
            settings,
            run,
        })
    }

    /// Every route behind the guard.
    pub fn router(self: &Arc<Self>) -> Router {
        api::routes()
            .merge(assets::routes())
            .merge(metrics::routes())
            .fallback(api::nothing_here)
            .method_not_allowed_fallback(api::wrong_method)
            .layer(DefaultBodyLimit::max(self.settings.limits.body_bytes))
            .layer(from_fn_with_state(Arc::clone(self), guard::guard))
            .with_state(Arc::clone(self))
    }
}

/// Serves the page on `listener` until `shutdown`.
///
/// # Panics
/// With what keeps the pages and the curve fresh: a page that stands still tells lies.
pub async fn serve(listener: TcpListener, room: Arc<Room>, shutdown: CancellationToken) {
    let pump = live::pump(Arc::clone(&room), shutdown.clone());
    let gather = curve::gather(Arc::clone(&room), shutdown.clone());
    let doors = Arc::clone(&room.doors);
    let doors_open = limits::serve(listener, room.router(), room.settings.limits, doors, shutdown);
    tokio::join!(doors_open, pump, gather);
}
