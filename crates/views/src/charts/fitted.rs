//! Charts of what a fit says.

use settlepoint_domain::{FanSetting, LimitValue, Setting};
use settlepoint_draw::{
    BoostBudget, Budget, CapacityBySpeed, Curve, FanCurveChart, ImpedanceStage, LevelBySpeed,
    MapLimit, MapPoint, Marked, MarkedRange, PlateauMap, Ranged, Reading, Standing,
    ThermalImpedance, TradeAxis, TradeOff, TradePoint, WattsPanel, WorkByWatts,
};
use settlepoint_infer::choose::{Candidate, Choice, Constraints};
use settlepoint_infer::evidence::{RunEvidence, Window};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::layout::Key;
use settlepoint_infer::predict::{Prediction, Query, setting_of};
use settlepoint_model::{Sound, simulate};

use super::{Asked, ranged, scaled, steps, whose};
use crate::ViewError;
use crate::gather::Gathered;

/// Draws behind each point of a curve, and of a map: enough for a band, quick enough to wait for.
const CURVE_DRAWS: usize = 60;
const MAP_DRAWS: usize = 16;

/// Settings worth having, by work, level and temperature of the first workload.
pub fn trade_off(gathered: &Gathered, choice: &Choice, constraints: &Constraints) -> TradeOff {
    let mut fastest = f64::NAN;
    let mut points = Vec::new();
    for (i, own) in choice.settings.iter().enumerate() {
        let Some(p) = own.predictions.first() else {
            continue;
        };
        let Some(work) = p.work_rel.estimate() else {
            continue;
        };
        if fastest.is_nan() {
            fastest = work.value;
        }
        points.push(TradePoint {
            label: label(&own.setting, &choice.settings),
            work: scaled(work, 100.0 / fastest),
            costs: vec![
                p.sustained.level_dba.estimate().map(ranged),
                Some(ranged(p.sustained.package_c)),
            ],
            standing: if choice.recommended == Some(i) {
                Standing::Recommended
            } else if choice.quieter == Some(i) || choice.faster == Some(i) {
                Standing::Neighbour
            } else if own.feasible {
                Standing::Keeps
            } else {
                Standing::Breaks
            },
        });
    }
    let mut axes = vec![
        axis("Level", "dB(A)", constraints.noise_max_dba),
        axis("Settled temperature", "°C", constraints.temp_max_c),
    ];
    if points.iter().all(|p| p.costs[0].is_none()) {
        axes.remove(0);
        for point in &mut points {
            point.costs.remove(0);
        }
    }
    let workload = choice
        .workloads
        .first()
        .map(|w| gathered.workloads[*w].name.as_str());
    TradeOff {
        title: format!(
            "What each setting costs: {} in a {:.0} °C room",
            workload.unwrap_or("work"),
            constraints.room_c
        ),
        subtitle: format!("{}; predicted, 90 % intervals", whose(gathered)),
        work_name: "Work".into(),
        work_unit: "% of the fastest".into(),
        axes,
        points,
    }
}

fn axis(name: &str, unit: &str, bound: Option<f64>) -> TradeAxis {
    TradeAxis {
        name: name.into(),
        unit: unit.into(),
        bound: bound.map(|b| (b, format!("at most {b:.0} {unit}"))),
    }
}

/// What tells a setting from the others: the sustained limit, the fan's ceiling and, where these do
/// not, the temperature limit and the boost's.
fn label(setting: &Setting, all: &[Candidate]) -> String {
    let mut text = short_label(setting);
    let mut twins: Vec<&Setting> = all.iter().map(|c| &c.setting).collect();
    twins.retain(|s| short_label(s) == text);
    if twins.iter().any(|s| s.temp_limit_c != setting.temp_limit_c)
        && let Some(limit) = setting.temp_limit_c.value()
    {
        text += &format!(", {limit:.0} °C");
        twins.retain(|s| s.temp_limit_c == setting.temp_limit_c);
    }
    if twins.iter().any(|s| s.pl2_w != setting.pl2_w)
        && let Some(watts) = setting.pl2_w.value()
    {
        text += &format!(", PL2 {watts:.0} W");
    }
    text
}

