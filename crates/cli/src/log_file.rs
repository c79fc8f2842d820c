//! Log files: bytes in, a log with its account of rows out.

use std::io::Read as _;
use std::path::Path;

use indicatif::{ProgressBar, ProgressStyle};
use settlepoint_domain::{Channel, SensorLog};
use settlepoint_import::{ChannelOverride, ImportOptions, Imported, Recipe, import};

use crate::args::ReadArgs;
use crate::error::{Code, Failure, with_path};
use crate::interrupt;

/// Files above this size get a progress bar, bytes.
const PROGRESS_FROM: u64 = 20_000_000;

/// A log as read.
#[derive(Debug)]
pub(crate) struct ReadLog {
    pub(crate) imported: Imported,
    pub(crate) bytes: Vec<u8>,
    /// The file's name without its folder.
    pub(crate) file_name: String,
    /// The same without its extension.
    pub(crate) stem: String,
}

impl ReadLog {
    /// The mapping with which it was read.
    pub(crate) fn recipe_text(&self) -> String {
        self.imported.recipe.to_json()
    }
}

/// The bytes of a file, or of standard input for `-`.
pub(crate) fn bytes(path: &Path) -> Result<Vec<u8>, Failure> {
    if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        std::io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|e| Failure::data(format!("cannot read standard input: {e}")))?;
        return Ok(bytes);
    }
    if path.is_dir() {
        return Err(Failure::data(format!(
            "{} is a folder; name a file in it",
            path.display()
        )));
    }
    std::fs::read(path).map_err(|e| with_path(path, "read", &e))
}

/// Reads a log as the arguments say.
pub(crate) fn read(path: &Path, args: &ReadArgs) -> Result<ReadLog, Failure> {
    let options = options(args)?;
    let bytes = bytes(path)?;
    let bar = progress(bytes.len() as u64);
    let imported = import(&bytes, &options, &mut |done, _| bar.set_position(done));
    bar.finish_and_clear();
    interrupt::check()?;
    let imported = imported.map_err(|e| Failure::data(format!("{}: {e}", path.display())))?;
    let name = |part: Option<&std::ffi::OsStr>| {
        part.map_or_else(
            || "standard input".to_owned(),
            |n| n.to_string_lossy().into_owned(),
        )
    };
    Ok(ReadLog {
        imported,
        bytes,
        file_name: name(path.file_name()),
        stem: name(path.file_stem()),
    })
}

fn options(args: &ReadArgs) -> Result<ImportOptions, Failure> {
    let mut overrides = Vec::new();
    for text in &args.channel {
        let parsed: ChannelOverride = text
            .parse()
            .map_err(|e| Failure::usage(format!("--channel {text}: {e}")))?;
        overrides.push(parsed);
    }
    let day_order = match &args.dates {
        Some(text) => Some(
            text.parse()
                .map_err(|e| Failure::usage(format!("--dates {text}: {e}")))?,
        ),
        None => None,
    };
    let recipe = match &args.recipe {
        Some(path) => {
            let text = std::fs::read_to_string(path).map_err(|e| with_path(path, "read", &e))?;
            Some(
                Recipe::from_json(&text)
                    .map_err(|e| Failure::data(format!("{}: {e}", path.display())))?,
            )
        }
        None => None,
    };
    Ok(ImportOptions {
        overrides,
        interval_s: args.interval,
        day_order,
        device: args.device.clone(),
        recipe,
        ..ImportOptions::default()
    })
}

fn progress(total: u64) -> ProgressBar {
    if total < PROGRESS_FROM {
        return ProgressBar::hidden();
    }
    // Drawn on standard error, and only on a terminal.
    let bar = ProgressBar::new(total);
    if let Ok(style) =
        ProgressStyle::with_template("reading {bar:30} {bytes} of {total_bytes}, {eta} left")
    {
        bar.set_style(style);
    }
    bar
}

/// Writes the mapping where `--save-recipe` asks for it.
pub(crate) fn save_recipe(args: &ReadArgs, read: &ReadLog) -> Result<(), Failure> {
    let Some(path) = &args.save_recipe else {
        return Ok(());
    };
    std::fs::write(path, read.recipe_text()).map_err(|e| with_path(path, "write", &e))
}

/// The channel read from a column, by name or 1-based number.
pub(crate) fn column<'a>(log: &'a SensorLog, name: &str) -> Result<&'a Channel, Failure> {
    let by_name = log.channels().iter().find(|c| c.column == name);
    let by_number = || {
        let number: usize = name.parse().ok()?;
        log.channels().iter().find(|c| c.column_number == number)
    };
    by_name.or_else(by_number).ok_or_else(|| {
        let names: Vec<_> = log.channels().iter().map(|c| c.column.as_str()).collect();
        Failure::usage(format!(
            "there is no column '{name}' with numbers in the log; there are {}",
            names.join(", ")
        ))
    })
}

/// The given rows, in order, as a log of their own that begins at 0 s.
pub(crate) fn take_rows(log: &SensorLog, rows: &[usize]) -> Result<SensorLog, Failure> {
    let contiguous = rows.windows(2).all(|w| w[1] == w[0] + 1);
    let taken = if let (true, Some(&first), Some(&last)) = (contiguous, rows.first(), rows.last()) {
        log.slice(first, last + 1)
    } else {
        let t0 = rows.first().map_or(0.0, |&r| log.time_s()[r]);
        SensorLog::new(
            log.start().cloned(),
            rows.iter().map(|&r| log.time_s()[r] - t0).collect(),
            log.time_known(),
            log.channels()
                .iter()
                .map(|c| Channel {
                    values: rows.iter().map(|&r| c.values[r]).collect(),
                    ..c.clone()
                })
                .collect(),
        )
    };
    taken.map_err(|e| Failure::new(Code::Data, e.to_string()))
}
