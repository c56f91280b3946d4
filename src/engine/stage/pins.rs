//! What a person marked bears on when a stage may begin: a pin holds the
//! beginning of a slot to a moment, with the looseness of that kind of mark.

use super::kf::ln_normal;
use crate::engine::bins::BIN_S;

/// One pin.
#[derive(Debug, Clone, Copy)]
struct Pin {
    slot: usize,
    at_s: f64,
    sd_s: f64,
}

/// The pins of a make.
#[derive(Debug, Default)]
pub(super) struct Pins {
    list: Vec<Pin>,
}

impl Pins {
    /// Holds the beginning of `slot` to `at_s`. A later pin of the same slot
    /// replaces one within ten minutes, and else stands beside it.
    pub fn add(&mut self, slot: usize, at_s: f64, sd_s: f64) {
        self.list.retain(|p| p.slot != slot || (p.at_s - at_s).abs() > 600.0);
        if self.list.len() < 64 {
            self.list.push(Pin { slot, at_s, sd_s });
        }
    }

    /// The slot was marked by mistake.
    pub fn remove(&mut self, slot: usize) {
        self.list.retain(|p| p.slot != slot);
    }

    /// The logarithm of the probability to enter `slot` in the bin that
    /// begins at `start_s`, where a pin is near enough to speak.
    pub fn ln_enter(&self, slot: usize, start_s: f64) -> Option<f64> {
        let mut said = None;
        for p in &self.list {
            let off = start_s + BIN_S / 2.0 - p.at_s;
            if p.slot == slot && off.abs() < 6.0 * p.sd_s + 120.0 {
                let ln = (ln_normal(off, p.sd_s * p.sd_s) + libm::log(BIN_S)).clamp(-14.0, -0.3);
                said = Some(ln);
            }
        }
        said
    }

    /// Whether the slot was marked within `within_s` of `at_s`.
    pub fn near(&self, slot: usize, at_s: f64, within_s: f64) -> bool {
        self.list.iter().any(|p| p.slot == slot && (p.at_s - at_s).abs() < within_s)
    }
}
