use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use settlepoint_domain::{
    Averaging, Direction, FanSetting, LimitValue, LogStart, PhaseReading, Run, RunData, ScoreKind,
    SensorLog, Setting, Unit, Zone,
};

use super::{Content, data_token, number, staged};
use crate::codec::Word;
use crate::{Notebook, NotebookError};

/// The columns of `readings.csv`: those of the hand-typed readings file, so that it can be read
/// in again.
const READINGS: &str = "run,machine,cooling,tune,setting,pl1_w,pl2_w,tau_s,temp_limit_c,workload,\
    room_c,phase,duration_s,power_w,package_c,fan_speed_rpm,level_dba,level_of,distance_m,\
    background_dba,clock_mhz_1,clock_mhz_2,score";

impl Notebook {
    /// Writes everything into a new folder as comma-separated files (RFC 4180, UTF-8, line feeds):
    /// `machines.csv`, `parts.csv`, `coolings.csv`, `tunes.csv`, `settings.csv`,
    /// `workloads.csv`, `runs.csv`, `readings.csv`, `scores.csv`, `logs.csv`, `channels.csv`,
    /// `findings.csv`, and for each log a `log-NNN-….csv` with the units in its header; where frame
    /// times were kept, `frames.csv` and for each recording a `frames-NNN-….csv`; where there are
    /// recorders of sound, `recorders.csv` and `recorder-response.csv`. What was not noted is empty; numbers are the shortest that read back exactly.
    ///
    /// The folder appears when complete; it must not exist before, or be empty.
    ///
    /// # Errors
    /// [`NotebookError::Exists`]; [`NotebookError::Io`]; [`NotebookError::DiskFull`]; what
    /// reading gives.
    pub fn export_csv(&self, folder: impl AsRef<Path>) -> Result<(), NotebookError> {
        staged(folder.as_ref(), |draft| {
            self.snapshot(|book| {
                let content = Content::read(book)?;
                write_surroundings(draft, &content)?;
                book.write_parts(draft, &content)?;
                write_settings(draft, &content)?;
                write_workloads(draft, &content)?;
                write_runs(draft, &content)?;
                write_readings(draft, &content)?;
                write_scores(draft, &content)?;
                book.write_findings(draft, &content)?;
                book.write_logs(draft, &content)?;
                book.write_frames(draft, &content)?;
                book.write_recorders(draft)
            })
        })
    }

    fn write_parts(&self, folder: &Path, content: &Content) -> Result<(), NotebookError> {
        let mut parts = Table::new(folder, "parts.csv", "id,machine,name")?;
        for machine in &content.machines {
            for part in self.parts(machine.id)? {
                parts.row([part.id.to_string(), machine.name.clone(), part.name])?;
            }
        }
        parts.close()
    }

    fn write_findings(&self, folder: &Path, content: &Content) -> Result<(), NotebookError> {
        let header = "run,run_id,severity,rule,evidence,remedy";
        let mut table = Table::new(folder, "findings.csv", header)?;
        for run in &content.runs {
            for finding in self.findings(run.id)? {
                table.row([
                    run.name.clone(),
                    run.id.to_string(),
                    finding.severity.token().to_owned(),
                    finding.rule,
                    finding.evidence,
                    finding.remedy,
                ])?;
            }
        }
        table.close()
    }

    fn write_logs(&self, folder: &Path, content: &Content) -> Result<(), NotebookError> {
        let mut logs = Table::new(
            folder,
            "logs.csv",
            "run,run_id,file,source,recipe,raw_sha256,start_unix_ns,zone,time_known,rows,recording",
        )?;
        let mut channels = Table::new(
            folder,
            "channels.csv",
            "file,position,role,column,column_number,unit,part,averaging,resolution,reason",
        )?;
        let with_log = content
            .runs
            .iter()
            .enumerate()
            .filter(|(_, run)| run.data == RunData::Log);
        for (index, run) in with_log {
            let Some(log) = self.log_if_any(run.id)? else {
                continue;
            };
            let file = file_name("log", index, run);
            logs.row(self.log_row(run, &file, &log)?)?;
            write_channels(&mut channels, &file, &log)?;
            write_log(folder, &file, &log)?;
        }
        logs.close()?;
        channels.close()
    }

