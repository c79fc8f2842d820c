//! One run after another: setting, rest, recording.

use std::fs::File;
use std::path::Path;
use std::process::Command;

use settlepoint_bench::limits::{Allowed, Leftover, LimitKeeper, LimitWatch, rivals};
use settlepoint_bench::{End, Rest, Settled, Stages, Stop, Watcher, rehearse, state_folder};
use settlepoint_domain::{Finding, Id, LimitValue, Run, RunData, Severity};
use settlepoint_notebook::{Notebook, new_id};

use super::ask::{Answered, ByHand, ask, cautions, score};
use super::jobs::{Job, Status, name_setting, set_aside};
use super::page::{Page, known};
use super::{REST_S, length_s};
use crate::args::{AddLogArgs, CampaignArgs, LimitArgs, ReadArgs};
use crate::commands::add::{add_log, cooling_for, machine_for, refuse_run_name};
use crate::commands::record::{Kept, Sensors, read_limits, workload_of};
use crate::error::{Failure, with_path};
use crate::interrupt::{self, Writing};
use crate::log_file;

/// Above what the sensor reports as its maximum, the processor's own protection has failed, K. A
/// judgement.
const ABOVE_CRITICAL_K: f64 = 5.0;
/// Attempts after which a run is worth a warning.
const MANY_ATTEMPTS: u32 = 2;

/// What became of a job.
#[derive(Debug)]
pub(super) enum Made {
    Kept(Box<KeptRun>),
    Skipped,
    Quit,
}

impl Made {
    /// Whether the run is done for good.
    pub(super) fn is_kept(&self) -> bool {
        matches!(self, Self::Kept(kept) if !kept.interrupted)
    }

    pub(super) fn was_interrupted(&self) -> bool {
        matches!(self, Self::Kept(kept) if kept.interrupted)
    }
}

/// A run that is in the notebook now.
#[derive(Debug)]
pub(super) struct KeptRun {
    pub(super) id: Id,
    pub(super) state: &'static str,
    pub(super) settled_s: Option<f64>,
    pub(super) score: Option<f64>,
    pub(super) findings: Vec<Finding>,
    pub(super) said: String,
    pub(super) interrupted: bool,
}

/// A campaign under way.
pub(super) struct Course<'a> {
    args: &'a CampaignArgs,
    /// `None` if the runs are made elsewhere.
    sensors: Option<Sensors>,
    keeper: Option<LimitKeeper>,
    allowed: Allowed,
    stop: Stop,
    hand: ByHand,
    page: Page,
    /// Rests so far, s.
    rests: Vec<f64>,
    rehearsed: bool,
    /// One campaign at a time on a machine.
    _lock: Option<File>,
}

impl<'a> Course<'a> {
    pub(super) fn begin(args: &'a CampaignArgs, jobs: &[Job]) -> Result<Self, Failure> {
        let root = &args.sensors.root;
        let rehearsed = rehearse::is_rehearsal(root);
        let lock = if args.logs { None } else { Some(lock(root)?) };
        let sensors = if args.logs {
            None
        } else {
            Some(Sensors::open(&args.sensors)?)
        };
        let critical_c = sensors.as_ref().and_then(Sensors::critical_c);
        let allowed = Allowed {
            above_rated: args.write.above_rated,
            window_range_s: args
                .write
                .window_range
                .as_deref()
                .map(window_range)
                .transpose()?,
        };
        let keeper = if args.write.write_limits {
            Some(take_in_hand(args, jobs, &allowed)?)
        } else {
            None
        };
        let mut hand = ByHand::default();
        if let Some(first) = jobs.first()
            && jobs
                .iter()
                .all(|j| j.row.cooling == first.row.cooling && j.row.tune == first.row.tune)
        {
            hand.assume(first);
        }
        let whole_s = jobs
            .iter()
            .filter(|j| j.status.is_left())
            .map(|j| length_s(args, j, REST_S))
            .sum();
        Ok(Self {
            args,
            sensors,
            keeper,
            allowed,
            stop: Stop {
                temp_c: args.stop_temp.or(critical_c.map(|c| c + ABOVE_CRITICAL_K)),
                after_s: args.stop_after,
            },
            hand,
            page: Page::new(whole_s),
            rests: Vec::new(),
            rehearsed,
            _lock: lock,
        })
    }

    /// How long a job takes, rest included, s.
    pub(super) fn length_s(&self, job: &Job) -> f64 {
        let rest_s = if self.rests.is_empty() {
            REST_S
        } else {
            self.rests.iter().sum::<f64>() / self.rests.len() as f64
        };
        length_s(self.args, job, rest_s)
    }

