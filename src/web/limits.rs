//! How much of this machine one client may hold.
//!
//! Duty: accept connections, serve each with a header timeout and a small
//! buffer, cut who stalls, and keep room for the next one.
//!
//! Terms: a *slot* is one open connection. It is *busy* from a request's head
//! until its answer's last byte, and *idle* otherwise.
//!
//! Invariants: never more than [`Limits::connections`] slots. A newcomer who
//! finds the house full takes the place of the longest idle slot, so a flood of
//! half-sent headers keeps nobody out; only where all are busy is it refused.
//! A connection that takes in nothing for [`Limits::write_stall`] is cut.
//!
//! Deliberately absent: TLS (a reverse proxy's work), HTTP/2 (one page of a few
//! files gains nothing from it), and any wall clock.

use std::collections::BTreeMap;
use std::future::Future as _;
use std::io;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::Request;
use axum::response::Response;
use http_body::{Body as HttpBody, Frame, SizeHint};
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::conn::auto::Builder;
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, Sleep};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// What one client may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Connections open at once (1 to 4,096).
    pub connections: usize,
    /// Of these, how many may follow live; the rest stays free for commands
    /// and `/health`.
    pub live: usize,
    /// A request's head must be here within this time.
    pub header: Duration,
    /// A request must be answered within this time (live ones apart).
    pub request: Duration,
    /// A client that takes in nothing for this long is cut.
    pub write_stall: Duration,
    /// Largest request body, bytes.
    pub body_bytes: usize,
    /// Largest request head, and buffer a connection, bytes (8 KiB or more).
    pub head_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 64,
            live: 56,
            header: Duration::from_secs(4),
            request: Duration::from_secs(5),
            write_stall: Duration::from_secs(10),
            body_bytes: 64 * 1024,
            head_bytes: 16 * 1024,
        }
    }
}

/// Who is at the other end, and the way to cut the connection. Rides in every
/// request's extensions.
#[derive(Debug, Clone)]
pub struct Peer {
    /// Whether the connection comes from this machine.
    pub local: bool,
    /// Its address, for the PIN's rate limit; `None` in tests without sockets.
    pub address: Option<std::net::IpAddr>,
    /// Cancelling it closes the connection at once.
    pub cut: CancellationToken,
}

/// Counts for `/metrics`.
#[derive(Debug, Default)]
pub struct Doors {
    slots: Mutex<BTreeMap<u64, Slot>>,
    order: AtomicU64,
    /// Connections accepted since the start.
    pub accepted: AtomicU64,
    /// Refused because all slots were busy.
    pub refused: AtomicU64,
    /// Idle ones closed to let another in.
    pub displaced: AtomicU64,
}

#[derive(Debug)]
struct Slot {
    cut: CancellationToken,
    /// Order number since when it is idle; `None` while busy.
    idle_since: Option<u64>,
}

impl Doors {
    fn slots(&self) -> MutexGuard<'_, BTreeMap<u64, Slot>> {
        // A panic while the map was held leaves it whole: every change is one insert or removal.
        self.slots.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Connections open now.
    pub fn open(&self) -> usize {
        self.slots().len()
    }

    /// A slot for a newcomer; `None` where all are busy.
    fn enter(&self, cap: usize) -> Option<(u64, CancellationToken)> {
        let number = self.order.fetch_add(1, Ordering::Relaxed);
        let mut slots = self.slots();
        if slots.len() >= cap {
            let oldest = slots.iter().filter_map(|(id, s)| Some((s.idle_since?, *id))).min();
            let Some((_, id)) = oldest else {
                self.refused.fetch_add(1, Ordering::Relaxed);
                return None;
            };
            if let Some(slot) = slots.remove(&id) {
                slot.cut.cancel();
                self.displaced.fetch_add(1, Ordering::Relaxed);
            }
        }
        let cut = CancellationToken::new();
        slots.insert(number, Slot { cut: cut.clone(), idle_since: Some(number) });
        self.accepted.fetch_add(1, Ordering::Relaxed);
        Some((number, cut))
    }

    fn busy(&self, id: u64, busy: bool) {
        let idle_since = (!busy).then(|| self.order.fetch_add(1, Ordering::Relaxed));
        if let Some(slot) = self.slots().get_mut(&id) {
            slot.idle_since = idle_since;
        }
    }

    fn leave(&self, id: u64) {
        self.slots().remove(&id);
    }
}

