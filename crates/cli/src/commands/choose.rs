//! `choose`.

use serde_json::{Value, json};
use settlepoint_compare::level::level_of_sone;
use settlepoint_domain::FanSetting;
use settlepoint_infer::choose::{Candidate, Choice, Constraints, choose as choose_setting};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_views::gather::{self, Gathered, gather};
use settlepoint_views::words::{brief, firmware_text};

use crate::args::{BoundsArgs, ChooseArgs, NoiseArgs};
use crate::commands::predict::prediction_json;
use crate::commands::runs::setting_json;
use crate::error::{Code, Failure};
use crate::view::{Answer, excluded_json, excluded_text, fixed, number, optional, table};

/// `settlepoint choose`.
pub(crate) fn choose(args: &ChooseArgs) -> Result<Answer, Failure> {
    let mut constraints = constraints(args.room, &args.bounds)?;
    let book = gather::open(&args.pick.notebook)?;
    let gathered = gather(&book, &args.pick.pick()?)?;
    let (fit, _) = gathered.fit(&[])?;
    let notes = bound_noise(&args.noise, &fit, &mut constraints)?;
    let mut answer = answer(&gathered, &fit, &constraints)?;
    answer.json["bounds"] = json!({
        "noise_max_dba": optional(constraints.noise_max_dba),
        "noise_max_idle_dba": optional(constraints.noise_max_idle_dba),
        "notes": notes,
    });
    for note in notes {
        answer.text += &format!("{note}\n");
    }
    Ok(answer)
}

/// Turns bounds in sone and above the background into levels, the lowest of which counts, and says how.
fn bound_noise(
    args: &NoiseArgs,
    fit: &CoolingFit,
    constraints: &mut Constraints,
) -> Result<Vec<String>, Failure> {
    let idle = [
        args.noise_max_idle,
        args.sone_max_idle,
        args.above_background_idle,
    ];
    if idle.iter().any(Option::is_some) && !fit.evidence.workloads.iter().any(|w| w.idle) {
        return Err(Failure::new(
            Code::NotIdentified,
            "a bound at idle needs an idle workload: 'settlepoint add workload NOTEBOOK NAME --idle', and a \
             run of it with its level",
        ));
    }
    let mut notes = Vec::new();
    let load_dba = [
        constraints.noise_max_dba,
        args.sone_max.map(|s| from_sone(s, &mut notes)),
        over_background(args.above_background, fit, &mut notes)?,
    ];
    let idle_dba = [
        args.noise_max_idle,
        args.sone_max_idle.map(|s| from_sone(s, &mut notes)),
        over_background(args.above_background_idle, fit, &mut notes)?,
    ];
    constraints.noise_max_dba = lowest(load_dba);
    constraints.noise_max_idle_dba = lowest(idle_dba);
    Ok(notes)
}

fn lowest(bounds: [Option<f64>; 3]) -> Option<f64> {
    bounds.into_iter().flatten().reduce(f64::min)
}

fn from_sone(sone: f64, notes: &mut Vec<String>) -> f64 {
    let level_dba = level_of_sone(sone);
    notes.push(format!(
        "{sone} sone is taken as {} dB(A): an estimate, since without a spectrum the level stands in for \
         the loudness level",
        fixed(level_dba, 1)
    ));
    level_dba
}

fn over_background(
    over_db: Option<f64>,
    fit: &CoolingFit,
    notes: &mut Vec<String>,
) -> Result<Option<f64>, Failure> {
    let Some(over_db) = over_db else {
        return Ok(None);
    };
    let background_dba = fit.background_dba().ok_or_else(|| {
        Failure::new(
            Code::NotIdentified,
            "a bound above the background needs the background: note background_dba with a reading",
        )
    })?;
    let level_dba = background_dba + over_db;
    notes.push(format!(
        "{over_db} dB above the background of {} dB(A) is {} dB(A), fans and background together",
        fixed(background_dba, 1),
        fixed(level_dba, 1)
    ));
    Ok(Some(level_dba))
}

/// The bounds; temperatures that leave nothing to choose are refused. A room that is not a number
/// is one still to be found.
pub(crate) fn constraints(room_c: f64, bounds: &BoundsArgs) -> Result<Constraints, Failure> {
    if let Some(max) = bounds.temp_max
        && max <= room_c
    {
        return Err(Failure::usage(format!(
            "--temp-max {max} is not above the room's {room_c} °C; give a temperature well above it"
        )));
    }
    Ok(Constraints {
        room_c,
        altitude_m: bounds.altitude,
        temp_max_c: bounds.temp_max,
        confidence: bounds.confidence,
        noise_max_dba: bounds.noise_max,
        noise_max_idle_dba: None,
        loss_max_pct: bounds.loss_max,
        wall_max_w: bounds.wall_max,
        rest_w: bounds.rest,
        supply_efficiency: bounds.supply_efficiency,
    })
}

