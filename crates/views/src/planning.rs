//! The next runs and their sheet: what a plan says, as values and sentences.

use settlepoint_domain::{FanSetting, Id, LimitValue, PhaseKind, Workload};
use settlepoint_infer::choose::Constraints;
use settlepoint_infer::evidence::{Evidence, RunEvidence};
use settlepoint_infer::fit::{CoolingFit, from_priors};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::plan::{
    Plan, Proposal, Question, Vary, Widths, everything, plan, runs_to_make,
};
use settlepoint_infer::predict::{Query, setting_of};
use settlepoint_sheet::SheetRow;
use settlepoint_stats::random::Random;

use crate::ViewError;
use crate::gather::Gathered;

/// What is wanted of a plan.
#[derive(Clone, Debug)]
pub struct Wishes {
    /// Runs at most.
    pub runs: usize,
    /// Hottest room that will be predicted, °C.
    pub room_c: f64,
    /// Altitude, m.
    pub altitude_m: f64,
    /// Longest time for everything, h.
    pub hours: Option<f64>,
    /// What may be set.
    pub vary: Vary,
    /// The choice to be made; without one the whole map counts.
    pub constraints: Option<Constraints>,
}

/// Kinds of machine, for first runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MachineKind {
    /// A tower with a large cooler.
    Desktop,
    /// A small case with a flat cooler.
    Small,
    /// A portable.
    Portable,
}

impl MachineKind {
    /// Power limits of such machines as they are sold, W (common practice, no source).
    pub const fn usual_limit_w(self) -> f64 {
        match self {
            Self::Desktop => 180.0,
            Self::Small => 65.0,
            Self::Portable => 45.0,
        }
    }
}

/// One thing to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Place from 1.
    pub step: usize,
    /// The run that it belongs to.
    pub run: String,
    /// `set`, `rest`, `load` or `cool_down`.
    pub what: &'static str,
    /// Length.
    pub minutes: f64,
    /// In words.
    pub text: String,
}

/// A plan with its sheet.
#[derive(Clone, Debug)]
pub struct Planned {
    /// The plan; its runs stand most telling first.
    pub plan: Plan,
    /// A sentence for each run: why.
    pub reasons: Vec<String>,
    /// The sheet in the order of making: the runs that are worth it.
    pub rows: Vec<SheetRow>,
    /// The same as steps.
    pub steps: Vec<Step>,
    /// All of it, h.
    pub hours: f64,
    /// Sentences about the plan as a whole.
    pub summary: Vec<String>,
    /// What the runs so far leave open, with what would tell.
    pub unknown: Vec<String>,
    /// What to log, and what to write down.
    pub to_note: Vec<String>,
    /// Cautions.
    pub cautions: Vec<&'static str>,
    /// Names of the workloads.
    pub workloads: Vec<String>,
}

/// Rest before a load that a log should hold, s.
const REST_S: f64 = 120.0;
/// Time to change a setting, most of it a restart, s (judgement).
const SET_S: f64 = 240.0;
/// Longest load and longest cool-down that a sheet asks for, s.
const LONGEST_LOAD_S: f64 = 2400.0;
const LONGEST_COOL_DOWN_S: f64 = 1200.0;
const SHORTEST_COOL_DOWN_S: f64 = 180.0;

/// Plans the next runs of a cooling that has some.
///
/// # Errors
/// A fit that cannot be had.
pub fn next_runs(gathered: &Gathered, wishes: &Wishes) -> Result<Planned, ViewError> {
    let (fit, _) = gathered.fit(&[])?;
    let names = [&gathered.machine.name, &gathered.cooling.name];
    let mut planned = planned(&fit, wishes, names.map(String::as_str), gathered.runs.len());
    let open = fit.unidentified();
    planned.unknown = open
        .iter()
        .map(|u| format!("{}: {}", u.parameter, u.needs))
        .collect();
    Ok(planned)
}

