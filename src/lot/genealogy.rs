//! Where a wheel comes from and where a milking went. Pure but for reading the
//! lots.

use super::at::At;
use super::gather::MadeOnce;
use super::record::Record;
use super::store::{LotError, Store};

/// All lots with what went in and came out.
#[derive(Debug, Clone, Default)]
pub struct Family {
    lots: Vec<Record>,
}

/// Whey goes on the fire within so long of its cheese's end, and by the trace
/// at most so long before it, seconds.
const FOLLOWS_S: i64 = 6 * 3600;
const OVERLAPS_S: i64 = 1800;

/// Within so long two beginnings are one make's, seconds: hindsight moves them.
const SAME_MAKE_S: f64 = 120.0;

/// The lot of the cheese whose whey was heated in `kettle` from `began` on: the
/// nearest that ended there before, whenever its record was written.
///
/// # Errors
/// The lots cannot be listed.
pub fn mother_of(store: &Store, kettle: &str, began: At) -> Result<Option<String>, LotError> {
    let mut nearest: Option<(At, String)> = None;
    for head in store.list()?.0.into_iter().filter(|h| h.kettle == kettle) {
        let made = head.made.unwrap_or(head.opened);
        if made > began || made.plus_s(2 * 86_400) < began {
            continue;
        }
        // One that can no longer be read keeps no other from being found.
        let Ok(lot) = store.load(&head.lot) else { continue };
        // Whey of whey is none.
        if lot.stages.iter().all(|s| s.stage.starts_with("whey-")) {
            continue;
        }
        let Some(ended) = lot.stages.iter().filter_map(|s| s.ended).max() else { continue };
        let near = ended <= began.plus_s(OVERLAPS_S) && ended.plus_s(FOLLOWS_S) > began;
        if near && nearest.as_ref().is_none_or(|n| n.0 < ended) {
            nearest = Some((ended, lot.lot));
        }
    }
    Ok(nearest.map(|n| n.1))
}

/// The lot that has a make already: its stages begin when the make did.
///
/// # Errors
/// The lots cannot be listed.
pub fn lot_of(store: &Store, make: &MadeOnce, now: At) -> Result<Option<String>, LotError> {
    let is_it = |lot: &Record| {
        let mut began = lot.stages.iter().map(|s| s.began);
        lot.kettle == make.kettle && began.any(|at| at.minutes_since(make.began).abs() * 60.0 <= SAME_MAKE_S)
    };
    for head in store.list()?.0.into_iter().filter(|h| h.kettle == make.kettle) {
        // One that can no longer be read keeps no other from being found.
        let Ok(lot) = store.load(&head.lot) else { continue };
        // What an open one has of the journal is not written down yet.
        let lot = if lot.is_closed() { Some(lot) } else { store.preview(lot, now).ok().map(|drawn| drawn.0) };
        if lot.is_some_and(|lot| is_it(&lot)) {
            return Ok(Some(head.lot));
        }
    }
    Ok(None)
}

impl Family {
    /// Reads all lots.
    ///
    /// # Errors
    /// The first that cannot be read: a trace with a hole is none.
    pub fn read(store: &Store) -> Result<Self, LotError> {
        let mut lots = Vec::new();
        for id in store.ids()? {
            if store.has(&id)? {
                lots.push(store.load(&id)?);
            }
        }
        lots.sort_by_key(|r| r.opened);
        Ok(Self { lots })
    }

    /// A family of these lots.
    pub fn of(lots: Vec<Record>) -> Self {
        Self { lots }
    }

    fn lot(&self, id: &str) -> Option<&Record> {
        self.lots.iter().find(|r| r.lot == id)
    }

