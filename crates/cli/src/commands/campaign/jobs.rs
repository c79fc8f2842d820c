//! From the rows of a sheet to what is left to be done.

use std::path::Path;

use settlepoint_bench::limits::WantedLimits;
use settlepoint_bench::{Load, LoadSpec, ScorePick};
use settlepoint_domain::{FanSetting, Id, LimitValue, Run, Setting};
use settlepoint_notebook::{Kind, Notebook, new_id};
use settlepoint_sheet::{SheetRow, read};

use crate::args::CampaignArgs;
use crate::commands::add::limits_label;
use crate::error::Failure;
use crate::readings::decode;
use crate::{limits, log_file};

/// What a kept run says of having been cut off.
const UNFINISHED: [&str; 3] = ["recording_cut_short", "ended_by_hand", "limits_moved"];

/// Whether a run is to be made.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Status {
    ToDo,
    /// An attempt was cut off.
    Again {
        attempt: Id,
        why: String,
    },
    Done(Id),
    Skipped,
}

impl Status {
    pub(super) fn word(&self) -> &'static str {
        match self {
            Self::ToDo => "to do",
            Self::Again { .. } => "again",
            Self::Done(_) => "done",
            Self::Skipped => "skipped",
        }
    }

    pub(super) fn is_left(&self) -> bool {
        matches!(self, Self::ToDo | Self::Again { .. })
    }
}

/// A row with all that it takes.
#[derive(Clone, Debug)]
pub(super) struct Job {
    pub(super) row: SheetRow,
    /// What it runs; `None` if the run is made elsewhere.
    pub(super) load: Option<Load>,
    /// The limits that it is made under; unknown ones are the machine's own.
    pub(super) setting: Setting,
    pub(super) status: Status,
    pub(super) warm_up_s: f64,
    /// `None` for a command, which ends by itself.
    pub(super) run_s: Option<f64>,
    pub(super) cool_down_s: f64,
}

impl Job {
    /// Limits to be written.
    pub(super) fn wanted(&self) -> WantedLimits {
        WantedLimits {
            pl1_w: self.setting.pl1_w.value(),
            pl2_w: self.setting.pl2_w.value(),
            tau_s: self.setting.tau_s.value(),
        }
    }

    pub(super) fn fan_max_rpm(&self) -> Option<f64> {
        match self.setting.fan {
            FanSetting::Ceiling(rpm) => Some(rpm),
            _ => None,
        }
    }
}

