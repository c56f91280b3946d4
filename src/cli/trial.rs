//! `curdtrace trial`: the engine on many simulated makes. For maintainers.

use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

use clap::ValueEnum;

use super::error::Failure;
use crate::daemon::clock::Clock;
use crate::engine::Engine;
use crate::rehearse::dump;
use crate::rehearse::family::{Cooking, Family, Recipe};
use crate::rehearse::fire::FireKind;
use crate::rehearse::make::{Make, Marks, make};
use crate::rehearse::probe::Roughness;
use crate::rehearse::scene::Options;
use crate::rehearse::trial::closed::{Caller, Closed, Outcome, run as close};
use crate::rehearse::trial::heard::Heard;
use crate::rehearse::trial::months::{Idle, Nothing, watch};
use crate::rehearse::trial::open::Tally;
use crate::rehearse::trial::{table, triples};
use crate::wire::figure::figure;

/// What to try, and on which makes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What to try; all where none is named
    #[arg(value_enum)]
    parts: Vec<Part>,
    /// How many makes of each family
    #[arg(long, default_value_t = 25)]
    makes: u64,
    /// First seed
    #[arg(long, default_value_t = 0)]
    seed: u64,
    /// Families; all where none is named
    #[arg(long, value_parser = family)]
    family: Vec<Family>,
    /// Probability, stage by stage, of a third to three times the plan
    #[arg(long, default_value_t = 0.12, value_parser = figure)]
    odd: f64,
    /// How rough the probe's life is
    #[arg(long, value_enum, default_value_t = Rough::Ordinary)]
    rough: Rough,
    /// Way of heating: crane, embers, gas, jacket; drawn where none is named
    #[arg(long, value_parser = fire)]
    fire: Option<FireKind>,
    /// Fires that burn evenly: six tenths of the gusts, and of the unrest that they bring into milk
    #[arg(long)]
    even: bool,
    /// Give the engine no plan
    #[arg(long)]
    no_plan: bool,
    /// Show the makes with most faults
    #[arg(long, default_value_t = 0)]
    worst: usize,
    /// Write the makes here instead of trying them
    #[arg(long, value_name = "DIR")]
    write: Option<PathBuf>,
    /// Try the recorded makes in this folder (NAME.lp, NAME.plan.toml,
    /// NAME.truth.json)
    #[arg(long, value_name = "DIR")]
    recorded: Option<PathBuf>,
}

/// Parts of the trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Part {
    /// Stages by the trace alone
    Open,
    /// Stages with the rennet marked
    Rennet,
    /// A maker who is called
    Closed,
    /// Months that are no make
    Months,
}

/// How rough.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Rough {
    /// Nothing goes wrong
    None,
    /// Spikes, gaps, lifts
    Ordinary,
}

fn family(name: &str) -> Result<Family, String> {
    Family::named(name).ok_or_else(|| format!("families are {}", Family::ALL.map(Family::name).join(", ")))
}

fn fire(name: &str) -> Result<FireKind, String> {
    FireKind::ALL
        .into_iter()
        .find(|f| f.name() == name)
        .ok_or_else(|| format!("fires are {}", FireKind::ALL.map(FireKind::name).join(", ")))
}

/// Tries it.
///
/// # Errors
/// A folder that cannot be read or written.
pub fn run(args: &Args) -> Result<(), Failure> {
    if let Some(folder) = &args.write {
        return write(args, folder);
    }
    if let Some(folder) = &args.recorded {
        return recorded(args, folder);
    }
    let wanted = |part| args.parts.is_empty() || args.parts.contains(&part);
    if wanted(Part::Open) {
        say(&open(args, "trace alone", Marks::None))?;
    }
    if wanted(Part::Rennet) {
        say(&open(args, "rennet marked", Marks::Rennet))?;
    }
    if wanted(Part::Closed) {
        closed(args)?;
    }
    if wanted(Part::Months) {
        months(args)?;
    }
    Ok(())
}

fn say(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .map_err(|e| Failure::io(format!("cannot write to standard output: {e}")))
}

impl Args {
    fn options(&self) -> Options {
        let rough = match self.rough {
            Rough::None => Roughness::NONE,
            Rough::Ordinary => Roughness::ROUGH,
        };
        Options { rough, odd: self.odd, fire: self.fire, even: self.even, ..Options::default() }
    }

    fn families(&self) -> Vec<Family> {
        if self.family.is_empty() { Family::ALL.to_vec() } else { self.family.clone() }
    }

    fn each(&self, marks: Marks) -> impl Iterator<Item = (String, Make)> + '_ {
        let options = self.options();
        self.families().into_iter().flat_map(move |family| {
            (self.seed..self.seed + self.makes)
                .map(move |seed| (format!("{}-{seed}", family.name()), make(seed, family, &options, marks)))
        })
    }
}

