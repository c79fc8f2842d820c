//! What the data cannot tell, and the run or measurement that would.

use settlepoint_domain::{Finding, PhaseKind, Severity};

use crate::evidence::{Reading, Span, Window};
use crate::fit::CoolingFit;
use crate::layout::Key;

/// A posterior as wide as this share of its prior has learned nothing worth the name.
const UNLEARNED: f64 = 0.85;
/// A parameter whose multiple correlation with others passes this is reported as tied to them.
const TIED: f64 = 0.7;
/// A stretch of the fan curve without a reading that is wider than this is named, K.
const FAN_GAP_K: f64 = 15.0;

/// Something not known, with what would make it known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unidentified {
    /// The parameter or quantity.
    pub parameter: String,
    /// A noun phrase: the run or measurement that would tell.
    pub needs: String,
}

fn unknown(parameter: impl Into<String>, needs: impl Into<String>) -> Unidentified {
    Unidentified {
        parameter: parameter.into(),
        needs: needs.into(),
    }
}

impl CoolingFit {
    /// Everything that the data leave open.
    pub fn unidentified(&self) -> Vec<Unidentified> {
        let mut list = Vec::new();
        self.missing_watts(&mut list);
        self.open_fan(&mut list);
        self.open_thermal(&mut list);
        self.open_limits(&mut list);
        self.open_sound(&mut list);
        self.open_work(&mut list);
        list
    }

    fn load_windows(&self) -> impl Iterator<Item = &Window> {
        self.evidence
            .runs
            .iter()
            .flat_map(|r| &r.windows)
            .filter(|w| w.kind != PhaseKind::Idle)
    }

    fn missing_watts(&self, list: &mut Vec<Unidentified>) {
        for run in &self.evidence.runs {
            let loads = || run.windows.iter().filter(|w| w.kind != PhaseKind::Idle);
            if loads().next().is_some() && loads().all(|w| w.power_w.is_none()) {
                list.push(unknown(
                    format!("power_w of run {}", run.name),
                    format!(
                        "the package's watts of run {}, from a log or typed in",
                        run.name
                    ),
                ));
            }
            if run.room_c.is_none() {
                list.push(unknown(
                    format!("room_c of run {}", run.name),
                    format!("the air temperature at the intake during run {}", run.name),
                ));
            }
        }
    }

    fn open_fan(&self, list: &mut Vec<Unidentified>) {
        let heard = |w: &Window| w.fan_speed_rpm.or(w.level_dba);
        let mut temps: Vec<f64> = self
            .load_windows()
            .filter(|w| heard(w).is_some() && w.kind != PhaseKind::Boost)
            .filter_map(|w| w.package_c)
            .map(|r| r.value)
            .collect();
        temps.sort_by(f64::total_cmp);
        if temps.is_empty() {
            list.push(unknown(
                "fan_curve",
                "the fan speed, or the sound level, of at least two runs",
            ));
            return;
        }
        for pair in temps.windows(2) {
            if pair[1] - pair[0] > FAN_GAP_K {
                list.push(unknown(
                    format!("fan speed between {:.0} and {:.0} °C", pair[0], pair[1]),
                    format!(
                        "a run that settles near {:.0} °C with its fan speed or level noted",
                        0.5 * (pair[0] + pair[1])
                    ),
                ));
            }
        }
        if temps.len() == 1 {
            list.push(unknown(
                format!("fan speed away from {:.0} °C", temps[0]),
                "a run at another power with its fan speed or level noted",
            ));
        }
        let hottest = self
            .load_windows()
            .filter_map(|w| w.package_c)
            .map(|r| r.value)
            .fold(f64::NEG_INFINITY, f64::max);
        let model = self.layout.machine(&self.z, 0);
        if self.parameter(Key::FanFull).is_some() && model.fan.share_at(hottest) < 0.97 {
            list.push(unknown(
                format!("fan speed above {hottest:.0} °C"),
                "a hotter run, the fan's full speed, or the curve typed in",
            ));
        }
    }

    fn open_thermal(&self, list: &mut Vec<Unidentified>) {
        let tied = self.multiple_correlation(
            Key::DieShare,
            &[Key::FanExponent, Key::NaturalShare, Key::HotSpotSlope],
        );
        let (share, exponent) = (
            self.learned(Key::DieShare).unwrap_or(1.0),
            self.learned(Key::FanExponent).unwrap_or(1.0),
        );
        if tied > TIED || exponent > UNLEARNED || share > UNLEARNED {
            list.push(unknown(
                "fan_exponent and fixed resistance (tied)",
                "a run with the fan stopped or held below half speed, or a logged load step",
            ));
        }
        if self.learned(Key::SlowTime).is_none_or(|l| l > UNLEARNED) {
            list.push(unknown(
                "time_constants_s",
                "a log that holds a load step from settled idle, ten minutes or more",
            ));
        }
    }