    fn write_recorders(&self, folder: &Path) -> Result<(), NotebookError> {
        let recorders = self.recorders()?;
        if recorders.is_empty() {
            return Ok(());
        }
        let optional = |value: Option<f64>| value.map(number).unwrap_or_default();
        let header = "id,name,offset_db,offset_sd_db,reference_db,tone_hz,notes";
        let mut table = Table::new(folder, "recorders.csv", header)?;
        let mut points = Table::new(folder, "recorder-response.csv", "id,name,hz,response_db")?;
        for recorder in recorders {
            let c = recorder.calibration;
            let id = recorder.id.to_string();
            for (hz, response_db) in recorder.response {
                points.row([
                    id.clone(),
                    recorder.name.clone(),
                    number(hz),
                    number(response_db),
                ])?;
            }
            table.row([
                id,
                recorder.name,
                optional(c.map(|c| c.offset_db)),
                optional(c.map(|c| c.sd_db)),
                optional(c.map(|c| c.reference_db)),
                optional(c.and_then(|c| c.tone_hz)),
                recorder.notes,
            ])?;
        }
        table.close()?;
        points.close()
    }

    fn write_frames(&self, folder: &Path, content: &Content) -> Result<(), NotebookError> {
        let mut kept = Vec::new();
        for run in &content.runs {
            for info in self.frame_infos(run.id)? {
                kept.push((run, info));
            }
        }
        if kept.is_empty() {
            return Ok(());
        }
        let header = "run,run_id,file,source,reading,raw_sha256,frames";
        let mut table = Table::new(folder, "frames.csv", header)?;
        for (index, (run, info)) in kept.into_iter().enumerate() {
            let file = file_name("frames", index, run);
            let times_ms = self.frames_ms(run.id, info.position)?;
            let mut frames = Table::new(folder, &file, "frame_time_ms")?;
            for time_ms in times_ms {
                frames.row([number(time_ms)])?;
            }
            frames.close()?;
            table.row([
                run.name.clone(),
                run.id.to_string(),
                file,
                info.source_name,
                info.reading,
                info.raw.map(|hash| hash.to_string()).unwrap_or_default(),
                info.frame_count.to_string(),
            ])?;
        }
        table.close()
    }

    fn log_row(
        &self,
        run: &Run,
        file: &str,
        log: &SensorLog,
    ) -> Result<[String; 11], NotebookError> {
        let info = self.log_info(run.id)?;
        Ok([
            run.name.clone(),
            run.id.to_string(),
            file.to_owned(),
            info.source_name,
            info.recipe,
            info.raw.map(|hash| hash.to_string()).unwrap_or_default(),
            log.start()
                .map(|start| start.unix_ns.to_string())
                .unwrap_or_default(),
            log.start().map(zone).unwrap_or_default(),
            log.time_known().to_string(),
            log.len().to_string(),
            info.recording.to_string(),
        ])
    }
}

fn zone(start: &LogStart) -> String {
    match &start.zone {
        Zone::Known(zone) => zone.clone(),
        _ => "unknown".to_owned(),
    }
}

fn write_surroundings(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let mut machines = Table::new(folder, "machines.csv", "id,name,model,serial,notes")?;
    for m in &content.machines {
        machines.row([&m.id.to_string(), &m.name, &m.model, &m.serial, &m.notes])?;
    }
    machines.close()?;
    let mut coolings = Table::new(folder, "coolings.csv", "id,machine,name,fan_max_rpm,notes")?;
    for c in &content.coolings {
        let machine = content.machine(c.machine);
        let fan_max_rpm = optional(c.fan_max_rpm);
        coolings.row([
            c.id.to_string().as_str(),
            machine,
            &c.name,
            &fan_max_rpm,
            &c.notes,
        ])?;
    }
    coolings.close()?;
    let mut tunes = Table::new(folder, "tunes.csv", "id,machine,name,notes")?;
    for t in &content.tunes {
        tunes.row([
            t.id.to_string().as_str(),
            content.machine(t.machine),
            &t.name,
            &t.notes,
        ])?;
    }
    tunes.close()
}

fn write_settings(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let header =
        "id,name,pl1_w,pl2_w,tau_s,temp_limit_c,more_tiers_w_s,fan,fan_speed_rpm,fan_curve_c_rpm";
    let mut settings = Table::new(folder, "settings.csv", header)?;
    for s in &content.settings {
        let tiers = pairs(
            s.more_tiers
                .iter()
                .map(|tier| (tier.limit_w, tier.window_s)),
        );
        let [pl1_w, pl2_w, tau_s, temp_limit_c] = limits(s);
        let (fan, rpm, curve) = match &s.fan {
            FanSetting::AsFitted => ("as_fitted", None, String::new()),
            FanSetting::Ceiling(rpm) => ("ceiling", Some(*rpm), String::new()),
            FanSetting::Fixed(rpm) => ("fixed", Some(*rpm), String::new()),
            FanSetting::Curve(points) => ("curve", None, pairs(points.iter().copied())),
        };
        settings.row([
            s.id.to_string(),
            s.name.clone(),
            pl1_w,
            pl2_w,
            tau_s,
            temp_limit_c,
            tiers,
            fan.to_owned(),
            optional(rpm),
            curve,
        ])?;
    }
    settings.close()
}

