//! `record`: this machine's sensors into a notebook, or as CSV.

use std::fs::File;
use std::path::{Path, PathBuf};

use serde_json::json;
use settlepoint_bench::{
    Clock, CsvSink, End, Feed, Found, Load, LoadAt, LoadKind, LoadSpec, Plan, Probe, Recorder,
    Rest, RunOutcome, ScorePick, Settled, Sink, Snapshot, Stages, Stop, Topology, Tree, Wanted,
    choose, discover, package_zones, rehearse, run, settle, unit_of, work_feed,
};
use settlepoint_domain::{
    Direction, Finding, LimitValue, Role, Run, RunData, Score, ScoreKind, ScoreTime, Setting,
    TimeOrigin, Workload,
};
use settlepoint_notebook::{Kind, Notebook, NotebookError, new_id};

use crate::args::{RecordArgs, SensorArgs};
use crate::commands::add::{cooling_for, limits_label, machine_for, refuse_run_name, workload_for};
use crate::commands::channels::remedy;
use crate::error::{Code, Failure, with_path};
use crate::interrupt::{self, Writing};
use crate::live::LiveLine;
use crate::view::{Answer, findings, findings_text, number, optional};
use crate::{Outcome, limits};
use settlepoint_views::gather;
use settlepoint_views::recording::{NotebookSink, mark_cut_short};

pub(crate) fn record(args: &RecordArgs, json: bool) -> Result<Outcome, Failure> {
    if json && args.to.as_ref().is_some_and(|to| to.as_os_str() == "-") {
        return Err(Failure::usage(
            "--to - and --json both write to standard output; leave one out",
        ));
    }
    let load = load(args)?;
    let sensors = Sensors::open(&args.sensors)?;
    let kept = match (&args.notebook, &args.to) {
        (Some(path), _) => Some(Kept::prepare(path, args, load.as_ref())?),
        (None, Some(_)) => None,
        (None, None) => return Err(Failure::usage("give a notebook, or --to FILE")),
    };
    let sink: Box<dyn Sink> = match &kept {
        Some(kept) => Box::new(kept.sink(&args.sensors.root)?),
        None => stream(args.to.as_deref())?,
    };
    let stages = Stages {
        lead_s: args.rest_before,
        warm_up_s: 0.0,
        run_s: args.run_s,
        cool_down_s: args.rest_after,
    };
    let stop = Stop {
        temp_c: args.stop_temp,
        after_s: args.stop_after,
    };
    let _writing = Writing::begin();
    let mut line = LiveLine::new();
    let outcome = sensors.run(sink, load.as_ref(), stages, stop, |now| {
        line.show(now);
        interrupt::pressed().then_some(End::Asked)
    });
    line.clear();
    let outcome = outcome?;
    let code = if outcome.end == End::Asked && args.run_s.is_some() {
        Code::Interrupted as u8
    } else {
        0
    };
    let mut found = sensors.findings();
    found.extend(outcome.findings().into_iter().filter(|f| {
        // Ctrl-C is how a recording without a length is meant to end.
        f.rule != "ended_by_hand" || args.run_s.is_some()
    }));
    let answer = match kept {
        Some(kept) => {
            kept.keep_outcome(&outcome, &found)?;
            kept.answer(&outcome, found)
        }
        None => streamed(args.to.as_deref(), &outcome, &found),
    };
    Ok(Outcome { answer, code })
}

/// The load that the arguments name.
fn load(args: &RecordArgs) -> Result<Option<Load>, Failure> {
    if let Some(text) = &args.load {
        let spec: LoadSpec = text.parse().map_err(Failure::usage)?;
        return Ok(Some(Load::BuiltIn(spec)));
    }
    let Some(command) = &args.command else {
        return Ok(None);
    };
    let pick = match (&args.score_pattern, &args.score_json) {
        (Some(pattern), _) => Some(ScorePick::pattern(pattern)?),
        (None, Some(path)) => Some(ScorePick::Json(path.clone())),
        (None, None) => None,
    };
    Ok(Some(Load::Command {
        command: command.clone(),
        pick,
    }))
}

