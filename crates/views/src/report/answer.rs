//! The answer: in short, and with its reasons.

use settlepoint_domain::{Basis, FanSetting};
use settlepoint_draw::plain;
use settlepoint_infer::choose::{Candidate, Choice, acting_words};

use super::context::{Context, RoomFrom};
use super::{Block, Figure, Grid, Tile, Topic};
use crate::charts::trade_off;
use crate::words::{asked, brief, cell, count, ends, figure_span, firmware_text, sentence, span};

/// The recommended setting in a few numbers.
pub(super) fn summary(context: &Context<'_>) -> Vec<Block> {
    let choice = match &context.choice {
        Ok(choice) => choice,
        Err(why) => {
            return vec![Block::Text(format!(
                "There is no recommendation: {}",
                sentence(why)
            ))];
        }
    };
    let Some(chosen) = choice.recommended.and_then(|i| choice.settings.get(i)) else {
        let why = choice.reasons.join("; ");
        return vec![Block::Text(format!(
            "There is no recommendation: {}",
            sentence(&why)
        ))];
    };
    let mut blocks = vec![
        Block::Text(format!("Set {}.", firmware_text(&chosen.setting))),
        Block::Tiles(tiles(chosen)),
        Block::Text(question(context)),
    ];
    blocks.extend(basis_line(context, chosen).map(Block::Text));
    blocks
}

/// "Asked for a room up to 34 °C, …".
fn question(context: &Context<'_>) -> String {
    let room = match context.room_from {
        RoomFrom::Asked => "",
        RoomFrom::Warmest => {
            " No room was asked for, so it is the warmest in which a run was made."
        }
        RoomFrom::Assumed => " No room was asked for or noted, so it is assumed.",
    };
    format!(
        "This was asked: {}.{room}",
        asked(&context.bounds).join("; ")
    )
}

/// What the prediction rests on, and that a run should confirm it.
fn basis_line(context: &Context<'_>, chosen: &Candidate) -> Option<String> {
    let basis = chosen.predictions.first()?.sustained.package_c.basis;
    let runs = count(context.gathered.runs.len(), "run");
    Some(match basis {
        Basis::Measured => format!("A run under this setting in such a room is among the {runs}."),
        basis => format!(
            "This setting was not run in such a room: it is predicted ({basis}) from {runs}. Confirm it \
             with one run under it."
        ),
    })
}

fn tiles(chosen: &Candidate) -> Vec<Tile> {
    let Some(p) = chosen.predictions.first() else {
        return Vec::new();
    };
    let tile = |label: &str, value: String, note: String| Tile {
        label: label.to_owned(),
        value,
        note,
    };
    let s = &p.sustained;
    let mut tiles = vec![tile(
        "settles at",
        format!("{} °C", plain(s.package_c.value, 0)),
        ends(s.package_c, 0),
    )];
    if let Some(level) = s.level_dba.estimate() {
        tiles.push(tile(
            "level",
            format!("{} dB(A)", plain(level.value, 1)),
            ends(level, 1),
        ));
    }
    tiles.push(tile(
        "power",
        format!("{} W", plain(s.settled_power_w.value, 0)),
        ends(s.settled_power_w, 0),
    ));
    tiles.push(tile(
        "work",
        format!("{} %", plain(-chosen.loss_pct.max(0.0), 1)),
        "against the fastest".into(),
    ));
    tiles.push(tile(
        "held by",
        short_limit(p.acting_limit).into(),
        String::new(),
    ));
    tiles
}

fn short_limit(token: &str) -> &'static str {
    match token {
        "power" => "PL1",
        "temperature" => "temperature",
        "demand" => "the work itself",
        "fan_ceiling" => "fan ceiling",
        _ => "something else",
    }
}

/// The choice with what was asked, its reasons and its neighbours.
pub(super) fn choice(context: &Context<'_>) -> Vec<Block> {
    let (fit, choice) = match (&context.fit, &context.choice) {
        (Ok(fit), Ok(choice)) => (fit, choice),
        // Said in short already.
        _ if !context.wish.without.contains(&Topic::Summary) => return Vec::new(),
        (Err(why), _) | (_, Err(why)) => {
            return vec![Block::Text(format!(
                "No setting can be chosen: {}",
                sentence(why)
            ))];
        }
    };
    let mut blocks = vec![
        Block::Text(question(context)),
        Block::Text(weights(context, choice)),
    ];
    blocks.extend(verdict(choice));
    let chart = trade_off(&context.gathered, choice, &context.bounds);
    let tall = 0.4 + 0.7 * chart.axes.len() as f64;
    blocks.push(Block::Figure(Figure::new(chart).shaped(0.62, tall)));
    blocks.push(Block::Table(settings_table(context, choice)));
    if fit.evidence.workloads.len() > 1 {
        blocks.extend(other_workloads(context, choice).map(Block::Table));
    }
    blocks
}