fn write_workloads(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let header = "id,name,unit,direction,kind,duration_s,hours_per_week,weight,loss_max_pct,idle";
    let mut workloads = Table::new(folder, "workloads.csv", header)?;
    for w in &content.workloads {
        workloads.row([
            w.id.to_string(),
            w.name.clone(),
            w.unit.clone(),
            Direction::word(w.direction)?.to_owned(),
            ScoreKind::word(w.kind)?.to_owned(),
            number(w.duration_s),
            optional(w.hours_per_week),
            optional(w.weight),
            optional(w.loss_max_pct),
            w.idle.to_string(),
        ])?;
    }
    workloads.close()
}

fn write_runs(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let header = "id,name,machine,cooling,tune,setting,workload,room_c,altitude_m,data,excluded,\
                  machine_id,cooling_id,tune_id,setting_id,workload_id";
    let mut runs = Table::new(folder, "runs.csv", header)?;
    for run in &content.runs {
        runs.row([
            run.id.to_string(),
            run.name.clone(),
            content.machine(run.machine).to_owned(),
            content.cooling(run.cooling).to_owned(),
            content.tune(run.tune).to_owned(),
            content
                .setting(run.setting)
                .map(|s| s.name.clone())
                .unwrap_or_default(),
            content
                .workload(run.workload)
                .map(|w| w.name.clone())
                .unwrap_or_default(),
            optional(run.room_c),
            optional(run.altitude_m),
            data_token(run).to_owned(),
            run.excluded.clone().unwrap_or_default(),
            run.machine.to_string(),
            run.cooling.to_string(),
            run.tune.map(|tune| tune.to_string()).unwrap_or_default(),
            run.setting.to_string(),
            run.workload.to_string(),
        ])?;
    }
    runs.close()
}

fn write_readings(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let mut table = Table::new(folder, "readings.csv", READINGS)?;
    for run in &content.runs {
        let RunData::Readings(readings) = &run.data else {
            continue;
        };
        for (position, reading) in readings.iter().enumerate() {
            // A run's one score stands on its first row; several are in scores.csv only.
            let score = run
                .scores
                .first()
                .filter(|_| position == 0 && run.scores.len() == 1);
            let mut row = reading_context(content, run);
            row.extend(reading_values(reading));
            row.push(optional(score.map(|score| score.value)));
            table.row(row)?;
        }
    }
    table.close()
}

fn reading_context(content: &Content, run: &Run) -> Vec<String> {
    let setting = content.setting(run.setting);
    let mut row = vec![
        run.name.clone(),
        content.machine(run.machine).to_owned(),
        content.cooling(run.cooling).to_owned(),
        content.tune(run.tune).to_owned(),
        setting.map(|s| s.name.clone()).unwrap_or_default(),
    ];
    row.extend(setting.map(limits).unwrap_or_default());
    row.push(
        content
            .workload(run.workload)
            .map(|w| w.name.clone())
            .unwrap_or_default(),
    );
    row.push(optional(run.room_c));
    row
}

fn reading_values(reading: &PhaseReading) -> [String; 11] {
    [
        reading.phase.token().to_owned(),
        optional(reading.duration_s),
        optional(reading.power_w),
        optional(reading.package_c),
        optional(reading.fan_speed_rpm),
        optional(reading.level_dba),
        reading.level_of.clone(),
        optional(reading.distance_m),
        optional(reading.background_dba),
        optional(reading.clock_mhz[0]),
        optional(reading.clock_mhz[1]),
    ]
}

fn write_scores(folder: &Path, content: &Content) -> Result<(), NotebookError> {
    let header = "run,run_id,setting,workload,score,unit,direction,repetition,order,block,time";
    let mut table = Table::new(folder, "scores.csv", header)?;
    for run in &content.runs {
        let workload = content.workload(run.workload);
        for score in &run.scores {
            table.row([
                run.name.clone(),
                run.id.to_string(),
                content
                    .setting(run.setting)
                    .map(|s| s.name.clone())
                    .unwrap_or_default(),
                workload.map(|w| w.name.clone()).unwrap_or_default(),
                number(score.value),
                workload.map(|w| w.unit.clone()).unwrap_or_default(),
                workload
                    .map(|w| w.direction.word())
                    .transpose()?
                    .unwrap_or_default()
                    .to_owned(),
                score.repetition.to_string(),
                score
                    .order
                    .map(|order| order.to_string())
                    .unwrap_or_default(),
                score.block.clone().unwrap_or_default(),
                score.time.map(|time| time.to_string()).unwrap_or_default(),
            ])?;
        }
    }
    table.close()
}

