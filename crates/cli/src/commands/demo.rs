//! `demo`: the whole job on an invented example, through the same code as everything else.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use settlepoint_domain::LimitValue;
use settlepoint_infer::choose::Constraints;
use settlepoint_views::gather::{self, Pick, gather};

use crate::args::{AddCommand, AddLogArgs, DemoArgs, KindArg, LimitArgs, ReadArgs, WorkloadArgs};
use crate::commands::{add, choose};
use crate::error::{Failure, with_path};
use crate::view::Answer;

const MACHINE: &str = "attic studio";
const COOLING: &str = "tower and three case fans";
/// The attic in a hot summer, °C.
const SUMMER_C: f64 = 34.0;
/// The owner's bounds: package °C and dB(A) at the listening place.
const TEMP_MAX_C: f64 = 90.0;
const NOISE_MAX_DBA: f64 = 36.0;
const LOSS_MAX_PCT: f64 = 15.0;

/// The invented files.
const FILES: [(&str, &str); 4] = [
    (
        "mixdown-65w.csv",
        include_str!("../../demo/mixdown-65w.csv"),
    ),
    (
        "mixdown-125w.csv",
        include_str!("../../demo/mixdown-125w.csv"),
    ),
    ("typed-runs.csv", include_str!("../../demo/typed-runs.csv")),
    ("scores.csv", include_str!("../../demo/scores.csv")),
];
/// Names of the workloads that the demo makes.
const WORKLOADS: [&str; 3] = ["mixdown", "live tracking", "editing and idle"];
/// Names of the runs that the demo makes; a notebook with others has been worked on.
const RUNS: [&str; 4] = ["181 W", "tracking", "65 W", "125 W"];
/// PL1 and score of the logged runs.
const LOGS: [(&str, f64, f64); 2] = [
    ("mixdown-65w.csv", 65.0, 27.4),
    ("mixdown-125w.csv", 125.0, 38.2),
];

/// `settlepoint demo`.
pub(crate) fn demo(args: &DemoArgs) -> Result<Answer, Failure> {
    let folder = args.output.clone().unwrap_or_else(|| PathBuf::from("."));
    let (notebook, files) = make(&folder)?;
    answer(&notebook, &files)
}

/// Makes the example in a folder: the notebook, and the files that it was filled from.
pub(crate) fn make(folder: &Path) -> Result<(PathBuf, Vec<PathBuf>), Failure> {
    std::fs::create_dir_all(folder).map_err(|e| with_path(folder, "make", &e))?;
    let notebook = folder.join("demo.settle");
    refuse_foreign(&notebook)?;
    let mut files = Vec::new();
    for (name, text) in FILES {
        refuse_other(&folder.join(name), text)?;
    }
    for (name, text) in FILES {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|e| with_path(&path, "write", &e))?;
        files.push(path);
    }
    remove_old(&notebook)?;
    fill(folder, &notebook)?;
    Ok((notebook, files))
}

/// The demo may replace its own notebook, and nothing else.
fn refuse_foreign(path: &Path) -> Result<(), Failure> {
    if !path.exists() {
        return Ok(());
    }
    let own = gather::open(path)
        .and_then(|book| Ok((book.machines()?, book.workloads()?, book.runs()?)))
        .is_ok_and(|(machines, workloads, runs)| {
            // An empty notebook may be somebody's beginning.
            !workloads.is_empty()
                && machines.iter().all(|m| m.name == MACHINE)
                && workloads
                    .iter()
                    .all(|w| WORKLOADS.contains(&w.name.as_str()))
                && runs.iter().all(|r| RUNS.contains(&r.name.as_str()))
        });
    if !own {
        return Err(Failure::usage(format!(
            "{} is there already and is not the demo's; give another folder with -o",
            path.display()
        )));
    }
    Ok(())
}

fn remove_old(path: &Path) -> Result<(), Failure> {
    for suffix in ["", "-wal", "-shm"] {
        let mut file = path.as_os_str().to_owned();
        file.push(suffix);
        match std::fs::remove_file(&file) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(with_path(Path::new(&file), "replace", &e));
            }
            _ => {}
        }
    }
    Ok(())
}

/// A file of the same name that is not the demo's is the user's own.
fn refuse_other(path: &Path, text: &str) -> Result<(), Failure> {
    match std::fs::read(path) {
        Ok(there) if there != text.as_bytes() => Err(Failure::usage(format!(
            "{} is there already and is not the demo's; give another folder with -o",
            path.display()
        ))),
        _ => Ok(()),
    }
}