fn short_label(setting: &Setting) -> String {
    let watts = setting
        .pl1_w
        .value()
        .map_or("?".into(), |w| format!("{w:.0} W"));
    match setting.fan {
        FanSetting::Ceiling(rpm) => format!("{watts}, {rpm:.0} rpm"),
        _ => watts,
    }
}

/// Limits of the run with the most watts: charts vary its PL1.
fn usual(fit: &CoolingFit) -> Setting {
    let watts = |r: &&RunEvidence| r.setting.pl1_w.value().unwrap_or(0.0);
    let runs = fit.evidence.runs.iter();
    runs.max_by(|a, b| watts(a).total_cmp(&watts(b)))
        .map_or_else(
            || {
                let unknown = LimitValue::Unknown;
                setting_of("", unknown, unknown, unknown, unknown, FanSetting::AsFitted)
            },
            |r| r.setting.clone(),
        )
}

fn under(fit: &CoolingFit, asked: &Asked, pl1_w: f64, room_c: f64, draws: usize) -> Prediction {
    let query = Query {
        workload: asked.workload,
        setting: Setting {
            pl1_w: LimitValue::Value(pl1_w),
            ..usual(fit)
        },
        conditions: Conditions {
            room_c,
            altitude_m: asked.constraints.altitude_m,
            duration_s: fit.evidence.workloads[asked.workload].duration_s,
        },
    };
    fit.predict(&query, draws)
}

/// From a third of the highest limit that was set, or what was measured below it, to the limit itself.
fn watts_range(fit: &CoolingFit, asked: &Asked) -> (f64, f64) {
    let evidence = &fit.evidence;
    let most = evidence
        .highest_power_w(Some(asked.workload))
        .or(evidence.highest_limit_w())
        .unwrap_or(100.0);
    let of_work = evidence
        .runs
        .iter()
        .filter(|r| r.workload == asked.workload);
    let measured = of_work.filter_map(|r| Some(last_load(r)?.power_w?.value));
    let least = measured.filter(|w| *w > 0.0).fold(most / 3.0, f64::min);
    (0.98 * least, most)
}

/// Settled temperature over room and sustained limit.
pub fn map(gathered: &Gathered, fit: &CoolingFit, asked: &Asked) -> PlateauMap {
    let (least, most) = watts_range(fit, asked);
    let room = asked.constraints.room_c;
    let (rooms, watts) = (steps(room - 16.0, room + 6.0, 9), steps(least, most, 11));
    let mut likely = Vec::new();
    let mut upper = Vec::new();
    for w in &watts {
        let line: Vec<_> = rooms
            .iter()
            .map(|r| under(fit, asked, *w, *r, MAP_DRAWS).sustained.package_c)
            .collect();
        likely.push(line.iter().map(|e| e.value).collect());
        upper.push(line.iter().map(|e| e.hi).collect());
    }
    let mut limits = Vec::new();
    if let Some(max) = asked.constraints.temp_max_c {
        for (values, edge, words) in [
            (&likely, false, ""),
            (&upper, true, " with 5 % probability"),
        ] {
            limits.push(MapLimit {
                label: format!("{max:.0} °C{words}"),
                values: Vec::clone(values),
                level: max,
                edge,
            });
        }
    }
    let inside = |room: f64, w: f64| {
        (rooms[0]..=rooms[rooms.len() - 1]).contains(&room) && (least..=most).contains(&w)
    };
    let points = fit.evidence.runs.iter().filter_map(|r| {
        let (room_c, w) = (r.room_c?, r.setting.pl1_w.value()?);
        (r.workload == asked.workload && inside(room_c, w)).then(|| MapPoint {
            label: r.name.clone(),
            room_c,
            watts: w,
            chosen: false,
        })
    });
    PlateauMap {
        title: format!("Where {} settles", gathered.workloads[asked.workload].name),
        subtitle: format!("°C of the package; {}, predicted", whose(gathered)),
        watts_name: "Sustained limit (PL1)".into(),
        points: points.collect(),
        room_c: rooms,
        watts,
        package_c: likely,
        limits,
    }
}

