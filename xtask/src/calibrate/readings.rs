//! What a person would have noted or logged of a run, errors included.

use settlepoint_domain::{
    Averaging, Channel, FanSetting, Id, LimitValue, PhaseKind, PhaseReading, Role, Run, RunData,
    Score, SensorLog, Setting, Unit,
};
use settlepoint_infer::collect::{from_log, from_readings};
use settlepoint_infer::evidence::RunEvidence;
use settlepoint_infer::predict::setting_of;
use settlepoint_model::{ActingLimit, Simulator};
use settlepoint_phases::{Options, analyse};
use settlepoint_stats::random::Random;

use super::plan::PlannedRun;
use super::truth::{Course, Record, Second, Truth};
use super::{Form, Sensors, workload};

/// Idle before the load in a log, s.
const IDLE_S: usize = 120;
/// Lag of the temperature reading in a log, s.
const LAG_S: f64 = 1.0;
/// A boost shorter than this is not noticed, s.
const SHORTEST_BOOST_S: usize = 3;

/// The errors that one run has in common.
struct Errors {
    offset_k: f64,
    power: f64,
    fan: f64,
    level_db: f64,
    score: f64,
    room_k: f64,
}

/// Makes the runs of one machine.
pub(crate) struct Bench<'a> {
    pub(crate) truth: &'a Truth,
    pub(crate) sensors: Sensors,
    pub(crate) form: Form,
    /// The background as the owner measured it, dB(A).
    pub(crate) background_dba: f64,
    pub(crate) duration_s: f64,
}

/// A run, as evidence and as the plain numbers that a spreadsheet would hold.
pub(crate) struct Measured {
    pub(crate) evidence: RunEvidence,
    pub(crate) row: Row,
}

/// The end of a run as typed into a spreadsheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Row {
    pub(crate) pl1_w: f64,
    pub(crate) room_c: f64,
    pub(crate) power_w: f64,
    pub(crate) package_c: f64,
    pub(crate) level_dba: f64,
    pub(crate) score: f64,
}

