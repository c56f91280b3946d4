//! Calibrations on disk: `DATA/calibrations/PROBE/TIME.toml`, one file an act,
//! never overwritten. The one with the highest number holds, since a clock may
//! be wrong.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::{damaged, file_name};
use crate::journal::storage::{Disk, Storage};
use crate::sensor::calibration::{Record, RecordError};

/// What can go wrong with a calibration's file.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationFileError {
    /// The disk.
    #[error("{}: {source}; check that the data folder is there and may be written", .path.display())]
    Disk {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is none.
    #[error("{}: {source}; the file was changed or damaged: calibrate anew, it is kept as it is", .path.display())]
    Record {
        /// The file.
        path: PathBuf,
        /// Why.
        source: RecordError,
    },
}

/// What is on disk of one probe.
#[derive(Debug, Default)]
pub struct Kept {
    /// The calibration that holds; `None` where there is none that can be
    /// read.
    pub latest: Option<Record>,
    /// Files that cannot be read.
    pub faults: Vec<CalibrationFileError>,
}

/// The folder of one probe's calibrations.
pub fn folder(data: &Path, probe: &str) -> PathBuf {
    data.join("calibrations").join(file_name::of(probe))
}

/// The probes that were ever calibrated: whose folder is there.
///
/// # Errors
/// The folders cannot be listed.
pub fn probes(data: &Path) -> Result<Vec<String>, CalibrationFileError> {
    let paths = listed(&data.join("calibrations"))?;
    Ok(paths.iter().filter_map(|p| Some(file_name::name_of(p.file_name()?.to_str()?))).collect())
}

/// What lies in a folder. One that is not there has nothing.
fn listed(folder: &Path) -> Result<Vec<PathBuf>, CalibrationFileError> {
    let all = match fs::read_dir(folder) {
        Ok(entries) => entries.map(|e| Ok(e?.path())).collect(),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(e),
    };
    all.map_err(|source| CalibrationFileError::Disk { path: folder.into(), source })
}

/// Reads what is there of one probe. A folder that is not there is none.
pub fn of(data: &Path, probe: &str) -> Kept {
    let mut kept = Kept::default();
    let paths = match listed(&folder(data, probe)) {
        Ok(paths) => paths,
        Err(fault) => {
            kept.faults.push(fault);
            return kept;
        }
    };
    for path in paths.into_iter().filter(|p| p.extension().is_some_and(|x| x == "toml")) {
        match read(&path) {
            Ok(r) if kept.latest.as_ref().is_none_or(|l| r.number > l.number) => kept.latest = Some(r),
            Ok(_) => {}
            Err(fault) => kept.faults.push(fault),
        }
    }
    kept
}

fn read(path: &Path) -> Result<Record, CalibrationFileError> {
    // A pipe would be waited for.
    let whole = fs::metadata(path).and_then(|m| if m.is_file() { Ok(()) } else { Err(no_file()) });
    let text = whole
        .and_then(|()| fs::read_to_string(path))
        .map_err(|source| CalibrationFileError::Disk { path: path.into(), source })?;
    Record::of_toml(&text).map_err(|source| CalibrationFileError::Record { path: path.into(), source })
}

fn no_file() -> std::io::Error {
    std::io::Error::new(ErrorKind::InvalidInput, "it is no file")
}

/// Keeps a calibration in a file of its own, synced with its folder. Those that
/// cannot be read are put aside: nothing hangs on them any more.
///
/// # Errors
/// [`CalibrationFileError`]; then what held before holds.
pub fn keep(data: &Path, record: &Record) -> Result<PathBuf, CalibrationFileError> {
    keep_on(&Disk, data, record)
}

/// As [`keep`], on that disk.
///
/// # Errors
/// [`CalibrationFileError`]; then what held before holds.
pub fn keep_on(storage: &dyn Storage, data: &Path, record: &Record) -> Result<PathBuf, CalibrationFileError> {
    let folder = folder(data, &record.probe);
    let text =
        record.to_toml().map_err(|source| CalibrationFileError::Record { path: folder.clone(), source })?;
    let made = storage.make_dir(&folder);
    made.map_err(|source| CalibrationFileError::Disk { path: folder.clone(), source })?;
    let stem: String = record.time.chars().filter(|c| *c != ':').collect();
    let path = new_path(storage, &folder, &stem)?;
    // Whole or not at all: half a calibration would spoil the one that holds.
    storage
        .replace(&path, text.as_bytes())
        .map_err(|source| CalibrationFileError::Disk { path: path.clone(), source })?;
    put_aside(&of(data, &record.probe).faults);
    Ok(path)
}