/// Standard output, or a new file.
fn stream(to: Option<&Path>) -> Result<Box<dyn Sink>, Failure> {
    match to {
        Some(path) if path.as_os_str() != "-" => {
            let file = File::create_new(path).map_err(|e| match e.kind() {
                std::io::ErrorKind::AlreadyExists => Failure::usage(format!(
                    "{} is there already and is left as it is; choose another name",
                    path.display()
                )),
                _ => with_path(path, "make", &e),
            })?;
            Ok(Box::new(CsvSink::new(file)))
        }
        _ => Ok(Box::new(CsvSink::new(std::io::stdout()))),
    }
}

/// Everything that is read, ready to be read.
pub(crate) struct Sensors {
    root: PathBuf,
    found: Vec<Found>,
    denied: String,
    clock: Box<dyn Clock>,
    topology: Topology,
    period_s: f64,
    feeds: Vec<Feed>,
    /// Ask their commands as long as they are kept.
    _probes: Vec<Probe>,
}

impl Sensors {
    pub(crate) fn open(args: &SensorArgs) -> Result<Self, Failure> {
        let wanted = wanted(args)?;
        let all = match discover(&args.root) {
            Ok(all) => all,
            // What the user names may be enough.
            Err(_) if !args.file.is_empty() || !args.probe.is_empty() => Vec::new(),
            Err(error) => return Err(error.into()),
        };
        let denied = remedy(&all);
        let found = choose(all, &wanted)?;
        let (mut feeds, mut probes) = (Vec::new(), Vec::new());
        for text in &args.probe {
            let (role, command) = role_and_rest(text, "--probe", "ROLE=COMMAND")?;
            let feed = Feed::new(command, role, unit_of(role), "first number of its output");
            probes.push(Probe::start(command, 1.0, feed.value.clone())?);
            feeds.push(feed);
        }
        Ok(Self {
            root: args.root.clone(),
            found,
            denied,
            clock: rehearse::clock_of(&args.root)?,
            topology: Topology::of(&Tree::new(&args.root)),
            period_s: 1.0 / args.rate,
            feeds,
            _probes: probes,
        })
    }

