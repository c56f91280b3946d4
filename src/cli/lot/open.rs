//! `curdtrace lot open`.

use std::path::PathBuf;

use super::room::{Room, person};
use crate::cli::error::Failure;
use crate::lot::inbox::{Ask, Opening};

/// Opens a lot. While a make runs whose lot opened by itself, that lot becomes
/// yours.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The kettle; the only one configured where left out
    #[arg(long)]
    kettle: Option<String>,
    /// The lot's id; by the dairy's pattern where left out
    #[arg(long)]
    id: Option<String>,
    /// The plan followed
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// The make is over: its trace is attached afterwards
    #[arg(long)]
    past: bool,
    /// When its make began, where that was not now: 06:03, "yesterday 06:03", "2026-07-14 06:03"
    #[arg(long, value_name = "MOMENT", requires = "past")]
    made: Option<String>,
    /// The lot whose whey this one is made of
    #[arg(long, value_name = "LOT")]
    mother: Option<String>,
    /// Who opens it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
    /// The cheese
    #[arg(long)]
    product: Option<String>,
    /// Who makes it
    #[arg(long)]
    maker: Option<String>,
    /// Milk in the kettle, L
    #[arg(long, allow_hyphen_values = true)]
    litres: Option<String>,
    /// Anything else to enter at once
    #[arg(long = "set", value_name = "FIELD=VALUE")]
    fields: Vec<String>,
}

pub(super) fn run(room: &Room, args: Args) -> Result<(), Failure> {
    let plan = match &args.plan {
        None => None,
        Some(path) => Some(crate::config::plan::write(&crate::cli::read_plan(path)?)),
    };
    let mut fields = super::enter::pairs(&args.fields)?;
    let shorthands = [("product", args.product), ("people.maker", args.maker), ("milk.litres", args.litres)];
    fields.extend(shorthands.into_iter().filter_map(|(f, v)| Some((f.to_owned(), v?))));
    let opening = Opening {
        kettle: room.kettle(args.kettle)?,
        id: args.id,
        plan,
        mother: args.mother,
        made: args.made.as_deref().map(|t| room.past("--made", t)).transpose()?,
        past: args.past,
        fields,
    };
    room.ask_and_say(args.by, Ask::Open(opening))
}
