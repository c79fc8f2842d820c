//! `predict` and `capacity`.

use serde_json::{Value, json};
use settlepoint_domain::{FanSetting, Id, Setting};
use settlepoint_infer::choose::acting_words;
use settlepoint_infer::fit::{CoolingFit, Draw};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::layout::Key;
use settlepoint_infer::predict::{Prediction, Query};
use settlepoint_model::simulate;
use settlepoint_views::gather::{self, gather};

use crate::args::{CapacityArgs, PredictArgs};
use crate::error::{Code, Failure};
use crate::limits;
use crate::view::{
    Answer, estimate, excluded_json, excluded_text, figure, figure_span, number, span,
};

/// `settlepoint predict`.
pub(crate) fn predict(args: &PredictArgs) -> Result<Answer, Failure> {
    let setting = limits::setting(Id::from_u128(0), "asked", &args.limits)?;
    limits::check_room(&setting, Some(args.room))?;
    check_altitude(args.altitude)?;
    let book = gather::open(&args.pick.notebook)?;
    let gathered = gather(&book, &args.pick.pick()?)?;
    let workload = gathered.workload(args.workload.as_deref())?;
    let (fit, _) = gathered.fit(&args.use_runs)?;
    let setting = with_usual_window(&fit, setting);
    let minutes = args
        .minutes
        .unwrap_or(gathered.workloads[workload].duration_s / 60.0);
    if !(minutes > 0.0 && minutes <= 1e5) {
        return Err(Failure::usage(format!(
            "--minutes {minutes}: give a length above 0"
        )));
    }
    let query = Query {
        workload,
        setting,
        conditions: Conditions {
            room_c: args.room,
            altitude_m: args.altitude,
            duration_s: 60.0 * minutes,
        },
    };
    need_full_speed(&fit, &query.setting)?;
    let prediction = fit.predict(&query, usize::MAX);
    let mut json = prediction_json(&prediction);
    json["schema"] = "settlepoint.predict/1".into();
    json["workload"] = gathered.workloads[workload].name.clone().into();
    json["excluded"] = excluded_json(&gathered.excluded);
    if args.series {
        json["series"] = series(&fit, &query);
    }
    let text = prediction_text(&prediction) + &excluded_text(&gathered.excluded);
    Ok(Answer::new(json, text))
}

/// A window that the user did not give is the one all runs had, if they had one.
fn with_usual_window(fit: &CoolingFit, mut setting: Setting) -> Setting {
    if setting.tau_s.value().is_none() {
        let mut seen = fit.evidence.runs.iter().map(|r| r.setting.tau_s);
        if let Some(first) = seen.next()
            && seen.all(|t| t == first)
        {
            setting.tau_s = first;
        }
    }
    setting
}

fn check_altitude(altitude_m: f64) -> Result<(), Failure> {
    if (-500.0..=9000.0).contains(&altitude_m) {
        return Ok(());
    }
    Err(Failure::usage(format!(
        "--altitude {altitude_m}: give metres from -500 to 9000"
    )))
}

/// Fan speeds in rpm mean something only if the fans' full speed is known.
fn need_full_speed(fit: &CoolingFit, setting: &Setting) -> Result<(), Failure> {
    if setting.fan != FanSetting::AsFitted && fit.parameter(Key::FanFull).is_none() {
        return Err(Failure::new(
            Code::NotIdentified,
            "no run has a fan speed in rpm, so a speed in rpm cannot be placed on the fan's range; note \
             fan speeds, or give the full speed with 'settlepoint add cooling … --fan-max'",
        ));
    }
    Ok(())
}

/// A prediction's keys as the contract has them.
pub(crate) fn prediction_json(p: &Prediction) -> Value {
    json!({
        "sustained": {
            "package_c": estimate(p.sustained.package_c),
            "power_w": estimate(p.sustained.power_w),
            "settled_power_w": estimate(p.sustained.settled_power_w),
            "clock_mhz": p.sustained.clock_mhz.iter().map(figure).collect::<Vec<_>>(),
            "fan_speed_rpm": figure(&p.sustained.fan_speed_rpm),
            "fan_share": estimate(p.sustained.fan_share),
            "level_dba": figure(&p.sustained.level_dba),
        },
        "boost": p.boost.as_ref().map(|b| json!({
            "package_c": estimate(b.package_c),
            "power_w": estimate(b.power_w),
            "duration_s": estimate(b.duration_s),
        })),
        "work_rel": figure(&p.work_rel),
        "acting_limit": p.acting_limit,
        "p_temp_limit": number(p.p_temp_limit),
        "notes": p.notes,
    })
}