/// All jobs of the sheet, in its order.
pub(super) fn jobs(args: &CampaignArgs, book: &Notebook) -> Result<Vec<Job>, Failure> {
    let rows = sheet(&args.sheet)?;
    let loads = Loads::of(args)?;
    let kept = Kept::of(book)?;
    let unknown = args.skip.iter().find(|s| rows.iter().all(|r| r.run != **s));
    if let Some(unknown) = unknown {
        return Err(Failure::usage(format!(
            "--skip {unknown}: the sheet has no such run; it has {}",
            rows.iter()
                .map(|r| r.run.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        )));
    }
    rows.into_iter()
        .map(|row| job(args, book, &loads, &kept, row))
        .collect()
}

fn sheet(path: &Path) -> Result<Vec<SheetRow>, Failure> {
    let name = path.display().to_string();
    let bytes = log_file::bytes(path)?;
    let text = decode(&bytes, &name)?;
    let sheet = read(&text, &name).map_err(|e| Failure::data(e.to_string()))?;
    if !sheet.unused_columns.is_empty() {
        crate::message(&format!(
            "settlepoint: {name}: nothing is read from the columns {}\n",
            sheet.unused_columns.join(", ")
        ));
    }
    Ok(sheet.rows)
}

fn job(
    args: &CampaignArgs,
    book: &Notebook,
    loads: &Loads,
    kept: &Kept,
    row: SheetRow,
) -> Result<Job, Failure> {
    let of_run = |f: Failure| Failure::new(f.code, format!("run '{}': {}", row.run, f.message));
    let status = if args.skip.contains(&row.run) {
        Status::Skipped
    } else {
        kept.status(book, &row)?
    };
    let load = if args.logs {
        None
    } else {
        Some(loads.of_workload(&row.workload).map_err(of_run)?)
    };
    let setting = setting(book, &row).map_err(of_run)?;
    limits::check_room(&setting, row.room_c.or(args.room)).map_err(of_run)?;
    let own_end = match &load {
        Some(Load::Command { .. }) => true,
        Some(Load::BuiltIn(spec)) => spec.work.is_some(),
        None => false,
    };
    Ok(Job {
        warm_up_s: row.warm_up_s.unwrap_or(args.warm_up),
        run_s: row.run_s.or((!own_end).then_some(args.run_s)),
        cool_down_s: row.cool_down_s.unwrap_or(args.cool_down),
        row,
        load,
        setting,
        status,
    })
}

/// The setting of a row: its limits, or the one that it names.
fn setting(book: &Notebook, row: &SheetRow) -> Result<Setting, Failure> {
    let limits = [row.pl1_w, row.pl2_w, row.tau_s, row.temp_limit_c];
    let says_limits = limits.iter().any(|l| *l != LimitValue::Unknown) || row.fan_max_rpm.is_some();
    if !row.setting.is_empty()
        && !says_limits
        && let Some(id) = book.find(Kind::Setting, &row.setting)?
    {
        return Ok(book.setting(id)?);
    }
    let setting = Setting {
        id: new_id()?,
        name: row.setting.clone(),
        pl1_w: row.pl1_w,
        pl2_w: row.pl2_w,
        tau_s: row.tau_s,
        temp_limit_c: row.temp_limit_c,
        more_tiers: Vec::new(),
        fan: row
            .fan_max_rpm
            .map_or(FanSetting::AsFitted, FanSetting::Ceiling),
    };
    limits::check(&setting)?;
    Ok(setting)
}

/// Gives a setting without a name one of its limits.
pub(super) fn name_setting(setting: &mut Setting) {
    if setting.name.is_empty() {
        setting.name = limits_label(setting.pl1_w, setting.pl2_w, setting.temp_limit_c);
        if let FanSetting::Ceiling(rpm) = setting.fan {
            setting.name += &format!(" {rpm} rpm");
        }
    }
}

/// What each workload runs.
struct Loads {
    every: Option<Load>,
    own: Vec<(String, Load)>,
}

impl Loads {
    fn of(args: &CampaignArgs) -> Result<Self, Failure> {
        let pick = match (&args.score_pattern, &args.score_json) {
            (Some(pattern), _) => Some(ScorePick::pattern(pattern)?),
            (None, Some(path)) => Some(ScorePick::Json(path.clone())),
            (None, None) => None,
        };
        let command = |text: &str| Load::Command {
            command: text.to_owned(),
            pick: pick.clone(),
        };
        let every = match (&args.load, &args.command) {
            (Some(text), _) => Some(built_in(text, "--load")?),
            (None, Some(text)) => Some(command(text)),
            (None, None) => None,
        };
        let mut own = Vec::new();
        for text in &args.load_of {
            let (workload, load) = split(text, "--load-of")?;
            own.push((workload, built_in(&load, "--load-of")?));
        }
        for text in &args.command_of {
            let (workload, text) = split(text, "--command-of")?;
            own.push((workload, command(&text)));
        }
        Ok(Self { every, own })
    }

    fn of_workload(&self, workload: &str) -> Result<Load, Failure> {
        if let Some((_, load)) = self.own.iter().find(|(name, _)| name == workload) {
            return Ok(load.clone());
        }
        if let Some(load) = &self.every {
            return Ok(load.clone());
        }
        match workload.parse::<LoadSpec>() {
            Ok(spec) => Ok(Load::BuiltIn(spec)),
            Err(_) => Err(Failure::usage(format!(
                "no load is known for its workload '{workload}'; give --load-of \"{workload}=LOAD\" or \
                 --command-of \"{workload}=COMMAND\", or --logs if the runs are made elsewhere"
            ))),
        }
    }
}

fn built_in(text: &str, option: &str) -> Result<Load, Failure> {
    text.parse()
        .map(Load::BuiltIn)
        .map_err(|e: String| Failure::usage(format!("{option}: {e}")))
}

fn split(text: &str, option: &str) -> Result<(String, String), Failure> {
    match text.split_once('=') {
        Some((workload, load)) => Ok((workload.to_owned(), load.to_owned())),
        None => Err(Failure::usage(format!(
            "{option} {text}: write the workload's name, =, and what it runs"
        ))),
    }
}

/// Runs of the notebook with the names that a sheet compares by.
struct Kept {
    runs: Vec<(Run, String, String)>,
    under_way: Vec<Id>,
}

impl Kept {
    fn of(book: &Notebook) -> Result<Self, Failure> {
        let mut runs = Vec::new();
        for run in book.runs()? {
            let machine = book.machine(run.machine)?.name;
            let cooling = book.cooling(run.cooling)?.name;
            runs.push((run, machine, cooling));
        }
        Ok(Self {
            runs,
            under_way: book.unfinished_recordings()?,
        })
    }

    fn status(&self, book: &Notebook, row: &SheetRow) -> Result<Status, Failure> {
        let same = |wanted: &str, name: &str| wanted.is_empty() || wanted == name;
        let Some((run, ..)) = self.runs.iter().find(|(run, machine, cooling)| {
            run.name == row.run && same(&row.machine, machine) && same(&row.cooling, cooling)
        }) else {
            return Ok(Status::ToDo);
        };
        if self.under_way.contains(&run.id) {
            return Err(Failure::usage(format!(
                "run '{}' is being recorded by another program just now; wait until it has ended",
                run.name
            )));
        }
        let findings = book.findings(run.id)?;
        let cut = findings
            .iter()
            .find(|f| UNFINISHED.contains(&f.rule.as_str()));
        Ok(match cut {
            Some(finding) => Status::Again {
                attempt: run.id,
                why: finding.evidence.clone(),
            },
            None => Status::Done(run.id),
        })
    }
}

/// Moves an attempt that was cut off out of the way of the next: it keeps its samples under another
/// name and is left out of fits. Gives how many there have been.
pub(super) fn set_aside(book: &Notebook, attempt: Id, why: &str) -> Result<u32, Failure> {
    let run = book.run(attempt)?;
    let names = book.names(Kind::Run)?;
    let mut count = 1;
    let name = |count: u32| format!("{}, attempt {count}", run.name);
    while names.contains(&name(count)) {
        count += 1;
    }
    book.rename(Kind::Run, attempt, &name(count))?;
    if run.excluded.is_none() {
        book.exclude_run(attempt, why)?;
    }
    Ok(count)
}
