//! Limits from arguments to a setting, checked.

use std::path::Path;

use settlepoint_domain::{FanSetting, Id, Setting, Tier};
use settlepoint_views::adding;

use crate::args::LimitArgs;
use crate::error::Failure;
use crate::log_file;
use crate::readings::decode;

/// The setting that the arguments describe.
pub(crate) fn setting(id: Id, name: &str, args: &LimitArgs) -> Result<Setting, Failure> {
    let setting = Setting {
        id,
        name: name.to_owned(),
        pl1_w: args.pl1,
        pl2_w: args.pl2,
        tau_s: args.tau,
        temp_limit_c: args.temp_limit,
        more_tiers: args
            .limit
            .iter()
            .map(|t| tier(t))
            .collect::<Result<_, _>>()?,
        fan: fan(args)?,
    };
    check(&setting)?;
    Ok(setting)
}

/// Checks a setting; the message says what to do.
pub(crate) fn check(setting: &Setting) -> Result<(), Failure> {
    Ok(adding::check_setting(setting)?)
}

/// A temperature limit must lie above the room.
pub(crate) fn check_room(setting: &Setting, room_c: Option<f64>) -> Result<(), Failure> {
    Ok(adding::check_room(setting, room_c)?)
}

fn tier(text: &str) -> Result<Tier, Failure> {
    let parsed = text.split_once(':').and_then(|(w, s)| {
        Some(Tier {
            limit_w: w.trim().parse().ok()?,
            window_s: s.trim().parse().ok()?,
        })
    });
    parsed.ok_or_else(|| {
        Failure::usage(format!(
            "--limit {text}: give watts and seconds with a colon between, as 253:2.5"
        ))
    })
}

fn fan(args: &LimitArgs) -> Result<FanSetting, Failure> {
    let speed = |rpm: f64| {
        if (1.0..=50_000.0).contains(&rpm) {
            Ok(rpm)
        } else {
            Err(Failure::usage(format!(
                "a fan speed of {rpm} rpm: give a value from 1 to 50000"
            )))
        }
    };
    Ok(match (args.fan_max, args.fan_fixed, &args.fan_curve) {
        (Some(rpm), _, _) => FanSetting::Ceiling(speed(rpm)?),
        (_, Some(rpm), _) => FanSetting::Fixed(speed(rpm)?),
        (_, _, Some(path)) => FanSetting::Curve(fan_curve(path)?),
        _ => FanSetting::AsFitted,
    })
}

/// Reads lines of temperature and speed, rising in both.
fn fan_curve(path: &Path) -> Result<Vec<(f64, f64)>, Failure> {
    let bytes = log_file::bytes(path)?;
    let text = decode(&bytes, &path.display().to_string())?;
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (number, line) in text.lines().enumerate() {
        if line.trim_start().starts_with('#') || line.trim().is_empty() {
            continue;
        }
        match curve_point(line) {
            Some((t, rpm)) => {
                if points
                    .last()
                    .is_some_and(|&(t0, rpm0)| t <= t0 || rpm < rpm0)
                {
                    return Err(Failure::data(format!(
                        "{}, line {}: temperatures must rise and speeds must not fall",
                        path.display(),
                        number + 1
                    )));
                }
                points.push((t, rpm));
            }
            // A header of words is fine on the first line only.
            None if number == 0 && !line.contains(|c: char| c.is_ascii_digit()) => {}
            None => {
                return Err(Failure::data(format!(
                    "{}, line {}: '{line}' where a temperature in °C and a speed in rpm are expected",
                    path.display(),
                    number + 1
                )));
            }
        }
    }
    if points.is_empty() {
        return Err(Failure::data(format!(
            "{} holds no points; write lines such as 40,600",
            path.display()
        )));
    }
    Ok(points)
}

/// A temperature and a speed, where both can be. With semicolons or tabs between, commas are decimal.
fn curve_point(line: &str) -> Option<(f64, f64)> {
    let line = if line.contains([';', '\t']) {
        line.replace(',', ".")
    } else {
        line.replace(',', " ")
    };
    let mut cells = line.split([';', '\t', ' ']).map(str::trim);
    let mut next = || cells.find(|c| !c.is_empty())?.parse::<f64>().ok();
    let (temp_c, rpm) = (next()?, next()?);
    let can_be = (-60.0..=200.0).contains(&temp_c) && (0.0..=50_000.0).contains(&rpm);
    (can_be && next().is_none()).then_some((temp_c, rpm))
}
