use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::{
    Channel, FanSetting, Id, LimitValue, PhaseReading, Run, RunData, Score, SensorLog, Setting,
    Workload, Zone,
};

use super::{Content, data_token, staged};
use crate::codec::Word;
use crate::{FrameInfo, LogInfo, Notebook, NotebookError, RawHash, Recorder};

/// The shape of the file; a number more when a key changes its meaning.
const SCHEMA: &str = "settlepoint.notebook/1";

/// The name of the file in the folder.
const FILE: &str = "notebook.json";

impl Notebook {
    /// Writes everything but raw files into a new folder as one `notebook.json` (RFC 8259). What
    /// was not noted is null; a limit is a number or one of the words "unknown", "automatic",
    /// "unlimited"; things refer to each other by id; start times are nanoseconds in a string,
    /// as they exceed what JSON readers take for exact.
    ///
    /// The folder appears when complete; it must not exist before, or be empty.
    ///
    /// # Errors
    /// As [`Notebook::export_csv`].
    pub fn export_json(&self, folder: impl AsRef<Path>) -> Result<(), NotebookError> {
        staged(folder.as_ref(), |draft| {
            let path = draft.join(FILE);
            let write = |book: &Self| {
                let file = File::create_new(&path)?;
                let mut json = Json {
                    out: BufWriter::new(file),
                    comma: false,
                };
                book.write_json(&mut json)?;
                json.out.write_all(b"\n")?;
                json.out.flush()?;
                json.out.get_ref().sync_all()?;
                Ok(())
            };
            self.snapshot(|book| {
                write(book).map_err(|failure| match failure {
                    Failure::Notebook(error) => error,
                    Failure::Io(error) => NotebookError::io(&path, error),
                })
            })
        })
    }

    fn write_json(&self, json: &mut Json<impl Write>) -> Result<(), Failure> {
        let content = Content::read(self)?;
        json.open('{')?;
        json.member("schema", &SCHEMA.into())?;
        json.member(
            "content_hash",
            &RawHash::from_bytes(self.content_hash()?).to_string().into(),
        )?;
        self.write_surroundings(json, &content)?;
        json.list("settings", content.settings.iter().map(setting))?;
        let workloads: Result<Vec<_>, _> = content.workloads.iter().map(workload).collect();
        json.list("workloads", workloads?.into_iter())?;
        let recorders = self.recorders()?;
        if !recorders.is_empty() {
            json.list("recorders", recorders.iter().map(recorder))?;
        }
        json.key("runs")?;
        json.open('[')?;
        for run in &content.runs {
            self.write_run(json, run)?;
        }
        json.close(']')?;
        json.close('}')?;
        Ok(())
    }

    fn write_surroundings(
        &self,
        json: &mut Json<impl Write>,
        content: &Content,
    ) -> Result<(), Failure> {
        let mut machines = Vec::new();
        for m in &content.machines {
            let parts: Vec<Value> = self
                .parts(m.id)?
                .into_iter()
                .map(|part| json!({"id": part.id.to_string(), "name": part.name}))
                .collect();
            machines.push(json!({
                "id": m.id.to_string(), "name": m.name, "model": m.model, "serial": m.serial,
                "notes": m.notes, "parts": parts,
            }));
        }
        json.list("machines", machines.into_iter())?;
        let cooling = |c: &settlepoint_domain::Cooling| {
            json!({
                "id": c.id.to_string(), "machine": c.machine.to_string(), "name": c.name,
                "fan_max_rpm": c.fan_max_rpm, "notes": c.notes,
            })
        };
        json.list("coolings", content.coolings.iter().map(cooling))?;
        let tune = |t: &settlepoint_domain::Tune| {
            json!({
                "id": t.id.to_string(), "machine": t.machine.to_string(), "name": t.name,
                "notes": t.notes,
            })
        };
        json.list("tunes", content.tunes.iter().map(tune))?;
        Ok(())
    }