/// Under another name nothing is lost of them. One that stays where it is goes
/// on being named.
fn put_aside(faults: &[CalibrationFileError]) {
    for fault in faults {
        let (CalibrationFileError::Disk { path, .. } | CalibrationFileError::Record { path, .. }) = fault;
        if path.extension().is_some_and(|x| x == "toml") {
            let _ = damaged::put_aside(path);
        }
    }
}

/// A name that nothing bears: two acts in one second get `-2`, `-3`.
fn new_path(storage: &dyn Storage, folder: &Path, stem: &str) -> Result<PathBuf, CalibrationFileError> {
    let mut n = 1;
    loop {
        let name = if n == 1 { format!("{stem}.toml") } else { format!("{stem}-{n}.toml") };
        let path = folder.join(name);
        match storage.kind(&path) {
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(path),
            Ok(_) if n < 1000 => n += 1,
            Ok(_) => {
                let source = ErrorKind::AlreadyExists.into();
                return Err(CalibrationFileError::Disk { path, source });
            }
            Err(source) => return Err(CalibrationFileError::Disk { path, source }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensor::calibration::Shape;

    fn record(number: u32, time: &str) -> Record {
        Record {
            probe: "../k".into(),
            number,
            time: time.into(),
            by: "ada".into(),
            sensor: "type K thermocouple".into(),
            shape: Shape::Linear,
            knots: vec![(f64::from(number), 0.0)],
            expanded_uncertainty_celsius: 0.2,
            due: "2026-12-11".into(),
            remarks: vec![],
            points: vec![],
        }
    }

    #[test]
    fn the_highest_number_holds_and_nothing_is_overwritten() {
        let data = tempfile::tempdir().unwrap();
        assert!(of(data.path(), "../k").latest.is_none());
        // The clock went back to 1970 between the two; the second also has the first's time.
        for (number, time) in
            [(1, "2026-06-14T08:12:30Z"), (3, "1970-01-01T00:00:30Z"), (2, "2026-06-14T08:12:30Z")]
        {
            keep(data.path(), &record(number, time)).unwrap();
        }
        let kept = of(data.path(), "../k");
        assert_eq!((kept.latest.unwrap().number, kept.faults.len()), (3, 0));
        let names: Vec<_> = fs::read_dir(folder(data.path(), "../k")).unwrap().collect();
        assert_eq!(names.len(), 3);
        assert!(folder(data.path(), "../k").starts_with(data.path().join("calibrations")));
        assert_eq!(probes(data.path()).unwrap(), ["../k"]);
        for probe in ["k", "big kettle", "é%/.\\", "..", "%41"] {
            let folder = folder(data.path(), probe);
            assert_eq!(file_name::name_of(folder.file_name().unwrap().to_str().unwrap()), probe);
        }
        // A damaged one is named and the others hold.
        let hurt = folder(data.path(), "../k").join("1970-01-01T000030Z.toml");
        fs::write(&hurt, "number = 3").unwrap();
        let kept = of(data.path(), "../k");
        assert_eq!((kept.latest.unwrap().number, kept.faults.len()), (2, 1));
        assert!(kept.faults[0].to_string().contains("calibrate anew"));
        // A pipe is not waited for.
        let pipe = folder(data.path(), "../k").join("2027.toml");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let kept = of(data.path(), "../k");
        assert_eq!((kept.latest.unwrap().number, kept.faults.len()), (2, 2));
        // Calibrated anew, as the fault says, the probe is without one again.
        keep(data.path(), &record(3, "2026-06-15T08:12:30Z")).unwrap();
        let kept = of(data.path(), "../k");
        assert_eq!((kept.latest.unwrap().number, kept.faults.len()), (3, 0));
        let aside = folder(data.path(), "../k").join("1970-01-01T000030Z.toml.damaged-1");
        assert_eq!(fs::read_to_string(aside).unwrap(), "number = 3", "kept as it is");
    }
}
