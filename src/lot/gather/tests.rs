use super::*;
use crate::engine::event::MarkKind;

/// A target's degrees stood under `value`.
#[test]
fn a_mark_in_the_events_bears_the_field_of_its_kind() {
    let mut found = Gathered::default();
    for kind in [MarkKind::Ph(6.5), MarkKind::Target(41.0), MarkKind::Note("foam".into())] {
        found.take_mark(&crate::engine::event::Mark { kettle: "big".into(), kind, by: None }, At(0));
    }
    for (line, field) in found.events.lines().zip(["\"value\":6.5", "\"celsius\":41.0", "\"text\":\"foam\""])
    {
        let whole: Json = serde_json::from_str(line).unwrap();
        assert!(line.contains(field), "{line}");
        assert_eq!(whole.as_object().unwrap().len(), 5, "{line}");
    }
    assert_eq!(found.events.lines().count(), 3);
}
