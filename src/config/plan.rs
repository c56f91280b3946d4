//! A plan as meant, and back to text.
//!
//! The names stand in `config/plans/`, one annotated file a family of cheese.

use std::fmt::Write as _;
use std::path::Path;

use super::check::Section;
use super::fault::Fault;
use super::file;
use crate::engine::alarm::AlarmKind;
use crate::engine::plan::{Plan, PlannedStage, RennetPlan, Sounding};
use crate::engine::stage::{Stage, has_room_for};

/// Reads a plan file.
///
/// # Errors
/// Every fault of the file at once, in the order of its lines.
pub fn read(path: &Path) -> Result<Plan, Vec<Fault>> {
    let text = file::text_of(path)?;
    parse(&text, &path.display().to_string())
}

/// Reads a plan from its text; `name` is what faults call the file.
///
/// # Errors
/// Every fault of the text at once, in the order of its lines.
///
/// ```
/// let faults = curdtrace::config::plan::parse("reaction-s = -3\n[[stage]]\nkind = \"cokking\"\n", "a.toml")
///     .unwrap_err();
/// assert_eq!(faults.len(), 2);
/// assert_eq!((faults[0].line, faults[1].line), (1, 3));
/// ```
pub fn parse(text: &str, name: &str) -> Result<Plan, Vec<Fault>> {
    file::reading(name, text, |root| {
        let plan = plan(root, name);
        sense(root, &plan);
        Some(plan)
    })
}

/// A key that is not there keeps the engine's default; one that is wrong has
/// left a fault, so that the plan is not used.
fn plan(root: &Section<'_, '_>, file: &str) -> Plan {
    let base = Plan::default();
    let stem = Path::new(file).file_stem().map(|s| s.to_string_lossy().into_owned());
    Plan {
        name: root.name("name").map(String::from).or(stem).unwrap_or_default(),
        reaction_s: root.number("reaction-s", 0.0..=600.0, "s").unwrap_or(base.reaction_s),
        tolerance_celsius: root.above_zero("tolerance-celsius", 5.0, "°C").unwrap_or(base.tolerance_celsius),
        get_ready_minutes: root
            .number("get-ready-minutes", 0.0..=60.0, "minutes")
            .unwrap_or(base.get_ready_minutes),
        altitude_m: root.number("altitude-m", -400.0..=5000.0, "m").unwrap_or(base.altitude_m),
        litres: root.above_zero("litres", 20_000.0, "l"),
        stages: root.sections("stage").iter().map(stage).collect(),
        rennet: root.section("rennet").map_or(base.rennet, |s| rennet(&s)),
        milk_warm_above_celsius: root.number("milk-warm-above-celsius", 0.0..=45.0, "°C"),
        alarms: root.section("alarms").map_or(base.alarms, |s| alarms(&s)),
    }
}

fn stage(s: &Section<'_, '_>) -> PlannedStage {
    let words: Vec<&str> = Stage::ALL.into_iter().filter(|s| *s != Stage::Idle).map(Stage::name).collect();
    let kind = s.one_of("kind", &words, |w| Stage::named(w).filter(|s| *s != Stage::Idle));
    if !s.has("kind") {
        s.missing("kind", format!("add kind = \"…\", one of {}", words.join(", ")));
    }
    let planned = PlannedStage {
        to_celsius: s.number("to-celsius", 0.0..=110.0, "°C"),
        minutes: s.above_zero("minutes", 4320.0, "minutes"),
        optional: s.truth("optional").unwrap_or(false),
        points: s.pairs("points", "[minutes, °C]").unwrap_or_default(),
        band_celsius: s.above_zero("band-celsius", 20.0, "°C"),
        ..PlannedStage::of(kind.unwrap_or(Stage::Idle))
    };
    for (minutes, celsius) in &planned.points {
        if *minutes < 0.0 || !(0.0..=110.0).contains(celsius) {
            s.fault_at(
                "points",
                format!("points has [{minutes}, {celsius}], which cannot be"),
                "minutes count from the stage's beginning, 0 or more; temperatures lie between 0 and 110 °C",
            );
        }
    }
    s.done();
    planned
}

