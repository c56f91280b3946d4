//! What commands ask through the data folder's inbox, and their answers.
//!
//! Invariants: what was asked is answered once, when it is on disk or cannot be; what
//! was withdrawn before its turn came is not carried out.

use std::sync::atomic::Ordering;

use super::LotDesk;
use crate::daemon::input::{Fate, Incoming, Input, Receipt};
use crate::daemon::outlet::LotNews;
use crate::engine::event::{Mark, Name};
use crate::journal::storage::Storage;
use crate::lot::inbox::{Answer, Ask, Inbox, MarkAsk, Request, Waiting};
use crate::wire::name::unfit;

/// The record's thread is stopping, or its disk takes nothing.
const NOT_RECORDED: &str = "the mark was heard, but not recorded; make room on the disk, and mark it again";

impl LotDesk {
    /// Whether anything is asked in the inbox, or waits for the record or a make's end.
    pub fn is_asked(&self) -> bool {
        !self.endings.is_empty()
            || self.marks_in_hand.load(Ordering::SeqCst) > 0
            || Inbox::is_asked(&*self.storage, &self.data)
    }

    /// Takes what waits in the inbox. What has to go through the engine first
    /// is among [`LotDesk::take_inputs`] then.
    pub fn inbox(&mut self) -> Vec<LotNews> {
        let mut all_news = self.close_overdue();
        let (storage, data) = (self.storage.clone(), self.data.clone());
        let served = Inbox::of(&*storage, &data).and_then(|inbox| self.serve_all(&inbox, &mut all_news));
        if let Err(e) = served
            && !std::mem::replace(&mut self.told, true)
        {
            tracing::warn!(
                "the inbox at {} cannot be used: {e}; see that the folder may be written to",
                data.display()
            );
        }
        all_news
    }

    /// One after the other. Each is taken in hand when its turn comes and not before:
    /// those that wait meanwhile may be withdrawn.
    fn serve_all(&mut self, inbox: &Inbox, all_news: &mut Vec<LotNews>) -> std::io::Result<()> {
        for Waiting { name, request } in inbox.waiting()? {
            // A mark that was pressed before is of the lot, also while it may be taken back.
            let closes = matches!(&request, Ok(Request { ask: Ask::Close { .. }, .. }));
            let waits = closes && self.marks_in_hand.load(Ordering::SeqCst) > 0;
            if waits || !inbox.take_in_hand(&name)? {
                continue;
            }
            match request {
                Err(why) => self.answer(&name, &Answer { code: 65, text: why, lot: None }),
                Ok(Request { by, ask: Ask::Mark(ask), .. }) => {
                    let mark = self.mark(&name, by, ask);
                    self.inputs.extend(mark);
                }
                Ok(request) => all_news.extend(self.serve(request, name)),
            }
        }
        Ok(())
    }

    /// A mark on its way through the engine; answered when it is on disk.
    fn mark(&mut self, name: &str, by: Option<String>, ask: MarkAsk) -> Option<Input> {
        let kind = match ask.kind() {
            Ok(kind) => kind,
            Err(e) => {
                self.answer(name, &Answer { code: 64, text: e.to_string(), lot: None });
                return None;
            }
        };
        if let Some(why) = unfit(&ask.kettle) {
            let text = format!("kettle {:?} {why}; name one of those there are", ask.kettle);
            self.answer(name, &Answer { code: 64, text, lot: None });
            return None;
        }
        let lot = self.lots.open_lots().get(&ask.kettle).cloned();
        if let Some(meant) = ask.lot.filter(|meant| Some(meant) != lot.as_ref()) {
            // It was closed while this waited.
            let text = format!(
                "lot {meant} takes no marks of now any more; nothing was marked. Say when it was: --at 18:03"
            );
            self.answer(name, &Answer { code: 65, text, lot: None });
            return None;
        }
        let place = lot.as_ref().map_or("no lot is open there".into(), |l| format!("lot {l}"));
        let text = format!("marked {} on kettle {}, {place}", ask.name, ask.kettle);
        let (storage, data, name) = (self.storage.clone(), self.data.clone(), name.to_string());
        self.marks_in_hand.fetch_add(1, Ordering::SeqCst);
        let in_hand = self.marks_in_hand.clone();
        let receipt = Receipt::new(move |fate| {
            in_hand.fetch_sub(1, Ordering::SeqCst);
            let answer = match fate {
                Fate::Kept => Answer { code: 0, text, lot },
                Fate::Dropped => Answer { code: 74, text: NOT_RECORDED.into(), lot: None },
            };
            answered(&*storage, &data, &name, &answer);
        });
        let mark = Mark { kettle: Name::from(ask.kettle), kind, by: by.map(Name::from) };
        Some(Input { receipt: Some(receipt), ..Input::of(Incoming::Mark(mark)) })
    }

    pub(super) fn answer(&self, name: &str, answer: &Answer) {
        answered(&*self.storage, &self.data, name, answer);
    }
}

fn answered(storage: &dyn Storage, data: &std::path::Path, name: &str, answer: &Answer) {
    if let Err(e) = Inbox::of(storage, data).and_then(|i| i.answer(name, answer)) {
        tracing::warn!("a command gets no answer ({e}): {}", answer.text);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)] // a test may end here
mod tests {
    use std::collections::BTreeMap;
    use std::sync::Arc;

    use super::*;
    use crate::config::dairy::Config;
    use crate::journal::storage::Disk;

    fn desk(data: &std::path::Path) -> LotDesk {
        let config = Config { data: data.into(), ..Config::default() };
        LotDesk::open(Arc::new(Disk), &config, BTreeMap::new()).unwrap()
    }

    /// A mark that found no room was answered never, and its command waited until
    /// it gave up.
    #[test]
    fn a_mark_is_answered_whether_it_was_recorded_or_not() {
        let dir = tempfile::tempdir().unwrap();
        let mut desk = desk(dir.path());
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let cut = MarkAsk { kettle: "big".into(), name: "cut".into(), ..MarkAsk::default() };
        for (who, kept, code) in [(1, true, 0), (2, false, 74)] {
            let at = "2025-07-14T06:30:00Z".parse().unwrap();
            let name = inbox.ask(&Request { at, by: None, ask: Ask::Mark(cut.clone()) }, who).unwrap();
            desk.inbox();
            let receipt = desk.take_inputs().pop().unwrap().receipt.unwrap();
            assert_eq!(inbox.take_answer(&name).unwrap(), None, "on its way");
            if kept {
                receipt.kept();
            } else {
                drop(receipt);
            }
            assert_eq!(inbox.take_answer(&name).unwrap().unwrap().code, code);
        }
    }

    /// Asked while its lot was being closed, it stood in the kettle's next lot.
    #[test]
    fn a_mark_meant_for_a_lot_is_marked_in_no_other() {
        let dir = tempfile::tempdir().unwrap();
        let mut desk = desk(dir.path());
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let lot = Some("2025-07-14-1".into());
        let cut = MarkAsk { kettle: "big".into(), name: "cut".into(), lot, ..MarkAsk::default() };
        let at = "2025-07-14T06:30:00Z".parse().unwrap();
        let name = inbox.ask(&Request { at, by: None, ask: Ask::Mark(cut) }, 1).unwrap();
        desk.inbox();
        assert!(desk.take_inputs().is_empty());
        let answer = inbox.take_answer(&name).unwrap().unwrap();
        assert!(answer.code == 65 && answer.text.contains("nothing was marked"), "{answer:?}");
    }
}
