//! One recorded run: rest, load, rest; and what ends it early.

use std::path::Path;
use std::sync::atomic::Ordering;

use settlepoint_domain::{Channel, Finding, Role};

use crate::account::{self, Account};
use crate::error::BenchError;
use crate::load::{Load, LoadResult, LoadRun};
use crate::recorder::{Feed, Recorder};
use crate::topology::Topology;

/// Lengths of a run's stages, s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stages {
    /// At rest before the load, so that the log shows where the power budget started.
    pub lead_s: f64,
    /// Under load before the part that is scored.
    pub warm_up_s: f64,
    /// The scored part; `None` until the load ends by itself or the user ends it.
    pub run_s: Option<f64>,
    /// At rest after the load.
    pub cool_down_s: f64,
}

/// What ends a load before its time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stop {
    /// This package temperature in two rows one after the other, °C; and then no temperature for
    /// [`BLIND_S`] ends it, too.
    pub temp_c: Option<f64>,
    /// This long under load, s.
    pub after_s: Option<f64>,
}

/// With a stop temperature, a load is not left running longer than this without a reading, s. A
/// judgement: a package's die warms within a second, its cooler within a minute.
pub const BLIND_S: f64 = 5.0;

/// Where a run is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// At rest before the load.
    Lead,
    /// Under load, not scored yet.
    WarmUp,
    /// Under load, scored.
    Run,
    /// At rest after the load.
    CoolDown,
}

impl Stage {
    /// Its name for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Lead => "rest",
            Self::WarmUp => "warm-up",
            Self::Run => "load",
            Self::CoolDown => "cool-down",
        }
    }

    const fn under_load(self) -> bool {
        matches!(self, Self::WarmUp | Self::Run)
    }
}

/// Why a run ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum End {
    /// All stages were gone through.
    Complete,
    /// The package met the stop temperature.
    Hot {
        /// Seconds since the start.
        at_s: f64,
        /// The reading, °C.
        temp_c: f64,
    },
    /// The load met the stop duration.
    TooLong {
        /// Seconds since the start.
        at_s: f64,
    },
    /// The package's temperature could not be read any more.
    Blind {
        /// Seconds since the start.
        at_s: f64,
    },
    /// The user asked for it.
    Asked,
    /// The limits that the run was to be made under are no longer held.
    LimitsMoved {
        /// Seconds since the start.
        at_s: f64,
    },
}

/// What a run came to.
#[derive(Clone, Debug)]
pub struct RunOutcome {
    /// Why it ended.
    pub end: End,
    /// What the load came to, if there was one.
    pub load: Option<LoadResult>,
    /// Start and end of the scored part, s since the first row; `None` if it was not reached.
    pub scored_s: Option<(f64, f64)>,
    /// Passes a second over the scored part, for a built-in load.
    pub rate_per_s: Option<f64>,
    /// What happened to the recording.
    pub account: Account,
}

impl RunOutcome {
    /// Whether the machine slept within the scored part: its rate and its time then mean nothing.
    pub fn slept_while_scored(&self) -> bool {
        self.scored_s.is_some_and(|(from_s, to_s)| {
            let mut sleeps = self.account.sleeps.iter();
            sleeps.any(|(time_s, _)| *time_s > from_s && *time_s <= to_s)
        })
    }

    /// What the user should know of it.
    pub fn findings(&self) -> Vec<Finding> {
        account::of_outcome(self)
    }
}

/// A run at one moment, to be shown.
#[derive(Clone, Copy, Debug)]
pub struct Snapshot<'a> {
    /// Where it is.
    pub stage: Stage,
    /// Seconds since the first row.
    pub time_s: f64,
    /// Seconds until the stage ends, if it has an end.
    pub left_s: Option<f64>,
    /// Package temperature, °C.
    pub package_c: Option<f64>,
    /// Package power, W.
    pub power_w: Option<f64>,
    /// Clock of the first core, MHz.
    pub clock_mhz: Option<f64>,
    /// Fan speed, rpm.
    pub fan_speed_rpm: Option<f64>,
    /// How long the machine slept just before, s.
    pub slept_s: f64,
    /// What keeps rows from the disk just now.
    pub trouble: Option<&'a str>,
}