/// What a user would type, call by call.
fn fill(folder: &Path, notebook: &Path) -> Result<(), Failure> {
    add::new(notebook)?;
    let workload = |name: &str, unit: &str, hours: f64, idle: bool| WorkloadArgs {
        notebook: notebook.to_owned(),
        name: name.to_owned(),
        unit: unit.to_owned(),
        kind: KindArg::MeanRate,
        lower_is_better: false,
        minutes: 10.0,
        hours: Some(hours),
        weight: None,
        loss_max: None,
        idle,
    };
    for args in [
        workload("mixdown", "tracks a minute", 9.0, false),
        workload("live tracking", "voices", 22.0, false),
        workload("editing and idle", "", 30.0, true),
    ] {
        add::add(AddCommand::Workload(args))?;
    }
    add::add(AddCommand::Readings {
        template: false,
        notebook: Some(notebook.to_owned()),
        file: Some(folder.join("typed-runs.csv")),
    })?;
    for (file, pl1_w, score) in LOGS {
        add::add(AddCommand::Log(Box::new(log_args(
            folder, notebook, file, pl1_w, score,
        ))))?;
    }
    Ok(())
}

fn log_args(folder: &Path, notebook: &Path, file: &str, pl1_w: f64, score: f64) -> AddLogArgs {
    AddLogArgs {
        notebook: notebook.to_owned(),
        file: folder.join(file),
        read: ReadArgs {
            channel: Vec::new(),
            interval: None,
            device: None,
            dates: None,
            recipe: None,
            save_recipe: None,
        },
        name: Some(format!("{pl1_w:.0} W")),
        machine: Some(MACHINE.to_owned()),
        cooling: Some(COOLING.to_owned()),
        tune: None,
        workload: Some("mixdown".to_owned()),
        setting: None,
        limits: LimitArgs {
            pl1: LimitValue::Value(pl1_w),
            pl2: LimitValue::Value(253.0),
            tau: LimitValue::Value(56.0),
            temp_limit: LimitValue::Value(100.0),
            limit: Vec::new(),
            fan_max: None,
            fan_fixed: None,
            fan_curve: None,
        },
        room: None,
        altitude: Some(120.0),
        score: vec![score],
        runs_by: None,
        pl1_from: None,
        pl2_from: None,
        temp_limit_from: None,
        room_from: None,
    }
}

fn answer(notebook: &Path, files: &[PathBuf]) -> Result<Answer, Failure> {
    let book = gather::open(notebook)?;
    let gathered = gather(&book, &Pick::default())?;
    let (fit, _) = gathered.fit(&[])?;
    let constraints = Constraints {
        room_c: SUMMER_C,
        altitude_m: 120.0,
        temp_max_c: Some(TEMP_MAX_C),
        confidence: 0.95,
        noise_max_dba: Some(NOISE_MAX_DBA),
        noise_max_idle_dba: None,
        loss_max_pct: LOSS_MAX_PCT,
        wall_max_w: None,
        rest_w: 60.0,
        supply_efficiency: 0.88,
    };
    let chosen = choose::answer(&gathered, &fit, &constraints)?;
    let recommended = &chosen.json["recommended"];
    let short = |key: &str| recommended[key].clone();
    let json = json!({
        "schema": "settlepoint.demo/1",
        "notebook": notebook.display().to_string(),
        "files": files.iter().map(|f| f.display().to_string()).collect::<Vec<_>>(),
        "recommended": if recommended.is_null() { Value::Null } else { json!({
            "pl1_w": short("pl1_w"),
            "pl2_w": short("pl2_w"),
            "tau_s": short("tau_s"),
            "temp_limit_c": short("temp_limit_c"),
            "reasons": short("reasons"),
        }) },
    });
    let text = format!(
        "An invented example: the workstation of an attic recording studio.\n\
         Two logged runs (mixdown at 65 and 125 W) and two typed by hand (mixdown at 181 W, live tracking),\n\
         all in a room near 22 °C.\n\
         Asked: which setting keeps the package below {TEMP_MAX_C:.0} °C and the fans below \
         {NOISE_MAX_DBA:.0} dB(A) with 95 % probability\n\
         when the attic is at {SUMMER_C:.0} °C, and loses least?\n\n{1}\n\
         The notebook is {0}; try\n  settlepoint fit {0}\n  settlepoint predict {0} --pl1 150 --pl2 253 \
         --tau 56 --temp-limit 100 --room 34\n",
        notebook.display(),
        chosen.text,
    );
    Ok(Answer::new(json, text))
}