/// Serves `router` on `listener` until `shutdown`; then cuts what is open.
///
/// # Errors
/// None of its own: a failed accept is logged and retried after 100 ms, since
/// it means that descriptors are short, which passes.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    limits: Limits,
    doors: Arc<Doors>,
    shutdown: CancellationToken,
) {
    let tasks = TaskTracker::new();
    loop {
        let accepted = tokio::select! {
            () = shutdown.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, from)) => {
                let Some((id, cut)) = doors.enter(limits.connections) else { continue };
                // Who comes by IPv4 to a listener of both kinds bears an IPv6 address.
                let address = from.ip().to_canonical();
                let peer = Peer { local: address.is_loopback(), address: Some(address), cut };
                let seat = Seat { doors: Arc::clone(&doors), id };
                tasks.spawn(connection(stream, router.clone(), limits, peer, seat, shutdown.clone()));
            }
            Err(error) => {
                tracing::warn!(%error, "no new connection to the page can be taken; trying again");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
    tasks.close();
    // Every connection listens to `shutdown`; half a second is for the last bytes.
    let _ = tokio::time::timeout(Duration::from_millis(500), tasks.wait()).await;
}

/// Gives the slot back however the connection ends.
struct Seat {
    doors: Arc<Doors>,
    id: u64,
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.doors.leave(self.id);
    }
}

async fn connection(
    stream: TcpStream,
    router: Router,
    limits: Limits,
    peer: Peer,
    seat: Seat,
    shutdown: CancellationToken,
) {
    // Small answers must not wait for the next: an alarm is one segment. A phone that
    // walked out of the network is noticed by unacknowledged bytes.
    let _ = stream.set_nodelay(true);
    let _ = rustix::net::sockopt::set_tcp_user_timeout(&stream, 15_000);
    let cut = peer.cut.clone();
    let doors = Arc::clone(&seat.doors);
    let id = seat.id;
    let enter = move |mut request: Request| {
        doors.busy(id, true);
        request.extensions_mut().insert(peer.clone());
        (request, Busy { doors: Arc::clone(&doors), id })
    };
    let service = Marked { router, enter };
    let mut builder = Builder::new(TokioExecutor::new()).http1_only();
    builder
        .http1()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.header)
        .max_buf_size(limits.head_bytes)
        .max_headers(64);
    let io = TokioIo::new(Impatient::new(stream, limits.write_stall));
    let serving = builder.serve_connection(io, TowerToHyperService::new(service));
    tokio::select! {
        () = cut.cancelled() => {}
        () = shutdown.cancelled() => {}
        served = serving => {
            if let Err(error) = served {
                tracing::debug!(%error, "a connection to the page ended early");
            }
        }
    }
    drop(seat);
}

/// A slot is busy while this lives.
struct Busy {
    doors: Arc<Doors>,
    id: u64,
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.doors.busy(self.id, false);
    }
}

/// The router as a service that marks its slot busy until the answer's body is
/// gone.
#[derive(Clone)]
struct Marked<F> {
    router: Router,
    enter: F,
}

impl<F, B> tower_service::Service<axum::http::Request<B>> for Marked<F>
where
    F: FnMut(Request) -> (Request, Busy) + Clone,
    B: HttpBody<Data = Bytes> + Send + 'static,
    B::Error: Into<axum::BoxError>,
{
    type Response = Response;
    type Error = std::convert::Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Response, Self::Error>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Self::Error>> {
        Poll::Ready(Ok(())) // a router is always ready; it clones itself for each call
    }

    fn call(&mut self, request: axum::http::Request<B>) -> Self::Future {
        let (request, busy) = (self.enter)(request.map(Body::new));
        let answer = tower_service::Service::call(&mut self.router, request);
        Box::pin(async move {
            let response = answer.await?;
            Ok(response.map(|body| Body::new(Held { body, _busy: busy })))
        })
    }
}

/// A body that keeps its slot busy.
struct Held {
    body: Body,
    _busy: Busy,
}

impl HttpBody for Held {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.body).poll_frame(cx)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

/// A stream that fails once its other end has taken in nothing for a while.
struct Impatient<S> {
    stream: S,
    stall: Duration,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Impatient<S> {
    fn new(stream: S, stall: Duration) -> Self {
        Self { stream, stall, waiting: None }
    }

    /// Ready with an error once the stall has lasted too long.
    fn patience(&mut self, cx: &mut Context<'_>) -> Poll<io::Error> {
        let until = Instant::now() + self.stall;
        let sleep = self.waiting.get_or_insert_with(|| Box::pin(tokio::time::sleep_until(until)));
        ready!(sleep.as_mut().poll(cx));
        Poll::Ready(io::Error::new(io::ErrorKind::TimedOut, "the client stopped taking in what it asked for"))
    }

    fn judge<T>(&mut self, cx: &mut Context<'_>, poll: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        match poll {
            Poll::Pending => self.patience(cx).map(Err),
            done @ Poll::Ready(_) => {
                self.waiting = None;
                done
            }
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Impatient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Impatient<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.judge(cx, poll)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_flush(cx);
        self.judge(cx, poll)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