fn rennet(s: &Section<'_, '_>) -> RennetPlan {
    let base = RennetPlan::default();
    let r = RennetPlan {
        strength: s.number("strength", 100.0..=1_000_000.0, "(volumes of milk to one of rennet)"),
        dose_ml_per_100l: s.above_zero("dose-ml-per-100l", 1000.0, "ml to 100 l"),
        floc_multiplier: s.number("floc-multiplier", 1.0..=10.0, "").unwrap_or(base.floc_multiplier),
        temperature_table: s.pairs("temperature-table", "[°C, relative time]").unwrap_or_default(),
    };
    if r.temperature_table.len() == 1 || r.temperature_table.iter().any(|p| p.1 <= 0.0) {
        s.fault_at(
            "temperature-table",
            "temperature-table cannot be read between its points",
            "give two pairs or more, each with a relative time above 0",
        );
    }
    s.done();
    r
}

fn alarms(s: &Section<'_, '_>) -> std::collections::BTreeMap<AlarmKind, Sounding> {
    let mut map = std::collections::BTreeMap::new();
    for kind in AlarmKind::ALL {
        let sounding = s.one_of(kind.name(), &["sounds", "shows", "off"], |w| {
            [Sounding::Sounds, Sounding::Shows, Sounding::Off].into_iter().find(|x| x.name() == w)
        });
        if let Some(sounding) = sounding {
            map.insert(kind, sounding);
        }
    }
    s.done();
    map
}

/// Milk warmed to this, °C, is heated for its own sake, and cooled before the rennet.
const HEATED_FOR_ITSELF_C: f64 = 55.0;

/// What each value alone cannot show: whether they can be true together.
fn sense(root: &Section<'_, '_>, plan: &Plan) {
    if plan.stages.is_empty() && plan.milk_warm_above_celsius.is_none() {
        root.missing("[[stage]]", "add the stages of the make in their order, or milk-warm-above-celsius");
    }
    let sections = root.sections("stage");
    if let Some(last) = sections.last().filter(|_| !has_room_for(plan)) {
        last.fault(
            format!("{} stages are more than a make can be followed through", sections.len()),
            "some twenty are, and fewer where milk is warmed, left to its culture or set more than once; \
             keep those that have a target or minutes of their own",
        );
    }
    let mut before: Option<(Stage, f64)> = None;
    for (planned, s) in plan.stages.iter().zip(&sections) {
        let Some(to) = planned.to_celsius else { continue };
        if let (Stage::Cooking, Some((stage, from))) = (planned.kind, before)
            && to <= from
        {
            s.fault_at(
                "to-celsius",
                format!("cooking to {to} °C is no cooking after {} to {from} °C", stage.name()),
                "a cook ends warmer than what came before it; mend one of the two, or leave the stage out",
            );
        }
        let cooled = planned.kind == Stage::Warming && to >= HEATED_FOR_ITSELF_C;
        if matches!(planned.kind, Stage::Warming | Stage::Cooking) && !cooled {
            before = Some((planned.kind, to));
        }
    }
}

/// The plan as TOML text that [`parse`] reads back to the same plan.
///
/// ```
/// use curdtrace::config::plan::{parse, write};
/// let plan = parse("name = \"Small wheel\"\n[[stage]]\nkind = \"cooking\"\nto-celsius = 41\n", "x").unwrap();
/// assert_eq!(parse(&write(&plan), "x").unwrap(), plan);
/// ```
pub fn write(plan: &Plan) -> String {
    let mut out = String::new();
    let mut line = |key: &str, value: String| {
        let _ = writeln!(out, "{key} = {value}");
    };
    line("name", quoted(&plan.name));
    line("reaction-s", number(plan.reaction_s));
    line("tolerance-celsius", number(plan.tolerance_celsius));
    line("get-ready-minutes", number(plan.get_ready_minutes));
    line("altitude-m", number(plan.altitude_m));
    if let Some(x) = plan.litres {
        line("litres", number(x));
    }
    if let Some(x) = plan.milk_warm_above_celsius {
        line("milk-warm-above-celsius", number(x));
    }
    write_rennet(&mut out, &plan.rennet);
    if !plan.alarms.is_empty() {
        out.push_str("\n[alarms]\n");
        for (kind, sounding) in &plan.alarms {
            let _ = writeln!(out, "{} = \"{}\"", kind.name(), sounding.name());
        }
    }
    for planned in &plan.stages {
        write_stage(&mut out, planned);
    }
    out
}

