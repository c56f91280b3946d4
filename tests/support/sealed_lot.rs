//! A lot on the twin of the disk: before it is closed, closed, and signed.

#![allow(clippy::unwrap_used)] // a test may end here

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use curdtrace::journal::storage::Storage;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::signature::Signer;
use curdtrace::lot::store::Store;

use crate::made_day::{Day, MORNING_NS, PLAN, dairy};
use crate::storage_twin::Twin;

pub type Files = BTreeMap<PathBuf, Vec<u8>>;

pub const LOT: &str = "2026-07-14-big-1";

pub fn data() -> &'static Path {
    Path::new("/data")
}

pub fn ask(at: At, ask: Ask) -> Request {
    Request { at, by: Some("Ada".into()), ask }
}

/// A data folder with a lot that was opened and a make in the journal.
pub fn before_closing() -> (Files, At) {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let mut day = Day::new(storage.clone(), data());
    day.every_s = 60.0;
    let start = At(MORNING_NS);
    let (mut lots, _) = Lots::open(storage, data(), dairy()).unwrap();
    let open = Opening { kettle: "big".into(), plan: Some(PLAN.into()), ..Opening::default() };
    assert_eq!(lots.apply(&ask(start, Ask::Open(open))).unwrap().lot, LOT);
    let (_, end) = day.make("big", "big", start);
    (twin.files(), end.plus_s(1000))
}

pub fn closed() -> (Files, At) {
    let (files, at) = before_closing();
    let twin = Twin::of(&files);
    let (mut lots, _) = Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap();
    lots.apply(&ask(at, Ask::Close { lot: LOT.into() })).unwrap();
    (twin.files(), at)
}

/// Signs with what anybody could: what matters here is where it lies.
#[derive(Debug)]
pub struct Seal;

impl Signer for Seal {
    fn sign(&self, text: &[u8]) -> Result<Vec<u8>, String> {
        Ok(format!("signed: {}\n", curdtrace::lot::seal::sha256(text)).into_bytes())
    }
}

pub fn open_signing(twin: &Twin) -> (Lots, Vec<String>) {
    Lots::open_signing(Arc::new(twin.clone()), data(), dairy(), Some(Arc::new(Seal))).unwrap()
}

pub fn signed() -> (Files, At) {
    let (files, at) = before_closing();
    let twin = Twin::of(&files);
    let done = open_signing(&twin).0.apply(&ask(at, Ask::Close { lot: LOT.into() })).unwrap();
    assert!(done.text.ends_with("is closed and sealed; signed"), "{}", done.text);
    (twin.files(), at)
}

pub fn is_as_closed(files: &Files) -> bool {
    let store = Store::at(Arc::new(Twin::of(files)), data());
    let chain = store.chain().unwrap();
    store.verify(LOT, &chain).unwrap().is_empty()
}

/// A field is entered that was forgotten.
pub fn rennet_lot() -> Ask {
    Ask::Set {
        lot: LOT.into(),
        fields: vec![("rennet.lot".into(), "R-9".into())],
        reason: Some("forgotten".into()),
    }
}
