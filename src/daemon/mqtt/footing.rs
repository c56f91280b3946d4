//! Whether readings are asked for with or without acknowledgement. Pure: time
//! is an argument.
//!
//! A broker sends only so many messages that are not acknowledged (mosquitto:
//! 20) and then waits. What cannot be synced is not acknowledged; so where the
//! record stands still, a source that asks for acknowledged messages falls
//! silent, and no alarm can be raised any more. Then, and only then, readings
//! are asked for without: heard at once, kept in memory and on disk as soon as
//! it takes them, and lost where the daemon ends before.
//!
//! Terms: *standing firm* is asking for acknowledged messages, *afloat*
//! without. A *straggler* is an acknowledged message that comes while afloat:
//! it waited at the broker since before.

use tokio::time::{Duration, Instant};

/// A reading that is not synced so long after its group was due shows a record
/// that stands still.
const PATIENCE: Duration = Duration::from_secs(2);

/// So long the record must have gone on, without a straggler, before messages
/// are acknowledged again.
const CALM: Duration = Duration::from_secs(2);

/// What the record looks like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Record {
    /// It is known to take nothing.
    pub(super) trouble: bool,
    /// Since when the oldest reading waits to be synced.
    pub(super) waits_since: Option<Instant>,
}

/// How readings are asked for.
#[derive(Debug)]
pub(super) struct Footing {
    patience: Duration,
    afloat: bool,
    /// When the broker took it that we are afloat, monotonic nanoseconds: the wall
    /// clock may be set meanwhile.
    granted: Option<u64>,
    /// When there was trouble or a straggler last.
    rough: Option<Instant>,
}

impl Footing {
    /// Firm; the record syncs a group after so long.
    pub(super) fn firm(group: Duration) -> Self {
        Self { patience: group + PATIENCE, afloat: false, granted: None, rough: None }
    }

    /// Whether messages are asked for without acknowledgement.
    pub(super) fn is_afloat(&self) -> bool {
        self.afloat
    }

    /// Whether to change over, by how the record does.
    pub(super) fn wants_change(&mut self, record: Record, now: Instant) -> bool {
        let stands = record.trouble
            || record.waits_since.is_some_and(|since| now.duration_since(since) >= self.patience);
        if !self.afloat {
            return stands;
        }
        if stands || record.waits_since.is_some() {
            self.rough = Some(now);
        }
        self.rough.is_none_or(|rough| now.duration_since(rough) >= CALM)
    }

    /// The change was asked for.
    pub(super) fn changed(&mut self, now: Instant) {
        *self = Self { afloat: !self.afloat, granted: None, rough: Some(now), ..*self };
    }

    /// The broker answered a subscription.
    pub(super) fn granted(&mut self, mono_ns: u64) {
        if self.afloat {
            self.granted.get_or_insert(mono_ns);
        }
    }

    /// An acknowledged message came: the moment before which it was published,
    /// monotonic nanoseconds, where it is a straggler.
    pub(super) fn straggler(&mut self, now: Instant) -> Option<u64> {
        let before = self.granted?;
        self.rough = Some(now);
        Some(before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn it_goes_afloat_when_the_record_stands_and_back_when_it_is_calm() {
        let began = Instant::now();
        let at = |s: f64| began + Duration::from_secs_f64(s);
        let well = Record { trouble: false, waits_since: None };
        let waits = |s| Record { waits_since: Some(at(s)), ..well };
        let mut footing = Footing::firm(Duration::from_secs(1));
        let change = |footing: &mut Footing, record, s| {
            let wanted = footing.wants_change(record, at(s));
            if wanted {
                footing.changed(at(s));
            }
            wanted
        };
        assert!(!change(&mut footing, well, 0.0));
        assert!(!change(&mut footing, waits(0.5), 3.0), "a group on its way");
        assert!(change(&mut footing, waits(0.5), 3.5), "it stands still");
        assert_eq!(footing.straggler(at(3.6)), None, "sent before the broker knew");
        footing.granted(77);
        footing.granted(88);
        assert!(!change(&mut footing, waits(0.5), 60.0));
        assert!(!change(&mut footing, well, 61.0), "not calm for long enough");
        assert_eq!(footing.straggler(at(61.5)), Some(77), "it waited at the broker");
        assert!(!change(&mut footing, well, 63.0));
        assert!(change(&mut footing, well, 63.6));
        assert_eq!(footing.straggler(at(64.0)), None);
        assert!(change(&mut footing, Record { trouble: true, ..well }, 65.0), "a full disk says so at once");
        assert!(footing.is_afloat());
    }

    #[test]
    fn groups_that_are_meant_to_take_long_are_waited_for() {
        let now = Instant::now();
        let record = Record { trouble: false, waits_since: Some(now) };
        let mut footing = Footing::firm(Duration::from_secs(10));
        assert!(!footing.wants_change(record, now + Duration::from_secs(11)));
        assert!(footing.wants_change(record, now + Duration::from_secs(12)));
    }
}