    /// Takes a run through its stages; `show` sees each row and gives a reason to end it.
    pub(crate) fn run(
        &self,
        sink: Box<dyn Sink>,
        load: Option<&Load>,
        stages: Stages,
        stop: Stop,
        show: impl FnMut(&Snapshot<'_>) -> Option<End>,
    ) -> Result<RunOutcome, Failure> {
        let mut feeds = self.feeds.clone();
        let work = matches!(load, Some(Load::BuiltIn(spec)) if spec.kind != LoadKind::Rest)
            .then(work_feed);
        feeds.extend(work.clone());
        let plan = Plan {
            root: &self.root,
            found: &self.found,
            feeds,
            period_s: self.period_s,
        };
        let recorder = Recorder::start(plan, self.clock.as_ref(), Some(sink))?;
        let at = load.map(|load| LoadAt {
            load,
            root: &self.root,
            topology: &self.topology,
        });
        Ok(run(recorder, at, work.as_ref(), stages, stop, show)?)
    }

    /// Waits at rest until the machine has settled; nothing is recorded.
    pub(crate) fn settle(
        &self,
        rest: Rest,
        show: impl FnMut(&Snapshot<'_>) -> bool,
    ) -> Result<Settled, Failure> {
        let plan = Plan {
            root: &self.root,
            found: &self.found,
            feeds: self.feeds.clone(),
            // Rest is judged by means over a minute.
            period_s: self.period_s.max(1.0),
        };
        let recorder = Recorder::start(plan, self.clock.as_ref(), None)?;
        Ok(settle(recorder, rest, show)?)
    }

    pub(crate) fn clock(&self) -> &dyn Clock {
        self.clock.as_ref()
    }

    /// The maximum that the package's sensor reports for itself, °C (Documentation/hwmon/coretemp.rst:
    /// `temp1_crit` is Tj max).
    pub(crate) fn critical_c(&self) -> Option<f64> {
        let package = |f: &&Found| f.role == Role::Temperature && f.part == "package";
        let source = &self.found.iter().find(package)?.source;
        let name = source.file_name()?.to_str()?.strip_suffix("_input")?;
        let text = std::fs::read_to_string(source.with_file_name(format!("{name}_crit"))).ok()?;
        let millidegrees: f64 = text.trim().parse().ok()?;
        (millidegrees > 0.0).then_some(1e-3 * millidegrees)
    }

    /// What is missing because it may not be read.
    pub(crate) fn findings(&self) -> Vec<Finding> {
        if self.denied.is_empty() {
            return Vec::new();
        }
        vec![Finding {
            rule: "no_permission",
            severity: settlepoint_domain::Severity::Warning,
            run: None,
            evidence: self
                .denied
                .lines()
                .filter(|l| l.starts_with("  "))
                .map(str::trim)
                .fold("not readable:".to_owned(), |all, file| all + " " + file),
            remedy: settlepoint_bench::ENERGY_REMEDY.to_owned(),
        }]
    }
}

fn wanted(args: &SensorArgs) -> Result<Wanted, Failure> {
    let mut wanted = Wanted {
        only: args.only.clone(),
        without: args.without.clone(),
        ..Wanted::default()
    };
    for text in &args.role {
        let (id, role) = text
            .rsplit_once('=')
            .ok_or_else(|| Failure::usage(format!("--role {text}: write ID=ROLE")))?;
        let role = role
            .parse()
            .map_err(|e| Failure::usage(format!("--role {text}: {e}")))?;
        wanted.roles.push((id.to_owned(), role));
    }
    for text in &args.file {
        let (role, rest) = role_and_rest(text, "--file", "ROLE=PATH")?;
        let (path, factor) = match rest.rsplit_once('*') {
            Some((path, factor)) => match factor.parse::<f64>() {
                Ok(factor) if factor.is_finite() => (path, factor),
                _ => {
                    return Err(Failure::usage(format!(
                        "--file {text}: '{factor}' is no factor; write ROLE=PATH*0.001"
                    )));
                }
            },
            None => (rest, 1.0),
        };
        let path = PathBuf::from(path);
        if !path.exists() {
            return Err(Failure::data(format!(
                "--file {text}: there is no {}; check the path",
                path.display()
            )));
        }
        wanted.files.push((role, path, factor));
    }
    Ok(wanted)
}

fn role_and_rest<'a>(text: &'a str, option: &str, form: &str) -> Result<(Role, &'a str), Failure> {
    let wrong = |why: String| Failure::usage(format!("{option} {text}: {why}"));
    let (role, rest) = text
        .split_once('=')
        .ok_or_else(|| wrong(format!("write {form}")))?;
    Ok((role.parse().map_err(wrong)?, rest))
}

/// Where a recording belongs in a notebook.
pub(crate) struct Kept {
    path: PathBuf,
    run: Run,
    kind: ScoreKind,
    unit: String,
    /// Place and block in the order of measurement.
    place: (Option<u32>, Option<String>),
}

impl Kept {
    /// Finds or makes everything that the run refers to.
    fn prepare(path: &Path, args: &RecordArgs, load: Option<&Load>) -> Result<Self, Failure> {
        let book = open(path)?;
        let name = args.name.clone().unwrap_or_else(now_label);
        book.transaction(|book| {
            let machine = machine_for(book, args.machine.as_deref().unwrap_or(""))?;
            let cooling = cooling_for(book, &machine, args.cooling.as_deref().unwrap_or(""))?;
            refuse_run_name(book, cooling.id, &name)?;
            let tune = match &args.tune {
                Some(name) => Some(book.tune_named(machine.id, name)?.id),
                None => None,
            };
            let workload = workload_of(book, args.workload.as_deref(), load)?;
            let setting = setting_of(book, args)?;
            limits::check_room(&setting, args.room)?;
            Ok(Self {
                path: path.to_path_buf(),
                kind: workload.kind,
                unit: workload.unit.clone(),
                place: (None, None),
                run: Run {
                    id: new_id()?,
                    name,
                    machine: machine.id,
                    cooling: cooling.id,
                    tune,
                    setting: setting.id,
                    workload: workload.id,
                    room_c: args.room,
                    altitude_m: args.altitude,
                    data: RunData::Log,
                    scores: Vec::new(),
                    excluded: None,
                },
            })
        })
    }

    /// A run of a campaign, with its place and block in the sheet.
    pub(crate) fn of_campaign(
        path: &Path,
        run: Run,
        workload: &Workload,
        place: (Option<u32>, Option<String>),
    ) -> Self {
        Self {
            path: path.to_path_buf(),
            kind: workload.kind,
            unit: workload.unit.clone(),
            run,
            place,
        }
    }