/// Fan speeds as shares of full speed, what they are in the unit shown, and the unit.
fn speeds(fit: &CoolingFit, from: f64) -> (Vec<f64>, f64, String) {
    let shares = steps(from, 1.0, 25);
    match fit.parameter(Key::FanFull) {
        Some(full) => (shares, full.value, "rpm".into()),
        None => (shares, 100.0, "% of full".into()),
    }
}

/// Watts held at the temperature bound against fan speed, for three rooms.
pub fn capacity(gathered: &Gathered, fit: &CoolingFit, asked: &Asked) -> CapacityBySpeed {
    let temp_c = asked.constraints.temp_max_c.unwrap_or(90.0);
    let (shares, full, unit) = speeds(fit, 0.2);
    let room = asked.constraints.room_c;
    let rooms = [room - 12.0, room - 6.0, room].map(|room_c| Curve {
        name: format!("{room_c:.0} °C room"),
        xs: shares.iter().map(|s| s * full).collect(),
        ys: shares
            .iter()
            .map(|&s| {
                ranged(fit.capacity_w(temp_c, room_c, asked.constraints.altitude_m, &|_, _| s))
            })
            .collect(),
    });
    CapacityBySpeed {
        title: format!("What the cooling holds at {temp_c:.0} °C"),
        subtitle: format!("{}; 90 % bands", whose(gathered)),
        speed_unit: unit,
        rooms: rooms.to_vec(),
        wanted: Vec::new(),
    }
}

fn last_load(run: &RunEvidence) -> Option<&Window> {
    run.windows.iter().rev().find(|w| w.kind.is_load())
}

/// Work and clocks against watts, with what was measured.
///
/// # Errors
/// A workload without scores and clocks.
pub fn work(
    gathered: &Gathered,
    fit: &CoolingFit,
    asked: &Asked,
) -> Result<WorkByWatts, ViewError> {
    let (least, most) = watts_range(fit, asked);
    let room = asked.constraints.room_c.min(25.0);
    let all: Vec<Prediction> = steps(least, most, 17)
        .into_iter()
        .map(|w| under(fit, asked, w, room, CURVE_DRAWS))
        .collect();
    let xs: Vec<f64> = all.iter().map(|p| p.sustained.power_w.value).collect();
    let runs = || {
        fit.evidence
            .runs
            .iter()
            .filter(|r| r.workload == asked.workload)
    };
    let mut panels = Vec::new();
    let work: Option<Vec<Ranged>> = all
        .iter()
        .map(|p| p.work_rel.estimate().map(ranged))
        .collect();
    if let (Some(ys), Some(best)) = (work, fit.evidence.best_score(asked.workload)) {
        let lower =
            gathered.workloads[asked.workload].direction == settlepoint_domain::Direction::Lower;
        let readings = runs().filter_map(|r| {
            let score = r.score?.value;
            let rel = if lower { best / score } else { score / best };
            reading(r, last_load(r)?.power_w?.value, rel)
        });
        panels.push(WattsPanel {
            name: "Work".into(),
            unit: "of the best".into(),
            readings: readings.collect(),
            curves: vec![Curve {
                name: gathered.workloads[asked.workload].name.clone(),
                xs: xs.clone(),
                ys,
            }],
        });
    }
    let clocks: Option<Vec<Ranged>> = all
        .iter()
        .map(|p| p.sustained.clock_mhz.first()?.estimate().map(ranged))
        .collect();
    if let Some(ys) = clocks {
        let readings = runs().filter_map(|r| {
            let window = last_load(r)?;
            reading(r, window.power_w?.value, window.clock_mhz[0]?.value)
        });
        panels.push(WattsPanel {
            name: "Clock".into(),
            unit: "MHz".into(),
            readings: readings.collect(),
            curves: vec![Curve {
                name: "fitted".into(),
                xs,
                ys,
            }],
        });
    }
    if panels.is_empty() {
        return Err(ViewError::Unknown(
            "this workload has neither scores nor clocks; note them for at least two settings"
                .into(),
        ));
    }
    Ok(WorkByWatts {
        title: "Work against watts".into(),
        subtitle: format!(
            "{}; mean over a run after its boost, 90 % bands",
            whose(gathered)
        ),
        panels,
    })
}