/// Good first runs of a machine of which nothing is known but its kind and its power limit.
///
/// # Errors
/// A limit that makes no machine.
pub fn first_runs(
    kind: MachineKind,
    limit_w: Option<f64>,
    workload: Option<&Workload>,
    wishes: &Wishes,
) -> Result<Planned, ViewError> {
    let limit_w = limit_w.unwrap_or(kind.usual_limit_w());
    let workload = workload.cloned().unwrap_or_else(any_load);
    let duration_s = workload.duration_s;
    let allowed = RunEvidence {
        name: String::new(),
        workload: 0,
        setting: setting_of(
            "as sold",
            LimitValue::Value(limit_w),
            LimitValue::Value(limit_w),
            LimitValue::Unknown,
            LimitValue::Unknown,
            FanSetting::AsFitted,
        ),
        room_c: Some(22.0),
        altitude_m: wishes.altitude_m,
        duration_s,
        windows: Vec::new(),
        score: None,
        boost_s: None,
    };
    let believed = from_priors(Evidence {
        workloads: vec![workload],
        runs: vec![allowed],
        fan_max_rpm: None,
    })?;
    Ok(planned(&believed, wishes, ["", ""], 0))
}

/// A load that stands for whatever the owner uses.
fn any_load() -> Workload {
    Workload {
        id: Id::from_u128(1),
        name: String::new(),
        unit: String::new(),
        direction: settlepoint_domain::Direction::Higher,
        kind: settlepoint_domain::ScoreKind::MeanRate,
        duration_s: 600.0,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    }
}

fn planned(fit: &CoolingFit, wishes: &Wishes, names: [&str; 2], made: usize) -> Planned {
    let room_c = usual_room_c(fit);
    let rooms: &[f64] = if wishes.room_c > room_c + 2.0 {
        &[room_c, wishes.room_c]
    } else {
        &[room_c]
    };
    let question = Question {
        candidates: runs_to_make(fit, room_c, wishes.altitude_m, wishes.vary),
        map: everything(fit, rooms, wishes.altitude_m),
        decision: wishes.constraints,
        runs: wishes.runs,
    };
    let mut plan = plan(fit, &question);
    let lengths: Vec<Lengths> = plan
        .runs
        .iter()
        .map(|r| Lengths::of(fit, r, wishes))
        .collect();
    let fitting = fitting(&lengths, wishes.hours);
    let asked = plan.runs.len();
    plan.runs.truncate(fitting);
    let reasons = reasons(&plan);
    let order = mixed(&plan.runs[..plan.worthwhile()], made);
    let workloads: Vec<String> = fit
        .evidence
        .workloads
        .iter()
        .map(|w| w.name.clone())
        .collect();
    let rows: Vec<SheetRow> = order
        .iter()
        .enumerate()
        .map(|(i, &r)| {
            let mut row = row(&plan.runs[r], &lengths[r], names, i + 1, made);
            row.workload.clone_from(&workloads[plan.runs[r].workload]);
            row.reason.clone_from(&reasons[r]);
            row
        })
        .collect();
    let steps = steps(&rows);
    let hours = steps.iter().map(|s| s.minutes).sum::<f64>() / 60.0;
    let mut summary = summary(&plan);
    if fitting < asked {
        summary.push(format!(
            "only {fitting} of {asked} runs fit into {:.1} h",
            wishes.hours.unwrap_or(0.0)
        ));
    }
    Planned {
        reasons,
        rows,
        steps,
        hours,
        summary,
        unknown: Vec::new(),
        to_note: to_note(fit),
        cautions: CAUTIONS.to_vec(),
        workloads,
        plan,
    }
}

/// The room in which the runs were made.
fn usual_room_c(fit: &CoolingFit) -> f64 {
    let rooms: Vec<f64> = fit.evidence.runs.iter().filter_map(|r| r.room_c).collect();
    if rooms.is_empty() {
        22.0
    } else {
        (rooms.iter().sum::<f64>() / rooms.len() as f64).round()
    }
}

/// Lengths of one run, s, in whole minutes.
struct Lengths {
    load_s: f64,
    cool_down_s: f64,
}

impl Lengths {
    fn of(fit: &CoolingFit, run: &Proposal, wishes: &Wishes) -> Self {
        let duration_s = fit.evidence.workloads[run.workload].duration_s;
        let times = fit.times(&Query {
            workload: run.workload,
            setting: run.setting.clone(),
            conditions: Conditions {
                room_c: run.room_c,
                altitude_m: wishes.altitude_m,
                duration_s,
            },
        });
        let minutes = |s: f64| (s / 60.0).ceil() * 60.0;
        Self {
            load_s: minutes(times.settled_s.max(duration_s)).min(LONGEST_LOAD_S.max(duration_s)),
            cool_down_s: minutes(times.cooled_s).clamp(SHORTEST_COOL_DOWN_S, LONGEST_COOL_DOWN_S),
        }
    }

