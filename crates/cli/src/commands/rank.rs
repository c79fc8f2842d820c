//! `rank`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_compare::energy::{SupplyCurve, cost_per_year, energy_per_unit};
use settlepoint_compare::level::estimated_sone;
use settlepoint_compare::rank::{Key, RankRow, relate, sort};
use settlepoint_domain::{Direction, PhaseKind, Role, Run, RunData};
use settlepoint_notebook::Notebook;
use settlepoint_views::averages::{averages, mean_score};

use crate::args::{RankArgs, SortArg, TableForm};
use crate::error::Failure;
use crate::log_file;
use crate::view::{Answer, cell, optional, table};
use settlepoint_views::gather;

/// A row with what only the printing needs.
struct Listed {
    row: RankRow,
    unit_of_energy: Option<String>,
}

/// `settlepoint rank`.
pub(crate) fn rank(args: &RankArgs) -> Result<Answer, Failure> {
    let supply = args.supply.as_deref().map(supply).transpose()?;
    let book = gather::open(&args.notebook)?;
    let mut listed: Vec<Listed> = Vec::new();
    for run in book.runs()? {
        listed.push(row(&book, &run, args, supply.as_ref())?);
    }
    let mut rows: Vec<RankRow> = listed.iter().map(|l| l.row.clone()).collect();
    relate(&mut rows);
    sort(&mut rows, key(args.sort));
    let json_rows: Vec<Value> = rows
        .iter()
        .map(|r| row_json(r, unit_of(&listed, r)))
        .collect();
    let text = if rows.is_empty() {
        "no runs yet; add some with 'settlepoint add readings' or 'settlepoint add log'\n"
            .to_owned()
    } else {
        match args.form {
            TableForm::Text => table(&HEADER, &rows.iter().map(cells).collect::<Vec<_>>()),
            TableForm::Markdown => markdown(&rows),
            TableForm::Csv => csv_text(&rows)?,
        }
    };
    Ok(Answer::new(
        json!({ "schema": "settlepoint.rank/1", "rows": json_rows }),
        text,
    ))
}

fn unit_of<'a>(listed: &'a [Listed], row: &RankRow) -> Option<&'a str> {
    listed
        .iter()
        .find(|l| l.row.run == row.run && l.row.workload == row.workload)
        .and_then(|l| l.unit_of_energy.as_deref())
}

const fn key(sort: SortArg) -> Key {
    match sort {
        SortArg::Work => Key::Work,
        SortArg::Plateau => Key::Plateau,
        SortArg::Margin => Key::Margin,
        SortArg::Power => Key::Power,
        SortArg::Level => Key::Level,
        SortArg::Energy => Key::Energy,
        SortArg::Gain => Key::Gain,
        SortArg::Run => Key::Run,
    }
}

/// A share, or a file with rows of output in W and efficiency.
fn supply(text: &str) -> Result<SupplyCurve, Failure> {
    if let Ok(share) = text.parse::<f64>() {
        return SupplyCurve::flat(share)
            .map_err(|e| Failure::usage(format!("--supply {text}: {e}")));
    }
    let bytes = log_file::bytes(Path::new(text))?;
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(bytes.as_slice());
    let mut points = Vec::new();
    for (i, record) in reader.records().enumerate() {
        let record = record.map_err(|e| Failure::data(format!("{text}: {e}")))?;
        let cell = |place: usize| record.get(place).and_then(|c| c.parse::<f64>().ok());
        match (cell(0), cell(1)) {
            (Some(output_w), Some(efficiency)) => points.push((output_w, efficiency)),
            // The first line may name the columns.
            _ if i == 0 => {}
            _ => {
                return Err(Failure::data(format!(
                    "{text}, row {}: give an output in W and an efficiency from 0 to 1",
                    i + 1
                )));
            }
        }
    }
    SupplyCurve::new(points).map_err(|e| Failure::data(format!("{text}: {e}")))
}

fn row(
    book: &Notebook,
    run: &Run,
    args: &RankArgs,
    supply: Option<&SupplyCurve>,
) -> Result<Listed, Failure> {
    let setting = book.setting(run.setting)?;
    let workload = book.workload(run.workload)?;
    let averages = averages(book, run)?;
    let score = mean_score(run);
    let work = score
        .filter(|s| *s > 0.0)
        .map(|s| match workload.direction {
            Direction::Higher => s,
            Direction::Lower => 1.0 / s,
        });
    let energy = averages
        .power_w
        .zip(score)
        .and_then(|(power_w, s)| energy_per_unit(power_w, s, &workload.unit, workload.kind));
    let wall_w = supply
        .zip(averages.power_w)
        .map(|(curve, power_w)| curve.wall_w(power_w + args.rest));
    let paid_w = wall_w.or(averages.power_w);
    let hours = args.hours.or(workload.hours_per_week);
    let row = RankRow {
        run: run.name.clone(),
        workload: workload.name,
        setting: setting.name,
        work,
        plateau_c: averages.plateau_c,
        margin_k: setting
            .temp_limit_c
            .value()
            .zip(averages.plateau_c)
            .map(|(limit, settled)| limit - settled),
        power_w: averages.power_w,
        wall_w,
        clock_mhz: clock(book, run)?,
        fan_speed_rpm: averages.fan_speed_rpm,
        level_dba: averages.level_dba,
        j_per_unit: energy.as_ref().map(|e| e.joules),
        cost_per_year: paid_w
            .zip(args.tariff)
            .zip(hours)
            .map(|((watts, tariff), hours)| cost_per_year(watts, tariff, hours)),
        excluded: run.excluded.clone(),
        ..RankRow::default()
    };
    Ok(Listed {
        row,
        unit_of_energy: energy.map(|e| e.unit),
    })
}