/// Chooses and says so; also the end of `demo`.
pub(crate) fn answer(
    gathered: &Gathered,
    fit: &CoolingFit,
    constraints: &Constraints,
) -> Result<Answer, Failure> {
    let choice = choose_setting(fit, constraints)?;
    let pick = |place: Option<usize>| {
        place.map_or(Value::Null, |i| {
            candidate_json(gathered, &choice, &choice.settings[i])
        })
    };
    let json = json!({
        "schema": "settlepoint.choose/1",
        "settings": choice
            .settings
            .iter()
            .map(|c| candidate_json(gathered, &choice, c))
            .collect::<Vec<_>>(),
        "recommended": pick(choice.recommended),
        "quieter": pick(choice.quieter),
        "faster": pick(choice.faster),
        "reasons": choice.reasons,
        "excluded": excluded_json(&gathered.excluded),
    });
    let text = choice_text(&choice) + &excluded_text(&gathered.excluded);
    Ok(Answer::new(json, text))
}

fn candidate_json(gathered: &Gathered, choice: &Choice, candidate: &Candidate) -> Value {
    let mut value = setting_json(&candidate.setting);
    let predictions: Vec<Value> = choice
        .workloads
        .iter()
        .zip(&candidate.predictions)
        .map(|(&w, p)| {
            let mut json = prediction_json(p);
            json["workload"] = gathered.workloads[w].name.clone().into();
            json
        })
        .collect();
    // The first workload's figures stand on the setting itself, as in `predict`.
    if let (Some(Value::Object(first)), Value::Object(own)) = (predictions.first(), &mut value) {
        for key in [
            "sustained",
            "boost",
            "acting_limit",
            "p_temp_limit",
            "work_rel",
        ] {
            own.insert(key.to_owned(), first[key].clone());
        }
    }
    value["work_rel_weighted"] = number(candidate.work_rel);
    value["loss_pct"] = number(candidate.loss_pct);
    value["feasible"] = candidate.feasible.into();
    value["predictions"] = predictions.into();
    let mut reasons = candidate.reasons.clone();
    if choice
        .recommended
        .is_some_and(|i| std::ptr::eq(&raw const choice.settings[i], candidate))
    {
        reasons.extend(choice.reasons.clone());
    }
    value["reasons"] = reasons.into();
    value
}

fn choice_text(choice: &Choice) -> String {
    let rows: Vec<Vec<String>> = choice
        .settings
        .iter()
        .enumerate()
        .map(|(i, c)| row(choice, i, c))
        .collect();
    let mut text = table(
        &[
            "",
            "PL1 W",
            "PL2 W",
            "limit °C",
            "fan to rpm",
            "°C",
            "90 %",
            "W",
            "dB(A)",
            "loss %",
            "held by",
            "keeps all",
        ],
        &rows,
    );
    let Some(chosen) = choice.recommended else {
        text += &format!("\nNo recommendation: {}.\n", choice.reasons.join("; "));
        return text;
    };
    let candidate = &choice.settings[chosen];
    text += &format!("\nRecommended: {}.\n", firmware_text(&candidate.setting));
    for reason in candidate.reasons.iter().chain(&choice.reasons) {
        text += &format!("  - {reason}\n");
    }
    if let Some(i) = choice.quieter {
        text += &format!(
            "Quieter or cooler: {}; {}.\n",
            firmware_text(&choice.settings[i].setting),
            brief(&choice.settings[i])
        );
    }
    if let Some(i) = choice.faster {
        text += &format!(
            "Faster: {}; {}.\n",
            firmware_text(&choice.settings[i].setting),
            brief(&choice.settings[i])
        );
    }
    text += "Limits above the maker's can damage parts or void the warranty; confirm the choice with one run under it.\n";
    text
}

fn row(choice: &Choice, i: usize, c: &Candidate) -> Vec<String> {
    let p = &c.predictions[0];
    let mark = choice.mark(i);
    let show = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.0}"));
    let fan = match c.setting.fan {
        FanSetting::Ceiling(rpm) => format!("{rpm:.0}"),
        _ => "-".into(),
    };
    vec![
        mark.to_owned(),
        show(c.setting.pl1_w.value()),
        show(c.setting.pl2_w.value()),
        show(c.setting.temp_limit_c.value()),
        fan,
        format!("{:.1}", p.sustained.package_c.value),
        format!(
            "{:.0} to {:.0}",
            p.sustained.package_c.lo, p.sustained.package_c.hi
        ),
        format!("{:.0}", p.sustained.settled_power_w.value),
        p.sustained
            .level_dba
            .value()
            .map_or_else(|| "-".into(), |l| format!("{l:.1}")),
        format!("{:.1}", c.loss_pct.max(0.0)),
        p.acting_limit.to_owned(),
        if c.feasible { "yes" } else { "no" }.to_owned(),
    ]
}
