//! The plain files that a notebook is written out as.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use std::fs;
use std::path::Path;

use common::*;
use serde_json::Value;
use settlepoint_domain::{Run, RunData};
use settlepoint_notebook::{LogSource, Notebook, NotebookError};

/// Fields of a line without quotes.
fn fields(line: &str) -> Vec<&str> {
    line.split(',').collect()
}

fn read(folder: &Path, name: &str) -> String {
    fs::read_to_string(folder.join(name)).unwrap()
}

fn filled() -> (tempfile::TempDir, Notebook) {
    let (folder, notebook) = blank();
    fill(&notebook);
    (folder, notebook)
}

#[test]
fn tables_have_units_in_their_headers_and_gaps_stay_empty() {
    let (folder, notebook) = filled();
    let out = folder.path().join("out");
    notebook.export_csv(&out).unwrap();
    assert_eq!(
        read(&out, "settings.csv").lines().nth(1).unwrap(),
        "00000000000000000000000000000004,quiet,65,unlimited,automatic,,150.5:0.01,curve,,\
         40:600 85.5:1500"
    );
    assert_eq!(
        read(&out, "coolings.csv").lines().nth(1).unwrap(),
        "00000000000000000000000000000002,tower,two fans,1800,"
    );
    assert_eq!(
        read(&out, "scores.csv").lines().nth(1).unwrap(),
        "\"first, by hand\",00000000000000000000000000000006,quiet,compile,181.25,s,lower,1,2,,"
    );
    assert_eq!(read(&out, "machines.csv").lines().count(), 2);
    assert_eq!(read(&out, "parts.csv").lines().count(), 3);
    assert_eq!(read(&out, "runs.csv").lines().count(), 3);
}

#[test]
fn recorders_are_written_where_there_are_some() {
    let (folder, notebook) = filled();
    let out = folder.path().join("without");
    notebook.export_csv(&out).unwrap();
    assert!(!out.join("recorders.csv").exists());
    fill_schema_3(&notebook);
    let out = folder.path().join("with");
    notebook.export_csv(&out).unwrap();
    assert_eq!(
        read(&out, "recorders.csv").lines().nth(1).unwrap(),
        "00000000000000000000000000000014,phone on the shelf,103.25,0.30000000000000004,94,1000,gain 4"
    );
    assert_eq!(
        read(&out, "recorder-response.csv").lines().nth(3).unwrap(),
        "00000000000000000000000000000014,phone on the shelf,16000,2.25"
    );
    let json = folder.path().join("json");
    notebook.export_json(&json).unwrap();
    let all: Value = serde_json::from_str(&read(&json, "notebook.json")).unwrap();
    assert_eq!(all["recorders"][0]["calibration"]["offset_db"], 103.25);
}

/// The header is that of the command line's contract for readings files, letter by letter.
#[test]
fn readings_come_out_as_a_readings_file() {
    let (folder, notebook) = filled();
    let out = folder.path().join("out");
    notebook.export_csv(&out).unwrap();
    let text = read(&out, "readings.csv");
    assert_eq!(
        text,
        "run,machine,cooling,tune,setting,pl1_w,pl2_w,tau_s,temp_limit_c,workload,room_c,phase,\
         duration_s,power_w,package_c,fan_speed_rpm,level_dba,level_of,distance_m,background_dba,\
         clock_mhz_1,clock_mhz_2,score\n\
         \"first, by hand\",tower,two fans,-50 mV,quiet,65,unlimited,automatic,,compile,21.5,\
         boost,25,118,74,,,,,,,,181.25\n\
         \"first, by hand\",tower,two fans,-50 mV,quiet,65,unlimited,automatic,,compile,21.5,\
         sustained,,88,66,0,31.5,\"all, \"\"as built\"\"\",,,4100,,\n"
    );
}

#[test]
fn log_files_read_back_bit_for_bit() {
    let (folder, notebook) = filled();
    let out = folder.path().join("out");
    notebook.export_csv(&out).unwrap();
    let text = read(&out, "log-002-from-a-log.csv");
    let mut lines = text.lines();
    assert_eq!(
        lines.next().unwrap(),
        "time [s],power of package [W],temperature of graphics [Cel]"
    );
    let rows: Vec<Vec<f64>> = lines
        .map(|line| {
            fields(line)
                .iter()
                .map(|f| f.parse().unwrap_or(f64::NAN))
                .collect()
        })
        .collect();
    let log = log();
    assert_eq!(rows.len(), log.len());
    for (row, read) in rows.iter().enumerate() {
        let kept = [
            log.time_s()[row],
            log.channels()[0].values[row],
            log.channels()[1].values[row],
        ];
        assert_eq!(read.len(), kept.len());
        for (a, b) in read.iter().zip(kept) {
            assert!(
                a.to_bits() == b.to_bits() || (a.is_nan() && b.is_nan()),
                "{a} {b}"
            );
        }
    }
    let channels = read(&out, "channels.csv");
    assert!(
        channels.contains("log-002-from-a-log.csv,2,temperature,temperature of graphics,2,Cel")
    );
}

#[test]
fn one_json_holds_everything() {
    let (folder, notebook) = filled();
    let out = folder.path().join("out");
    notebook.export_json(&out).unwrap();
    let json: Value = serde_json::from_str(&read(&out, "notebook.json")).unwrap();
    assert_eq!(json["schema"], "settlepoint.notebook/1");
    assert_eq!(json["machines"][0]["parts"][1]["name"], "graphics");
    assert_eq!(json["settings"][0]["pl1_w"], 65.0);
    assert_eq!(json["settings"][0]["temp_limit_c"], "unknown");
    assert_eq!(json["settings"][0]["fan"]["points"][1]["temp_c"], 85.5);
    assert_eq!(json["workloads"][0]["kind"], "time_for_work");
    assert_eq!(json["runs"][0]["readings"][1]["fan_speed_rpm"], 0.0);
    assert_eq!(json["runs"][0]["readings"][0]["fan_speed_rpm"], Value::Null);
    assert_eq!(json["runs"][0]["scores"][0]["order"], 2);
    let log = &json["runs"][1]["log"];
    assert_eq!(log["start"]["unix_ns"], "1700000000123456789");
    assert_eq!(log["time_s"][2], 2.000_001);
    assert_eq!(log["channels"][0]["values"][1], Value::Null);
    assert_eq!(log["channels"][0]["unit"], "W");
    assert_eq!(log["channels"][0]["averaging"], "mean");
    assert_eq!(log["raw_sha256"].as_str().unwrap().len(), 64);
}

#[test]
fn a_run_that_waits_for_its_log_is_no_obstacle() {
    let (folder, notebook) = filled();
    for n in [8, 9] {
        let run = Run {
            id: id(n),
            data: RunData::Log,
            ..readings_run()
        };
        notebook.add_run(&run).unwrap();
    }
    let source = LogSource::default();
    notebook
        .begin_recording(id(9), None, log().channels(), &source)
        .unwrap();
    notebook.export_csv(folder.path().join("csv")).unwrap();
    notebook.export_json(folder.path().join("json")).unwrap();
    assert_eq!(
        read(&folder.path().join("csv"), "logs.csv").lines().count(),
        2
    );
}

#[test]
fn nothing_is_overwritten() {
    let (folder, notebook) = filled();
    let out = folder.path().join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("machines.csv"), "mine").unwrap();
    for result in [notebook.export_csv(&out), notebook.export_json(&out)] {
        assert!(matches!(result, Err(NotebookError::Exists { .. })));
    }
    assert_eq!(read(&out, "machines.csv"), "mine");
}