fn reading(run: &RunEvidence, x: f64, y: f64) -> Option<Reading> {
    (x.is_finite() && y.is_finite()).then(|| Reading {
        label: run.name.clone(),
        x: Ranged::exact(x),
        y: Ranged::exact(y),
        held_out: false,
    })
}

/// Level against fan speed.
///
/// # Errors
/// No level was noted.
pub fn level(gathered: &Gathered, fit: &CoolingFit) -> Result<LevelBySpeed, ViewError> {
    let layout = &fit.layout;
    if fit.parameter(Key::SoundFull).is_none() {
        return Err(ViewError::Unknown(
            "no run has a sound level; note one to draw levels".into(),
        ));
    }
    let noted = fit
        .evidence
        .runs
        .iter()
        .flat_map(|r| &r.windows)
        .find_map(|w| w.background_dba);
    let (shares, full, unit) = speeds(fit, 0.25);
    let ys = shares.iter().map(|&share| {
        ranged(fit.derive(|z| {
            let offset = layout.value(z, Key::BackgroundOffset).unwrap_or(0.0);
            Sound {
                full_speed_dba: layout.value(z, Key::SoundFull).unwrap_or(f64::NAN),
                k_db_per_decade: layout.value(z, Key::SoundSlope).unwrap_or(f64::NAN),
                background_dba: noted.map(|b| b + offset),
            }
            .level(share)
            .db()
        }))
    });
    let readings = fit.evidence.runs.iter().filter_map(|r| {
        let window = last_load(r)?;
        reading(r, window.fan_speed_rpm?.value, window.level_dba?.value)
    });
    let curve = if noted.is_some() {
        "fans and background"
    } else {
        "fans"
    };
    Ok(LevelBySpeed {
        title: "Level against fan speed".into(),
        subtitle: format!("{}; 90 % band", whose(gathered)),
        curves: vec![Curve {
            name: curve.into(),
            ys: ys.collect(),
            xs: shares.iter().map(|s| s * full).collect(),
        }],
        readings: readings.collect(),
        background: noted.map(|value| Marked {
            value,
            label: format!("background {value:.1} dB(A)"),
        }),
        bound: None,
        resonances: Vec::new(),
        speed_unit: unit,
    })
}

/// The fan curve, with the temperatures that the workload meets in the room asked.
pub fn fan_curve(gathered: &Gathered, fit: &CoolingFit, asked: &Asked) -> FanCurveChart {
    let (_, full, unit) = speeds(fit, 0.2);
    let xs = steps(25.0, 105.0, 41);
    let ys = xs.iter().map(|&t| {
        scaled(
            fit.derive(|z| fit.layout.machine(z, 0).fan.share_at(t)),
            full,
        )
    });
    let (_, most) = watts_range(fit, asked);
    let pl1_w = usual(fit).pl1_w.value().unwrap_or(most);
    let met = under(fit, asked, pl1_w, asked.constraints.room_c, CURVE_DRAWS);
    let readings = fit.evidence.runs.iter().filter_map(|r| {
        let window = last_load(r)?;
        reading(r, window.package_c?.value, window.fan_speed_rpm?.value)
    });
    FanCurveChart {
        title: "Fan curve as the machine drives it".into(),
        subtitle: format!("{}; fitted, 90 % band", whose(gathered)),
        speed_unit: unit,
        curves: vec![Curve {
            name: "fitted".into(),
            ys: ys.collect(),
            xs,
        }],
        readings: readings.collect(),
        met: vec![MarkedRange {
            lo: met.sustained.package_c.lo,
            hi: met.sustained.package_c.hi,
            label: format!(
                "{} at {pl1_w:.0} W in a {:.0} °C room",
                gathered.workloads[asked.workload].name, asked.constraints.room_c
            ),
        }],
        ceiling: None,
    }
}

