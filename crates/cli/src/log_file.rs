//! Log files: bytes in, a log with its account of rows out.

use std::fs::File;
use std::io::{Read as _, Seek as _};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use settlepoint_domain::{Channel, SensorLog};
use settlepoint_import::{
    ChannelOverride, ImportError, ImportOptions, Imported, Recipe, import, import_reader,
};
use settlepoint_notebook::{Notebook, RawHash};
use settlepoint_views::adding::foreign;

use crate::args::ReadArgs;
use crate::error::{Code, Failure, with_path};

/// Files above this size get a progress bar, bytes.
const PROGRESS_FROM: u64 = 20_000_000;

/// A log as read.
#[derive(Debug)]
pub(crate) struct ReadLog {
    pub(crate) imported: Imported,
    source: Source,
    /// The file's name without its folder.
    pub(crate) file_name: String,
    /// The same without its extension.
    pub(crate) stem: String,
}

/// Where a log came from. Files are read in blocks and never held whole.
#[derive(Debug)]
enum Source {
    File(PathBuf),
    Stream(Vec<u8>),
}

impl ReadLog {
    /// The mapping with which it was read.
    pub(crate) fn recipe_text(&self) -> String {
        self.imported.recipe.to_json()
    }

    /// Keeps the bytes as they came in the notebook.
    pub(crate) fn keep_raw(&self, book: &Notebook) -> Result<RawHash, Failure> {
        match &self.source {
            Source::File(path) => Ok(book.keep_raw_file(open(path)?)?),
            Source::Stream(bytes) => Ok(book.keep_raw_bytes(bytes)?),
        }
    }
}

/// The bytes of a table of text, or of standard input for `-`.
pub(crate) fn bytes(path: &Path) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    if path.as_os_str() == "-" {
        std::io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|e| Failure::data(format!("cannot read standard input: {e}")))?;
    } else {
        refuse_folder(path)?;
        let fail = |e: std::io::Error| with_path(path, "read", &e);
        File::open(path)
            .map_err(fail)?
            .read_to_end(&mut bytes)
            .map_err(fail)?;
    }
    refuse_foreign(path, &bytes)?;
    Ok(bytes)
}

/// Standard input and pipes (`<(…)` of a shell) can be read once only.
fn is_stream(path: &Path) -> bool {
    path.as_os_str() == "-" || path.metadata().is_ok_and(|m| !m.is_file() && !m.is_dir())
}

fn refuse_folder(path: &Path) -> Result<(), Failure> {
    if path.is_dir() {
        return Err(Failure::data(format!(
            "{} is a folder; name a file in it",
            path.display()
        )));
    }
    Ok(())
}

/// Opens a file of text; its first bytes are looked at, and the file stands at its start again.
fn open(path: &Path) -> Result<File, Failure> {
    refuse_folder(path)?;
    let fail = |e: std::io::Error| with_path(path, "read", &e);
    let mut file = File::open(path).map_err(fail)?;
    let mut start = Vec::new();
    file.by_ref()
        .take(32)
        .read_to_end(&mut start)
        .map_err(fail)?;
    refuse_foreign(path, &start)?;
    file.rewind().map_err(fail)?;
    Ok(file)
}

fn refuse_foreign(path: &Path, start: &[u8]) -> Result<(), Failure> {
    match foreign(start) {
        Some(what) => Err(Failure::data(format!("{} is {what}", path.display()))),
        None => Ok(()),
    }
}

/// Reads a log as the arguments say.
pub(crate) fn read(path: &Path, args: &ReadArgs) -> Result<ReadLog, Failure> {
    let options = options(args)?;
    let bar = ProgressBar::hidden();
    let mut draw = |done: u64, total: u64| show_progress(&bar, done, total);
    let (source, imported) = if is_stream(path) {
        let bytes = bytes(path)?;
        let imported = import(&bytes, &options, &mut draw);
        (Source::Stream(bytes), imported)
    } else {
        let imported = import_reader(open(path)?, &options, &mut draw);
        (Source::File(path.to_owned()), imported)
    };
    bar.finish_and_clear();
    let imported = imported.map_err(|e| Failure::data(format!("{}: {e}", path.display())))?;
    let name = |part: Option<&std::ffi::OsStr>| match part {
        Some(name) if path.as_os_str() != "-" => name.to_string_lossy().into_owned(),
        _ => "standard input".to_owned(),
    };
    Ok(ReadLog {
        imported,
        source,
        file_name: name(path.file_name()),
        stem: name(path.file_stem()),
    })
}

fn options(args: &ReadArgs) -> Result<ImportOptions, Failure> {
    let mut overrides = Vec::new();
    for text in &args.channel {
        let parsed: ChannelOverride = text
            .parse()
            .map_err(|e: ImportError| Failure::usage(e.to_string()))?;
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

/// Draws the bar once it is known that the file is long; on standard error, on a terminal only.
fn show_progress(bar: &ProgressBar, done: u64, total: u64) {
    if total < PROGRESS_FROM {
        return;
    }
    if bar.length() != Some(total) {
        bar.set_length(total);
        bar.set_draw_target(ProgressDrawTarget::stderr());
        let template = "reading {bar:30} {bytes} of {total_bytes}, {eta} left";
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
    }
    bar.set_position(done);
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