/// A load and where it runs.
#[derive(Clone, Copy, Debug)]
pub struct LoadAt<'a> {
    /// The load.
    pub load: &'a Load,
    /// The root directory: a rehearsal's machine takes its built-in loads itself.
    pub root: &'a Path,
    /// The processors.
    pub topology: &'a Topology,
}

/// The feed that carries a built-in load's passes; give it to the recorder's plan.
pub fn work_feed() -> Feed {
    Feed::new(
        "work done",
        Role::Work,
        settlepoint_domain::Unit::None,
        "passes of the built-in load since it began",
    )
}

/// Takes a run through its stages. `show` sees each row and gives a reason to end the run, if there is
/// one.
///
/// # Errors
/// The load cannot be started, or the sink has ended; then the load is stopped first.
pub fn run(
    mut recorder: Recorder<'_>,
    load: Option<LoadAt<'_>>,
    work: Option<&Feed>,
    stages: Stages,
    stop: Stop,
    mut show: impl FnMut(&Snapshot<'_>) -> Option<End>,
) -> Result<RunOutcome, BenchError> {
    let mut course = Course {
        columns: Columns::of(recorder.channels()),
        stages,
        stop,
        stage: Stage::Lead,
        stage_from_s: 0.0,
        load_from_s: 0.0,
        hot_rows: 0,
        last_seen_s: 0.0,
        scored: None,
        scored_end: None,
        end: None,
    };
    let mut running: Option<LoadRun> = None;
    let mut result: Option<LoadResult> = None;
    loop {
        let tick = recorder.tick()?;
        let (time_s, slept_s) = (tick.time_s, tick.slept_s);
        let seen = course.columns.see(tick.readings);
        let work_now = running.as_mut().map_or(f64::NAN, |load| load.work(time_s));
        if let Some(feed) = work {
            feed.value.store(work_now.to_bits(), Ordering::Relaxed);
        }
        let ended = running.as_mut().is_some_and(LoadRun::ended);
        let before = course.stage;
        let over = course.step(time_s, seen.package_c, work_now, ended, load.is_some());
        if before == Stage::Lead && course.stage.under_load() {
            running = match load {
                Some(at) => Some(LoadRun::start(at.load, at.root, at.topology)?),
                None => None,
            };
        }
        if before.under_load()
            && (course.stage == Stage::CoolDown || over)
            && let Some(load) = running.take()
        {
            result = Some(load.stop()?);
        }
        let trouble = recorder.trouble();
        let reason = show(&Snapshot {
            stage: course.stage,
            time_s,
            left_s: course.left_s(time_s),
            slept_s,
            trouble: trouble.as_deref(),
            ..seen
        });
        if over {
            // A machine that slept to the end of its run may have woken with other limits.
            let moved = reason.filter(|end| matches!(end, End::LimitsMoved { .. }));
            course.end = moved.or(course.end);
            break;
        }
        if reason.is_some() {
            course.score_ends(time_s, work_now);
            course.end = reason;
            break;
        }
    }
    if let Some(load) = running.take() {
        result = Some(load.stop()?);
    }
    Ok(RunOutcome {
        end: course.end.unwrap_or(End::Complete),
        rate_per_s: course.rate_per_s(),
        scored_s: course.scored_s(),
        load: result,
        account: recorder.finish()?,
    })
}

/// Places of what the stages look at and people want to see.
pub(crate) struct Columns {
    temperature: Option<usize>,
    power: Option<usize>,
    clock: Option<usize>,
    fan: Option<usize>,
}

impl Columns {
    pub(crate) fn of(channels: &[Channel]) -> Self {
        let first = |role| channels.iter().position(|c| c.role == role);
        Self {
            temperature: channels
                .iter()
                .position(|c| c.role == Role::Temperature && c.part == "package"),
            power: first(Role::Power),
            clock: first(Role::Clock),
            fan: first(Role::FanSpeed),
        }
    }

    pub(crate) fn see(&self, readings: &[f64]) -> Snapshot<'static> {
        let at = |place: Option<usize>| {
            let value = place.and_then(|i| readings.get(i)).copied();
            value.filter(|v| !v.is_nan())
        };
        Snapshot {
            stage: Stage::Lead,
            time_s: 0.0,
            left_s: None,
            package_c: at(self.temperature),
            power_w: at(self.power),
            clock_mhz: at(self.clock),
            fan_speed_rpm: at(self.fan),
            slept_s: 0.0,
            trouble: None,
        }
    }
}

