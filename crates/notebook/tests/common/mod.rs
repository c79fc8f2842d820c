//! A small notebook for the tests, and ids that do not change from run to run.
#![allow(dead_code, reason = "each test file uses its own part of it")]

use settlepoint_domain::{
    Averaging, Channel, Cooling, Direction, FanSetting, Id, LimitValue, LogStart, Machine,
    PhaseKind, PhaseReading, Role, Run, RunData, Score, ScoreKind, SensorLog, Setting, Tier, Tune,
    Unit, Workload, Zone,
};
use settlepoint_notebook::{FrameSource, LogSource, Notebook, Recorder, RecorderCalibration};
use tempfile::TempDir;

pub(crate) const fn id(n: u128) -> Id {
    Id::from_u128(n)
}

/// A new notebook in a folder that goes away.
pub(crate) fn blank() -> (TempDir, Notebook) {
    let folder = tempfile::tempdir().unwrap();
    let notebook = Notebook::create(folder.path().join("bench.settle")).unwrap();
    (folder, notebook)
}

pub(crate) fn machine() -> Machine {
    Machine {
        id: id(1),
        name: "tower".into(),
        model: "T-100".into(),
        serial: String::new(),
        notes: "under the desk".into(),
    }
}

pub(crate) fn cooling() -> Cooling {
    Cooling {
        id: id(2),
        machine: id(1),
        name: "two fans".into(),
        fan_max_rpm: Some(1800.0),
        notes: String::new(),
    }
}

pub(crate) fn tune() -> Tune {
    Tune {
        id: id(3),
        machine: id(1),
        name: "-50 mV".into(),
        notes: String::new(),
    }
}

/// Every kind of limit, a tier more and a curve.
pub(crate) fn setting() -> Setting {
    Setting {
        id: id(4),
        name: "quiet".into(),
        pl1_w: LimitValue::Value(65.0),
        pl2_w: LimitValue::Unlimited,
        tau_s: LimitValue::Automatic,
        temp_limit_c: LimitValue::Unknown,
        more_tiers: vec![Tier {
            limit_w: 150.5,
            window_s: 0.01,
        }],
        fan: FanSetting::Curve(vec![(40.0, 600.0), (85.5, 1500.0)]),
    }
}

pub(crate) fn workload() -> Workload {
    Workload {
        id: id(5),
        name: "compile".into(),
        unit: "s".into(),
        direction: Direction::Lower,
        kind: ScoreKind::TimeForWork,
        duration_s: 600.0,
        hours_per_week: Some(10.0),
        weight: None,
        loss_max_pct: Some(2.0),
        idle: false,
    }
}

pub(crate) fn readings_run() -> Run {
    let boost = PhaseReading {
        duration_s: Some(25.0),
        power_w: Some(118.0),
        package_c: Some(74.0),
        ..PhaseReading::blank(PhaseKind::Boost)
    };
    let sustained = PhaseReading {
        power_w: Some(88.0),
        package_c: Some(66.0),
        fan_speed_rpm: Some(0.0),
        level_dba: Some(31.5),
        level_of: "all, \"as built\"".into(),
        clock_mhz: [Some(4100.0), None],
        ..PhaseReading::blank(PhaseKind::Sustained)
    };
    Run {
        id: id(6),
        name: "first, by hand".into(),
        machine: id(1),
        cooling: id(2),
        tune: Some(id(3)),
        setting: id(4),
        workload: id(5),
        room_c: Some(21.5),
        altitude_m: None,
        data: RunData::Readings(vec![boost, sustained]),
        scores: vec![Score {
            value: 181.25,
            repetition: 1,
            order: Some(2),
            block: None,
            time: None,
        }],
        excluded: None,
    }
}

pub(crate) fn log_run() -> Run {
    Run {
        id: id(7),
        name: "from a log".into(),
        tune: None,
        room_c: None,
        data: RunData::Log,
        scores: Vec::new(),
        ..readings_run()
    }
}

pub(crate) fn channel(role: Role, unit: Unit, part: &str, values: Vec<f64>) -> Channel {
    Channel {
        role,
        column: format!("{role} of {part}"),
        column_number: 2,
        unit,
        part: part.into(),
        reason: "its name says so".into(),
        resolution: Some(0.5),
        averaging: Averaging::Mean,
        values,
    }
}

pub(crate) fn log() -> SensorLog {
    let start = LogStart {
        unix_ns: 1_700_000_000_123_456_789,
        zone: Zone::Known("+02:00".into()),
    };
    let power = channel(
        Role::Power,
        Unit::Watt,
        "package",
        vec![15.1, f64::NAN, 65.0, 0.1 + 0.2],
    );
    let temp = channel(
        Role::Temperature,
        Unit::Celsius,
        "graphics",
        vec![31.0, 32.5, 40.0, -0.0],
    );
    SensorLog::new(
        Some(start),
        vec![0.0, 1.0, 2.000_001, 3.5],
        true,
        vec![power, temp],
    )
    .unwrap()
}

pub(crate) const RAW: &[u8] = b"time,power,temp\r\n0,15.1,31\r\n";

/// One of everything.
pub(crate) fn fill(notebook: &Notebook) {
    notebook.add_machine(&machine()).unwrap();
    notebook.add_cooling(&cooling()).unwrap();
    notebook.add_tune(&tune()).unwrap();
    notebook.add_setting(&setting()).unwrap();
    notebook.add_workload(&workload()).unwrap();
    notebook.add_run(&readings_run()).unwrap();
    notebook.add_run(&log_run()).unwrap();
    let raw = Some(notebook.keep_raw_bytes(RAW).unwrap());
    let source = LogSource {
        name: "bench.csv",
        recipe: "power = column 2",
        raw,
    };
    notebook.add_log(id(7), &log(), &source).unwrap();
}

pub(crate) const FRAMES_MS: [f64; 3] = [8.25, 0.1 + 0.2, 16.5];

/// What schema 2 can hold beside.
pub(crate) fn fill_schema_2(notebook: &Notebook) {
    let source = FrameSource {
        name: "frames.csv",
        reading: "column 1 in ms",
        raw: None,
    };
    notebook.add_frames(id(6), &FRAMES_MS, &source).unwrap();
}

pub(crate) fn recorder() -> Recorder {
    Recorder {
        id: id(20),
        name: "phone on the shelf".to_owned(),
        calibration: Some(RecorderCalibration {
            offset_db: 103.25,
            sd_db: 0.1 + 0.2,
            reference_db: 94.0,
            tone_hz: Some(1000.0),
        }),
        response: vec![(20.0, -3.5), (1000.0, 0.0), (16_000.0, 2.25)],
        notes: "gain 4".to_owned(),
    }
}

/// What schema 3 can hold beside.
pub(crate) fn fill_schema_3(notebook: &Notebook) {
    notebook.put_recorder(&recorder()).unwrap();
}

/// Whether two logs agree bit for bit, missing readings included.
pub(crate) fn same_log(a: &SensorLog, b: &SensorLog) -> bool {
    let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    let plain = |channel: &Channel| Channel {
        values: Vec::new(),
        ..channel.clone()
    };
    a.start() == b.start()
        && a.time_known() == b.time_known()
        && bits(a.time_s()) == bits(b.time_s())
        && a.channels().len() == b.channels().len()
        && a.channels()
            .iter()
            .zip(b.channels())
            .all(|(a, b)| plain(a) == plain(b) && bits(&a.values) == bits(&b.values))
}
