use rusqlite::{OptionalExtension, Row};
use settlepoint_domain::{
    Averaging, Channel, Id, LogError, LogStart, Role, RunData, SensorLog, Unit, Zone,
};
use sha2::{Digest, Sha256};

use crate::blocks::{ROWS_PER_BLOCK, decode, encode};
use crate::codec::{SqlId, Word, count, count_at, finite_or_none};
use crate::{Notebook, NotebookError, RawHash};

/// The place of time among a log's columns.
const TIME: i64 = -1;

/// Where a log came from and how it was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LogSource<'a> {
    /// Name of the file or device, for people.
    pub name: &'a str,
    /// The mapping with which its columns were read, as its reader writes it; blank if none.
    pub recipe: &'a str,
    /// The file as it came, if it was kept: see [`Notebook::keep_raw_file`].
    pub raw: Option<RawHash>,
}

/// What is known of a log beside its samples.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogInfo {
    /// Name of the file or device.
    pub source_name: String,
    /// The mapping with which its columns were read.
    pub recipe: String,
    /// The file as it came, if it was kept.
    pub raw: Option<RawHash>,
    /// Number of rows so far.
    pub row_count: usize,
    /// Whether it is still being recorded (or recording was cut off).
    pub recording: bool,
}

impl Notebook {
    /// Keeps the log of a run that was entered with [`RunData::Log`]. Samples are kept bit for
    /// bit; beside the log itself a few MiB of memory are needed.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the run or raw file; [`NotebookError::LogMismatch`] if
    /// the run has a log or is not one with a log; [`NotebookError::DiskFull`].
    pub fn add_log(
        &self,
        run: Id,
        log: &SensorLog,
        source: &LogSource<'_>,
    ) -> Result<(), NotebookError> {
        self.transaction(|book| {
            let machine = book.require_awaiting_log(run)?;
            book.insert_log_row(run, log.start(), log.time_known(), source)?;
            book.insert_channels(run, machine, log.channels())?;
            book.insert_samples(run, log)
        })
    }

    /// The machine of a run that is to get a log and has none.
    pub(crate) fn require_awaiting_log(&self, run: Id) -> Result<Id, NotebookError> {
        let kept = self.run(run)?;
        if kept.data != RunData::Log {
            let detail = "it was entered as a run without a log";
            return Err(NotebookError::LogMismatch { run, detail });
        }
        if self.has_log(run)? {
            return Err(NotebookError::LogMismatch {
                run,
                detail: "it has a log already",
            });
        }
        Ok(kept.machine)
    }

    fn has_log(&self, run: Id) -> Result<bool, NotebookError> {
        let sql = "SELECT 1 FROM logs WHERE run = ?1";
        Ok(self.connection.prepare_cached(sql)?.exists([SqlId(run)])?)
    }