    /// Puts the firmware's limits back.
    pub(super) fn end(self) -> Result<(), Failure> {
        self.page.clear();
        let put_back = self.keeper.map_or(Ok(()), LimitKeeper::put_back);
        if self.rehearsed && self.sensors.is_some() {
            rehearse::set_by_hand(&self.args.sensors.root, None, None)?;
        }
        put_back?;
        Ok(())
    }

    /// Takes a job from its setting to its end; `later_s` is what comes after it.
    pub(super) fn make(&mut self, job: &Job, place: &str, later_s: f64) -> Result<Made, Failure> {
        let root = &self.args.sensors.root;
        let mut found = Vec::new();
        if let (Some(keeper), Some(sensors)) = (&mut self.keeper, &self.sensors) {
            let wanted = job.wanted();
            keeper.set(&wanted, &self.allowed, sensors.clock())?;
            found.extend(rivals(root, &wanted).into_iter().map(rival));
        }
        if self.rehearsed && self.sensors.is_some() {
            rehearse::set_by_hand(root, job.setting.temp_limit_c.value(), job.fan_max_rpm())?;
        }
        if let Some(made) = self.by_hand(job, place)? {
            return Ok(made);
        }
        self.record(job, place, later_s, found)
    }

    /// Asks for what has to be done by hand; gives what became of the job if it is not to be recorded.
    fn by_hand(&mut self, job: &Job, place: &str) -> Result<Option<Made>, Failure> {
        let root = &self.args.sensors.root;
        loop {
            let changes = self
                .hand
                .changes(job, root, self.keeper.is_some(), self.rehearsed);
            if changes.is_empty() && !self.args.logs {
                return Ok(None);
            }
            self.page.clear();
            match ask(place, job, &changes, self.args.logs)? {
                Answered::Made => self.hand.note(&changes),
                Answered::Skip => return Ok(Some(Made::Skipped)),
                Answered::Quit => return Ok(Some(Made::Quit)),
                Answered::Log(file) => match take_log(self.args, job, &file) {
                    Ok(kept) => {
                        self.hand.note(&changes);
                        return Ok(Some(Made::Kept(Box::new(kept))));
                    }
                    Err(failure) => self.page.say(&failure.message),
                },
            }
        }
    }

    fn record(
        &mut self,
        job: &Job,
        place: &str,
        later_s: f64,
        mut found: Vec<Finding>,
    ) -> Result<Made, Failure> {
        let Some(sensors) = &self.sensors else {
            return Ok(Made::Skipped);
        };
        let stages = Stages {
            lead_s: self.args.rest_before,
            warm_up_s: job.warm_up_s,
            run_s: job.run_s,
            cool_down_s: job.cool_down_s,
        };
        let own_s = stages.lead_s
            + stages.warm_up_s
            + stages.run_s.unwrap_or(self.args.run_s)
            + stages.cool_down_s;
        let _writing = Writing::begin();
        let (page, keeper) = (&mut self.page, self.keeper.as_ref());
        let mut watcher = Watcher::new(known(&job.setting));
        let settled = sensors.settle(Rest::within(self.args.settle_within), |now| {
            page.show(
                place,
                now,
                &mut watcher,
                now.left_s.unwrap_or(0.0).min(REST_S) + own_s + later_s,
            );
            !interrupt::pressed()
        })?;
        if settled.asked {
            return Ok(Made::Quit);
        }
        self.rests.push(settled.took_s);
        found.extend(not_settled(&settled, self.args.settle_within));
        if let Some(keeper) = keeper {
            // Much may have happened while the machine was at rest.
            keeper.check()?;
        }
        let kept = prepare(self.args, job)?;
        let sink = Box::new(kept.sink(&self.args.sensors.root)?);
        let mut watcher = Watcher::new(known(&job.setting));
        let mut watch = LimitWatch::new(keeper);
        let outcome = sensors.run(sink, job.load.as_ref(), stages, self.stop, |now| {
            let left_s = (own_s - now.time_s).max(0.0) + later_s;
            page.show(place, now, &mut watcher, left_s);
            let asked = interrupt::pressed().then_some(End::Asked);
            asked.or_else(|| watch.look(now))
        })?;
        found.extend(sensors.findings());
        found.extend(outcome.findings());
        kept.keep_outcome(&outcome, &found)?;
        if let Some(error) = watch.moved() {
            return Err(error.into());
        }
        Ok(Made::Kept(Box::new(kept_run(
            &kept, &outcome, &settled, found,
        ))))
    }
}