impl Bench<'_> {
    /// Makes one run.
    ///
    /// # Errors
    /// Samples that make no log.
    pub(crate) fn measure(
        &self,
        simulator: &mut Simulator,
        planned: PlannedRun,
        number: usize,
        random: &mut Random,
    ) -> Result<Measured, String> {
        let s = &self.sensors;
        let course = Course {
            pl1_w: planned.ratio * self.truth.pl2_w,
            temp_limit_c: planned.temp_limit_c,
            room_c: planned.room_c,
            drift_k: s.room_drift_k * random.normal(),
            duration_s: self.duration_s,
        };
        let record = self.truth.run(simulator, &course);
        let errors = Errors {
            offset_k: s.run_offset_k * random.normal(),
            power: 1.0 + s.power_share * random.normal(),
            fan: 1.0 + s.fan_speed_share * random.normal(),
            level_db: s.level_db * random.normal(),
            score: 1.0 + s.score_share * random.normal(),
            room_k: s.room_known_k * random.normal(),
        };
        let all = record.means(0, record.seconds.len());
        let score = all.work_rate * errors.score;
        let room_c = rounded(course.room_c + errors.room_k, 0.1);
        let setting = setting(self.truth, &course, number);
        let mut run = Run {
            id: Id::from_u128(number as u128),
            name: format!("{number}"),
            machine: Id::from_u128(0),
            cooling: Id::from_u128(0),
            tune: None,
            setting: setting.id,
            workload: Id::from_u128(1),
            room_c: Some(room_c),
            altitude_m: None,
            data: RunData::Log,
            scores: vec![Score {
                value: score,
                repetition: 1,
                order: None,
                block: None,
                time: None,
            }],
            excluded: None,
        };
        let row = self.row(&course, &record, &errors, room_c, score);
        let evidence = match self.form {
            Form::Typed => {
                run.data = RunData::Readings(self.typed(&record, &errors));
                from_readings(&run, &setting, &workload(self.duration_s))
            }
            Form::Log => {
                let idle = self.truth.idle(simulator, course.room_c);
                let log = self.log(idle, &record, &errors, random)?;
                let review = analyse(
                    &log,
                    &Options {
                        room_c: Some(room_c),
                    },
                );
                let mut evidence = from_log(
                    &run,
                    &setting,
                    &workload(self.duration_s),
                    &log,
                    &review.phases,
                );
                for window in &mut evidence.windows {
                    window.background_dba = Some(self.background_dba);
                }
                evidence
            }
        };
        Ok(Measured { evidence, row })
    }

    /// Whole-phase averages in whole units, as a hand copies them.
    fn typed(&self, record: &Record, errors: &Errors) -> Vec<PhaseReading> {
        let end = record.seconds.len();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole seconds of a run"
        )]
        let boost = record.boost_s.round() as usize;
        let last = if record.acting == ActingLimit::Temperature {
            PhaseKind::TempLimited
        } else {
            PhaseKind::Sustained
        };
        let spans = if (SHORTEST_BOOST_S..end - SHORTEST_BOOST_S).contains(&boost) {
            vec![(PhaseKind::Boost, 0, boost), (last, boost, end)]
        } else {
            vec![(last, 0, end)]
        };
        spans
            .into_iter()
            .map(|(kind, from, to)| {
                let mean = record.means(from, to);
                let steady = kind != PhaseKind::Boost;
                PhaseReading {
                    duration_s: Some((to - from) as f64),
                    power_w: Some((mean.power_w * errors.power).round()),
                    package_c: Some((mean.die_c + errors.offset_k).round()),
                    fan_speed_rpm: Some(self.rpm(mean.fan_share, errors)),
                    level_dba: steady.then(|| self.level(mean.fan_share, errors)),
                    background_dba: steady.then_some(self.background_dba),
                    ..PhaseReading::blank(kind)
                }
            })
            .collect()
    }

    fn rpm(&self, fan_share: f64, errors: &Errors) -> f64 {
        let full = self.truth.machine.full_speed_rpm.unwrap_or(f64::NAN);
        (full * fan_share * errors.fan).round()
    }

    fn level(&self, fan_share: f64, errors: &Errors) -> f64 {
        rounded(
            self.truth.level_dba(fan_share) + errors.level_db,
            self.sensors.level_step_db,
        )
    }

    fn row(
        &self,
        course: &Course,
        record: &Record,
        errors: &Errors,
        room_c: f64,
        score: f64,
    ) -> Row {
        let end = record.seconds.len();
        let mean = record.means(end - end / 5, end);
        Row {
            pl1_w: course.pl1_w,
            room_c,
            power_w: (mean.power_w * errors.power).round(),
            package_c: (mean.die_c + errors.offset_k).round(),
            level_dba: self.level(mean.fan_share, errors),
            score,
        }
    }

    fn log(
        &self,
        idle: Second,
        record: &Record,
        errors: &Errors,
        random: &mut Random,
    ) -> Result<SensorLog, String> {
        let rows: Vec<Second> = std::iter::repeat_n(idle, IDLE_S)
            .chain(record.seconds.iter().copied())
            .collect();
        let follow = 1.0 - (-1.0 / LAG_S).exp();
        let mut shown_c = idle.die_c;
        let temps = rows
            .iter()
            .map(|row| {
                shown_c += follow * (row.die_c - shown_c);
                let noise = self.sensors.temperature_k * random.normal();
                rounded(
                    shown_c + errors.offset_k + noise,
                    self.sensors.temperature_step_k,
                )
            })
            .collect();
        let powers = rows
            .iter()
            .map(|row| rounded(row.power_w * errors.power, 0.1))
            .collect();
        let speeds = rows
            .iter()
            .map(|row| self.rpm(row.fan_share, errors))
            .collect();
        let levels = rows
            .iter()
            .map(|row| self.level(row.fan_share, errors))
            .collect();
        let time_s = (0..rows.len()).map(|i| i as f64).collect();
        let channels = vec![
            channel(Role::Power, Unit::Watt, 0.1, powers),
            channel(
                Role::Temperature,
                Unit::Celsius,
                self.sensors.temperature_step_k,
                temps,
            ),
            channel(Role::FanSpeed, Unit::Rpm, 1.0, speeds),
            channel(Role::Level, Unit::Dba, self.sensors.level_step_db, levels),
        ];
        SensorLog::new(None, time_s, true, channels).map_err(|e| e.to_string())
    }
}

fn channel(role: Role, unit: Unit, resolution: f64, values: Vec<f64>) -> Channel {
    Channel {
        role,
        column: role.token().into(),
        column_number: 1,
        unit,
        part: "package".into(),
        reason: String::new(),
        resolution: Some(resolution),
        averaging: Averaging::Mean,
        values,
    }
}

/// The setting that a course stands for, as its owner would note it.
pub(crate) fn setting(truth: &Truth, course: &Course, number: usize) -> Setting {
    setting_of(
        format!("{number}"),
        LimitValue::Value(course.pl1_w),
        LimitValue::Value(truth.pl2_w),
        LimitValue::Value(truth.tau_s),
        LimitValue::Value(course.temp_limit_c),
        FanSetting::AsFitted,
    )
}

fn rounded(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}