    pub(crate) fn run(&self) -> &Run {
        &self.run
    }

    /// Of the score.
    pub(crate) fn unit(&self) -> &str {
        &self.unit
    }

    pub(crate) fn score(&self, outcome: &RunOutcome) -> Option<f64> {
        score(self.kind, outcome)
    }

    pub(crate) fn sink(&self, root: &Path) -> Result<NotebookSink, Failure> {
        let book = Notebook::open(&self.path)?;
        let source = if rehearse::is_rehearsal(root) {
            format!("rehearsal {} (invented)", root.display())
        } else {
            "this machine's sensors".to_owned()
        };
        Ok(NotebookSink::new(book, self.run.clone(), &source))
    }

    /// Adds score, room and findings to the run that was recorded.
    pub(crate) fn keep_outcome(
        &self,
        outcome: &RunOutcome,
        found: &[Finding],
    ) -> Result<(), Failure> {
        if outcome.account.rows == 0 {
            return Ok(());
        }
        let book = Notebook::open(&self.path).map_err(|e| self.gone(e))?;
        book.transaction(|book| {
            let log = book.log(self.run.id)?;
            let (_, reviewed) = gather::analysed(&log, self.run.room_c);
            let all: Vec<Finding> = found.iter().cloned().chain(reviewed.findings).collect();
            book.set_findings(self.run.id, &all)?;
            if let Some(value) = score(self.kind, outcome) {
                let time = log.start().map(|start| ScoreTime {
                    seconds: (start.unix_ns as f64 * 1e-9).round(),
                    origin: TimeOrigin::Epoch,
                });
                book.add_scores(
                    self.run.id,
                    &[Score {
                        value,
                        repetition: 1,
                        order: self.place.0,
                        block: self.place.1.clone(),
                        time,
                    }],
                )?;
            }
            Ok(())
        })
    }

    /// The samples were brought to safety; what comes after them has nowhere to go.
    fn gone(&self, error: NotebookError) -> Failure {
        match error {
            NotebookError::NotFound { path } => Failure::new(
                Code::Notebook,
                format!(
                    "{} was moved or deleted while '{}' was recorded: its samples are in the notebook \
                     named above, its score and findings are not; add the score with 'settlepoint add \
                     scores'",
                    path.display(),
                    self.run.name
                ),
            ),
            other => other.into(),
        }
    }

    fn answer(&self, outcome: &RunOutcome, mut found: Vec<Finding>) -> Answer {
        for finding in &mut found {
            finding.run = Some(self.run.name.clone());
        }
        let score = score(self.kind, outcome);
        let said = score.map_or(String::new(), |s| {
            format!(", score {} {}", crate::view::fixed(s, 4), self.unit)
        });
        Answer::new(
            json!({
                "schema": "settlepoint.record/1",
                "runs": [{ "id": self.run.id.to_string(), "name": self.run.name }],
                "rows": outcome.account.rows,
                "duration_s": number(outcome.account.duration_s),
                "missed_ticks": outcome.account.missed_ticks,
                "score": optional(score),
                "work": optional(outcome.load.as_ref().and_then(|l| l.work)),
                "exit_code": outcome.load.as_ref().and_then(|l| l.exit_code),
                "findings": findings(&found),
            }),
            format!(
                "recorded '{}': {} rows over {:.1} s{}\n{}",
                self.run.name,
                outcome.account.rows,
                outcome.account.duration_s,
                said.trim_end(),
                findings_text(&found)
            ),
        )
    }
}

/// Opens a notebook to record into; what cannot be written is refused before anything is run.
pub(crate) fn open(path: &Path) -> Result<Notebook, Failure> {
    let book = Notebook::open(path)?;
    if book.is_read_only()? {
        return Err(Failure::new(
            Code::Notebook,
            format!(
                "{} may not be written to; change its permissions, or record with --to FILE",
                path.display()
            ),
        ));
    }
    for run in mark_cut_short(&book)? {
        crate::message(&format!(
            "settlepoint: the recording of '{}' had been cut short; what it has is kept\n",
            run.name
        ));
    }
    Ok(book)
}

fn now_label() -> String {
    let time = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0.0, |d| d.as_secs_f64().floor());
    let time = ScoreTime {
        seconds: time,
        origin: TimeOrigin::Epoch,
    };
    format!("recorded {time} UTC")
}