fn write_channels(table: &mut Table, file: &str, log: &SensorLog) -> Result<(), NotebookError> {
    for (position, channel) in log.channels().iter().enumerate() {
        table.row([
            file.to_owned(),
            (position + 1).to_string(),
            channel.role.token().to_owned(),
            channel.column.clone(),
            channel.column_number.to_string(),
            channel.unit.code().to_owned(),
            channel.part.clone(),
            Averaging::word(channel.averaging)?.to_owned(),
            optional(channel.resolution),
            channel.reason.clone(),
        ])?;
    }
    Ok(())
}

fn write_log(folder: &Path, file: &str, log: &SensorLog) -> Result<(), NotebookError> {
    let names = log.channels().iter().map(|channel| match channel.unit {
        Unit::None => channel.column.clone(),
        unit => format!("{} [{}]", channel.column, unit.code()),
    });
    let mut table = Table::open(folder, file)?;
    table.row(std::iter::once("time [s]".to_owned()).chain(names))?;
    for (row, time_s) in log.time_s().iter().enumerate() {
        let readings = log
            .channels()
            .iter()
            .map(|channel| number(channel.values[row]));
        table.row(std::iter::once(number(*time_s)).chain(readings))?;
    }
    table.close()
}

/// A name that any file system takes: a number, which keeps it unique, and what is plain of the
/// run's name.
fn file_name(what: &str, index: usize, run: &Run) -> String {
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let slug: String = run.name.chars().map(plain).take(40).collect();
    format!("{what}-{:03}-{}.csv", index + 1, slug.trim_matches('-'))
}

fn optional(value: Option<f64>) -> String {
    value.map(number).unwrap_or_default()
}

/// The limits; unknown is empty, as in a readings file.
fn limits(setting: &Setting) -> [String; 4] {
    [
        setting.pl1_w,
        setting.pl2_w,
        setting.tau_s,
        setting.temp_limit_c,
    ]
    .map(|limit| match limit {
        LimitValue::Unknown => String::new(),
        LimitValue::Value(value) => number(value),
        word => word.to_string(),
    })
}

/// Pairs as `a:b`, parted by blanks.
fn pairs(pairs: impl Iterator<Item = (f64, f64)>) -> String {
    let texts: Vec<String> = pairs
        .map(|(a, b)| format!("{}:{}", number(a), number(b)))
        .collect();
    texts.join(" ")
}

/// One file under way.
struct Table {
    out: BufWriter<File>,
    path: PathBuf,
}

impl Table {
    fn open(folder: &Path, name: &str) -> Result<Self, NotebookError> {
        let path = folder.join(name);
        let file = File::create_new(&path).map_err(|error| NotebookError::io(&path, error))?;
        Ok(Self {
            out: BufWriter::new(file),
            path,
        })
    }

    fn new(folder: &Path, name: &str, header: &str) -> Result<Self, NotebookError> {
        let mut table = Self::open(folder, name)?;
        table.row(header.split(','))?;
        Ok(table)
    }

    fn row<S: AsRef<str>>(
        &mut self,
        fields: impl IntoIterator<Item = S>,
    ) -> Result<(), NotebookError> {
        let mut line = String::new();
        for (index, field) in fields.into_iter().enumerate() {
            if index > 0 {
                line.push(',');
            }
            push_field(&mut line, field.as_ref());
        }
        line.push('\n');
        self.out
            .write_all(line.as_bytes())
            .map_err(|error| NotebookError::io(&self.path, error))
    }

    /// What is not on the disk has not been exported.
    fn close(mut self) -> Result<(), NotebookError> {
        let synced = self
            .out
            .flush()
            .and_then(|()| self.out.get_ref().sync_all());
        synced.map_err(|error| NotebookError::io(&self.path, error))
    }
}

/// Quoted where RFC 4180, section 2, asks for it; outer blanks too, as some readers trim them.
fn push_field(line: &mut String, field: &str) {
    let plain = !field.contains(['"', ',', '\n', '\r']) && field.trim() == field;
    if plain {
        line.push_str(field);
    } else {
        line.push('"');
        line.push_str(&field.replace('"', "\"\""));
        line.push('"');
    }
}
