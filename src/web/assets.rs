//! The page's files, out of the binary.
//!
//! Invariants: nothing is read from disk and no path of the request reaches a
//! file system, so there is no way up; every file has an `ETag` of its content
//! and is asked for again on each load, which costs one empty answer. What only who
//! changes the page reads, comments and indentation, does not go over the line.

use std::sync::{Arc, OnceLock};

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use sha2::{Digest, Sha256};

use super::Room;
use super::api;
use super::pin::hex;
use crate::words::Words;

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const JS: &str = "text/javascript; charset=utf-8";
const SVG: &str = "image/svg+xml";
const FLUENT: &str = "text/plain; charset=utf-8";
const MANIFEST: &str = "application/manifest+json";

/// One file of the page.
#[derive(Debug, Clone)]
pub struct Asset {
    /// Its path on the server, without the leading slash.
    pub path: String,
    /// Its media type.
    pub kind: &'static str,
    /// Its content.
    pub text: String,
    etag: HeaderValue,
}

/// Every file of the page.
pub fn all() -> &'static [Asset] {
    static ALL: OnceLock<Vec<Asset>> = OnceLock::new();
    ALL.get_or_init(|| {
        let files = [
            ("", HTML, include_str!("page/index.html")),
            ("page/page.css", CSS, include_str!("page/page.css")),
            ("page/main.js", JS, include_str!("page/main.js")),
            ("page/live.js", JS, include_str!("page/live.js")),
            ("page/sheet.js", JS, include_str!("page/sheet.js")),
            ("page/sound.js", JS, include_str!("page/sound.js")),
            ("page/words.js", JS, include_str!("page/words.js")),
            ("page/dom.js", JS, include_str!("page/dom.js")),
            ("page/lots.js", JS, include_str!("page/lots.js")),
            ("page/plans.js", JS, include_str!("page/plans.js")),
            ("page/reckon.js", JS, include_str!("page/reckon.js")),
            ("page/probes.js", JS, include_str!("page/probes.js")),
            ("page/setup.js", JS, include_str!("page/setup.js")),
            ("page/mark.svg", SVG, include_str!("page/mark.svg")),
            ("page/page.webmanifest", MANIFEST, include_str!("page/page.webmanifest")),
        ];
        let plain = files.into_iter().map(|(path, kind, text)| asset(path.to_owned(), kind, text));
        let words =
            Words::all().iter().map(|w| asset(format!("words/{}.ftl", w.code()), FLUENT, w.for_the_page()));
        plain.chain(words).collect()
    })
}

fn asset(path: String, kind: &'static str, text: &'static str) -> Asset {
    let text = bare(kind, text);
    let etag = format!("\"{}\"", &hex(&Sha256::digest(&text))[..16]);
    let etag = HeaderValue::from_str(&etag).unwrap_or_else(|_| HeaderValue::from_static("\"0\""));
    Asset { path, kind, text, etag }
}

/// Script and style without the lines that are comments and without indentation.
fn bare(kind: &str, text: &str) -> String {
    let lines = text.lines();
    let is_comment = |line: &str| match kind {
        JS => line.starts_with("//"),
        _ => line.starts_with("/*") && line.ends_with("*/") && line.matches("*/").count() == 1,
    };
    match kind {
        JS | CSS => lines.map(str::trim).filter(|l| !is_comment(l)).fold(String::new(), |t, l| t + l + "\n"),
        _ => text.to_owned(),
    }
}

pub(super) fn routes() -> Router<Arc<Room>> {
    Router::new()
        .route("/", get(|headers: HeaderMap| async move { file("", &headers) }))
        .route("/page/{name}", get(page))
        .route("/words/{name}", get(words))
}

async fn page(Path(name): Path<String>, headers: HeaderMap) -> Response {
    file(&format!("page/{name}"), &headers)
}

async fn words(Path(name): Path<String>, headers: HeaderMap) -> Response {
    file(&format!("words/{name}"), &headers)
}

fn file(path: &str, headers: &HeaderMap) -> Response {
    let Some(asset) = all().iter().find(|a| a.path == path) else {
        return api::Problem::new(StatusCode::NOT_FOUND, "there is no such file").into_response();
    };
    let same = headers.get(header::IF_NONE_MATCH).is_some_and(|known| *known == asset.etag);
    let dress = [
        (header::ETAG, asset.etag.clone()),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
        (header::CONTENT_TYPE, HeaderValue::from_static(asset.kind)),
    ];
    if same {
        return (StatusCode::NOT_MODIFIED, dress).into_response();
    }
    (dress, asset.text.as_str()).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_out_of_script_and_style_changes_neither() {
        let check = |kind, text, left: &str| assert_eq!(bare(kind, text), left);
        check(JS, "// why\nif (a) {\n  b(); // c\n}\n", "if (a) {\nb(); // c\n}\n");
        check(
            CSS,
            "/* why */\n@media x {\n  a { b: c; } /* d */\n}\n",
            "@media x {\na { b: c; } /* d */\n}\n",
        );
        check(CSS, "/* a */ b {} /* c */\n", "/* a */ b {} /* c */\n");
        check(FLUENT, "# a\nb = c\n  d\n", "# a\nb = c\n  d\n");
        // Words that go over a line would lose their blanks.
        for a in all().iter().filter(|a| a.kind == JS) {
            let open = a.text.lines().find(|l| l.matches('`').count() % 2 == 1);
            assert_eq!(open, None, "{}", a.path);
        }
    }
}