fn prediction_text(p: &Prediction) -> String {
    let mut text = format!(
        "settles at {} °C and {} W, held by {}\n",
        span(p.sustained.package_c, 1),
        span(p.sustained.settled_power_w, 1),
        acting_words(p.acting_limit)
    );
    let (run, settled) = (p.sustained.power_w, p.sustained.settled_power_w);
    if (run.value - settled.value).abs() > 0.005 * settled.value {
        text += &format!("mean over the run after the boost {} W\n", span(run, 1));
    }
    text += &format!(
        "fan speed {}\n",
        figure_span(&p.sustained.fan_speed_rpm, 0, "rpm")
    );
    text += &format!(
        "level {}\n",
        figure_span(&p.sustained.level_dba, 1, "dB(A)")
    );
    for (i, clock) in p.sustained.clock_mhz.iter().enumerate() {
        text += &format!("clock {} {}\n", i + 1, figure_span(clock, 0, "MHz"));
    }
    if let Some(b) = &p.boost {
        text += &format!(
            "before that {} s at {} W and {} °C on average\n",
            span(b.duration_s, 0),
            span(b.power_w, 0),
            span(b.package_c, 1)
        );
    }
    text += &format!(
        "work relative to the best score {}\n",
        figure_span(&p.work_rel, 3, "")
    );
    text += &format!(
        "the temperature limit acts with probability {:.2}\n",
        p.p_temp_limit
    );
    text += &format!("basis: {}\n", p.sustained.package_c.basis);
    for note in &p.notes {
        text += &format!("note: {note}\n");
    }
    text
}

/// The time course of the most probable machine.
fn series(fit: &CoolingFit, query: &Query) -> Value {
    let (model, scenario) = fit.best_guess(query);
    let mut columns: [Vec<Value>; 5] = Default::default();
    simulate(&model, &scenario, |step| {
        let row = [
            step.time_s,
            step.power_w,
            step.die_c,
            step.fan_share,
            step.work_rate,
        ];
        for (column, value) in columns.iter_mut().zip(row) {
            column.push(number(value));
        }
    });
    let [time_s, power_w, package_c, fan_share, work_rate] = columns;
    json!({
        "time_s": time_s,
        "power_w": power_w,
        "package_c": package_c,
        "fan_share": fan_share,
        "work_rate": work_rate,
    })
}

/// `settlepoint capacity`.
pub(crate) fn capacity(args: &CapacityArgs) -> Result<Answer, Failure> {
    if args.temp <= args.room {
        return Err(Failure::usage(format!(
            "a package at {} °C in a room of {} °C holds no watts; give a temperature above the room's",
            args.temp, args.room
        )));
    }
    check_altitude(args.altitude)?;
    let book = gather::open(&args.pick.notebook)?;
    let gathered = gather(&book, &args.pick.pick()?)?;
    let (fit, _) = gathered.fit(&[])?;
    let share = share_asked(&fit, args)?;
    let watts = fit.capacity_w(args.temp, args.room, args.altitude, &*share);
    let at = match (args.fan_speed, args.level) {
        (Some(rpm), _) => format!("{rpm:.0} rpm"),
        (_, Some(level)) => format!("{level:.1} dB(A)"),
        _ => "full fan speed".to_owned(),
    };
    let mut json = json!({
        "schema": "settlepoint.capacity/1",
        "capacity_w": estimate(watts),
        "at": at,
    });
    if !gathered.excluded.is_empty() {
        json["excluded"] = excluded_json(&gathered.excluded);
    }
    Ok(Answer::new(
        json,
        format!(
            "holds {} W at {} °C in a {} °C room, at {at} ({})\n{}",
            span(watts, 0),
            args.temp,
            args.room,
            watts.basis,
            excluded_text(&gathered.excluded)
        ),
    ))
}

type ShareOf = Box<dyn Fn(&CoolingFit, &Draw) -> f64>;

fn share_asked(fit: &CoolingFit, args: &CapacityArgs) -> Result<ShareOf, Failure> {
    if let Some(rpm) = args.fan_speed {
        need_full_speed(fit, &asked_fan(rpm))?;
        return Ok(Box::new(move |fit, draw| {
            (rpm / fit.layout.value(&draw.z, Key::FanFull).unwrap_or(rpm)).clamp(0.0, 1.0)
        }));
    }
    if let Some(level) = args.level {
        if fit.parameter(Key::SoundFull).is_none() {
            return Err(Failure::new(
                Code::NotIdentified,
                "no run has a sound level, so a level cannot be turned into a fan speed; note levels, \
                 or use --fan-speed",
            ));
        }
        return Ok(Box::new(move |fit, draw| {
            let full = fit.layout.value(&draw.z, Key::SoundFull).unwrap_or(level);
            let slope = fit.layout.value(&draw.z, Key::SoundSlope).unwrap_or(55.0);
            10.0_f64.powf((level - full) / slope).clamp(0.0, 1.0)
        }));
    }
    Ok(Box::new(|_, _| 1.0))
}

fn asked_fan(rpm: f64) -> Setting {
    use settlepoint_domain::LimitValue::Unknown;
    settlepoint_infer::predict::setting_of(
        "",
        Unknown,
        Unknown,
        Unknown,
        Unknown,
        FanSetting::Fixed(rpm),
    )
}