    /// Back to the milk, one fact a line; `None` where there is no such lot or
    /// wheel.
    pub fn origin(&self, lot: &str, wheel: Option<&str>) -> Option<Vec<String>> {
        let mut lines = Vec::new();
        let mut next = Some(self.lot(lot)?);
        if let Some(wheel) = wheel {
            let w = next?.wheels.iter().find(|w| w.wheel == wheel)?;
            lines.push(format!(
                "wheel {lot}/{}{}",
                w.wheel,
                w.kg.map(|kg| format!(", {kg} kg")).unwrap_or_default()
            ));
        }
        // A chain of mothers never has more links than there are lots.
        for _ in 0..=self.lots.len() {
            let Some(r) = next else { break };
            let day = r.day();
            let product = if r.product.is_empty() { String::new() } else { format!(", {}", r.product) };
            lines.push(format!("lot {} of {day}, kettle {}{product}", r.lot, r.kettle));
            if r.milkings.is_empty() && r.mother.is_none() {
                lines.push("  no milking was entered".into());
            }
            for m in &r.milkings {
                let litres = m.litres.map(|l| format!(", {l} L")).unwrap_or_default();
                let source = m.source.as_deref().map(|s| format!(", {s}")).unwrap_or_default();
                lines.push(format!("  milking {}{litres}{source}", m.milking));
            }
            for (what, name, number) in
                [("culture", &r.culture.name, &r.culture.lot), ("rennet", &r.rennet.name, &r.rennet.lot)]
            {
                if name.is_some() || number.is_some() {
                    let number = number.as_deref().map(|n| format!(", lot {n}")).unwrap_or_default();
                    lines.push(format!("  {what} {}{number}", name.as_deref().unwrap_or_default()));
                }
            }
            next = match &r.mother {
                Some(mother) => {
                    let known = self.lot(mother);
                    if known.is_none() {
                        lines.push(format!("lot {mother} is not here"));
                    }
                    known
                }
                None => None,
            };
        }
        Some(lines)
    }

    /// Forward from a milking, a culture or rennet (its name or the number on the
    /// packet), or a lot, one lot with its wheels a line; empty where nobody knows it.
    pub fn fate(&self, what: &str) -> Vec<String> {
        let own = |r: &Record| {
            let bought = [&r.culture.lot, &r.culture.name, &r.rennet.lot, &r.rennet.name];
            r.lot == what
                || r.milkings.iter().any(|m| m.milking == what)
                || bought.iter().any(|o| o.as_deref() == Some(what))
        };
        let mut found: Vec<&Record> = self.lots.iter().filter(|r| own(r)).collect();
        // Daughters of what is found, and theirs.
        let mut i = 0;
        while i < found.len() {
            let mother = found[i].lot.as_str();
            let daughters: Vec<&Record> = self
                .lots
                .iter()
                .filter(|r| r.mother.as_deref() == Some(mother) && !found.iter().any(|f| f.lot == r.lot))
                .collect();
            found.extend(daughters);
            i += 1;
        }
        found.iter().map(|r| Self::wheels_of(r)).collect()
    }

    fn wheels_of(r: &Record) -> String {
        let wheels: Vec<&str> = r.wheels.iter().map(|w| w.wheel.as_str()).collect();
        let wheels = match (wheels.as_slice(), r.kg()) {
            ([], _) => "no wheels entered".into(),
            (many, Some(kg)) => format!("wheels {} ({kg:.1} kg)", many.join(", ")),
            (many, None) => format!("wheels {}", many.join(", ")),
        };
        let of = r.mother.as_deref().map(|m| format!(", of the whey of {m}")).unwrap_or_default();
        format!("lot {} of {}{of}: {wheels}", r.lot, r.day())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lot::record::{Milking, Wheel};

    #[test]
    fn a_wheel_leads_back_to_its_milk_and_a_milking_forward_to_its_wheels() {
        let mut cheese = Record { lot: "c-1".into(), ..Record::default() };
        cheese.milkings.push(Milking {
            milking: "monday-evening".into(),
            litres: Some(150.0),
            ..Milking::default()
        });
        cheese.rennet.lot = Some("R-17".into());
        cheese.rennet.name = Some("calf, liquid".into());
        cheese.culture.name = Some("house whey".into());
        cheese.wheels.push(Wheel { wheel: "4".into(), kg: Some(7.5), note: None });
        let whey = Record { lot: "w-1".into(), mother: Some("c-1".into()), ..Record::default() };
        let other = Record { lot: "c-2".into(), ..Record::default() };
        let family = Family::of(vec![cheese, whey, other]);
        let origin = family.origin("c-1", Some("4")).unwrap().join("\n");
        assert!(origin.contains("7.5 kg") && origin.contains("monday-evening, 150 L"), "{origin}");
        assert!(family.origin("w-1", None).unwrap().join("\n").contains("monday-evening"));
        assert!(family.origin("c-2", None).unwrap().join("\n").contains("no milking was entered"));
        assert_eq!(family.origin("c-1", Some("9")), None);
        // What `origin` prints leads back again: only numbers did.
        for what in ["monday-evening", "R-17", "calf, liquid", "house whey", "c-1"] {
            let fate = family.fate(what).join("\n");
            assert!(fate.contains("c-1") && fate.contains("w-1") && !fate.contains("c-2"), "{fate}");
        }
        assert!(family.fate("tuesday").is_empty());
    }
}