/// Power and its running averages under the limits of the run with the most watts.
pub fn boost(gathered: &Gathered, fit: &CoolingFit, asked: &Asked) -> BoostBudget {
    let query = Query {
        workload: asked.workload,
        setting: usual(fit),
        conditions: Conditions {
            room_c: asked.constraints.room_c,
            altitude_m: asked.constraints.altitude_m,
            duration_s: fit.evidence.workloads[asked.workload].duration_s.min(300.0),
        },
    };
    let (model, scenario) = fit.best_guess(&query);
    let windowed: Vec<usize> = (0..scenario.tiers.len())
        .filter(|i| scenario.tiers[*i].window_s > 0.0)
        .collect();
    let (mut time_s, mut power_w) = (Vec::new(), Vec::new());
    let mut averages = vec![Vec::new(); windowed.len()];
    let summary = simulate(&model, &scenario, |step| {
        time_s.push(step.time_s);
        power_w.push(step.power_w);
        for (list, tier) in averages.iter_mut().zip(&windowed) {
            list.push(step.budgets_w.get(*tier).copied().unwrap_or(f64::NAN));
        }
    });
    let budgets = windowed.iter().zip(averages).map(|(tier, average_w)| {
        let tier = &scenario.tiers[*tier];
        Budget {
            name: format!("average over {:.0} s", tier.window_s),
            average_w,
            limit: Some(Marked {
                value: tier.limit_w,
                label: format!("limit {:.0} W", tier.limit_w),
            }),
        }
    });
    let end = summary.boost_duration_s;
    let lasting = end > 2.0 && end < scenario.duration_s - 2.0;
    BoostBudget {
        title: "How long the boost lasts".into(),
        subtitle: format!(
            "{}, {}; most probable course",
            whose(gathered),
            query.setting.name
        ),
        budgets: budgets.collect(),
        cap: query.setting.pl2_w.value().map(|value| Marked {
            value,
            label: format!("PL2 {value:.0} W"),
        }),
        boost_end: lasting.then(|| Marked {
            value: end,
            label: format!("boost ends after {end:.0} s"),
        }),
        time_s,
        power_w,
    }
}

/// Zth(t) at full fan speed with its stages.
pub fn impedance(gathered: &Gathered, fit: &CoolingFit) -> ThermalImpedance {
    let xs: Vec<f64> = steps(-1.0, 3.6, 47)
        .iter()
        .map(|p| 10_f64.powf(*p))
        .collect();
    let ys = xs
        .iter()
        .map(|&t| ranged(fit.derive(|z| fit.foster(z).map_or(f64::NAN, |f| f.zth_k_per_w(t)))));
    let stages = fit.foster(&fit.z).map_or_else(Vec::new, |f| {
        f.resistances_k_per_w()
            .iter()
            .zip(f.time_constants_s())
            .map(|(r, tau)| ImpedanceStage {
                resistance_k_per_w: *r,
                time_constant_s: *tau,
            })
            .collect()
    });
    ThermalImpedance {
        title: "Thermal impedance, package to air".into(),
        subtitle: format!("{}; full fan speed, 90 % band", whose(gathered)),
        curves: vec![Curve {
            name: "Zth".into(),
            ys: ys.collect(),
            xs,
        }],
        stages,
    }
}