fn write_rennet(out: &mut String, r: &RennetPlan) {
    if *r == RennetPlan::default() {
        return;
    }
    out.push_str("\n[rennet]\n");
    if let Some(x) = r.strength {
        let _ = writeln!(out, "strength = {}", number(x));
    }
    if let Some(x) = r.dose_ml_per_100l {
        let _ = writeln!(out, "dose-ml-per-100l = {}", number(x));
    }
    let _ = writeln!(out, "floc-multiplier = {}", number(r.floc_multiplier));
    if !r.temperature_table.is_empty() {
        let _ = writeln!(out, "temperature-table = {}", pairs(&r.temperature_table));
    }
}

fn write_stage(out: &mut String, s: &PlannedStage) {
    let _ = write!(out, "\n[[stage]]\nkind = \"{}\"\n", s.kind.name());
    for (key, value) in
        [("to-celsius", s.to_celsius), ("minutes", s.minutes), ("band-celsius", s.band_celsius)]
    {
        if let Some(x) = value {
            let _ = writeln!(out, "{key} = {}", number(x));
        }
    }
    if s.optional {
        out.push_str("optional = true\n");
    }
    if !s.points.is_empty() {
        let _ = writeln!(out, "points = {}", pairs(&s.points));
    }
}

fn pairs(list: &[(f64, f64)]) -> String {
    let inner: Vec<String> = list.iter().map(|(a, b)| format!("[{}, {}]", number(*a), number(*b))).collect();
    format!("[{}]", inner.join(", "))
}

/// A float that TOML reads back to the same bits.
pub(super) fn number(x: f64) -> String {
    format!("{x:?}")
}

/// A TOML basic string, always on one line and in double quotes.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::from('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04x}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::{parse, write};
    use proptest::prelude::*;

    const WHOLE: &str = r#"
name = "Wheel of the lower hut"
reaction-s = 18
tolerance-celsius = 0.5
get-ready-minutes = 4
altitude-m = 1840
litres = 310
milk-warm-above-celsius = 8

[rennet]
strength = 10000
dose-ml-per-100l = 20
floc-multiplier = 2.5
temperature-table = [[25, 1.65], [30, 1.0], [35, 0.8]]

[alarms]
heat-slow = "sounds"
hold-done = "off"
at-target = "shows"

[[stage]]
kind = "warming"
to-celsius = 32.5