    pub(crate) fn insert_log_row(
        &self,
        run: Id,
        start: Option<&LogStart>,
        time_known: bool,
        source: &LogSource<'_>,
    ) -> Result<(), NotebookError> {
        self.require_raw(source.raw)?;
        self.connection.execute(
            "INSERT INTO logs (run, source_name, recipe, raw_hash, start_unix_ns, start_zone, \
             time_known) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            (
                SqlId(run),
                source.name,
                source.recipe,
                source.raw,
                start.map(|start| start.unix_ns.to_string()),
                start.map(zone_word).transpose()?.flatten(),
                time_known,
            ),
        )?;
        Ok(())
    }

    pub(crate) fn insert_channels(
        &self,
        run: Id,
        machine: Id,
        channels: &[Channel],
    ) -> Result<(), NotebookError> {
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO channels (run, position, part, role, column_name, column_number, unit, \
             reason, resolution, averaging) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?;
        for (position, channel) in channels.iter().enumerate() {
            insert.execute((
                SqlId(run),
                count("channels", position)?,
                SqlId(self.part_named(machine, &channel.part)?.id),
                channel.role.word()?,
                &channel.column,
                count("column number", channel.column_number)?,
                channel.unit.word()?,
                &channel.reason,
                finite_or_none("resolution", channel.resolution)?,
                channel.averaging.word()?,
            ))?;
        }
        Ok(())
    }

    /// Writes the samples of a log as blocks and marks it complete.
    pub(crate) fn insert_samples(&self, run: Id, log: &SensorLog) -> Result<(), NotebookError> {
        self.insert_column(run, TIME, log.time_s())?;
        for (position, channel) in log.channels().iter().enumerate() {
            self.insert_column(run, count("channels", position)?, &channel.values)?;
        }
        self.connection.execute(
            "UPDATE logs SET row_count = ?2, samples_hash = ?3 WHERE run = ?1",
            (SqlId(run), count("rows", log.len())?, samples_hash(log)),
        )?;
        Ok(())
    }

    fn insert_column(&self, run: Id, position: i64, values: &[f64]) -> Result<(), NotebookError> {
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO sample_blocks (run, position, first_row, row_count, deflated) \
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )?;
        for (block, rows) in values.chunks(ROWS_PER_BLOCK).enumerate() {
            let first_row = count("rows", block * ROWS_PER_BLOCK)?;
            let row_count = count("rows", rows.len())?;
            insert.execute((SqlId(run), position, first_row, row_count, encode(rows)?))?;
        }
        Ok(())
    }

    /// The log of a run, as it was kept; of a recording that has not finished, the rows so far.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run has no log; [`NotebookError::Corrupt`] if the
    /// samples are no longer those that were kept; [`NotebookError::Log`] if a recording has no
    /// rows yet.
    pub fn log(&self, run: Id) -> Result<SensorLog, NotebookError> {
        self.snapshot(|book| {
            if book.log_info(run)?.recording {
                book.recorded_so_far(run)
            } else {
                book.finished_log(run)
            }
        })
    }

    /// The log of a run that may wait for one, or be recorded without a row yet.
    pub(crate) fn log_if_any(&self, run: Id) -> Result<Option<SensorLog>, NotebookError> {
        match self.log(run) {
            Ok(log) => Ok(Some(log)),
            Err(
                NotebookError::Log(LogError::Empty) | NotebookError::UnknownId { kind: "log", .. },
            ) => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn finished_log(&self, run: Id) -> Result<SensorLog, NotebookError> {
        let sql = "SELECT start_unix_ns, start_zone, time_known, row_count, samples_hash \
                   FROM logs WHERE run = ?1";
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query([SqlId(run)])?;
        let row = rows.next()?.ok_or_else(|| no_log(run))?;
        let row_count = count_at(row, "row_count")?;
        let mut channels = self.channels(run)?;
        for (position, channel) in channels.iter_mut().enumerate() {
            channel.values = self.column(run, count("channels", position)?, row_count)?;
        }
        let time_s = self.column(run, TIME, row_count)?;
        let log = SensorLog::new(read_start(row)?, time_s, row.get("time_known")?, channels)?;
        if row.get::<_, RawHash>("samples_hash")? != samples_hash(&log) {
            return Err(NotebookError::corrupt(format!(
                "the samples of run {run} have changed"
            )));
        }
        Ok(log)
    }

    /// What is known of a run's log beside its samples.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run has no log.
    pub fn log_info(&self, run: Id) -> Result<LogInfo, NotebookError> {
        let sql = "SELECT *, (SELECT count(*) FROM recording_rows WHERE run = ?1) AS rows_so_far \
                   FROM logs WHERE run = ?1";
        let read = |row: &Row<'_>| {
            let finished = row.get::<_, Option<i64>>("row_count")?.is_some();
            Ok(LogInfo {
                source_name: row.get("source_name")?,
                recipe: row.get("recipe")?,
                raw: row.get("raw_hash")?,
                row_count: count_at(row, if finished { "row_count" } else { "rows_so_far" })?,
                recording: !finished,
            })
        };
        self.list(sql, [SqlId(run)], read)?
            .pop()
            .ok_or_else(|| no_log(run))
    }

    /// The channels of a log, without their values.
    pub(crate) fn channels(&self, run: Id) -> Result<Vec<Channel>, NotebookError> {
        let sql = "SELECT channels.*, parts.name AS part_name FROM channels \
                   JOIN parts ON parts.id = channels.part WHERE run = ?1 ORDER BY position";
        self.list(sql, [SqlId(run)], read_channel)
    }

    fn column(&self, run: Id, position: i64, rows: usize) -> Result<Vec<f64>, NotebookError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT row_count, deflated FROM sample_blocks \
             WHERE run = ?1 AND position = ?2 ORDER BY first_row",
        )?;
        let mut blocks = statement.query((SqlId(run), position))?;
        let mut values = Vec::new();
        while let Some(block) = blocks.next()? {
            let block_rows = count_at(block, "row_count")?.min(ROWS_PER_BLOCK);
            let deflated = block
                .get_ref("deflated")?
                .as_blob()
                .map_err(rusqlite::Error::from)?;
            values.reserve_exact(rows.saturating_sub(values.len()).min(block_rows));
            decode(deflated, block_rows, &mut values)?;
        }
        Ok(values)
    }

    /// The start and whether time is known, of a log whose samples are not wanted.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run has no log.
    pub fn log_start(&self, run: Id) -> Result<(Option<LogStart>, bool), NotebookError> {
        let sql = "SELECT start_unix_ns, start_zone, time_known FROM logs WHERE run = ?1";
        let read = |row: &Row<'_>| Ok((read_start(row)?, row.get("time_known")?));
        self.list(sql, [SqlId(run)], read)?
            .pop()
            .ok_or_else(|| no_log(run))
    }

    /// The run that a raw file was read into first, if any: to tell a user that a file is known.
    ///
    /// # Errors
    /// The database's own.
    pub fn run_of_raw_file(&self, hash: RawHash) -> Result<Option<Id>, NotebookError> {
        let sql = "SELECT runs.id FROM logs JOIN runs ON runs.id = logs.run \
                   WHERE raw_hash = ?1 ORDER BY runs.seq LIMIT 1";
        let found = self
            .connection
            .query_row(sql, [hash], |row| row.get::<_, SqlId>(0));
        Ok(found.optional()?.map(|id| id.0))
    }
}

