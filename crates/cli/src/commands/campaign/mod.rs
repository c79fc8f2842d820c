//! `campaign`: from run to run as a sheet says, and on from where it stopped.

mod ask;
mod course;
mod jobs;
mod page;

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_bench::limits::{GuardEnd, watch};
use settlepoint_domain::Finding;

use crate::Outcome;
use crate::args::CampaignArgs;
use crate::commands::record::open;
use crate::error::{Code, Failure};
use crate::interrupt;
use crate::view::{Answer, findings, findings_text, optional, table};
use course::{Course, Made};
use jobs::{Job, Status};
use page::duration;

/// A rest that is not known yet takes about this long, s. A judgement.
const REST_S: f64 = 180.0;

pub(crate) fn campaign(args: &CampaignArgs) -> Result<Outcome, Failure> {
    let book = open(&args.notebook)?;
    let jobs = jobs::jobs(args, &book)?;
    drop(book);
    if args.list {
        return Ok(list(args, &jobs).into());
    }
    let left: Vec<&Job> = jobs.iter().filter(|j| j.status.is_left()).collect();
    let mut made = Vec::new();
    if left.is_empty() {
        return Ok(answer(args, &jobs, &made, false));
    }
    let mut course = Course::begin(args, &jobs)?;
    let (mut failed, mut quit) = (None, false);
    for (index, job) in left.iter().enumerate() {
        let place = format!("run {} of {} '{}'", index + 1, left.len(), job.row.run);
        let rest: f64 = left[index + 1..].iter().map(|j| course.length_s(j)).sum();
        match course.make(job, &place, rest) {
            Ok(one) => {
                quit = matches!(one, Made::Quit) || one.was_interrupted();
                made.push((job.row.run.clone(), one));
                if quit {
                    break;
                }
            }
            Err(failure) => {
                failed = Some(failure);
                break;
            }
        }
    }
    course.end()?;
    if let Some(failure) = failed {
        return Err(went_on(&failure, &made));
    }
    Ok(answer(args, &jobs, &made, quit))
}

/// What is kept already is not lost by a failure later on.
fn went_on(failure: &Failure, made: &[(String, Made)]) -> Failure {
    let kept = made.iter().filter(|(_, m)| m.is_kept()).count();
    Failure::new(
        failure.code,
        format!(
            "{}\n{kept} runs of this campaign are kept; give the same command again to go on",
            failure.message
        ),
    )
}

/// `guard-limits`: watches until the campaign that started it has ended.
pub(crate) fn guard(store: &Path) -> Result<Answer, Failure> {
    interrupt::ignore();
    match watch(store, std::io::stdin(), std::io::stdout())? {
        GuardEnd::PutBack => crate::message(
            "settlepoint: the campaign ended without putting the firmware's limits back; its guard \
             has done so\n",
        ),
        GuardEnd::Failed(why) => {
            return Err(Failure::new(
                Code::Notebook,
                format!(
                    "the firmware's limits could not all be put back ({}); start the machine again, \
                     which sets them",
                    why.join("; ")
                ),
            ));
        }
        GuardEnd::NotNeeded | GuardEnd::TakenOver => {}
    }
    Ok(Answer::new(
        json!({ "schema": "settlepoint.guard-limits/1" }),
        String::new(),
    ))
}

fn length_s(args: &CampaignArgs, job: &Job, rest_s: f64) -> f64 {
    // A command's length is not known before it has run.
    let run_s = job.run_s.unwrap_or(args.run_s);
    rest_s.min(args.settle_within) + args.rest_before + job.warm_up_s + run_s + job.cool_down_s
}

fn list(args: &CampaignArgs, jobs: &[Job]) -> Answer {
    let left_s: f64 = jobs
        .iter()
        .filter(|j| j.status.is_left())
        .map(|j| length_s(args, j, REST_S))
        .sum();
    let rows: Vec<Vec<String>> = jobs
        .iter()
        .map(|job| {
            let row = &job.row;
            vec![
                row.order.to_string(),
                row.run.clone(),
                job.status.word().to_owned(),
                job.setting.pl1_w.to_string(),
                job.setting.pl2_w.to_string(),
                row.workload.clone(),
                duration(length_s(args, job, REST_S)),
                row.reason.clone(),
            ]
        })
        .collect();
    let head = [
        "order", "run", "state", "PL1 W", "PL2 W", "workload", "takes", "why",
    ];
    let mut text = table(&head, &rows);
    text += &format!("{} left\n", duration(left_s));
    Answer::new(
        json!({
            "schema": "settlepoint.campaign/1",
            "runs": jobs.iter().map(planned).collect::<Value>(),
            "left_s": left_s,
        }),
        text,
    )
}

fn planned(job: &Job) -> Value {
    let id = match &job.status {
        Status::Done(id) => Some(id.to_string()),
        Status::Again { attempt, .. } => Some(attempt.to_string()),
        Status::ToDo | Status::Skipped => None,
    };
    json!({ "order": job.row.order, "name": job.row.run, "state": job.status.word(), "id": id })
}

fn answer(args: &CampaignArgs, jobs: &[Job], made: &[(String, Made)], quit: bool) -> Outcome {
    let of = |job: &Job| made.iter().find(|(name, _)| *name == job.row.run);
    let still_left =
        |job: &&Job| job.status.is_left() && !of(job).is_some_and(|(_, m)| m.is_kept());
    let left: Vec<&str> = jobs
        .iter()
        .filter(still_left)
        .map(|j| j.row.run.as_str())
        .collect();
    let runs: Value = jobs
        .iter()
        .map(|job| match of(job) {
            Some((name, Made::Kept(kept))) => json!({
                "order": job.row.order,
                "name": name,
                "state": kept.state,
                "id": kept.id.to_string(),
                "settled_s": optional(kept.settled_s),
                "score": optional(kept.score),
                "findings": findings(&kept.findings),
            }),
            _ => planned(job),
        })
        .collect();
    let mut text = String::new();
    let mut all: Vec<Finding> = Vec::new();
    for (name, one) in made {
        if let Made::Kept(kept) = one {
            text += &format!("{} '{name}'{}\n", kept.state, kept.said);
            all.extend(kept.findings.iter().cloned());
        }
    }
    text += &findings_text(&all);
    text += &if left.is_empty() {
        format!("all {} runs of the sheet are done\n", jobs.len())
    } else {
        format!(
            "{} of {} runs left: {}; give the same command again to go on\n",
            left.len(),
            jobs.len(),
            left.join(", ")
        )
    };
    Outcome {
        answer: Answer::new(
            json!({
                "schema": "settlepoint.campaign/1",
                "runs": runs,
                "left": left,
                "complete": left.is_empty(),
                "wrote_limits": args.write.write_limits,
                "findings": findings(&all),
            }),
            text,
        ),
        code: if quit { Code::Interrupted as u8 } else { 0 },
    }
}
