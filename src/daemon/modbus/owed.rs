//! Which units still owe an answer on an RTU line. Pure: time is an argument,
//! monotonic nanoseconds.
//!
//! An RTU answer bears no number of its question, only unit, function and
//! length: one that comes late is to be told from the next question's by nothing
//! but that the unit was asked no other meanwhile.
//!
//! Invariant: a unit has one question open at a time. It may be asked again when
//! that one is answered, or when no answer to it can come any more.

use std::collections::BTreeMap;

use crate::wire::modbus::{ModbusError, Request};

/// A transmitter that has not answered after so many seconds answers no more.
/// Most answer within one; what stands behind a radio link or a gateway may take
/// a few.
const ANSWERS_WITHIN_S: f64 = 5.0;

/// Or after so many times what it is allowed, where that is longer.
const PATIENCE: f64 = 3.0;

/// For so long after its question an answer may come, seconds.
pub(super) fn patience_s(answer_within_s: f64) -> f64 {
    ANSWERS_WITHIN_S.max(answer_within_s * PATIENCE)
}

/// The questions of one line that are open.
#[derive(Debug)]
pub(super) struct Owed {
    patience_ns: u64,
    /// By unit: what it was asked, and until when the answer may come.
    open: BTreeMap<u8, (Request, u64)>,
}

impl Owed {
    /// Nobody owes anything on a line whose answers are allowed so long, seconds.
    pub(super) fn nothing(answer_within_s: f64) -> Self {
        Self { patience_ns: (patience_s(answer_within_s) * 1e9) as u64, open: BTreeMap::new() }
    }

    /// Whether this unit may be asked.
    pub(super) fn may_be_asked(&mut self, unit: u8, now_ns: u64) -> bool {
        self.open.retain(|_, (_, until_ns)| now_ns < *until_ns);
        !self.open.contains_key(&unit)
    }

    /// A question goes out.
    pub(super) fn asked(&mut self, request: Request, now_ns: u64) {
        self.open.insert(request.unit, (request, now_ns.saturating_add(self.patience_ns)));
    }

    /// What this unit was asked is answered, or came hurt.
    pub(super) fn answered(&mut self, unit: u8) {
        self.open.remove(&unit);
    }

    /// A whole frame came; whether it is an answer that was owed, which is then owed
    /// no more.
    pub(super) fn pays(&mut self, frame: &[u8]) -> bool {
        let Some(unit) = frame.first() else { return false };
        let owed = self.open.get(unit).is_some_and(|(request, _)| {
            matches!(request.rtu_reply(frame), Ok(Some(_)) | Err(ModbusError::Exception { .. }))
        });
        if owed {
            self.answered(*unit);
        }
        owed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::modbus::{CRC, Table};

    fn request(unit: u8, address: u16) -> Request {
        Request { unit, table: Table::Input, address, count: 1 }
    }

    fn answer(unit: u8, function: u8, data: &[u8]) -> Vec<u8> {
        let mut frame = vec![unit, function];
        frame.extend(data);
        frame.extend(CRC.checksum(&frame).to_le_bytes());
        frame
    }

    #[test]
    fn a_unit_is_asked_when_its_answer_came_or_cannot_come_any_more() {
        let s = |n: u64| n * 1_000_000_000;
        let mut owed = Owed::nothing(0.5);
        owed.asked(request(1, 0), s(10));
        assert!(!owed.may_be_asked(1, s(10)) && !owed.may_be_asked(1, s(15) - 1));
        assert!(owed.may_be_asked(2, s(10)), "another unit's answers are not taken for it");
        for (frame, is_owed) in [
            (answer(2, 4, &[2, 1, 0]), false),
            (answer(1, 3, &[2, 1, 0]), false),
            (answer(1, 4, &[4, 1, 0, 1, 0]), false),
            (answer(1, 4, &[2, 1, 0]), true),
        ] {
            assert_eq!(owed.pays(&frame), is_owed, "{frame:02X?}");
            assert_eq!(owed.may_be_asked(1, s(11)), is_owed, "{frame:02X?}");
        }
        owed.asked(request(1, 0), s(20));
        assert!(owed.pays(&answer(1, 0x84, &[6])), "a refusal is an answer");
        owed.asked(request(1, 0), s(20));
        assert!(owed.may_be_asked(1, s(25)));
        assert!((patience_s(4.0) - 12.0).abs() < 1e-9);
    }
}
