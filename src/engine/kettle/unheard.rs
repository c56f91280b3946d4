//! Time in which the program could not hear its probes, nor call anybody: it was
//! stopped, or killed.

use super::{Kettle, Said};

impl Kettle {
    /// Time passed in which nothing could be heard, nor anybody called.
    pub fn go_unheard(&mut self, t_s: f64, out: &mut Vec<Said>) {
        if t_s - self.number_s > 2.0 {
            self.filter.close_bins(t_s, &mut self.bins);
        }
        self.walk(t_s, out);
    }

    /// The program listens again: a probe that spoke until it stopped was not silent.
    pub fn listens_again(&mut self, t_s: f64) {
        if self.watch.listens_again(t_s) {
            self.listens_s = t_s;
        }
    }

    /// How long the probe has been silent while it could be heard, seconds.
    pub(super) fn silent_s(&self, t_s: f64) -> f64 {
        t_s - self.heard_s.max(self.listens_s)
    }
}