/// Mean clock of the last phase under load.
fn clock(book: &Notebook, run: &Run) -> Result<Option<f64>, Failure> {
    Ok(match &run.data {
        RunData::Readings(phases) => phases
            .iter()
            .rev()
            .find(|p| p.phase.is_load() || p.phase == PhaseKind::Unknown)
            .and_then(|p| p.clock_mhz[0]),
        RunData::ScoresOnly => None,
        RunData::Log => {
            let log = book.log(run.id)?;
            let options = settlepoint_phases::Options { room_c: run.room_c };
            let phases = settlepoint_phases::analyse(&log, &options).phases;
            let last = phases.iter().rev().find(|p| p.kind.is_load());
            log.channel(Role::Clock).zip(last).and_then(|(clock, p)| {
                let values: Vec<f64> = (p.first_row..p.end_row)
                    .filter_map(|row| clock.value(row))
                    .collect();
                (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
            })
        }
    })
}

fn row_json(r: &RankRow, unit_of_energy: Option<&str>) -> Value {
    json!({
        "run": r.run,
        "workload": r.workload,
        "setting": r.setting,
        "work_rel": optional(r.work_rel),
        "plateau_c": optional(r.plateau_c),
        "margin_k": optional(r.margin_k),
        "power_w": optional(r.power_w),
        "wall_w": optional(r.wall_w),
        "clock_mhz": optional(r.clock_mhz),
        "fan_speed_rpm": optional(r.fan_speed_rpm),
        "level_dba": optional(r.level_dba),
        "loudness_sone_estimate": optional(r.level_dba.map(estimated_sone)),
        "j_per_unit": optional(r.j_per_unit),
        "energy_unit": unit_of_energy.map(|u| format!("J per {u}")),
        "gain_pct_per_w": optional(r.gain_pct_per_w),
        "cost_per_year": optional(r.cost_per_year),
        "excluded": r.excluded,
    })
}

const HEADER: [&str; 16] = [
    "run",
    "workload",
    "setting",
    "work",
    "settled °C",
    "margin K",
    "W",
    "wall W",
    "MHz",
    "rpm",
    "dB(A)",
    "sone est.",
    "J/unit",
    "%/W",
    "cost/year",
    "excluded",
];

fn cells(r: &RankRow) -> Vec<String> {
    vec![
        r.run.clone(),
        r.workload.clone(),
        r.setting.clone(),
        cell(r.work_rel, 3),
        cell(r.plateau_c, 1),
        cell(r.margin_k, 1),
        cell(r.power_w, 1),
        cell(r.wall_w, 1),
        cell(r.clock_mhz, 0),
        cell(r.fan_speed_rpm, 0),
        cell(r.level_dba, 1),
        cell(r.level_dba.map(estimated_sone), 2),
        cell(r.j_per_unit, 1),
        cell(r.gain_pct_per_w, 3),
        cell(r.cost_per_year, 2),
        r.excluded.clone().unwrap_or_default(),
    ]
}

fn markdown(rows: &[RankRow]) -> String {
    let line = |cells: &[String]| {
        let escaped: Vec<String> = cells.iter().map(|c| c.replace('|', "\\|")).collect();
        format!("| {} |\n", escaped.join(" | "))
    };
    let header: Vec<String> = HEADER.iter().map(|&h| h.to_owned()).collect();
    // Words to the left, numbers to the right.
    let rule: Vec<String> = (0..HEADER.len())
        .map(|i| if (3..15).contains(&i) { "---:" } else { "---" }.to_owned())
        .collect();
    line(&header) + &line(&rule) + &rows.iter().map(|r| line(&cells(r))).collect::<String>()
}

/// The keys of the JSON as columns.
fn csv_text(rows: &[RankRow]) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let written = (|| -> Result<Vec<u8>, csv::Error> {
        writer.write_record([
            "run",
            "workload",
            "setting",
            "work_rel",
            "plateau_c",
            "margin_k",
            "power_w",
            "wall_w",
            "clock_mhz",
            "fan_speed_rpm",
            "level_dba",
            "loudness_sone_estimate",
            "j_per_unit",
            "gain_pct_per_w",
            "cost_per_year",
            "excluded",
        ])?;
        for r in rows {
            let plain = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
            writer.write_record([
                r.run.clone(),
                r.workload.clone(),
                r.setting.clone(),
                plain(r.work_rel),
                plain(r.plateau_c),
                plain(r.margin_k),
                plain(r.power_w),
                plain(r.wall_w),
                plain(r.clock_mhz),
                plain(r.fan_speed_rpm),
                plain(r.level_dba),
                plain(r.level_dba.map(estimated_sone)),
                plain(r.j_per_unit),
                plain(r.gain_pct_per_w),
                plain(r.cost_per_year),
                r.excluded.clone().unwrap_or_default(),
            ])?;
        }
        writer.into_inner().map_err(|e| e.into_error().into())
    })();
    let bytes = written.map_err(|e| Failure::data(format!("the table cannot be written: {e}")))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