fn kept_run(
    kept: &Kept,
    outcome: &settlepoint_bench::RunOutcome,
    settled: &Settled,
    mut findings: Vec<Finding>,
) -> KeptRun {
    let run = kept.run();
    for finding in &mut findings {
        finding.run = Some(run.name.clone());
    }
    let score = kept.score(outcome);
    let mut said = format!(
        ": {:.0} s at rest, {} rows over {:.0} s",
        settled.took_s, outcome.account.rows, outcome.account.duration_s
    );
    if let Some(score) = score {
        said += &format!(", score {} {}", crate::view::fixed(score, 4), kept.unit());
    }
    KeptRun {
        id: run.id,
        state: "recorded",
        settled_s: Some(settled.took_s),
        score,
        findings,
        said: said.trim_end().to_owned(),
        interrupted: outcome.end == End::Asked,
    }
}

/// One campaign at a time on a machine: two would heat each other's runs.
fn lock(root: &Path) -> Result<File, Failure> {
    let folder = state_folder(root);
    let path = folder.join("campaign.lock");
    let file = std::fs::create_dir_all(&folder)
        .and_then(|()| File::create(&path))
        .map_err(|e| with_path(&path, "make", &e))?;
    file.try_lock().map_err(|_| {
        Failure::usage(
            "another campaign goes on at this machine; wait until it has ended, two would heat each \
             other's runs",
        )
    })?;
    Ok(file)
}

fn window_range(text: &str) -> Result<(f64, f64), Failure> {
    let ends = text.split_once(':').and_then(|(lo, hi)| {
        let ends: (f64, f64) = (lo.trim().parse().ok()?, hi.trim().parse().ok()?);
        (ends.0 > 0.0 && ends.0 < ends.1 && ends.1.is_finite()).then_some(ends)
    });
    ends.ok_or_else(|| {
        Failure::usage(format!(
            "--window-range {text}: give the shortest and the longest window in s, as 0.002:448"
        ))
    })
}

/// Reads the cautions out, takes the limits in hand and checks that every run may be made.
fn take_in_hand(
    args: &CampaignArgs,
    jobs: &[Job],
    allowed: &Allowed,
) -> Result<LimitKeeper, Failure> {
    let root = &args.sensors.root;
    cautions(root, args.write.yes.as_deref())?;
    let store = state_folder(root);
    let program = std::env::current_exe()?;
    let mut command = Command::new(program);
    command.arg("guard-limits").arg(&store);
    let keeper = LimitKeeper::begin(root, &store, &mut command)?;
    match keeper.leftover() {
        Some(Leftover::PutBack) => crate::message(
            "settlepoint: an earlier campaign had left its limits; the firmware's are back\n",
        ),
        Some(Leftover::StartedAgain) => crate::message(
            "settlepoint: an earlier campaign had left its limits; the machine has been started again \
             since, so its firmware has set its own\n",
        ),
        None => {}
    }
    for zone in keeper.zones() {
        crate::message(&zone_text(zone));
    }
    for job in jobs.iter().filter(|j| j.status.is_left()) {
        let of_run =
            |f: Failure| Failure::new(f.code, format!("run '{}': {}", job.row.run, f.message));
        for (limit, value) in [("pl1_w", job.setting.pl1_w), ("pl2_w", job.setting.pl2_w)] {
            if value == LimitValue::Unlimited {
                return Err(of_run(Failure::usage(format!(
                    "{limit} is 'unlimited', which is never written; give watts, or leave it empty for \
                     the firmware's own"
                ))));
            }
        }
        keeper
            .allows(&job.wanted(), allowed)
            .map_err(|e| of_run(e.into()))?;
    }
    Ok(keeper)
}

/// Both numbers that bound a limit are shown before any is written.
fn zone_text(zone: &settlepoint_bench::Zone) -> String {
    let watts = |w: Option<f64>| w.map_or("not reported".to_owned(), |w| format!("{w} W"));
    let mut text = format!("limits of {} as the firmware has set them:\n", zone.id);
    for constraint in &zone.constraints {
        text += &format!(
            "  {}: {} W, reported maximum {}\n",
            constraint.name,
            constraint.power_w,
            watts(constraint.max_power_w)
        );
    }
    text + &format!("  nothing above {} W is written\n", zone.ceiling_w())
}

