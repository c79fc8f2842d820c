use rusqlite::Row;
use settlepoint_domain::{Id, PhaseKind, PhaseReading, Run, RunData, Score, ScoreTime, TimeOrigin};

use crate::codec::{SqlId, Word, count, finite, finite_or_none, id_at};
use crate::entities::changed_one;
use crate::names::{Kind, unknown};
use crate::{Notebook, NotebookError};

impl Notebook {
    /// Adds a run with its readings and scores. A run with [`RunData::Log`] gets its log by
    /// [`Notebook::add_log`] or [`Notebook::begin_recording`].
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for what it refers to (a cooling or tune must be its machine's
    /// own); [`NotebookError::DuplicateId`]; [`NotebookError::Invalid`].
    pub fn add_run(&self, run: &Run) -> Result<(), NotebookError> {
        self.transaction(|book| {
            book.require_new(Kind::Run, run.id)?;
            book.require_surroundings(run)?;
            book.insert_run_row(run)?;
            if let RunData::Readings(readings) = &run.data {
                book.insert_readings(run.id, readings)?;
            }
            book.insert_scores(run.id, &run.scores, 0)
        })
    }

    fn require_surroundings(&self, run: &Run) -> Result<(), NotebookError> {
        self.require(Kind::Machine, run.machine)?;
        self.require_of(Kind::Cooling, run.cooling, run.machine)?;
        if let Some(tune) = run.tune {
            self.require_of(Kind::Tune, tune, run.machine)?;
        }
        self.require(Kind::Setting, run.setting)?;
        self.require(Kind::Workload, run.workload)
    }

    /// Requires a thing that belongs to this very machine.
    fn require_of(&self, kind: Kind, id: Id, machine: Id) -> Result<(), NotebookError> {
        let sql = format!(
            "SELECT 1 FROM {} WHERE id = ?1 AND machine = ?2",
            kind.table()
        );
        let there = self
            .connection
            .prepare_cached(&sql)?
            .exists((SqlId(id), SqlId(machine)))?;
        if there {
            Ok(())
        } else {
            Err(unknown(kind, id))
        }
    }

    fn insert_run_row(&self, run: &Run) -> Result<(), NotebookError> {
        let data_kind = match run.data {
            RunData::Readings(_) => "readings",
            RunData::Log => "log",
            RunData::ScoresOnly => "scores_only",
        };
        self.connection.execute(
            "INSERT INTO runs (id, name, machine, cooling, tune, setting, workload, room_c, \
             altitude_m, data_kind, excluded) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            (
                SqlId(run.id),
                &run.name,
                SqlId(run.machine),
                SqlId(run.cooling),
                run.tune.map(SqlId),
                SqlId(run.setting),
                SqlId(run.workload),
                finite_or_none("room_c", run.room_c)?,
                finite_or_none("altitude_m", run.altitude_m)?,
                data_kind,
                &run.excluded,
            ),
        )?;
        Ok(())
    }

    fn insert_readings(&self, run: Id, readings: &[PhaseReading]) -> Result<(), NotebookError> {
        for (position, reading) in readings.iter().enumerate() {
            self.insert_reading(run, position, reading)?;
        }
        Ok(())
    }

    fn insert_reading(
        &self,
        run: Id,
        position: usize,
        reading: &PhaseReading,
    ) -> Result<(), NotebookError> {
        let mut statement = self.connection.prepare_cached(
            "INSERT INTO readings (run, position, phase, duration_s, power_w, package_c, \
             fan_speed_rpm, level_dba, level_of, distance_m, background_dba, clock_mhz_1, \
             clock_mhz_2) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
        )?;
        statement.execute((
            SqlId(run),
            count("readings", position)?,
            reading.phase.word()?,
            finite_or_none("duration_s", reading.duration_s)?,
            finite_or_none("power_w", reading.power_w)?,
            finite_or_none("package_c", reading.package_c)?,
            finite_or_none("fan_speed_rpm", reading.fan_speed_rpm)?,
            finite_or_none("level_dba", reading.level_dba)?,
            &reading.level_of,
            finite_or_none("distance_m", reading.distance_m)?,
            finite_or_none("background_dba", reading.background_dba)?,
            finite_or_none("clock_mhz_1", reading.clock_mhz[0])?,
            finite_or_none("clock_mhz_2", reading.clock_mhz[1])?,
        ))?;
        Ok(())
    }

    fn insert_scores(&self, run: Id, scores: &[Score], first: usize) -> Result<(), NotebookError> {
        let mut statement = self.connection.prepare_cached(
            "INSERT INTO scores (run, position, value, repetition, order_index, block, time_s, \
             time_origin) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?;
        for (position, score) in scores.iter().enumerate() {
            statement.execute((
                SqlId(run),
                count("scores", first + position)?,
                finite("score", score.value)?,
                score.repetition,
                score.order,
                &score.block,
                finite_or_none("time", score.time.map(|t| t.seconds))?,
                score.time.map(|t| t.origin.word()).transpose()?,
            ))?;
        }
        Ok(())
    }

    /// Adds scores to those a run has.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`]; [`NotebookError::Invalid`] for a score that is not finite.
    pub fn add_scores(&self, run: Id, scores: &[Score]) -> Result<(), NotebookError> {
        self.transaction(|book| {
            book.require(Kind::Run, run)?;
            let have = book.scores(run)?.len();
            book.insert_scores(run, scores, have)
        })
    }

    /// All runs, in order of entry, excluded ones too.
    ///
    /// # Errors
    /// The database's own.
    pub fn runs(&self) -> Result<Vec<Run>, NotebookError> {
        self.list("SELECT * FROM runs ORDER BY seq", [], |row| {
            self.read_run(row)
        })
    }

    /// The run with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn run(&self, id: Id) -> Result<Run, NotebookError> {
        self.one(Kind::Run, id, |row| self.read_run(row))
    }

