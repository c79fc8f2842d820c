use rusqlite::Row;
use settlepoint_domain::{Channel, Id, LogError, LogStart, SensorLog};

use crate::codec::{SqlId, count};
use crate::{LogSource, Notebook, NotebookError};

const WIDTH: usize = size_of::<f64>();

impl Notebook {
    /// Begins the log of a run whose samples come one by one. `channels` say what they mean;
    /// their values are ignored.
    ///
    /// # Errors
    /// As [`Notebook::add_log`].
    pub fn begin_recording(
        &self,
        run: Id,
        start: Option<&LogStart>,
        channels: &[Channel],
        source: &LogSource<'_>,
    ) -> Result<(), NotebookError> {
        self.transaction(|book| {
            let machine = book.require_awaiting_log(run)?;
            book.insert_log_row(run, start, true, source)?;
            book.insert_channels(run, machine, channels)
        })
    }

    /// Adds samples to a recording: time in s since its start, one reading a channel, NaN where
    /// one is missing. They are on the disk when this returns.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run is not being recorded; [`NotebookError::Log`] for
    /// a time that falls, an infinite reading, or another number of readings than channels;
    /// [`NotebookError::DiskFull`]. Rows kept earlier stay.
    pub fn record<S: AsRef<[f64]>>(
        &self,
        run: Id,
        samples: &[(f64, S)],
    ) -> Result<(), NotebookError> {
        self.transaction(|book| {
            let channels = book.recording_channels(run)?;
            let (mut row_index, mut before_s) = book.last_recorded(run)?;
            let mut insert = book.connection.prepare_cached(
                "INSERT INTO recording_rows (run, row_index, time_s, readings) \
                 VALUES (?1, ?2, ?3, ?4)",
            )?;
            for (time_s, readings) in samples {
                let readings = readings.as_ref();
                check_sample(row_index, before_s, *time_s, readings, &channels)?;
                let bytes: Vec<u8> = readings.iter().flat_map(|v| v.to_le_bytes()).collect();
                insert.execute((SqlId(run), count("rows", row_index)?, time_s, bytes))?;
                (row_index, before_s) = (row_index + 1, *time_s);
            }
            Ok(())
        })
    }

    fn recording_channels(&self, run: Id) -> Result<Vec<Channel>, NotebookError> {
        let sql = "SELECT 1 FROM logs WHERE run = ?1 AND row_count IS NULL";
        if !self.connection.prepare_cached(sql)?.exists([SqlId(run)])? {
            let id = run.to_string();
            return Err(NotebookError::UnknownId {
                kind: "recording under way",
                id,
            });
        }
        self.channels(run)
    }

    /// The index that the next row gets and the time of the last one.
    fn last_recorded(&self, run: Id) -> Result<(usize, f64), NotebookError> {
        let sql = "SELECT row_index, time_s FROM recording_rows WHERE run = ?1 \
                   ORDER BY row_index DESC LIMIT 1";
        let read = |row: &Row<'_>| {
            Ok((
                crate::codec::count_at(row, "row_index")? + 1,
                row.get("time_s")?,
            ))
        };
        Ok(self
            .list(sql, [SqlId(run)], read)?
            .pop()
            .unwrap_or((0, f64::NEG_INFINITY)))
    }

    /// The rows of a recording as a log.
    pub(crate) fn recorded_so_far(&self, run: Id) -> Result<SensorLog, NotebookError> {
        let mut channels = self.channels(run)?;
        let (start, time_known) = self.log_start(run)?;
        let mut time_s = Vec::new();
        let mut statement = self.connection.prepare_cached(
            "SELECT time_s, readings FROM recording_rows WHERE run = ?1 ORDER BY row_index",
        )?;
        let mut rows = statement.query([SqlId(run)])?;
        while let Some(row) = rows.next()? {
            time_s.push(row.get("time_s")?);
            let bytes = row
                .get_ref("readings")?
                .as_blob()
                .map_err(rusqlite::Error::from)?;
            push_readings(bytes, &mut channels)?;
        }
        Ok(SensorLog::new(start, time_s, time_known, channels)?)
    }

    /// Ends a recording: its rows become columnar blocks. Gives the whole log.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run is not being recorded; [`NotebookError::Log`] if
    /// it has no rows.
    pub fn finish_recording(&self, run: Id) -> Result<SensorLog, NotebookError> {
        self.transaction(|book| {
            book.recording_channels(run)?;
            let log = book.recorded_so_far(run)?;
            book.insert_samples(run, &log)?;
            let sql = "DELETE FROM recording_rows WHERE run = ?1";
            book.connection.execute(sql, [SqlId(run)])?;
            Ok(log)
        })
    }

    /// Runs whose recording never ended: under way, or cut off by a crash. Finish them to use
    /// what they have.
    ///
    /// # Errors
    /// The database's own.
    pub fn unfinished_recordings(&self) -> Result<Vec<Id>, NotebookError> {
        let sql = "SELECT runs.id FROM logs JOIN runs ON runs.id = logs.run \
                   WHERE row_count IS NULL ORDER BY runs.seq";
        self.list(sql, [], |row| Ok(row.get::<_, SqlId>(0)?.0))
    }
}

fn check_sample(
    row: usize,
    before_s: f64,
    time_s: f64,
    readings: &[f64],
    channels: &[Channel],
) -> Result<(), LogError> {
    if !time_s.is_finite() || time_s < before_s {
        return Err(LogError::Time { row });
    }
    if readings.len() != channels.len() {
        let (rows, expected) = (readings.len(), channels.len());
        return Err(LogError::Length {
            column: format!("row {row}"),
            rows,
            expected,
        });
    }
    match readings
        .iter()
        .zip(channels)
        .find(|(value, _)| value.is_infinite())
    {
        Some((_, channel)) => Err(LogError::Infinite {
            column: channel.column.clone(),
            row,
        }),
        None => Ok(()),
    }
}

fn push_readings(bytes: &[u8], channels: &mut [Channel]) -> Result<(), NotebookError> {
    let (values, rest) = bytes.as_chunks::<WIDTH>();
    if values.len() != channels.len() || !rest.is_empty() {
        return Err(NotebookError::corrupt(
            "a recorded row has not one reading a channel",
        ));
    }
    for (channel, value) in channels.iter_mut().zip(values) {
        channel.values.push(f64::from_le_bytes(*value));
    }
    Ok(())
}
