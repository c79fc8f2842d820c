//! Runs into a notebook, with what they belong to made where it is new: from the command line and
//! from the page.

use settlepoint_domain::{
    Cooling, Direction, FanSetting, Finding, Id, LimitValue, Machine, PhaseReading, Role, Run,
    RunData, Score, ScoreKind, SensorLog, Setting, Severity, Workload,
};
use settlepoint_notebook::{LogSource, Notebook, new_id};
use settlepoint_review::limits_reversed;

use crate::ViewError;
use crate::gather::analysed;
use crate::listed::listed;

/// A run as typed. Names that are blank mean the only thing of their kind, or a first one.
#[derive(Clone, Debug, PartialEq)]
pub struct TypedRun {
    /// Name.
    pub name: String,
    /// Machine.
    pub machine: String,
    /// Cooling.
    pub cooling: String,
    /// Tune; none if blank.
    pub tune: String,
    /// Setting; named by its limits if blank.
    pub setting: String,
    /// PL1, W.
    pub pl1_w: LimitValue,
    /// PL2, W.
    pub pl2_w: LimitValue,
    /// Window of PL1, s.
    pub tau_s: LimitValue,
    /// Temperature limit, °C.
    pub temp_limit_c: LimitValue,
    /// Workload.
    pub workload: String,
    /// Room, °C.
    pub room_c: Option<f64>,
    /// Averages, a phase each, in time order.
    pub phases: Vec<PhaseReading>,
    /// Score.
    pub score: Option<f64>,
}

/// Checks a setting; the message says what to do.
///
/// # Errors
/// [`ViewError::Unknown`] for a value that cannot be.
pub fn check_setting(setting: &Setting) -> Result<(), ViewError> {
    setting
        .check()
        .map_err(|e| ViewError::Unknown(format!("{e}; correct it and try again")))
}

/// A temperature limit must lie above the room.
///
/// # Errors
/// [`ViewError::Unknown`] for a room that cannot be, or one as warm as the limit.
pub fn check_room(setting: &Setting, room_c: Option<f64>) -> Result<(), ViewError> {
    if let Some(room) = room_c {
        if !(-60.0..=80.0).contains(&room) {
            return Err(ViewError::Unknown(format!(
                "a room of {room} °C: give a value from -60 to 80 °C"
            )));
        }
        if let LimitValue::Value(limit) = setting.temp_limit_c
            && limit <= room
        {
            return Err(ViewError::Unknown(format!(
                "the temperature limit of {limit} °C is not above the room's {room} °C, so no \
                     power could be held; give a limit well above the room"
            )));
        }
    }
    Ok(())
}

/// The machine with this name, made if new; the only one (or a first one) for a blank name.
///
/// # Errors
/// Several machines to a blank name, or trouble with the notebook.
pub fn machine_for(book: &Notebook, name: &str) -> Result<Machine, ViewError> {
    if !name.is_empty() {
        return Ok(book.machine_named(name)?);
    }
    let mut machines = book.machines()?;
    match machines.len() {
        0 => Ok(book.machine_named("machine")?),
        1 => Ok(machines.remove(0)),
        _ => Err(ViewError::Unknown(format!(
            "there are several machines ({}); name one",
            listed(machines.iter().map(|m| (m.name.as_str(), m.id)))
        ))),
    }
}

/// The cooling of a machine with this name, made if new; the only one (or a first one) for a blank
/// name.
///
/// # Errors
/// Several coolings to a blank name, or trouble with the notebook.
pub fn cooling_for(book: &Notebook, machine: &Machine, name: &str) -> Result<Cooling, ViewError> {
    if !name.is_empty() {
        return Ok(book.cooling_named(machine.id, name)?);
    }
    let own: Vec<Cooling> = book
        .coolings()?
        .into_iter()
        .filter(|c| c.machine == machine.id)
        .collect();
    match own.as_slice() {
        [only] => Ok(only.clone()),
        [] => Ok(book.cooling_named(machine.id, "as built")?),
        _ => Err(ViewError::Unknown(format!(
            "there are several coolings ({}); name one",
            listed(own.iter().map(|c| (c.name.as_str(), c.id)))
        ))),
    }
}

/// The workload with this name, made if new; the only one under load (or a first one) for a blank
/// name.
///
/// # Errors
/// Several workloads to a blank name, or trouble with the notebook.
pub fn workload_for(book: &Notebook, name: &str) -> Result<Workload, ViewError> {
    scored_workload(book, name, "", Direction::Higher)
}