fn no_log(run: Id) -> NotebookError {
    NotebookError::UnknownId {
        kind: "log",
        id: run.to_string(),
    }
}

/// The zone as a column: NULL for "not written".
fn zone_word(start: &LogStart) -> Result<Option<&str>, NotebookError> {
    match &start.zone {
        Zone::Known(zone) => Ok(Some(zone)),
        Zone::Unknown => Ok(None),
        _ => Err(NotebookError::invalid(
            "zone",
            "this version cannot keep it",
        )),
    }
}

fn read_start(row: &Row<'_>) -> Result<Option<LogStart>, NotebookError> {
    let Some(text) = row.get::<_, Option<String>>("start_unix_ns")? else {
        return Ok(None);
    };
    let unix_ns = text
        .parse()
        .map_err(|_| NotebookError::corrupt(format!("'{text}' is no start of a log")))?;
    let zone = row
        .get::<_, Option<String>>("start_zone")?
        .map_or(Zone::Unknown, Zone::Known);
    Ok(Some(LogStart { unix_ns, zone }))
}

fn read_channel(row: &Row<'_>) -> Result<Channel, NotebookError> {
    Ok(Channel {
        role: Role::at(row, "role")?,
        column: row.get("column_name")?,
        column_number: count_at(row, "column_number")?,
        unit: Unit::at(row, "unit")?,
        part: row.get("part_name")?,
        reason: row.get("reason")?,
        resolution: row.get("resolution")?,
        averaging: Averaging::at(row, "averaging")?,
        values: Vec::new(),
    })
}

/// SHA-256 over the number of rows and the bits of the time and of each channel in turn, so that
/// it does not depend on how the blocks were packed.
fn samples_hash(log: &SensorLog) -> RawHash {
    let mut hasher = Sha256::new();
    hasher.update((log.len() as u64).to_le_bytes());
    let columns = log
        .channels()
        .iter()
        .map(|channel| channel.values.as_slice());
    for column in std::iter::once(log.time_s()).chain(columns) {
        for value in column {
            hasher.update(value.to_bits().to_le_bytes());
        }
    }
    RawHash::from_bytes(hasher.finalize().into())
}
