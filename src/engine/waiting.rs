//! What a person marks or asks of a kettle before its first reading: a kettle is
//! known by what its probe says. It is kept by the kettle's name, with its own
//! time, and told to the kettle when that speaks.
//!
//! Invariant: bounded; of what never speaks the oldest is forgotten.

use std::collections::VecDeque;

use super::event::{Ask, MarkKind, Name};

/// So many are kept at the most.
const MOST: usize = 256;
/// What was marked longer ago than this is of no make that is seen now, seconds.
const MARK_HOLDS_S: f64 = 3600.0;

/// One thing marked or asked.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Order {
    Mark(MarkKind),
    Ask(Ask, Option<Name>),
}

impl Order {
    /// Whether it is of its moment: how a make stands. What is ordered of alarms
    /// holds until it is ordered otherwise.
    fn is_of_a_make(&self) -> bool {
        matches!(self, Self::Mark(_) | Self::Ask(Ask::Stage(_), _))
    }
}

/// The orders that wait for their kettle, oldest first.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    orders: VecDeque<(Name, f64, Order)>,
}

impl Waiting {
    /// Keeps what was ordered at `t_s`; what only a running make or a raised alarm
    /// could be asked is nothing to keep.
    pub fn keep(&mut self, kettle: &Name, t_s: f64, order: Order) {
        if matches!(order, Order::Ask(Ask::Acknowledge(_) | Ask::EndMake | Ask::Follow(_), _)) {
            return;
        }
        if self.orders.len() == MOST {
            self.orders.pop_front();
        }
        self.orders.push_back((kettle.clone(), t_s, order));
    }

    /// What waited for that kettle, which speaks at `now_s`.
    pub fn take(&mut self, kettle: &Name, now_s: f64) -> Vec<(f64, Order)> {
        let mut taken = Vec::new();
        self.orders.retain(|(of, t_s, order)| {
            let is_its = of == kettle;
            if is_its && (!order.is_of_a_make() || now_s - t_s <= MARK_HOLDS_S) {
                taken.push((*t_s, order.clone()));
            }
            !is_its
        });
        taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::alarm::AlarmKind;

    #[test]
    fn is_kept_by_name_and_bounded() {
        let (big, small) = (Name::from("big"), Name::from("small"));
        let mut waiting = Waiting::default();
        let out = Order::Ask(Ask::OutOfService(AlarmKind::HeatOff, true), None);
        waiting.keep(&big, 0.0, out.clone());
        waiting.keep(&big, 1.0, Order::Mark(MarkKind::HeatOn));
        waiting.keep(&small, 2.0, Order::Mark(MarkKind::HeatOn));
        waiting.keep(&big, 9000.0, Order::Mark(MarkKind::Rennet));
        waiting.keep(&big, 9000.0, Order::Ask(Ask::EndMake, None));
        assert_eq!(waiting.take(&big, 9100.0), [(0.0, out), (9000.0, Order::Mark(MarkKind::Rennet))]);
        assert_eq!(waiting.take(&big, 9100.0), []);
        assert_eq!(waiting.take(&small, 3.0), [(2.0, Order::Mark(MarkKind::HeatOn))]);
        for i in 0..1000 {
            waiting.keep(&big, f64::from(i), Order::Mark(MarkKind::Cut));
        }
        assert_eq!(waiting.take(&big, 1000.0).len(), MOST);
    }
}
