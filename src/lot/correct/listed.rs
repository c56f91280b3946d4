//! Fields of what a lot has several of: `wheel.1.kg`, `milking.NAME.litres`,
//! `ph.06:30`. Pure.
//!
//! A wheel and a milking are told by their names, a pH by when it was read, on
//! the dairy's clock as `lot show` has it. A pH that is struck stays in a list of its own,
//! since the journal may have it still.

use toml::Table;
use toml::Value;

use super::CorrectError;
use crate::lot::record::{Ph, Record};

/// What a person may correct of them: the field, and how it reads to a person.
pub const LISTED: [(&str, &str); 9] = [
    ("wheel.WHEEL.kg", "a wheel's weight, kg"),
    ("wheel.WHEEL.note", "a wheel's mould, or other words"),
    ("wheel.WHEEL", "a whole wheel: nothing strikes it"),
    ("milking.MILKING.litres", "litres of a milking, L"),
    ("milking.MILKING.celsius", "a milking's temperature, °C"),
    ("milking.MILKING.source", "a milking's animals"),
    ("milking.MILKING", "a whole milking: nothing strikes it"),
    ("ph.06:30", "the pH read at that time"),
    ("mark.NAME", "when a mark was meant; nothing strikes it"),
];

/// Where a field stands in the record's table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Place {
    /// A field of the lot's own, or of one of its groups.
    Own(String),
    /// One of several.
    Listed {
        /// Which list.
        list: &'static str,
        /// Which of them, from 0.
        nth: usize,
        /// Its field.
        key: String,
    },
    /// One of several as a whole.
    Whole {
        /// Which list.
        list: &'static str,
        /// Which of them, from 0.
        nth: usize,
    },
}

impl Place {
    /// Where a field stands that is one of several; `None` where it is none
    /// such.
    pub(super) fn of(record: &Record, field: &str) -> Option<Result<Self, CorrectError>> {
        let (list, rest) = field.split_once('.')?;
        let named = |list: &'static str, names: Vec<&str>| {
            let nth = |name: &str| names.iter().position(|n| *n == name);
            let is_known = |key: &str| {
                let known = format!("{list}.{}.{key}", list.to_uppercase());
                LISTED.iter().any(|f| f.0 == known)
            };
            match rest.rsplit_once('.').filter(|(_, key)| is_known(key)) {
                Some((name, key)) if nth(name).is_some() => {
                    Ok(Self::Listed { list, nth: nth(name).unwrap_or_default(), key: key.into() })
                }
                None if nth(rest).is_some() => Ok(Self::Whole { list, nth: nth(rest).unwrap_or_default() }),
                None if rest.contains('.') => Err(CorrectError::Field(field.into())),
                _ => Err(none_such(field, record, list, &names)),
            }
        };
        match list {
            "wheel" => Some(named("wheel", record.wheels.iter().map(|w| w.wheel.as_str()).collect())),
            "milking" => Some(named("milking", record.milkings.iter().map(|m| m.milking.as_str()).collect())),
            "ph" => {
                let at = |nth| Self::Listed { list: "ph", nth, key: "value".into() };
                Some(read_at(record, field, rest).map(at))
            }
            _ => None,
        }
    }

    /// The field without the name in it, for what it may hold: `wheel.kg`.
    pub(super) fn kind(&self) -> String {
        match self {
            Self::Own(field) => field.clone(),
            Self::Listed { list: "ph", .. } => "ph".into(),
            Self::Listed { list, key, .. } => format!("{list}.{key}"),
            Self::Whole { list, .. } => (*list).into(),
        }
    }

    /// What stands there.
    pub(super) fn value<'a>(&self, table: &'a Table) -> Option<&'a Value> {
        match self {
            Self::Own(field) => match field.split_once('.') {
                None => table.get(field),
                Some((group, name)) => table.get(group)?.as_table()?.get(name),
            },
            Self::Listed { list, nth, key } => table.get(*list)?.as_array()?.get(*nth)?.get(key),
            Self::Whole { list, nth } => table.get(*list)?.as_array()?.get(*nth),
        }
    }

    /// Puts a value there; none strikes what stands.
    pub(super) fn put(&self, table: &mut Table, value: Option<Value>) {
        let (inside, key) = match self {
            Self::Own(field) => match field.split_once('.') {
                None => (Some(table), field.as_str()),
                Some((group, name)) => {
                    let group = table.entry(group).or_insert_with(|| Value::Table(Table::new()));
                    (group.as_table_mut(), name)
                }
            },
            Self::Whole { list, nth } => return strike(table, list, *nth),
            Self::Listed { list: list @ "ph", nth, .. } if value.is_none() => {
                return strike(table, list, *nth);
            }
            Self::Listed { list, nth, key } => {
                let listed = table.get_mut(*list).and_then(Value::as_array_mut);
                (listed.and_then(|l| l.get_mut(*nth)).and_then(Value::as_table_mut), key.as_str())
            }
        };
        match (inside, value) {
            (Some(inside), Some(value)) => _ = inside.insert(key.into(), value),
            (Some(inside), None) => _ = inside.remove(key),
            (None, _) => {}
        }
    }
}