fn verdict(choice: &Choice) -> Vec<Block> {
    let Some(chosen) = choice.recommended.and_then(|i| choice.settings.get(i)) else {
        return vec![Block::Text(format!(
            "No setting keeps every bound: {}",
            sentence(&choice.reasons.join("; "))
        ))];
    };
    let reasons = chosen.reasons.iter().chain(&choice.reasons);
    let mut blocks = vec![
        Block::Text(format!("Recommended: {}.", firmware_text(&chosen.setting))),
        Block::List(reasons.cloned().collect()),
    ];
    let near = [
        ("Quieter or cooler", choice.quieter),
        ("Faster", choice.faster),
    ];
    let lines: Vec<(String, String)> = near
        .into_iter()
        .filter_map(|(name, place)| Some((name, choice.settings.get(place?)?)))
        .map(|(name, c)| {
            let text = format!("{}: {}", firmware_text(&c.setting), brief(c));
            (name.to_owned(), text)
        })
        .collect();
    if !lines.is_empty() {
        blocks.push(Block::Facts(lines));
    }
    blocks
}

/// Which work counted, and how much.
fn weights(context: &Context<'_>, choice: &Choice) -> String {
    let names: Vec<String> = choice
        .workloads
        .iter()
        .filter_map(|w| context.gathered.workloads.get(*w))
        .map(|w| match (w.idle, w.weight, w.hours_per_week) {
            (true, ..) => format!("{} (only its heat and noise)", w.name),
            (_, Some(weight), _) => format!("{} (weight {})", w.name, plain(weight, 1)),
            (_, None, Some(hours)) => format!("{} ({} h a week)", w.name, plain(hours, 0)),
            _ => w.name.clone(),
        })
        .collect();
    format!(
        "Counted: {}. Only settings within the limits that this machine was already run under are \
         considered.",
        names.join(", ")
    )
}

fn settings_table(context: &Context<'_>, choice: &Choice) -> Grid {
    let rows = choice
        .settings
        .iter()
        .enumerate()
        .map(|(i, c)| row(choice, i, c))
        .collect();
    let workload = choice
        .workloads
        .first()
        .and_then(|w| context.gathered.workloads.get(*w));
    let mut grid = Grid::new(
        &format!(
            "Settings that no other beats in work, noise and temperature at once; for {} in a {} °C room",
            workload.map_or("the work", |w| w.name.as_str()),
            plain(context.bounds.room_c, 0)
        ),
        &[
            "",
            "PL1 W",
            "PL2 W",
            "limit °C",
            "fan to rpm",
            "settles °C",
            "power W",
            "level dB(A)",
            "loss %",
            "held by",
            "keeps all",
        ],
        rows,
    );
    grid.chosen = choice.recommended;
    grid
}

fn row(choice: &Choice, i: usize, c: &Candidate) -> Vec<String> {
    let place = Some(i);
    let mark = if choice.recommended == place {
        "recommended"
    } else if choice.quieter == place {
        "quieter"
    } else if choice.faster == place {
        "faster"
    } else {
        ""
    };
    let fan = match c.setting.fan {
        FanSetting::Ceiling(rpm) => plain(rpm, 0),
        _ => "–".to_owned(),
    };
    let mut cells = vec![
        mark.to_owned(),
        cell(c.setting.pl1_w.value(), 0),
        cell(c.setting.pl2_w.value(), 0),
        cell(c.setting.temp_limit_c.value(), 0),
        fan,
    ];
    let first = c.predictions.first().map(|p| (p, &p.sustained));
    cells.push(first.map_or("–".into(), |(_, s)| span(s.package_c, 1)));
    cells.push(first.map_or("–".into(), |(_, s)| plain(s.settled_power_w.value, 0)));
    cells.push(first.map_or("–".into(), |(_, s)| cell(s.level_dba.value(), 1)));
    cells.push(plain(c.loss_pct.max(0.0), 1));
    cells.push(first.map_or("–".into(), |(p, _)| {
        short_limit(p.acting_limit).to_owned()
    }));
    cells.push(if c.feasible { "yes" } else { "no" }.to_owned());
    cells
}

/// The recommended setting under every workload that counts.
fn other_workloads(context: &Context<'_>, choice: &Choice) -> Option<Grid> {
    let chosen = choice.settings.get(choice.recommended?)?;
    let rows: Vec<Vec<String>> = choice
        .workloads
        .iter()
        .zip(&chosen.predictions)
        .map(|(w, p)| {
            let name = context.gathered.workloads.get(*w);
            vec![
                name.map_or_else(String::new, |w| w.name.clone()),
                span(p.sustained.package_c, 1),
                span(p.sustained.settled_power_w, 0),
                figure_span(&p.sustained.fan_speed_rpm, 0),
                figure_span(&p.sustained.level_dba, 1),
                acting_words(p.acting_limit).to_owned(),
                p.sustained.package_c.basis.to_string(),
            ]
        })
        .collect();
    (rows.len() > 1).then(|| {
        Grid::new(
            "The recommended setting under everything that counts, with 90 % intervals",
            &[
                "workload",
                "settles °C",
                "power W",
                "fan rpm",
                "level dB(A)",
                "held by",
                "basis",
            ],
            rows,
        )
    })
}
