//! What is added to a lot: milkings, wheels, pH; and whose whey it may be of.
//!
//! Invariant: what stands is never written over here. A wheel or a milking that
//! is there already takes what it has none of yet; to change the rest is a
//! correction, and the refusal says so.

use toml::Value;

use super::Lots;
use crate::lot::at::At;
use crate::lot::correct::{
    AFTER_CLOSING, Author, CorrectError, check_name, check_words, fit_number, note, set,
};
use crate::lot::record::{Correction, Milking, Ph, Record, Wheel};
use crate::lot::store::LotError;

/// A pH may be read so long before or after the make, minutes.
const LIFE_MIN: f64 = 400.0 * 1440.0;

/// A clock that stands before 2020 was never set, and says nothing.
const CLOCKS_ARE_SET: At = At(1_577_836_800_000_000_000);

/// A milking went in.
pub(super) fn milking(record: &mut Record, milking: &Milking, author: &Author) -> Result<String, LotError> {
    check_name("milking", &milking.milking)?;
    let litres = fit_number("milking.litres", milking.litres)?;
    let celsius = fit_number("milking.celsius", milking.celsius)?;
    let (name, of) = (&milking.milking, format!("milking.{}", milking.milking));
    let source = milking.source.clone().map(Value::String);
    let fields =
        [("litres", litres.map(Value::Float)), ("celsius", celsius.map(Value::Float)), ("source", source)];
    if record.milkings.iter().any(|m| m.milking == *name) {
        return fill_in(record, &of, fields, author);
    }
    if let Some(source) = &milking.source {
        check_words("milking.source", source)?;
    }
    record.milkings.push(Milking { litres, celsius, ..milking.clone() });
    note_parts(record, &of, fields, author);
    added(record, author, "milking", name)
}

/// Wheels came out.
pub(super) fn wheels(record: &mut Record, wheels: &[Wheel], author: &Author) -> Result<String, LotError> {
    let (mut new, mut said) = (Vec::new(), Vec::new());
    for wheel in wheels {
        let name = &wheel.wheel;
        check_name("wheel", name)?;
        let kg = fit_number("wheel.kg", wheel.kg)?;
        let of = format!("wheel.{name}");
        let fields = [("kg", kg.map(Value::Float)), ("note", wheel.note.clone().map(Value::String))];
        if record.wheels.iter().any(|w| w.wheel == *name) {
            said.push(fill_in(record, &of, fields, author)?);
        } else {
            if let Some(note) = &wheel.note {
                check_words("wheel.note", note)?;
            }
            record.wheels.push(Wheel { kg, ..wheel.clone() });
            note_parts(record, &of, fields, author);
            new.push(name.as_str());
        }
    }
    if !new.is_empty() {
        said.insert(0, added(record, author, "wheel", &new.join(", "))?);
    }
    said.retain(|s| !s.is_empty());
    Ok(said.join(", "))
}

/// A pH was read.
pub(super) fn ph(record: &mut Record, ph: &Ph, author: &Author) -> Result<String, LotError> {
    let value = fit_number("ph", Some(ph.value))?.unwrap_or(ph.value);
    check_moment(record, "ph", ph.at, author.at)?;
    let stands = |p: &Ph| p.at.next_ms() == ph.at.next_ms() && p.value.total_cmp(&value).is_eq();
    if record.ph.iter().any(stands) {
        return Ok(String::new());
    }
    record.ph.push(Ph { value, ..ph.clone() });
    record.ph.sort_by_key(|p| p.at);
    added(record, author, "ph", &value.to_string())?;
    note_parts(record, "ph", [(&record.clock(ph.at), Some(Value::Float(value)))], author);
    Ok(format!("pH {value} at {} (UTC{})", record.clock(ph.at), ph.at.offset(&record.zone())))
}

/// That a moment typed for a lot can be one of its life, as far as clocks tell.
pub(super) fn check_moment(record: &Record, field: &str, at: At, now: At) -> Result<(), LotError> {
    let refused = |why: String| {
        let (field, value) = (field.into(), at.to_string());
        Err(LotError::Correct(CorrectError::Value { field, value, why }))
    };
    let made = record.made.unwrap_or(record.opened);
    let is_known = |clock: At| clock >= CLOCKS_ARE_SET;
    if is_known(now) && at > now.max(record.opened) {
        return refused("that moment is still to come; mend --at".into());
    }
    if is_known(made) && at.minutes_since(made).abs() > LIFE_MIN {
        let day = record.day();
        return refused(format!("lot {} is of {day}, more than 400 days from it; mend --at", record.lot));
    }
    Ok(())
}

/// Enters what is said of one that is there already, where it has none yet.
fn fill_in<const N: usize>(
    record: &mut Record,
    of: &str,
    fields: [(&str, Option<Value>); N],
    author: &Author,
) -> Result<String, LotError> {
    let mut changed = Vec::new();
    for (key, value) in fields {
        let field = format!("{of}.{key}");
        let text = value.map(|v| v.as_str().map_or_else(|| v.to_string(), str::to_owned));
        if let Some(text) = text
            && set(record, &field, &text, author)?
        {
            changed.push(field);
        }
    }
    Ok(changed.join(", "))
}

/// Notes who entered one of several, part by part; in a closed lot a correction says so.
fn note_parts<const N: usize>(
    record: &mut Record,
    of: &str,
    fields: [(&str, Option<Value>); N],
    author: &Author,
) {
    if record.is_closed() {
        return;
    }
    let is_named_only = fields.iter().all(|(_, value)| value.is_none());
    for (key, value) in fields.into_iter().filter_map(|(key, value)| Some((key, value?))) {
        note(record, author, &format!("{of}.{key}"), Some(&value));
    }
    if is_named_only {
        note(record, author, of, None);
    }
}

/// Something was added: on a closed lot that is a correction with an author.
pub(super) fn added(
    record: &mut Record,
    author: &Author,
    field: &str,
    what: &str,
) -> Result<String, LotError> {
    if record.is_closed() {
        let Some(by) = &author.by else { return Err(LotError::Author(record.lot.clone())) };
        record.corrections.push(Correction {
            field: field.into(),
            old: String::new(),
            new: what.into(),
            by: by.clone(),
            at: author.at,
            reason: author.reason.clone().unwrap_or_else(|| AFTER_CLOSING.into()),
        });
    }
    Ok(format!("{field} {what}"))
}

impl Lots {
    /// That a lot's mother, where these fields name one, is a lot and not made of
    /// this one's whey itself.
    pub(super) fn check_mother(&self, lot: &str, fields: &[(String, String)]) -> Result<(), LotError> {
        let named = fields.iter().filter(|(field, value)| field == "mother" && !value.is_empty());
        for (field, mother) in named {
            let known = self.store.ids()?.len();
            let mut next = Some(mother.clone());
            // No chain of mothers has more links than there are lots.
            for _ in 0..=known {
                let Some(one) = next else { break };
                if one == lot {
                    let why = format!("lot {lot} would be made of its own whey; name another");
                    return Err(
                        CorrectError::Value { field: field.clone(), value: mother.clone(), why }.into()
                    );
                }
                if !self.store.has(&one)? {
                    if one == *mother {
                        let place = self.store.data.join("lots");
                        return Err(LotError::NoSuchLot { lot: one, place });
                    }
                    break;
                }
                // One that can no longer be read keeps no other from being entered.
                next = self.store.load(&one).ok().and_then(|r| r.mother);
            }
        }
        Ok(())
    }
}
