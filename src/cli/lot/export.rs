//! `curdtrace lot export`.

use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use super::room::{Room, failure, pause};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::export;
use crate::words::record::counted;

/// Hands lots over: whole folders to a memory stick, one archive, or one form
/// of one lot. What is written is read back and compared before it is said to
/// be well.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots; all closed ones of --day where none is named
    lots: Vec<String>,
    /// A day, month or year of lots: 2026-07-14, 2026-07, 2026
    #[arg(long, value_name = "DATE", conflicts_with = "lots", required_unless_present = "lots")]
    day: Option<String>,
    /// Where to: a folder, such as the stick's; with --as tar also a file that ends in .tar
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
    /// In which form
    #[arg(long = "as", value_enum, default_value_t = Form::Folder)]
    form: Form,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// The lots' folders as they are, with the chain of seals
    Folder,
    /// One .tar of the same
    Tar,
    /// The readings, line protocol
    Lp,
    /// The readings, CSV (RFC 4180)
    Csv,
    /// The record as JSON
    Json,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let lots = lots(room, args)?;
    if matches!(args.form, Form::Folder | Form::Tar | Form::Json) {
        for lot in &lots {
            if !room.store.load(lot).map_err(|e| failure(&e))?.is_closed() {
                remark(&format!(
                    "lot {lot} is open: it goes without its trace and without a seal; close it first to hand it over whole"
                ));
            }
        }
    }
    if let Some(to) = &args.to
        && is_on_a_disk_of_ours(room.store.data(), to)
    {
        remark(&format!(
            "{} is on this machine's own disk: no stick is mounted there. Where one was meant, mount it and hand over again",
            to.display()
        ));
    }
    let fail = |e: export::ExportError| Failure::of(e.exit_code(), e);
    match (args.form, &args.to) {
        (Form::Folder | Form::Tar, None) => {
            Err(Failure::usage("say where to: --to DIR, such as the stick's folder"))
        }
        (Form::Folder, Some(to)) => {
            let done = export::folders(&room.store, &lots, to, &pause).map_err(fail)?;
            delivered(&lots, &done, &format!("at {}", to.display()))?;
            for path in &done.foreign {
                remark(&format!(
                    "{} is none of the lot's files, and `curdtrace lot verify` there will say so; take it away",
                    path.display()
                ));
            }
            all_went(&done)
        }
        (Form::Tar, Some(to)) => {
            let name = match lots.as_slice() {
                [only] => only.clone(),
                _ => format!("lots-{}", args.day.as_deref().unwrap_or("some")),
            };
            // A path that ends so is the archive itself, not a folder for it.
            let is_file = to.extension().is_some_and(|e| e.eq_ignore_ascii_case("tar")) && !to.is_dir();
            let path = if is_file { to.clone() } else { to.join(format!("{name}.tar")) };
            let done = export::archive(&room.store, &lots, &path, &pause).map_err(fail)?;
            delivered(&lots, &done, &format!("in {}", path.display()))?;
            all_went(&done)
        }
        (form, to) => one_form(room, form, &lots, to.as_ref()),
    }
}

fn delivered(lots: &[String], done: &export::Delivered, place: &str) -> Result<(), Failure> {
    let (lots, files) = (counted(lots.len() - done.left_out.len(), "lot"), counted(done.files, "file"));
    say(&format!("{lots}, {files} {place}, read back and the same"))
}

/// That no lot was left out; else the others went all the same.
fn all_went(done: &export::Delivered) -> Result<(), Failure> {
    for why in &done.left_out {
        remark(&why.to_string());
    }
    match done.left_out.len() {
        0 => Ok(()),
        1 => Err(Failure::data("1 lot is left out, see above; the others went")),
        n => Err(Failure::data(format_args!("{n} lots are left out, see above; the others went"))),
    }
}

/// Whether a folder, or what of its path is there already, lies on the disk of the
/// system or of the data folder, as one does whose stick was never mounted.
fn is_on_a_disk_of_ours(data: &Path, to: &Path) -> bool {
    let disk = |path: &Path| std::fs::metadata(path).ok().map(|found| found.dev());
    let whole = std::path::absolute(to).unwrap_or_else(|_| to.into());
    let there = whole.ancestors().find_map(disk);
    there.is_some() && [disk(Path::new("/")), disk(data)].contains(&there)
}

fn lots(room: &Room, args: &Args) -> Result<Vec<String>, Failure> {
    if let Some(day) = &args.day {
        let day = room.days(day)?;
        let heads = room.store.list().map_err(|e| failure(&e))?.0;
        let of_day = heads.into_iter().filter(|h| h.is_closed() && h.day().starts_with(day.as_str()));
        let lots: Vec<String> = of_day.map(|h| h.lot).collect();
        if lots.is_empty() {
            return Err(Failure::no_input(format_args!("no closed lot is of {day}")));
        }
        return Ok(lots);
    }
    for lot in &args.lots {
        room.store.load(lot).map_err(|e| failure(&e))?;
    }
    Ok(args.lots.clone())
}

fn one_form(room: &Room, form: Form, lots: &[String], to: Option<&PathBuf>) -> Result<(), Failure> {
    for lot in lots {
        let (name, text) = if form == Form::Json {
            let record = room.store.load(lot).map_err(|e| failure(&e))?;
            let json = serde_json::to_string_pretty(&record).map_err(Failure::io)?;
            (format!("{lot}.json"), json + "\n")
        } else {
            let file = if form == Form::Csv { "trace.csv" } else { "trace.lp" };
            let path = room.store.folder(lot).join(file);
            let text = room.store.storage().read_text(&path).map_err(|e| {
                Failure::no_input(format_args!(
                    "cannot read {}: {e}; an open lot has its trace once it is closed",
                    path.display()
                ))
            })?;
            (format!("{lot}{}", &file[5..]), text)
        };
        match to {
            Some(to) => {
                let path = to.join(name);
                export::one_file(&path, text.as_bytes()).map_err(|e| Failure::of(e.exit_code(), e))?;
                say(&path.display().to_string())?;
            }
            None if lots.len() == 1 => say(text.trim_end_matches('\n'))?,
            None => return Err(Failure::usage("several lots need a place: --to DIR")),
        }
    }
    Ok(())
}