    fn total_s(&self) -> f64 {
        SET_S + REST_S + self.load_s + self.cool_down_s
    }
}

/// How many of the runs fit into the time.
fn fitting(lengths: &[Lengths], hours: Option<f64>) -> usize {
    let Some(hours) = hours else {
        return lengths.len();
    };
    let mut left_s = 3600.0 * hours;
    lengths
        .iter()
        .take_while(|l| {
            left_s -= l.total_s();
            left_s >= 0.0
        })
        .count()
}

/// An order in which drift over the session does not look like an effect of power: never by rising
/// or falling power if there are three or more.
fn mixed(runs: &[Proposal], made: usize) -> Vec<usize> {
    let watts = |i: usize| runs[i].setting.pl1_w.value().unwrap_or(0.0);
    let mut order: Vec<usize> = (0..runs.len()).collect();
    let mut random = Random::from_seed(made as u64 + 1);
    random.shuffle(&mut order);
    let rising = order.windows(2).all(|p| watts(p[0]) <= watts(p[1]));
    let falling = order.windows(2).all(|p| watts(p[0]) >= watts(p[1]));
    if order.len() > 2 && (rising || falling) {
        order.swap(0, 1);
    }
    order
}

fn row(
    run: &Proposal,
    lengths: &Lengths,
    [machine, cooling]: [&str; 2],
    order: usize,
    made: usize,
) -> SheetRow {
    let setting = &run.setting;
    let place = u32::try_from(order).unwrap_or(u32::MAX);
    SheetRow {
        machine: machine.to_owned(),
        cooling: cooling.to_owned(),
        setting: setting.name.clone(),
        pl1_w: setting.pl1_w,
        pl2_w: setting.pl2_w,
        tau_s: setting.tau_s,
        temp_limit_c: setting.temp_limit_c,
        fan_max_rpm: match setting.fan {
            FanSetting::Ceiling(rpm) => Some(rpm),
            _ => None,
        },
        run_s: Some(lengths.load_s),
        cool_down_s: Some(lengths.cool_down_s),
        ..SheetRow::named(place, &format!("planned {}", made + order))
    }
}

fn steps(rows: &[SheetRow]) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for row in rows {
        let mut add = |what, seconds: f64, text: String| {
            steps.push(Step {
                step: steps.len() + 1,
                run: row.run.clone(),
                what,
                minutes: seconds / 60.0,
                text,
            });
        };
        add("set", SET_S, format!("set {}", limits_in_words(row)));
        add(
            "rest",
            REST_S,
            "leave the machine alone until temperature and watts stand still; start the log".into(),
        );
        let load = if row.workload.is_empty() {
            "the load".to_owned()
        } else {
            format!("'{}'", row.workload)
        };
        add(
            "load",
            row.run_s.unwrap_or(0.0),
            format!("start {load} and let it run without a pause; note its score"),
        );
        add(
            "cool_down",
            row.cool_down_s.unwrap_or(0.0),
            "stop the load, let the machine cool, then stop the log".into(),
        );
    }
    steps
}

/// "PL1 125 W, PL2 200 W, temperature limit 90 °C, fan to 900 rpm".
pub fn limits_in_words(row: &SheetRow) -> String {
    let mut parts = vec![format!("PL1 {}", watts(row.pl1_w))];
    parts.push(format!("PL2 {}", watts(row.pl2_w)));
    if let Some(tau) = row.tau_s.value() {
        parts.push(format!("tau {tau:.0} s"));
    }
    if let Some(limit) = row.temp_limit_c.value() {
        parts.push(format!("temperature limit {limit:.0} °C"));
    }
    if let Some(rpm) = row.fan_max_rpm {
        parts.push(format!("fan to {rpm:.0} rpm at most"));
    }
    parts.join(", ")
}

fn watts(limit: LimitValue) -> String {
    limit
        .value()
        .map_or_else(|| "as it is".to_owned(), |w| format!("{w:.0} W"))
}

/// "temperature ±2.1 K, held power ±3.0 %, work ±1.2 %, level ±1.0 dB".
pub fn widths_in_words(widths: &Widths) -> String {
    let mut parts = vec![format!("temperature ±{:.1} K", widths.package_k)];
    if let Some(power) = widths.power_pct {
        parts.push(format!("held power ±{power:.1} %"));
    }
    if let Some(work) = widths.work_pct {
        parts.push(format!("work ±{work:.1} %"));
    }
    if let Some(level) = widths.level_db {
        parts.push(format!("level ±{level:.1} dB"));
    }
    parts.join(", ")
}