/// The workload with this name, made with this unit and direction if new.
///
/// # Errors
/// As [`workload_for`].
pub fn scored_workload(
    book: &Notebook,
    name: &str,
    unit: &str,
    direction: Direction,
) -> Result<Workload, ViewError> {
    let name = if name.is_empty() {
        let mut loads: Vec<Workload> = book.workloads()?.into_iter().filter(|w| !w.idle).collect();
        match loads.len() {
            0 => "load",
            1 => return Ok(loads.remove(0)),
            _ => {
                return Err(ViewError::Unknown(format!(
                    "there are several workloads ({}); name one",
                    listed(loads.iter().map(|w| (w.name.as_str(), w.id)))
                )));
            }
        }
    } else {
        name
    };
    Ok(book.workload_named(&Workload {
        id: new_id()?,
        name: name.to_owned(),
        unit: unit.to_owned(),
        direction,
        kind: ScoreKind::MeanRate,
        duration_s: 600.0,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    })?)
}

/// A label for limits that nobody named.
pub fn limits_label(pl1: LimitValue, pl2: LimitValue, temp: LimitValue) -> String {
    let show = |v: LimitValue, unit: &str| match v {
        LimitValue::Unknown => "?".to_owned(),
        other => format!("{other}{unit}"),
    };
    format!(
        "{}/{}{}",
        show(pl1, ""),
        show(pl2, " W"),
        match temp {
            LimitValue::Unknown => String::new(),
            other => format!(" {}", show(other, " °C")),
        }
    )
}

/// Scores in the order of their repetitions.
pub fn scores_of(values: &[f64]) -> Vec<Score> {
    (1..)
        .zip(values)
        .map(|(repetition, &value)| Score {
            value,
            repetition,
            order: None,
            block: None,
            time: None,
        })
        .collect()
}

/// Adds typed runs: all or, inside of a transaction, none. Gives them, and what is odd about them.
///
/// # Errors
/// What cannot be or contradicts the notebook, by run.
pub fn typed_runs(
    book: &Notebook,
    runs: Vec<TypedRun>,
) -> Result<(Vec<Run>, Vec<Finding>), ViewError> {
    let (mut added, mut findings) = (Vec::new(), Vec::new());
    for typed in runs {
        let machine = machine_for(book, &typed.machine)?;
        let cooling = cooling_for(book, &machine, &typed.cooling)?;
        let workload = workload_for(book, &typed.workload)?;
        let setting = typed_setting(book, &typed)?;
        check_room(&setting, typed.room_c)
            .map_err(|e| ViewError::Data(format!("run {}: {e} (nothing was added)", typed.name)))?;
        refuse_run_name(book, cooling.id, &typed.name)?;
        findings.extend(typed_findings(&typed));
        findings.extend(limits_reversed(&setting, Some(&typed.name)));
        let tune = if typed.tune.is_empty() {
            None
        } else {
            Some(book.tune_named(machine.id, &typed.tune)?.id)
        };
        let run = Run {
            id: new_id()?,
            name: typed.name,
            machine: machine.id,
            cooling: cooling.id,
            tune,
            setting: setting.id,
            workload: workload.id,
            room_c: typed.room_c,
            altitude_m: None,
            data: RunData::Readings(typed.phases),
            scores: typed.score.map(|s| scores_of(&[s])).unwrap_or_default(),
            excluded: None,
        };
        book.add_run(&run)?;
        added.push(run);
    }
    Ok((added, findings))
}

/// What is odd in a typed run but may be true.
fn typed_findings(run: &TypedRun) -> Vec<Finding> {
    let finding = |rule, evidence: String, remedy: &str| Finding {
        rule,
        severity: Severity::Warning,
        run: Some(run.name.clone()),
        evidence,
        remedy: remedy.to_owned(),
    };
    let mut found = Vec::new();
    for (i, phase) in run.phases.iter().enumerate() {
        let place = i + 1;
        if run.phases[..i].contains(phase) {
            found.push(finding(
                "repeated_row",
                format!("row {place} of the run says the same as an earlier one"),
                "if it was pasted twice, exclude the run and enter it again under another name",
            ));
        }
        if let (Some(package), Some(room)) = (phase.package_c, run.room_c)
            && package < room
        {
            {
                found.push(finding(
                    "package_below_room",
                    format!("row {place} has the package at {package} °C in a room of {room} °C"),
                    "look whether columns or units are mixed up",
                ));
            }
        }
    }
    if run.room_c.is_none() {
        found.push(finding(
            "room_not_noted",
            "no room temperature is noted".to_owned(),
            "note it, else predictions for other rooms rest on a guess",
        ));
    }
    found
}