/// Takes one of several out.
fn strike(table: &mut Table, list: &str, nth: usize) {
    let listed = table.get_mut(list).and_then(Value::as_array_mut).filter(|all| nth < all.len());
    let Some(struck) = listed.map(|all| all.remove(nth)).filter(|_| list == "ph") else { return };
    let kept = table.entry("struck-ph").or_insert_with(|| Value::Array(Vec::new()));
    if let Some(kept) = kept.as_array_mut() {
        kept.push(struck);
    }
}

/// The pH that was read at a time of the dairy's clock; `06:30:10#2` is the second of those
/// of that time.
fn read_at(record: &Record, field: &str, when: &str) -> Result<usize, CorrectError> {
    let zone = record.zone();
    let counted = when.rsplit_once('#').and_then(|(when, which)| Some((when, which.parse().ok()?)));
    let (when, which) = counted.map_or((when, None::<usize>), |(when, which)| (when, Some(which)));
    let is_meant = |p: &Ph| p.at.is_meant_by(when, &zone);
    let meant: Vec<usize> = (0..record.ph.len()).filter(|nth| is_meant(&record.ph[*nth])).collect();
    let found = match which {
        Some(which) => meant.get(which.wrapping_sub(1)..).and_then(|from| from.first()),
        None => meant.first().filter(|_| meant.len() == 1),
    };
    match found {
        Some(nth) => Ok(*nth),
        None if which.is_some() || meant.is_empty() => {
            let all = 0..record.ph.len();
            Err(none_such(field, record, "ph", &told_apart(record, &all.collect::<Vec<_>>())))
        }
        None => {
            let there = told_apart(record, &meant).join(", ");
            Err(CorrectError::Several { field: field.into(), there })
        }
    }
}

/// When each of these pH was read; those of one second by their place among them, with
/// what they are.
fn told_apart(record: &Record, of: &[usize]) -> Vec<String> {
    let second = |nth: &usize| record.ph[*nth].at.clock_s(&record.zone());
    let told = |(i, nth): (usize, &usize)| {
        let clock = second(nth);
        let same = |of: &[usize]| of.iter().filter(|other| second(other) == clock).count();
        match same(of) {
            1 => clock,
            _ => format!("{clock}#{} ({})", same(&of[..=i]), record.ph[*nth].value),
        }
    };
    of.iter().enumerate().map(told).collect()
}

/// None of several is so called, or of that time.
pub fn none_such(
    field: &str,
    record: &Record,
    list: &'static str,
    there: &[impl AsRef<str>],
) -> CorrectError {
    let there: Vec<&str> = there.iter().map(AsRef::as_ref).collect();
    let there = if there.is_empty() { "none".into() } else { there.join(", ") };
    CorrectError::NoneSuch { field: field.into(), lot: record.lot.clone(), list, there }
}