fn open(args: &Args, title: &str, marks: Marks) -> String {
    let mut tally = Tally::default();
    let clock = Clock::real();
    let (mut spent_ns, mut lines) = (0, 0);
    for (name, make) in args.each(marks) {
        let plan = (!args.no_plan).then(|| Arc::new(make.plan.clone()));
        let began_ns = clock.now().mono_ns;
        let heard = Heard::over(&mut Engine::new(plan), make.events());
        spent_ns += clock.now().mono_ns - began_ns;
        lines += make.lines.len() as u64;
        tally.take(&name, &make.began, &heard);
    }
    let title = if args.no_plan { format!("{title}, no plan") } else { title.to_owned() };
    let pace = format!("{lines} lines, {} ns each\n\n", spent_ns / lines.max(1));
    table::open(&title, &tally) + &table::worst(&tally, args.worst) + &pace
}

/// Kettles never met, then the sixth make on each.
fn closed(args: &Args) -> Result<(), Failure> {
    // Only what is cooked over a fire can be called off.
    let families: Vec<Family> = args
        .families()
        .into_iter()
        .filter(|&f| {
            let recipe = Recipe::drawn(f, 300.0, &mut crate::rehearse::chance::Chance::of(0));
            matches!(recipe.cooking.first(), Some(Cooking::Fire { .. }))
        })
        .collect();
    let (mut first, mut sixth) = (Vec::new(), Vec::new());
    let (mut threshold, mut foreseer) = (Vec::new(), Vec::new());
    for family in families {
        for kettle in args.seed..args.seed + args.makes {
            let options = Options { kettle: Some(kettle), ..args.options() };
            let mut learned = None;
            for nth in 0..6 {
                let seed = kettle * 1000 + nth;
                let made = close(seed, family, &options, Caller::Engine, learned.as_ref());
                if nth == 0 || nth == 5 {
                    far_off(args, &format!("{} kettle {kettle} make {nth}", family.name()), &made)?;
                }
                learned = made.learned.or(learned);
                match nth {
                    0 => first.extend(made.cooks),
                    5 => sixth.extend(made.cooks),
                    _ => {}
                }
            }
            threshold.extend(close(kettle * 1000, family, &options, Caller::Threshold, None).cooks);
            foreseer.extend(close(kettle * 1000, family, &options, Caller::Foreseer, None).cooks);
        }
    }
    let rows: [(&str, Caller, &[Outcome]); 4] = [
        ("kettle never met", Caller::Engine, &first),
        ("sixth make on it", Caller::Engine, &sixth),
        ("alarm at the target", Caller::Threshold, &threshold),
        ("knows all but the reaction", Caller::Foreseer, &foreseer),
    ];
    for (title, caller, outcomes) in rows {
        say(&table::closed(title, caller, outcomes))?;
    }
    say("\n")
}

/// With `--worst`: cooks that ended far off or were not called once, and what
/// the engine took the day for.
fn far_off(args: &Args, name: &str, made: &Closed) -> Result<(), Failure> {
    for (i, cook) in made.cooks.iter().enumerate() {
        if args.worst == 0 || (cook.miss_celsius.abs() < 0.6 && cook.calls == 1) {
            continue;
        }
        let began = made.heard.live.first().map_or(0, |f| f.began_ns);
        let stages: Vec<String> = made
            .heard
            .live
            .iter()
            .map(|f| format!("{} {:.0}", f.stage.name(), (f.began_ns - began) as f64 / 6.0e10))
            .collect();
        say(&format!(
            "  {name} cook {i}: {:+.2} °C, {} calls; minutes: {}\n",
            cook.miss_celsius,
            cook.calls,
            stages.join(", ")
        ))?;
    }
    Ok(())
}

fn months(args: &Args) -> Result<(), Failure> {
    let plan =
        Recipe::drawn(Family::SemiCooked, 200.0, &mut crate::rehearse::chance::Chance::of(1)).plan(false);
    for idle in Idle::ALL {
        for planned in [true, false] {
            let mut sum = Nothing::default();
            for seed in args.seed..args.seed + 3 {
                let nothing = watch(idle, seed, 30.0, 10.0, planned.then(|| plan.clone()));
                sum.makes += nothing.makes;
                sum.alarms += nothing.alarms;
                sum.stages += nothing.stages;
            }
            say(&table::month(idle, planned, &sum))?;
        }
    }
    Ok(())
}

fn recorded(args: &Args, folder: &std::path::Path) -> Result<(), Failure> {
    let mut tally = Tally::default();
    for triple in triples::read_all(folder).map_err(Failure::no_input)? {
        let plan = (!args.no_plan).then(|| Arc::new(triple.plan));
        let heard = Heard::over(&mut Engine::new(plan), triple.events.into_iter());
        tally.take(&triple.name, &triple.began, &heard);
    }
    say(&(table::open("recorded", &tally) + &table::worst(&tally, args.worst.max(20))))
}

fn write(args: &Args, folder: &std::path::Path) -> Result<(), Failure> {
    let failed = |e| Failure::io(format!("cannot write into {}: {e}", folder.display()));
    std::fs::create_dir_all(folder).map_err(failed)?;
    let marks = if args.parts.contains(&Part::Rennet) { Marks::Rennet } else { Marks::None };
    for (name, make) in args.each(marks) {
        let file = |ending: &str, text: String| {
            std::fs::write(folder.join(format!("{name}.{ending}")), text).map_err(failed)
        };
        file("lp", dump::lines(&make))?;
        file("plan.toml", dump::plan(&make.plan))?;
        file("truth.json", dump::truth(&make))?;
    }
    Ok(())
}