    fn write_run(&self, json: &mut Json<impl Write>, run: &Run) -> Result<(), Failure> {
        json.open('{')?;
        json.member("id", &run.id.to_string().into())?;
        json.member("name", &run.name.as_str().into())?;
        json.member("machine", &run.machine.to_string().into())?;
        json.member("cooling", &run.cooling.to_string().into())?;
        json.member("tune", &run.tune.map(|tune| tune.to_string()).into())?;
        json.member("setting", &run.setting.to_string().into())?;
        json.member("workload", &run.workload.to_string().into())?;
        json.member("room_c", &run.room_c.into())?;
        json.member("altitude_m", &run.altitude_m.into())?;
        json.member("excluded", &run.excluded.as_deref().into())?;
        json.member("data", &data_token(run).into())?;
        if let RunData::Readings(readings) = &run.data {
            json.list("readings", readings.iter().map(reading))?;
        }
        json.list("scores", run.scores.iter().map(score))?;
        let frames = self.frame_infos(run.id)?;
        if !frames.is_empty() {
            json.key("frames")?;
            json.open('[')?;
            for info in frames {
                write_frames(json, &info, &self.frames_ms(run.id, info.position)?)?;
            }
            json.close(']')?;
        }
        json.list("findings", self.findings_json(run.id)?.into_iter())?;
        if run.data == RunData::Log
            && let Some(log) = self.log_if_any(run.id)?
        {
            json.key("log")?;
            write_log(json, &self.log_info(run.id)?, &log)?;
        }
        json.close('}')?;
        Ok(())
    }

    fn findings_json(&self, run: Id) -> Result<Vec<Value>, NotebookError> {
        let finding = |f: crate::KeptFinding| {
            json!({
                "rule": f.rule, "severity": f.severity.token(), "evidence": f.evidence,
                "remedy": f.remedy,
            })
        };
        Ok(self.findings(run)?.into_iter().map(finding).collect())
    }
}

fn limit(limit: LimitValue) -> Value {
    match limit {
        LimitValue::Value(value) => value.into(),
        word => word.to_string().into(),
    }
}

fn setting(s: &Setting) -> Value {
    let fan = match &s.fan {
        FanSetting::AsFitted => json!({"kind": "as_fitted"}),
        FanSetting::Ceiling(rpm) => json!({"kind": "ceiling", "fan_speed_rpm": rpm}),
        FanSetting::Fixed(rpm) => json!({"kind": "fixed", "fan_speed_rpm": rpm}),
        FanSetting::Curve(points) => {
            let point = |(c, rpm): &(f64, f64)| json!({"temp_c": c, "fan_speed_rpm": rpm});
            json!({"kind": "curve", "points": points.iter().map(point).collect::<Vec<_>>()})
        }
    };
    let tier = |t: &settlepoint_domain::Tier| json!({"limit_w": t.limit_w, "window_s": t.window_s});
    json!({
        "id": s.id.to_string(), "name": s.name, "pl1_w": limit(s.pl1_w), "pl2_w": limit(s.pl2_w),
        "tau_s": limit(s.tau_s), "temp_limit_c": limit(s.temp_limit_c),
        "more_tiers": s.more_tiers.iter().map(tier).collect::<Vec<_>>(), "fan": fan,
    })
}

fn workload(w: &Workload) -> Result<Value, NotebookError> {
    Ok(json!({
        "id": w.id.to_string(), "name": w.name, "unit": w.unit, "direction": w.direction.word()?,
        "kind": w.kind.word()?, "duration_s": w.duration_s, "hours_per_week": w.hours_per_week,
        "weight": w.weight, "loss_max_pct": w.loss_max_pct, "idle": w.idle,
    }))
}

fn reading(r: &PhaseReading) -> Value {
    json!({
        "phase": r.phase.token(), "duration_s": r.duration_s, "power_w": r.power_w,
        "package_c": r.package_c, "fan_speed_rpm": r.fan_speed_rpm, "level_dba": r.level_dba,
        "level_of": r.level_of, "distance_m": r.distance_m, "background_dba": r.background_dba,
        "clock_mhz": r.clock_mhz,
    })
}

fn score(s: &Score) -> Value {
    json!({
        "value": s.value, "repetition": s.repetition, "order": s.order, "block": s.block,
        "time": s.time.map(|time| time.to_string()),
    })
}