fn rival(evidence: String) -> Finding {
    Finding {
        rule: "limits_rival",
        severity: Severity::Warning,
        run: None,
        evidence,
        remedy: "the run was made under the lower limit; repeat it once that is gone".to_owned(),
    }
}

fn not_settled(settled: &Settled, within_s: f64) -> Option<Finding> {
    if settled.is_settled {
        return None;
    }
    let drift = settled.drift_k.map_or(
        "its package temperature could not be followed".to_owned(),
        |k| format!("its package still changed by {k:+.1} K a minute"),
    );
    Some(Finding {
        rule: "idle_not_settled",
        severity: Severity::Note,
        run: None,
        evidence: format!("after {within_s:.0} s at rest the machine had not settled: {drift}"),
        remedy: "allow more with --settle-within, or close what works in the background".to_owned(),
    })
}

/// Finds or makes everything that the run refers to.
fn prepare(args: &CampaignArgs, job: &Job) -> Result<Kept, Failure> {
    let book = Notebook::open(&args.notebook)?;
    book.transaction(|book| {
        let row = &job.row;
        retire(book, job)?;
        let machine = machine_for(book, &row.machine)?;
        let cooling = cooling_for(book, &machine, &row.cooling)?;
        refuse_run_name(book, cooling.id, &row.run)?;
        let tune = match row.tune.as_str() {
            "" => None,
            name => Some(book.tune_named(machine.id, name)?.id),
        };
        let name = Some(row.workload.as_str()).filter(|n| !n.is_empty());
        let workload = workload_of(book, name, job.load.as_ref())?;
        let mut setting = job.setting.clone();
        read_limits(&args.sensors.root, &mut setting);
        name_setting(&mut setting);
        let setting = book.setting_like(&setting)?;
        let run = Run {
            id: new_id()?,
            name: row.run.clone(),
            machine: machine.id,
            cooling: cooling.id,
            tune,
            setting: setting.id,
            workload: workload.id,
            room_c: row.room_c.or(args.room),
            altitude_m: args.altitude,
            data: RunData::Log,
            scores: Vec::new(),
            excluded: None,
        };
        let block = Some(row.block.clone()).filter(|b| !b.is_empty());
        Ok(Kept::of_campaign(
            &args.notebook,
            run,
            &workload,
            (Some(row.order), block),
        ))
    })
}

/// Sets an attempt that was cut off aside.
fn retire(book: &Notebook, job: &Job) -> Result<(), Failure> {
    let Status::Again { attempt, why } = &job.status else {
        return Ok(());
    };
    let count = set_aside(book, *attempt, why)?;
    if count >= MANY_ATTEMPTS {
        crate::message(&format!(
            "settlepoint: {count} attempts at '{}' were cut off; if the machine crashed by itself, the \
             setting may be unstable: leave it out with --skip\n",
            job.row.run
        ));
    }
    Ok(())
}

/// Takes a log that was made elsewhere as the run of this job.
fn take_log(args: &CampaignArgs, job: &Job, file: &Path) -> Result<KeptRun, Failure> {
    let book = Notebook::open(&args.notebook)?;
    let read = log_file::read(file, &ReadArgs::plain())?;
    let named = |name: &str| Some(name.to_owned()).filter(|n| !n.is_empty());
    let row = &job.row;
    let score = score(&row.run)?;
    let (id, findings) = book.transaction(|book| {
        retire(book, job)?;
        let mut setting = job.setting.clone();
        name_setting(&mut setting);
        let setting = book.setting_like(&setting)?;
        let add = AddLogArgs {
            notebook: args.notebook.clone(),
            file: file.to_path_buf(),
            read: ReadArgs::plain(),
            name: Some(row.run.clone()),
            machine: named(&row.machine),
            cooling: named(&row.cooling),
            tune: named(&row.tune),
            workload: named(&row.workload),
            setting: Some(setting.id.to_string()),
            limits: LimitArgs::unknown(),
            room: row.room_c.or(args.room),
            altitude: args.altitude,
            score: score.into_iter().collect(),
            runs_by: None,
            pl1_from: None,
            pl2_from: None,
            temp_limit_from: None,
            room_from: None,
        };
        let added = add_log(book, &add, &read)?;
        let id = added
            .first_id()
            .ok_or_else(|| Failure::data("the log holds no run; nothing was added"))?;
        Ok::<_, Failure>((id, added.into_findings()))
    })?;
    Ok(KeptRun {
        id,
        state: "taken",
        settled_s: None,
        score,
        findings,
        said: format!(" from {}", read.file_name),
        interrupted: false,
    })
}