/// Time and work at one moment.
type Mark = (f64, f64);

struct Course {
    columns: Columns,
    stages: Stages,
    stop: Stop,
    stage: Stage,
    stage_from_s: f64,
    load_from_s: f64,
    hot_rows: u32,
    /// When the package's temperature was last read.
    last_seen_s: f64,
    /// Where the scored part began.
    scored: Option<Mark>,
    /// Where it ended.
    scored_end: Option<Mark>,
    end: Option<End>,
}

impl Course {
    /// Moves on to the stage that a row falls into; true once the run is over.
    fn step(
        &mut self,
        time_s: f64,
        package_c: Option<f64>,
        work: f64,
        load_ended: bool,
        has_load: bool,
    ) -> bool {
        if self.stage.under_load() {
            if self.stage == Stage::Run && self.scored.is_none() && (!work.is_nan() || !has_load) {
                self.scored = Some((time_s, work));
            }
            if let Some(end) = self.must_stop(time_s, package_c) {
                self.score_ends(time_s, work);
                self.end = Some(end);
                self.enter(Stage::CoolDown, time_s);
            }
        }
        loop {
            let here_s = time_s - self.stage_from_s;
            match self.stage {
                Stage::Lead if here_s >= self.stages.lead_s => {
                    self.load_from_s = time_s;
                    self.last_seen_s = time_s;
                    self.enter(Stage::WarmUp, time_s);
                }
                Stage::WarmUp if here_s >= self.stages.warm_up_s => {
                    self.enter(Stage::Run, time_s);
                    self.scored = (!has_load || !work.is_nan()).then_some((time_s, work));
                    return false;
                }
                Stage::Run
                    if load_ended || self.stages.run_s.is_some_and(|run_s| here_s >= run_s) =>
                {
                    self.score_ends(time_s, work);
                    self.enter(Stage::CoolDown, time_s);
                }
                Stage::CoolDown if here_s >= self.stages.cool_down_s => return true,
                _ => return false,
            }
        }
    }

    fn enter(&mut self, stage: Stage, time_s: f64) {
        self.stage = stage;
        self.stage_from_s = time_s;
    }

    fn score_ends(&mut self, time_s: f64, work: f64) {
        if self.stage == Stage::Run && self.scored_end.is_none() {
            self.scored_end = Some((time_s, work));
        }
    }

    fn must_stop(&mut self, time_s: f64, package_c: Option<f64>) -> Option<End> {
        if package_c.is_some() {
            self.last_seen_s = time_s;
        }
        if let Some(limit_c) = self.stop.temp_c {
            match package_c {
                Some(temp_c) if temp_c >= limit_c => {
                    self.hot_rows += 1;
                    if self.hot_rows >= 2 {
                        return Some(End::Hot {
                            at_s: time_s,
                            temp_c,
                        });
                    }
                }
                Some(_) => self.hot_rows = 0,
                None if time_s - self.last_seen_s > BLIND_S => {
                    return Some(End::Blind { at_s: time_s });
                }
                None => {}
            }
        }
        self.stop
            .after_s
            .filter(|after_s| time_s - self.load_from_s >= *after_s)
            .map(|_| End::TooLong { at_s: time_s })
    }

    fn left_s(&self, time_s: f64) -> Option<f64> {
        let length_s = match self.stage {
            Stage::Lead => self.stages.lead_s,
            Stage::WarmUp => self.stages.warm_up_s,
            Stage::Run => self.stages.run_s?,
            Stage::CoolDown => self.stages.cool_down_s,
        };
        Some((length_s - (time_s - self.stage_from_s)).max(0.0))
    }

    fn scored_s(&self) -> Option<(f64, f64)> {
        Some((self.scored?.0, self.scored_end?.0))
    }