    fn open_limits(&self, list: &mut Vec<Unidentified>) {
        let limited = self
            .load_windows()
            .any(|w| w.kind == PhaseKind::TempLimited)
            || self.learned(Key::LimitOffset).is_some_and(|l| l < 0.7);
        if !limited
            && self
                .evidence
                .runs
                .iter()
                .any(|r| r.setting.temp_limit_c.value().is_some())
        {
            list.push(unknown(
                "limit_offset_k",
                "a run held by the temperature limit",
            ));
        }
        for (w, workload) in self.evidence.workloads.iter().enumerate() {
            if !workload.idle && self.learned(Key::Demand(w)).is_some_and(|l| l > 0.7) {
                list.push(unknown(
                    format!("demand_w of {}", workload.name),
                    "a run with the power and temperature limits out of reach; until then only a lower bound",
                ));
            }
        }
        if self.layout.place(Key::UnknownTau).is_some()
            && self.learned(Key::UnknownTau).is_some_and(|l| l > UNLEARNED)
        {
            list.push(unknown(
                "tau_s",
                "the averaging window as set, or a log with a boost in it",
            ));
        }
    }

    fn open_sound(&self, list: &mut Vec<Unidentified>) {
        let heard: Vec<f64> = self.evidence.readings(|w| w.level_dba).collect();
        if heard.is_empty() {
            list.push(unknown(
                "level_dba",
                "a sound level of at least one run, two at different fan speeds",
            ));
        } else if self.learned(Key::SoundSlope).is_some_and(|l| l > 0.95) && heard.len() < 2 {
            list.push(unknown(
                "k_db_per_decade",
                "a second level at another fan speed",
            ));
        }
    }

    fn open_work(&self, list: &mut Vec<Unidentified>) {
        for (w, workload) in self.evidence.workloads.iter().enumerate() {
            if workload.idle {
                continue;
            }
            let scored = self
                .evidence
                .runs
                .iter()
                .filter(|r| r.workload == w && r.score.is_some());
            match scored.count() {
                0 => list.push(unknown(
                    format!("work of {}", workload.name),
                    "its score under at least two settings",
                )),
                1 => list.push(unknown(
                    format!("work_exponent of {}", workload.name),
                    "a score under a second setting",
                )),
                _ => {}
            }
        }
    }

    /// What the fit itself says about the runs: readings that lie off, limits that are
    /// never reached.
    pub fn findings(&self) -> Vec<Finding> {
        let mut findings = self.readings_off();
        for (w, workload) in self.evidence.workloads.iter().enumerate() {
            let Some(demand) = self.parameter(Key::Demand(w)) else {
                continue;
            };
            if self.learned(Key::Demand(w)).is_some_and(|l| l < 0.3) {
                let above: Vec<&str> = self
                    .evidence
                    .runs
                    .iter()
                    .filter(|r| r.workload == w && pl1_out_of_reach(r, demand.hi))
                    .map(|r| r.name.as_str())
                    .collect();
                if !above.is_empty() {
                    findings.push(Finding {
                        rule: "limit_not_reached",
                        severity: Severity::Note,
                        run: None,
                        evidence: format!(
                            "{} asks for about {:.1} W ({:.1} to {:.1}), so the power limits of run {} are not reached",
                            workload.name,
                            demand.value,
                            demand.lo,
                            demand.hi,
                            above.join(", ")
                        ),
                        remedy: "limits above this change nothing for this work".into(),
                    });
                }
            }
        }
        findings
    }
}

fn pl1_out_of_reach(run: &crate::evidence::RunEvidence, demand_w: f64) -> bool {
    let settled = run
        .windows
        .iter()
        .rev()
        .find(|w| matches!(w.span, Span::Settled | Span::Between(..)));
    let read: Option<Reading> = settled.and_then(|w| w.power_w);
    run.setting.pl1_w.value().is_some_and(|pl1| {
        pl1 > demand_w && read.is_none_or(|r| r.value < pl1 - 3.0 * r.sd.min(0.02 * pl1))
    })
}