fn reasons(plan: &Plan) -> Vec<String> {
    let mut before = plan.now;
    let mut worth = plan.worth;
    plan.runs
        .iter()
        .map(|run| {
            let mut text = format!(
                "settles near {:.0} °C and {:.0} W",
                run.package_c, run.power_w
            );
            if !run.tells.is_empty() {
                text += &format!("; tells most of {}", run.tells);
            }
            let shrunk = shrunk(&before, &run.after);
            if !shrunk.is_empty() {
                text += &format!("; {}", shrunk.join(", "));
            }
            if let (Some(now), Some(then)) = (worth, run.worth)
                && then.work_pct - now.work_pct > 0.05
            {
                text += &format!(
                    "; the choice made with it is expected to do {:.1} % more work",
                    then.work_pct - now.work_pct
                );
            }
            (before, worth) = (run.after, run.worth);
            text
        })
        .collect()
}

/// What a run narrows by a twentieth or more, from and to.
fn shrunk(before: &Widths, after: &Widths) -> Vec<String> {
    let pairs = [
        (
            "temperature",
            Some(before.package_k),
            Some(after.package_k),
            "K",
        ),
        ("held power", before.power_pct, after.power_pct, "%"),
        ("work", before.work_pct, after.work_pct, "%"),
        ("level", before.level_db, after.level_db, "dB"),
    ];
    pairs
        .into_iter()
        .filter_map(|(name, from, to, unit)| {
            let (from, to) = (from?, to?);
            (to < 0.95 * from).then(|| format!("{name} ±{from:.1} to ±{to:.1} {unit}"))
        })
        .collect()
}

fn summary(plan: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    let last = plan.runs.last();
    match (plan.runs.len(), plan.worthwhile()) {
        (0, _) => lines.push("no run could be planned".into()),
        (n, 0) => lines.push(format!(
            "more runs are not worth it: the next {n} would only bring {} to {}",
            widths_in_words(&plan.now),
            last.map_or_else(String::new, |r| widths_in_words(&r.after)),
        )),
        (n, useful) if useful < n => lines.push(format!(
            "{useful} of these {n} runs {} worth making; after {} the intervals narrow by less than \
             they matter, and the sheet ends",
            if useful == 1 { "is" } else { "are" },
            if useful == 1 { "it" } else { "them" },
        )),
        _ => {}
    }
    lines.push(format!(
        "no number of runs gets below {}: that is the scatter of one run to the next",
        widths_in_words(&plan.floor)
    ));
    if let Some(worth) = plan.worth {
        lines.push(if worth.p_any > 0.5 {
            format!(
                "the choice that could be made now does {:.1} % of the work of the one that could be \
                 made if everything were known",
                worth.work_pct
            )
        } else {
            "as things stand no setting keeps the bounds with the probability asked".into()
        });
    }
    lines
}

fn to_note(fit: &CoolingFit) -> Vec<String> {
    let mut notes = vec![
        "log once a second, from two minutes before the load to the end of the cool-down: package \
         temperature, package power, clocks, fan speed"
            .to_owned(),
        "write down for each run: air temperature at the intake when it starts and when it ends, the \
         score, the limits as they are really set, and anything that differs (window, door, sun, \
         other programs)"
            .to_owned(),
    ];
    let levels = fit.evidence.readings(|w| w.level_dba).next().is_some();
    let seen_anything = fit
        .evidence
        .runs
        .iter()
        .flat_map(|r| &r.windows)
        .any(|w| w.kind != PhaseKind::Idle);
    if levels || !seen_anything {
        notes.push(
            "read the sound level near the end of each load, always from the same place, and once \
             with the machine off"
                .into(),
        );
    }
    notes
}

/// What to mind. Common practice, no source.
const CAUTIONS: [&str; 5] = [
    "keep to the limits that the makers of processor, board, power supply and battery state; where \
     they say less than this sheet, they are right",
    "lower limits are harmless, higher ones than the machine came with are not: heat and current \
     shorten the life of parts, and a warranty may end",
    "stay with the machine under load, and stop at once at a smell, a noise that is new, or a \
     temperature above the maker's limit",
    "heat sinks and outlets stay hot for minutes; keep fingers and cables out of fans",
    "save your work first: a machine at its limits may stop without warning",
];
