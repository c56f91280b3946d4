//! Which probes and kettles are taken in: a broker with a wild topic, or a probe
//! that changes its kettle's name with every reading, must not fill the memory.
//!
//! Invariant: what is refused is said once, not once a reading.

use std::collections::BTreeSet;

use crate::engine::event::{Name, Reading};

/// Who was taken in.
#[derive(Debug)]
pub struct Admission {
    most: usize,
    probes: BTreeSet<Name>,
    kettles: BTreeSet<Name>,
    told: bool,
}

impl Admission {
    /// At most so many probes, and as many kettles; these are there already.
    pub fn of(most: usize, probes: BTreeSet<Name>, kettles: BTreeSet<Name>) -> Self {
        Self { most, probes, kettles, told: false }
    }

    /// Whether a reading is taken in.
    pub fn admits(&mut self, reading: &Reading) -> bool {
        let (probe, kettle) = (&reading.probe, reading.kettle.as_ref().unwrap_or(&reading.probe));
        for (what, name, known) in [("probe", probe, &self.probes), ("kettle", kettle, &self.kettles)] {
            if !known.contains(name) && known.len() >= self.most {
                if !self.told {
                    self.told = true;
                    tracing::warn!(
                        "{what} {name} is one too many: its readings are not taken in, nor are those of others beyond {}; raise [limits] probes",
                        self.most
                    );
                }
                return false;
            }
        }
        if self.probes.insert(probe.clone()) {
            tracing::info!("first reading of probe {probe}");
        }
        self.kettles.insert(kettle.clone());
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probes_and_kettles_are_bounded() {
        let mut admission =
            Admission::of(2, BTreeSet::from([Name::from("a")]), BTreeSet::from([Name::from("a")]));
        let mut check = |probe: &str, kettle: Option<&str>, expected| {
            let reading = Reading { kettle: kettle.map(Name::from), ..Reading::of(probe, 34.5) };
            assert_eq!(admission.admits(&reading), expected, "{probe} {kettle:?}");
        };
        check("a", None, true);
        check("b", Some("big"), true);
        check("c", None, false);
        check("b", Some("big 2"), false);
        check("b", Some("a"), true);
        check("b", None, false);
    }
}