/// The workload named, or one named after a built-in load.
pub(crate) fn workload_of(
    book: &Notebook,
    name: Option<&str>,
    load: Option<&Load>,
) -> Result<Workload, Failure> {
    let Some(Load::BuiltIn(spec)) = load else {
        return Ok(workload_for(book, name.unwrap_or(""))?);
    };
    let own = spec.to_string();
    let fixed_work = spec.work.is_some();
    let kept = book.workload_named(&Workload {
        id: new_id()?,
        name: name.unwrap_or(&own).to_owned(),
        unit: if fixed_work { "s" } else { "passes/s" }.to_owned(),
        direction: if fixed_work {
            Direction::Lower
        } else {
            Direction::Higher
        },
        kind: if fixed_work {
            ScoreKind::TimeForWork
        } else {
            ScoreKind::MeanRate
        },
        duration_s: 600.0,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: spec.kind == LoadKind::Rest,
    })?;
    if fixed_work != (kept.kind == ScoreKind::TimeForWork) {
        return Err(Failure::usage(format!(
            "the workload '{}' is scored another way than this load; give another --workload (nothing \
             was recorded)",
            kept.name
        )));
    }
    Ok(kept)
}

/// The setting named, or one of the limits given; power limits not given are read from the machine.
fn setting_of(book: &Notebook, args: &RecordArgs) -> Result<Setting, Failure> {
    if let Some(name) = &args.setting {
        return Ok(book.setting(book.id_of(Kind::Setting, name)?)?);
    }
    let mut setting = limits::setting(new_id()?, "", &args.limits)?;
    read_limits(&args.sensors.root, &mut setting);
    setting.name = limits_label(setting.pl1_w, setting.pl2_w, setting.temp_limit_c);
    Ok(book.setting_like(&setting)?)
}

/// Fills unknown power limits in as the first package has them.
pub(crate) fn read_limits(root: &Path, setting: &mut Setting) {
    let Some(zone) = package_zones(root).into_iter().next() else {
        return;
    };
    let fill = |limit: &mut LimitValue, value: Option<f64>| {
        if let (LimitValue::Unknown, Some(value)) = (*limit, value.filter(|v| *v > 0.0)) {
            *limit = LimitValue::Value((100.0 * value).round() / 100.0);
        }
    };
    if let Some(long) = zone.named("long_term") {
        fill(&mut setting.pl1_w, Some(long.power_w));
        fill(&mut setting.tau_s, long.window_s);
    }
    if let Some(short) = zone.named("short_term") {
        fill(&mut setting.pl2_w, Some(short.power_w));
    }
}

/// The score in the workload's sense: a command's own, passes a second, or the time for the work.
pub(crate) fn score(kind: ScoreKind, outcome: &RunOutcome) -> Option<f64> {
    let load = outcome.load.as_ref()?;
    if load.wrong > 0 || outcome.slept_while_scored() {
        return None;
    }
    if let Some(picked) = &load.score {
        return picked.as_ref().ok().copied().filter(|s| *s > 0.0);
    }
    let value = match kind {
        ScoreKind::TimeForWork if outcome.end == End::Complete => {
            outcome.scored_s.map(|(from_s, to_s)| to_s - from_s)
        }
        ScoreKind::TimeForWork => None,
        ScoreKind::MeanRate | ScoreKind::LastPass => outcome.rate_per_s,
    };
    value.filter(|v| *v > 0.0)
}

fn streamed(to: Option<&Path>, outcome: &RunOutcome, found: &[Finding]) -> Answer {
    let to = to.map(|to| to.display().to_string()).unwrap_or_default();
    let text = format!(
        "wrote {} rows over {:.1} s\n{}",
        outcome.account.rows,
        outcome.account.duration_s,
        findings_text(found)
    );
    // Standard output is the samples'.
    let text = if to == "-" {
        crate::message(&text);
        String::new()
    } else {
        text
    };
    Answer::new(
        json!({
            "schema": "settlepoint.record/1",
            "runs": [],
            "file": to,
            "rows": outcome.account.rows,
            "duration_s": number(outcome.account.duration_s),
            "missed_ticks": outcome.account.missed_ticks,
            "exit_code": outcome.load.as_ref().and_then(|l| l.exit_code),
            "findings": findings(found),
        }),
        text,
    )
}
