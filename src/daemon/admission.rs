//! Which probes and kettles are taken in: a broker with a wild topic, or a probe
//! that changes its kettle's name with every reading, must not fill the memory.
//!
//! Invariant: what is refused is said once, not once a reading.

use std::collections::BTreeSet;

use crate::engine::event::{Mark, Name, Reading};

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
        if !self.has_room("probe", probe, |it| &it.probes)
            || !self.has_room("kettle", kettle, |it| &it.kettles)
        {
            return false;
        }
        if self.probes.insert(probe.clone()) {
            tracing::info!("first reading of probe {probe}");
        }
        self.kettles.insert(kettle.clone());
        true
    }

    /// Whether a mark that came in a source's stream is taken in.
    pub fn admits_mark(&mut self, mark: &Mark) -> bool {
        let has_room = self.has_room("kettle", &mark.kettle, |it| &it.kettles);
        if has_room {
            self.kettles.insert(mark.kettle.clone());
        }
        has_room
    }

    fn has_room(&mut self, what: &str, name: &Name, of: impl Fn(&Self) -> &BTreeSet<Name>) -> bool {
        let known = of(self);
        let has_room = known.contains(name) || known.len() < self.most;
        if !has_room && !self.told {
            self.told = true;
            tracing::warn!(
                "{what} {name} is one too many: what comes of it is not taken in, nor is what comes of others beyond {}; raise [limits] probes",
                self.most
            );
        }
        has_room
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::MarkKind;

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
        // Nor does a stream of marks bring in more kettles.
        let mut marked = |kettle| {
            admission.admits_mark(&Mark { kettle: Name::from(kettle), kind: MarkKind::Cut, by: None })
        };
        assert_eq!((marked("big"), marked("a"), marked("c")), (true, true, false));
    }
}
