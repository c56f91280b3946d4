//! Who may ask, and what every answer says to the browser.
//!
//! Duty: one middleware before all routes. It refuses a foreign `Host` (so that
//! no page of the internet can reach the dairy by a name that it points here),
//! a foreign `Origin` on commands, bodies that are too long before they are
//! read, and whoever may not read or command; it bounds the time of an answer
//! and sets the security headers.
//!
//! Terms: *local* is this machine itself, where no proxy on it speaks for others; a *known device* has typed the PIN.
//!
//! Deliberately absent: user accounts. A dairy has two or three people and one
//! door; who made a mark is said by name, not proved.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONNECTION, CONTENT_LENGTH, CONTENT_SECURITY_POLICY, COOKIE, HOST, ORIGIN,
    REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

use super::Room;
use super::api::Problem;
use super::limits::Peer;
use crate::config::shown::May;

/// The cookie that a known device carries.
pub const COOKIE_NAME: &str = "curdtrace-device";

/// The one route whose answer goes on for as long as somebody listens.
const LIVE: &str = "/api/v1/live";

/// Only what the page itself needs; nothing from anywhere else.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
    connect-src 'self'; frame-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'";

/// The middleware.
pub async fn guard(State(room): State<Arc<Room>>, request: Request, next: Next) -> Response {
    let timed = request.uri().path() != LIVE;
    let answer = match refuse(&room, &request) {
        Some(problem) => {
            let mut answer = problem.into_response();
            if request.headers().get(CONTENT_LENGTH).is_some_and(|l| l != "0") {
                // The body was not read; the connection cannot be used again.
                answer.headers_mut().insert(CONNECTION, HeaderValue::from_static("close"));
            }
            answer
        }
        None if timed => bounded(next.run(request), room.settings.limits.request).await,
        None => next.run(request).await,
    };
    dressed(answer)
}

async fn bounded(answer: impl Future<Output = Response>, within: Duration) -> Response {
    tokio::time::timeout(within, answer).await.unwrap_or_else(|_| {
        Problem::new(StatusCode::REQUEST_TIMEOUT, "the request was not complete in time").into_response()
    })
}

fn refuse(room: &Room, request: &Request) -> Option<Problem> {
    let headers = request.headers();
    if !host_fits(headers, &room.settings.hosts) {
        return Some(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "this name is not one of the dairy's; use its address, or add the name under web.hosts",
        ));
    }
    let command = !matches!(*request.method(), Method::GET | Method::HEAD);
    if command && !origin_fits(headers) {
        return Some(Problem::new(StatusCode::FORBIDDEN, "commands are taken from this page only"));
    }
    let length = headers.get(CONTENT_LENGTH).and_then(|l| l.to_str().ok()?.parse::<u64>().ok());
    if length.is_some_and(|l| l > room.settings.limits.body_bytes as u64) {
        return Some(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "the body is longer than 64 KiB"));
    }
    let path = request.uri().path();
    // The page's own files hold no secret, and it must load to ask for the PIN.
    let open = !path.starts_with("/api/") && path != "/metrics";
    let asking = matches!(path, "/api/v1/access" | "/api/v1/pin" | "/api/v1/openapi.json");
    if open || asking {
        return None;
    }
    let may = if command { room.settings.access.command } else { room.settings.access.read };
    (!allowed(room, may, request)).then(|| {
        let text =
            if may == May::Local { "only this machine itself may do that" } else { "the PIN is needed" };
        Problem::new(if may == May::Local { StatusCode::FORBIDDEN } else { StatusCode::UNAUTHORIZED }, text)
    })
}

/// Whether the request's sender may.
pub fn allowed(room: &Room, may: May, request: &Request) -> bool {
    match may {
        May::Anyone => true,
        May::Local => is_local(room, request),
        May::Pin => is_local(room, request) || known(room, request.headers()),
    }
}

/// Whether the request comes from this machine itself. Behind a proxy on this
/// machine nobody can tell.
pub fn is_local(room: &Room, request: &Request) -> bool {
    !room.settings.proxied && request.extensions().get::<Peer>().is_some_and(|p| p.local)
}

/// Whether the request comes from a known device.
pub fn known(room: &Room, headers: &HeaderMap) -> bool {
    token(headers).is_some_and(|t| room.pin.knows(t))
}

fn token(headers: &HeaderMap) -> Option<&str> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(name, value)| (name == COOKIE_NAME).then_some(value))
}

/// An address, `localhost`, or a name of the dairy's. An address cannot be
/// pointed here by a stranger's name server, so every address fits.
fn host_fits(headers: &HeaderMap, names: &[String]) -> bool {
    let mut hosts = headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else { return false };
    let Some(host) = host.to_str().ok().and_then(bare_host) else { return false };
    host == "localhost"
        || host.parse::<std::net::IpAddr>().is_ok()
        || names.iter().any(|n| n.eq_ignore_ascii_case(&host))
}

/// A host without its port and brackets, in lower case.
fn bare_host(host: &str) -> Option<String> {
    let authority: axum::http::uri::Authority = host.parse().ok()?;
    if authority.as_str().contains('@') {
        return None;
    }
    Some(authority.host().trim_start_matches('[').trim_end_matches(']').to_ascii_lowercase())
}

/// No `Origin` (no browser sent it), or exactly ours.
fn origin_fits(headers: &HeaderMap) -> bool {
    let Some(origin) = headers.get(ORIGIN) else { return true };
    let ours = headers.get(HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
    let Ok(origin) = origin.to_str() else { return false };
    let Ok(origin) = origin.parse::<Uri>() else { return false };
    origin.authority().is_some_and(|a| a.as_str().eq_ignore_ascii_case(ours))
}

fn dressed(mut answer: Response) -> Response {
    const HEADERS: [(HeaderName, &str); 5] = [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (CACHE_CONTROL, "no-store"),
    ];
    let headers = answer.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(HeaderName, &str)]) -> HeaderMap {
        pairs.iter().map(|(n, v)| (n.clone(), v.parse().unwrap())).collect()
    }

    #[test]
    fn only_addresses_localhost_and_the_dairys_names_are_hosts() {
        let names = ["hut.lan".to_owned()];
        for (host, fits) in [
            ("127.0.0.1:8080", true),
            ("[::1]:8080", true),
            ("192.168.4.1", true),
            ("localhost:8080", true),
            ("HUT.lan:80", true),
            ("evil.example", false),
            ("hut.lan.evil.example", false),
            ("user@127.0.0.1", false),
            ("", false),
        ] {
            assert_eq!(host_fits(&headers(&[(HOST, host)]), &names), fits, "{host}");
        }
        assert!(!host_fits(&HeaderMap::new(), &names));
    }

    #[test]
    fn a_command_comes_from_our_own_page_or_from_no_browser() {
        for (origin, fits) in [
            ("http://127.0.0.1:8080", true),
            ("http://127.0.0.1:9090", false),
            ("http://evil.example", false),
            ("null", false),
        ] {
            let h = headers(&[(HOST, "127.0.0.1:8080"), (ORIGIN, origin)]);
            assert_eq!(origin_fits(&h), fits, "{origin}");
        }
        assert!(origin_fits(&headers(&[(HOST, "127.0.0.1:8080")])));
    }

    #[test]
    fn the_device_cookie_is_found_among_others() {
        let h = headers(&[(COOKIE, "a=b; curdtrace-device=00ff; c=d")]);
        assert_eq!(token(&h), Some("00ff"));
        assert_eq!(token(&headers(&[(COOKIE, "xcurdtrace-device=1")])), None);
    }
}