[[stage]]
kind = "cooking"
to-celsius = 52
minutes = 43
band-celsius = 0.8
points = [[0, 32.5], [20, 42], [43, 52]]
optional = true
"#;

    #[test]
    fn every_key_of_a_plan_arrives_and_comes_back() {
        let plan = parse(WHOLE, "w.toml").unwrap();
        assert_eq!(plan.rennet.strength, Some(10_000.0));
        assert_eq!(plan.rennet.temperature_table.len(), 3);
        assert_eq!(plan.alarms.len(), 3);
        assert_eq!(plan.stages[1].points[2], (43.0, 52.0));
        assert_eq!(plan.stages[1].band_celsius, Some(0.8));
        assert!(plan.stages[1].optional);
        assert_eq!(plan.milk_warm_above_celsius, Some(8.0));
        assert_eq!(parse(&write(&plan), "w.toml").unwrap(), plan);
    }

    /// Each fault by its line and a piece of its text.
    fn check(text: &str, expected: &[(usize, &str)]) {
        let faults = parse(text, "p.toml").unwrap_err();
        let got: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(faults.len(), expected.len(), "{got:#?}");
        for (fault, (line, says)) in faults.iter().zip(expected) {
            assert_eq!(fault.line, *line, "{fault}");
            assert!(fault.to_string().contains(says), "{fault} does not say {says}");
        }
    }

    #[test]
    fn every_fault_at_once_each_with_its_line() {
        check(
            "name = 5\nreaction-s = \"soon\"\ntolerance-celsius = 0\nhumidity = 80\n\n[[stage]]\nkind = \"cokking\"\nto-celcius = 41\n\n[[stage]]\nminutes = -3\noptional = \"yes\"\n\n[alarms]\nheat-slow = \"loud\"\nheat-fsat = \"off\"\n",
            &[
                (1, "name = 5 is no text"),
                (2, "reaction-s = \"soon\" is no number"),
                (3, "above 0"),
                (4, "knows no humidity"),
                (7, "did you mean cooking"),
                (8, "did you mean to-celsius"),
                (10, "has no kind"),
                (11, "minutes = -3 cannot be"),
                (12, "true or false"),
                (15, "sounds, shows, off"),
                (16, "did you mean heat-fast"),
            ],
        );
    }

    #[test]
    fn a_slip_of_syntax_does_not_hide_the_rest() {
        check(
            "name = \"a\nreaction-s = 18\n\n[[stage]]\nkind = \"cooking\"\nminutes = -1\n",
            &[(1, "no TOML"), (6, "minutes = -1")],
        );
    }

    /// Thermised milk is cooled back before its rennet, and its cook is no warmer.
    #[test]
    fn milk_may_be_heated_for_its_own_sake_before_a_cook() {
        let text = |to| {
            format!(
                "[[stage]]\nkind = \"warming\"\nto-celsius = {to}\n[[stage]]\nkind = \"cooking\"\nto-celsius = 40\n"
            )
        };
        assert!(parse(&text(64), "t.toml").is_ok());
        check(&text(44), &[(6, "no cooking after warming to 44")]);
    }

    #[test]
    fn what_cannot_be_true_together_is_a_fault() {
        check(
            "[[stage]]\nkind = \"warming\"\nto-celsius = 34\n[[stage]]\nkind = \"cooking\"\nto-celsius = 31\n",
            &[(6, "no cooking after warming to 34")],
        );
        check("name = \"a\"\n", &[(1, "has no [[stage]]")]);
        check(
            "[[stage]]\nkind = \"cooking\"\npoints = [[5, 30], [3, 40]]\n[rennet]\ntemperature-table = [[30, 1.0]]\n",
            &[(3, "does not rise"), (5, "two pairs")],
        );
    }

    /// The engine was given them, and there was no room.
    #[test]
    fn a_plan_of_too_many_stages_is_a_fault() {
        let text = |n| "[[stage]]\nkind = \"settling\"\n".repeat(n);
        assert!(parse(&text(12), "s.toml").is_ok());
        check(&text(30), &[(59, "30 stages are more than")]);
        // Each of these takes the room of three or four.
        check(&"[[stage]]\nkind = \"setting\"\n".repeat(12), &[(23, "12 stages are more than")]);
    }

    #[test]
    fn numbers_that_are_none_are_named() {
        check(
            "reaction-s = nan\nlitres = inf\n[[stage]]\nkind = \"warming\"\nto-celsius = 410\n",
            &[(1, "reaction-s = nan"), (2, "litres = inf"), (5, "to-celsius = 410 cannot be")],
        );
    }

    proptest! {
        /// Whatever the text, reading it ends, in a plan or in faults.
        #[test]
        fn any_text_is_read_to_its_end(text in "[a-z\\[\\]=\"\n .0-9-]{0,200}") {
            if let Err(faults) = parse(&text, "any.toml") {
                prop_assert!(!faults.is_empty());
            }
        }
    }
}