    /// Leaves a run out of fits and tables, for a reason that is shown with it.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`]; [`NotebookError::Invalid`] for a blank reason.
    pub fn exclude_run(&self, run: Id, reason: &str) -> Result<(), NotebookError> {
        if reason.trim().is_empty() {
            return Err(NotebookError::invalid(
                "reason",
                "it is blank; say why it is left out",
            ));
        }
        self.set_excluded(run, Some(reason))
    }

    /// Takes a run in again.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn include_run(&self, run: Id) -> Result<(), NotebookError> {
        self.set_excluded(run, None)
    }

    fn set_excluded(&self, run: Id, reason: Option<&str>) -> Result<(), NotebookError> {
        let sql = "UPDATE runs SET excluded = ?2 WHERE id = ?1";
        let changed = self.connection.execute(sql, (SqlId(run), reason))?;
        changed_one(Kind::Run, run, changed)
    }

    /// Notes the room of a run: air at the intake in °C and altitude in m, `None` where not known.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`]; [`NotebookError::Invalid`] for a number that is not finite.
    pub fn set_room(
        &self,
        run: Id,
        room_c: Option<f64>,
        altitude_m: Option<f64>,
    ) -> Result<(), NotebookError> {
        let room_c = finite_or_none("room_c", room_c)?;
        let altitude_m = finite_or_none("altitude_m", altitude_m)?;
        let sql = "UPDATE runs SET room_c = ?2, altitude_m = ?3 WHERE id = ?1";
        let changed = self
            .connection
            .execute(sql, (SqlId(run), room_c, altitude_m))?;
        changed_one(Kind::Run, run, changed)
    }

    /// Removes a run with its readings, scores, log and findings. Its raw file goes too if no
    /// other log came from it.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn remove_run(&self, run: Id) -> Result<(), NotebookError> {
        self.transaction(|book| {
            if book
                .connection
                .execute("DELETE FROM runs WHERE id = ?1", [SqlId(run)])?
                == 0
            {
                return Err(unknown(Kind::Run, run));
            }
            book.drop_unused_raw_files()
        })
    }

    fn read_run(&self, row: &Row<'_>) -> Result<Run, NotebookError> {
        let id = id_at(row, "id")?;
        Ok(Run {
            id,
            name: row.get("name")?,
            machine: id_at(row, "machine")?,
            cooling: id_at(row, "cooling")?,
            tune: row.get::<_, Option<SqlId>>("tune")?.map(|tune| tune.0),
            setting: id_at(row, "setting")?,
            workload: id_at(row, "workload")?,
            room_c: row.get("room_c")?,
            altitude_m: row.get("altitude_m")?,
            data: self.read_data(id, row)?,
            scores: self.scores(id)?,
            excluded: row.get("excluded")?,
        })
    }

    fn read_data(&self, run: Id, row: &Row<'_>) -> Result<RunData, NotebookError> {
        let kind: String = row.get("data_kind")?;
        match kind.as_str() {
            "readings" => self.readings(run).map(RunData::Readings),
            "log" => Ok(RunData::Log),
            "scores_only" => Ok(RunData::ScoresOnly),
            other => Err(NotebookError::corrupt(format!(
                "'{other}' is no kind of data"
            ))),
        }
    }

    fn readings(&self, run: Id) -> Result<Vec<PhaseReading>, NotebookError> {
        let sql = "SELECT * FROM readings WHERE run = ?1 ORDER BY position";
        self.list(sql, [SqlId(run)], read_reading)
    }

    fn scores(&self, run: Id) -> Result<Vec<Score>, NotebookError> {
        let sql = "SELECT * FROM scores WHERE run = ?1 ORDER BY position";
        self.list(sql, [SqlId(run)], |row| {
            Ok(Score {
                value: row.get("value")?,
                repetition: row.get("repetition")?,
                order: row.get("order_index")?,
                block: row.get("block")?,
                time: read_time(row)?,
            })
        })
    }
}

fn read_time(row: &Row<'_>) -> Result<Option<ScoreTime>, NotebookError> {
    let Some(seconds) = row.get("time_s")? else {
        return Ok(None);
    };
    let origin = TimeOrigin::at(row, "time_origin")?;
    Ok(Some(ScoreTime { seconds, origin }))
}

fn read_reading(row: &Row<'_>) -> Result<PhaseReading, NotebookError> {
    Ok(PhaseReading {
        phase: PhaseKind::at(row, "phase")?,
        duration_s: row.get("duration_s")?,
        power_w: row.get("power_w")?,
        package_c: row.get("package_c")?,
        fan_speed_rpm: row.get("fan_speed_rpm")?,
        level_dba: row.get("level_dba")?,
        level_of: row.get("level_of")?,
        distance_m: row.get("distance_m")?,
        background_dba: row.get("background_dba")?,
        clock_mhz: [row.get("clock_mhz_1")?, row.get("clock_mhz_2")?],
    })
}
