//! `add frames`.

use settlepoint_domain::{Run, RunData};
use settlepoint_notebook::{FrameSource, Kind, Notebook, new_id};

use crate::args::AddFramesArgs;
use crate::commands::add::{
    Added, cooling_for, machine_for, refuse_run_name, same_file, workload_for,
};
use crate::commands::add_scores::{Target, new_setting, no_such_run};
use crate::error::Failure;
use crate::frame_file;
use crate::interrupt::{self, Writing};
use crate::log_file;
use crate::view::Answer;

/// `settlepoint add frames`: one recording, kept with its run.
pub(crate) fn frames(args: &AddFramesArgs) -> Result<Answer, Failure> {
    let book = Notebook::open(&args.notebook)?;
    let bytes = log_file::bytes(&args.file)?;
    let shown = args.file.display().to_string();
    let read = frame_file::read(
        &bytes,
        &shown,
        args.frame_column.as_deref(),
        args.frame_unit,
    )?;
    let _writing = Writing::begin();
    let added = book.transaction(|book| {
        let mut added = Added::default();
        let run = run_for(book, args, &mut added)?;
        let raw = book.keep_raw_bytes(&bytes)?;
        if let Some(known) = book.run_of_frame_file(raw)? {
            added.findings.push(same_file(&book.run(known)?.name));
        }
        let source = FrameSource {
            name: &file_name(args),
            reading: &read.reading,
            raw: Some(raw),
        };
        book.add_frames(run.id, read.log.times_ms(), &source)?;
        interrupt::check()?;
        added.push("frames", run.id, &run.name);
        Ok::<_, Failure>(added)
    })?;
    Ok(added.answer())
}

fn file_name(args: &AddFramesArgs) -> String {
    match args.file.file_name() {
        Some(name) if args.file.as_os_str() != "-" => name.to_string_lossy().into_owned(),
        _ => "standard input".to_owned(),
    }
}

/// The run that is named, the only one of the setting and workload, or a new one.
fn run_for(book: &Notebook, args: &AddFramesArgs, added: &mut Added) -> Result<Run, Failure> {
    if let Some(name) = &args.run
        && let Some(id) = book.find(Kind::Run, name)?
    {
        return named(book, args, book.run(id)?);
    }
    let Some(setting) = &args.setting else {
        return Err(match &args.run {
            Some(name) => no_such_run(book, name)?,
            None => Failure::usage(
                "say which run the frames are of: --run, or --setting (and --workload)",
            ),
        });
    };
    if book.find(Kind::Setting, setting)?.is_none() {
        added.findings.push(new_setting(setting));
    }
    let load = workload_for(book, args.workload.as_deref().unwrap_or(""))?;
    let setting = book.setting_named(setting)?;
    let target = Target::by_setting(book, setting, load, args.run.as_deref())?;
    match target.run {
        Some(run) => Ok(run),
        None => new_run(book, args, &target, added),
    }
}

/// A run that exists: what else is said must agree with it.
fn named(book: &Notebook, args: &AddFramesArgs, run: Run) -> Result<Run, Failure> {
    let setting = book.setting(run.setting)?.name;
    let workload = book.workload(run.workload)?.name;
    let said = [
        ("setting", &args.setting, setting),
        ("workload", &args.workload, workload),
    ];
    for (kind, said, kept) in said {
        if let Some(said) = said.as_ref().filter(|said| **said != kept) {
            return Err(Failure::usage(format!(
                "run '{}' has the {kind} '{kept}', not '{said}'; leave --{kind} out, or name a new \
                 run with --run (nothing was added)",
                run.name
            )));
        }
    }
    Ok(run)
}

fn new_run(
    book: &Notebook,
    args: &AddFramesArgs,
    target: &Target,
    added: &mut Added,
) -> Result<Run, Failure> {
    let machine = machine_for(book, args.machine.as_deref().unwrap_or(""))?;
    let cooling = cooling_for(book, &machine, args.cooling.as_deref().unwrap_or(""))?;
    let tune = match &args.tune {
        Some(name) => Some(book.tune_named(machine.id, name)?.id),
        None => None,
    };
    let run = Run {
        id: new_id()?,
        name: target.name.clone(),
        machine: machine.id,
        cooling: cooling.id,
        tune,
        setting: target.setting.id,
        workload: target.load.id,
        room_c: args.room,
        altitude_m: None,
        data: RunData::ScoresOnly,
        scores: Vec::new(),
        excluded: None,
    };
    refuse_run_name(book, cooling.id, &run.name)?;
    book.add_run(&run)?;
    added.push("run", run.id, &run.name);
    Ok(run)
}
