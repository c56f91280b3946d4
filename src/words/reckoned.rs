//! Words about rennet and wash water, for the page and the command line alike.
//!
//! Duty: from a refused figure to a sentence in the reader's language that
//! names the figure as the reader knows it: by the page's label, or by the
//! command's option.
//!
//! Invariant: no figure is named otherwise than where it was given.

use crate::engine::amounts::Unfit;
use crate::words::Words;

/// A figure as that language writes it; what is none is a question mark.
///
/// ```
/// use curdtrace::words::{Words, reckoned};
/// assert_eq!(reckoned::figure(Words::of("de"), 0.5), "0,5");
/// assert_eq!(reckoned::figure(Words::of("en"), f64::NAN), "?");
/// ```
pub fn figure(words: &Words, value: f64) -> String {
    if !value.is_finite() {
        return "?".into();
    }
    let plain = format!("{value}");
    if words.code() == "en" { plain } else { plain.replace('.', ",") }
}

/// Why the figures do not fit. `named` gives the reader's name of a figure.
///
/// ```
/// use curdtrace::engine::amounts::Unfit;
/// use curdtrace::words::{Words, reckoned};
/// let words = Words::of("it");
/// let said = reckoned::unfit(words, &Unfit::Milk(70.0), |n| reckoned::label(words, n));
/// assert!(said.starts_with("Latte, °C: 70 non va."));
/// ```
pub fn unfit(words: &Words, e: &Unfit, named: impl Fn(&str) -> String) -> String {
    let fig = |value: &f64| figure(words, *value);
    let one = |key, name: &str, value| words.say(key, &[("name", &named(name)), ("value", &fig(value))]);
    match e {
        Unfit::NotAboveZero(name, value) => one("unfit-above-zero", name, value),
        Unfit::NotWater(name, value) => one("unfit-water", name, value),
        Unfit::Milk(celsius) => one("unfit-milk", "celsius", celsius),
        Unfit::Drawn(drawn, milk) => {
            let values = [("name", &*named("drawn")), ("value", &fig(drawn)), ("milk", &fig(milk))];
            words.say("unfit-drawn", &values)
        }
        Unfit::OutOfReach(water, at, to) => {
            words.say("unfit-reach", &[("water", &fig(water)), ("at", &fig(at)), ("to", &fig(to))])
        }
        Unfit::NoDose(_) => words.say("unfit-dose", &[]),
    }
}

/// The page's label of a figure; the name itself where the page has none.
pub fn label(words: &Words, name: &str) -> String {
    let key = match name {
        "milk" => "reckon-milk",
        "strength" => "reckon-strength",
        "floc" => "reckon-floc",
        "celsius" => "reckon-milk-celsius",
        "imcu-per-ml" => "reckon-imcu-ml",
        "imcu-per-litre" => "reckon-imcu-litre",
        "ml-per-100l" => "reckon-supplier",
        "drawn" => "reckon-drawn",
        "at" => "reckon-curd-celsius",
        "water" => "reckon-water",
        "to" => "reckon-to",
        "litres" => "reckon-litres",
        _ => return name.to_owned(),
    };
    words.say(key, &[])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_refusal_is_said_in_every_language_with_all_its_figures() {
        let some = [
            Unfit::NotAboveZero("milk", 0.0),
            Unfit::NotAboveZero("factor", f64::NAN),
            Unfit::NotWater("water", 160.5),
            Unfit::Milk(70.0),
            Unfit::Drawn(100.0, 90.0),
            Unfit::OutOfReach(60.0, 31.0, 61.0),
            Unfit::NoDose(1.0),
        ];
        let mut said = std::collections::BTreeSet::new();
        for words in Words::all() {
            for e in &some {
                let text = unfit(words, e, |n| label(words, n));
                assert!(!text.contains('…') && text.contains(". "), "{} {e:?}: {text}", words.code());
                assert!(said.insert(text.clone()), "{text} is said twice");
            }
        }
        assert!(said.iter().any(|t| t.contains("160,5")));
    }
}
