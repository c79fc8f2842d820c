use rusqlite::Row;
use settlepoint_domain::Id;

use crate::codec::{SqlId, count, finite, id_at};
use crate::names::Kind;
use crate::{Notebook, NotebookError};

/// A recorder of sound: a phone or an interface, at one gain, with one microphone.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorder {
    /// Identity.
    pub id: Id,
    /// Name.
    pub name: String,
    /// Its calibration, if it has one.
    pub calibration: Option<RecorderCalibration>,
    /// What its microphone reads too much: (Hz, dB), rising in frequency; empty if not known.
    pub response: Vec<(f64, f64)>,
    /// Free text.
    pub notes: String,
}

/// What makes levels of a recorder absolute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RecorderCalibration {
    /// Added to levels relative to full scale, dB.
    pub offset_db: f64,
    /// Standard uncertainty, dB.
    pub sd_db: f64,
    /// Level of the calibrator, or the meter's reading, dB.
    pub reference_db: f64,
    /// Frequency of the calibrator's tone, Hz; `None` for a meter's reading.
    pub tone_hz: Option<f64>,
}

impl Notebook {
    /// Keeps a recorder; one with the same id is replaced.
    ///
    /// # Errors
    /// [`NotebookError::Invalid`] for a number that is not finite.
    pub fn put_recorder(&self, recorder: &Recorder) -> Result<(), NotebookError> {
        let calibration = recorder.calibration;
        if let Some(c) = calibration {
            for value in [
                c.offset_db,
                c.sd_db,
                c.reference_db,
                c.tone_hz.unwrap_or(0.0),
            ] {
                finite("calibration", value)?;
            }
        }
        let reference = calibration.map(|c| match c.tone_hz {
            Some(_) => "calibrator",
            None => "reading",
        });
        self.transaction(|book| {
            book.connection.execute(
                "INSERT INTO recorders (id, name, offset_db, offset_sd_db, reference, reference_db, \
                 tone_hz, notes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) \
                 ON CONFLICT (id) DO UPDATE SET name = ?2, offset_db = ?3, offset_sd_db = ?4, \
                 reference = ?5, reference_db = ?6, tone_hz = ?7, notes = ?8",
                (
                    SqlId(recorder.id),
                    &recorder.name,
                    calibration.map(|c| c.offset_db),
                    calibration.map(|c| c.sd_db),
                    reference,
                    calibration.map(|c| c.reference_db),
                    calibration.and_then(|c| c.tone_hz),
                    &recorder.notes,
                ),
            )?;
            let sql = "DELETE FROM recorder_points WHERE recorder = ?1";
            book.connection.execute(sql, [SqlId(recorder.id)])?;
            book.insert_response(recorder)
        })
    }

    fn insert_response(&self, recorder: &Recorder) -> Result<(), NotebookError> {
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO recorder_points (recorder, position, hz, response_db) VALUES (?1, ?2, ?3, ?4)",
        )?;
        for (position, (hz, response_db)) in recorder.response.iter().enumerate() {
            insert.execute((
                SqlId(recorder.id),
                count("points", position)?,
                finite("frequency", *hz)?,
                finite("response", *response_db)?,
            ))?;
        }
        Ok(())
    }

    /// All recorders, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn recorders(&self) -> Result<Vec<Recorder>, NotebookError> {
        let mut all = self.list("SELECT * FROM recorders ORDER BY seq", [], read_recorder)?;
        for recorder in &mut all {
            recorder.response = self.response_of(recorder.id)?;
        }
        Ok(all)
    }

    /// The recorder with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn recorder(&self, id: Id) -> Result<Recorder, NotebookError> {
        let mut recorder = self.one(Kind::Recorder, id, read_recorder)?;
        recorder.response = self.response_of(id)?;
        Ok(recorder)
    }

    fn response_of(&self, id: Id) -> Result<Vec<(f64, f64)>, NotebookError> {
        let sql = "SELECT * FROM recorder_points WHERE recorder = ?1 ORDER BY position";
        self.list(sql, [SqlId(id)], |row| {
            Ok((row.get("hz")?, row.get("response_db")?))
        })
    }
}

fn read_recorder(row: &Row<'_>) -> Result<Recorder, NotebookError> {
    let offset_db: Option<f64> = row.get("offset_db")?;
    let calibration = match offset_db {
        None => None,
        Some(offset_db) => Some(RecorderCalibration {
            offset_db,
            sd_db: row.get("offset_sd_db")?,
            reference_db: row.get("reference_db")?,
            tone_hz: row.get("tone_hz")?,
        }),
    };
    Ok(Recorder {
        id: id_at(row, "id")?,
        name: row.get("name")?,
        calibration,
        response: Vec::new(),
        notes: row.get("notes")?,
    })
}