    fn rate_per_s(&self) -> Option<f64> {
        let (from, to) = (self.scored?, self.scored_end?);
        let rate = (to.1 - from.1) / (to.0 - from.0);
        rate.is_finite().then_some(rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(stages: Stages, stop: Stop) -> Course {
        Course {
            columns: Columns::of(&[]),
            stages,
            stop,
            stage: Stage::Lead,
            stage_from_s: 0.0,
            load_from_s: 0.0,
            hot_rows: 0,
            last_seen_s: 0.0,
            scored: None,
            scored_end: None,
            end: None,
        }
    }

    const TIMES: Stages = Stages {
        lead_s: 5.0,
        warm_up_s: 10.0,
        run_s: Some(20.0),
        cool_down_s: 7.0,
    };

    /// Ten passes a second under load; the temperature as given.
    fn go(mut course: Course, package_c: impl Fn(f64) -> Option<f64>) -> (Course, f64) {
        for i in 0..10_000 {
            let time_s = 0.1 * f64::from(i);
            let work = if course.stage.under_load() {
                10.0 * (time_s - course.load_from_s)
            } else {
                f64::NAN
            };
            if course.step(time_s, package_c(time_s), work, false, true) {
                return (course, time_s);
            }
        }
        panic!("no end");
    }

    #[test]
    fn stages_follow_one_another_and_the_scored_part_is_scored() {
        let (course, end_s) = go(course(TIMES, Stop::default()), |_| Some(60.0));
        // Each stage may begin a row late: 0.1 s.
        assert!((end_s - 42.0).abs() < 0.5, "{end_s}");
        assert_eq!(course.end, None);
        let rate = course.rate_per_s().expect("scored");
        assert!((rate - 10.0).abs() < 1e-6, "{rate}");
        let (from_s, to_s) = course.scored_s().expect("scored");
        assert!((from_s - 15.0).abs() < 0.3 && (to_s - from_s - 20.0).abs() < 0.3);
    }

    #[test]
    fn a_hot_package_ends_the_load_and_the_rest_is_still_recorded() {
        let stop = Stop {
            temp_c: Some(95.0),
            after_s: None,
        };
        let spike = |t: f64| {
            Some(if (9.95..10.05).contains(&t) {
                99.0
            } else {
                60.0
            })
        };
        assert_eq!(
            go(course(TIMES, stop), spike).0.end,
            None,
            "one row is no end"
        );
        let rising = |t: f64| Some(40.0 + 3.0 * t);
        let (ended, end_s) = go(course(TIMES, stop), rising);
        assert!(
            matches!(ended.end, Some(End::Hot { at_s, .. }) if (at_s - 18.5).abs() < 0.3),
            "{:?}",
            ended.end
        );
        assert!((end_s - 25.5).abs() < 0.4, "{end_s}");
        assert!(ended.rate_per_s().is_some(), "what was done still counts");
    }

    #[test]
    fn a_lost_temperature_and_a_long_load_end_it() {
        let stop = Stop {
            temp_c: Some(95.0),
            after_s: None,
        };
        let lost = |t: f64| (t < 20.0).then_some(60.0);
        let (ended, _) = go(course(TIMES, stop), lost);
        assert!(
            matches!(ended.end, Some(End::Blind { at_s }) if (at_s - 25.0).abs() < 0.4),
            "{:?}",
            ended.end
        );
        let (ended, _) = go(course(TIMES, Stop::default()), lost);
        assert_eq!(ended.end, None, "nobody asked for a stop");
        let long = Stop {
            temp_c: None,
            after_s: Some(12.0),
        };
        let (ended, end_s) = go(course(TIMES, long), |_| None);
        assert!(matches!(ended.end, Some(End::TooLong { .. })));
        assert!((end_s - 24.0).abs() < 0.4, "{end_s}");
    }

    #[test]
    fn without_a_length_the_load_itself_ends_it() {
        let endless = Stages {
            run_s: None,
            ..TIMES
        };
        let mut course = course(endless, Stop::default());
        let mut over = false;
        for i in 0..1000 {
            let time_s = 0.1 * f64::from(i);
            over = course.step(time_s, None, f64::NAN, time_s > 50.0, true);
            if over {
                break;
            }
        }
        assert!(over && course.stage == Stage::CoolDown);
    }
}