/// The setting that a typed run names or describes.
fn typed_setting(book: &Notebook, typed: &TypedRun) -> Result<Setting, ViewError> {
    let unknown = [typed.pl1_w, typed.pl2_w, typed.tau_s, typed.temp_limit_c]
        .into_iter()
        .all(|v| v == LimitValue::Unknown);
    if unknown && !typed.setting.is_empty() {
        return Ok(book.setting_named(&typed.setting)?);
    }
    let name = if typed.setting.is_empty() {
        limits_label(typed.pl1_w, typed.pl2_w, typed.temp_limit_c)
    } else {
        typed.setting.clone()
    };
    let setting = Setting {
        id: new_id()?,
        name,
        pl1_w: typed.pl1_w,
        pl2_w: typed.pl2_w,
        tau_s: typed.tau_s,
        temp_limit_c: typed.temp_limit_c,
        more_tiers: Vec::new(),
        fan: FanSetting::AsFitted,
    };
    check_setting(&setting)
        .map_err(|e| ViewError::Data(format!("run {}: {e} (nothing was added)", typed.name)))?;
    Ok(book.setting_like(&setting)?)
}

/// A cooling's runs have names of their own.
///
/// # Errors
/// The name is taken.
pub fn refuse_run_name(book: &Notebook, cooling: Id, name: &str) -> Result<(), ViewError> {
    let taken = book
        .runs()?
        .into_iter()
        .any(|r| r.cooling == cooling && r.name == name);
    if taken {
        return Err(ViewError::Unknown(format!(
            "this cooling already has a run '{name}'; rename the new one (nothing was added)"
        )));
    }
    Ok(())
}

/// A log to be kept with its run.
#[derive(Clone, Copy, Debug)]
pub struct LogToKeep<'a> {
    /// The run; its data are a log.
    pub run: &'a Run,
    /// The samples.
    pub log: &'a SensorLog,
    /// Where it came from.
    pub source: &'a LogSource<'a>,
}

/// Keeps a run with its log and what the log shows.
///
/// # Errors
/// Trouble with the notebook.
pub fn keep_log(book: &Notebook, keep: &LogToKeep<'_>) -> Result<(), ViewError> {
    book.add_run(keep.run)?;
    book.add_log(keep.run.id, keep.log, keep.source)?;
    let (_, found) = analysed(keep.log, keep.run.room_c);
    book.set_findings(keep.run.id, &found.findings)?;
    Ok(())
}

/// Whether a log has any reading that the models know.
pub fn has_readings(log: &SensorLog) -> bool {
    let idle = [Role::Time, Role::Room, Role::Part, Role::Limit, Role::Other];
    log.channels().iter().any(|c| !idle.contains(&c.role))
}

/// The finding that a file was read before.
pub fn same_file(run: &str) -> Finding {
    Finding {
        rule: "same_file",
        severity: Severity::Warning,
        run: None,
        evidence: format!("the file is that of run '{run}', byte for byte"),
        remedy: "exclude one of them, else the same readings count twice".to_owned(),
    }
}

/// First bytes of files that are often named by mistake, and what to do instead.
const FOREIGN: [(&[u8], &str); 4] = [
    (
        b"SQLite format 3\0",
        "a notebook or another database, not a table of text; name the log or table itself",
    ),
    (
        b"PK\x03\x04",
        "a workbook or an archive; save the sheet as CSV, or unpack it, and name that file",
    ),
    (
        b"\x1f\x8b",
        "compressed; unpack it and name the unpacked file",
    ),
    (
        b"\xd0\xcf\x11\xe0",
        "a workbook in an old binary form; save the sheet as CSV and name that file",
    ),
];

/// What a file that begins so is, and what to do instead, if it is no text at all.
pub fn foreign(start: &[u8]) -> Option<&'static str> {
    FOREIGN
        .iter()
        .find(|(mark, _)| start.starts_with(mark))
        .map(|(_, what)| *what)
}