fn recorder(r: &Recorder) -> Value {
    json!({
        "id": r.id.to_string(), "name": r.name,
        "calibration": r.calibration.map(|c| json!({
            "offset_db": c.offset_db, "sd_db": c.sd_db, "reference_db": c.reference_db,
            "tone_hz": c.tone_hz,
        })),
        "response": r.response, "notes": r.notes,
    })
}

fn write_frames(
    json: &mut Json<impl Write>,
    info: &FrameInfo,
    times_ms: &[f64],
) -> Result<(), Failure> {
    json.open('{')?;
    json.member("source", &info.source_name.as_str().into())?;
    json.member("reading", &info.reading.as_str().into())?;
    json.member("raw_sha256", &info.raw.map(|hash| hash.to_string()).into())?;
    json.list("times_ms", times_ms.iter().map(|t| Value::from(*t)))?;
    json.close('}')?;
    Ok(())
}

fn write_log(json: &mut Json<impl Write>, info: &LogInfo, log: &SensorLog) -> Result<(), Failure> {
    let start = log.start().map(|start| {
        let zone = match &start.zone {
            Zone::Known(zone) => zone.as_str().into(),
            _ => Value::Null,
        };
        json!({"unix_ns": start.unix_ns.to_string(), "zone": zone})
    });
    json.open('{')?;
    json.member("source", &info.source_name.as_str().into())?;
    json.member("recipe", &info.recipe.as_str().into())?;
    json.member("raw_sha256", &info.raw.map(|hash| hash.to_string()).into())?;
    json.member("start", &start.into())?;
    json.member("time_known", &log.time_known().into())?;
    json.member("recording", &info.recording.into())?;
    json.list("time_s", log.time_s().iter().map(|t| Value::from(*t)))?;
    json.key("channels")?;
    json.open('[')?;
    for channel in log.channels() {
        write_channel(json, channel)?;
    }
    json.close(']')?;
    json.close('}')?;
    Ok(())
}

fn write_channel(json: &mut Json<impl Write>, channel: &Channel) -> Result<(), Failure> {
    json.open('{')?;
    json.member("role", &channel.role.token().into())?;
    json.member("column", &channel.column.as_str().into())?;
    json.member("column_number", &channel.column_number.into())?;
    json.member("unit", &channel.unit.code().into())?;
    json.member("part", &channel.part.as_str().into())?;
    json.member("averaging", &channel.averaging.word()?.into())?;
    json.member("resolution", &channel.resolution.into())?;
    json.member("reason", &channel.reason.as_str().into())?;
    // `Value` makes null of NaN, which is what a missing reading should be.
    json.list("values", channel.values.iter().map(|v| Value::from(*v)))?;
    json.close('}')?;
    Ok(())
}

enum Failure {
    Notebook(NotebookError),
    Io(io::Error),
}

impl From<NotebookError> for Failure {
    fn from(error: NotebookError) -> Self {
        Self::Notebook(error)
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// Writes JSON piece by piece, so that a long log is never held as a tree.
struct Json<W> {
    out: W,
    /// Whether something stands before the next piece in its list or object.
    comma: bool,
}

impl<W: Write> Json<W> {
    fn part(&mut self) -> io::Result<()> {
        if std::mem::replace(&mut self.comma, true) {
            self.out.write_all(b",")
        } else {
            Ok(())
        }
    }

    fn open(&mut self, bracket: char) -> io::Result<()> {
        self.part()?;
        self.comma = false;
        write!(self.out, "{bracket}")
    }

    fn close(&mut self, bracket: char) -> io::Result<()> {
        self.comma = true;
        write!(self.out, "{bracket}")
    }

    fn value(&mut self, value: &Value) -> io::Result<()> {
        self.part()?;
        Ok(serde_json::to_writer(&mut self.out, value)?)
    }

    fn key(&mut self, key: &str) -> io::Result<()> {
        self.part()?;
        self.comma = false;
        write!(self.out, "\n\"{key}\":")
    }

    fn member(&mut self, key: &str, value: &Value) -> io::Result<()> {
        self.key(key)?;
        self.value(value)
    }

    fn list(&mut self, key: &str, values: impl Iterator<Item = Value>) -> io::Result<()> {
        self.key(key)?;
        self.open('[')?;
        for value in values {
            self.value(&value)?;
        }
        self.close(']')
    }
}
