use rusqlite::{OptionalExtension, Row};
use settlepoint_domain::Id;
use sha2::{Digest, Sha256};

use crate::blocks::{ROWS_PER_BLOCK, decode, encode};
use crate::codec::{SqlId, count, count_at, finite};
use crate::names::Kind;
use crate::{Notebook, NotebookError, RawHash};

/// Where a recording of frame times came from and how it was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameSource<'a> {
    /// Name of the file, for people.
    pub name: &'a str,
    /// Column and unit as read, for people.
    pub reading: &'a str,
    /// The file as it came, if it was kept: see [`Notebook::keep_raw_file`].
    pub raw: Option<RawHash>,
}

/// A recording of frame times without its samples.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameInfo {
    /// Its place among the run's recordings, from 0.
    pub position: usize,
    /// Name of the file.
    pub source_name: String,
    /// Column and unit as read.
    pub reading: String,
    /// The file as it came, if it was kept.
    pub raw: Option<RawHash>,
    /// Number of frames.
    pub frame_count: usize,
    samples_hash: RawHash,
}

impl Notebook {
    /// Adds a recording of frame times, ms, to those a run has, and gives its place among them.
    /// Samples are kept bit for bit.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the run or raw file; [`NotebookError::Invalid`] for no
    /// frames or a time that is not finite; [`NotebookError::DiskFull`].
    pub fn add_frames(
        &self,
        run: Id,
        times_ms: &[f64],
        source: &FrameSource<'_>,
    ) -> Result<usize, NotebookError> {
        if times_ms.is_empty() {
            return Err(NotebookError::invalid("frames", "there are none"));
        }
        for time_ms in times_ms {
            finite("frame time", *time_ms)?;
        }
        self.transaction(|book| {
            book.require(Kind::Run, run)?;
            book.require_raw(source.raw)?;
            let position = book.next_frame_position(run)?;
            book.connection.execute(
                "INSERT INTO frame_logs (run, position, source_name, reading, raw_hash, \
                 frame_count, samples_hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                (
                    SqlId(run),
                    count("recordings", position)?,
                    source.name,
                    source.reading,
                    source.raw,
                    count("frames", times_ms.len())?,
                    hash_of(times_ms),
                ),
            )?;
            book.insert_frame_blocks(run, position, times_ms)?;
            Ok(position)
        })
    }

    /// Requires a raw file that is named to be kept.
    pub(crate) fn require_raw(&self, raw: Option<RawHash>) -> Result<(), NotebookError> {
        let Some(hash) = raw else {
            return Ok(());
        };
        match self.raw_info(hash)? {
            Some(_) => Ok(()),
            None => Err(NotebookError::UnknownId {
                kind: "raw file",
                id: hash.to_string(),
            }),
        }
    }

    fn next_frame_position(&self, run: Id) -> Result<usize, NotebookError> {
        let sql = "SELECT coalesce(max(position), -1) + 1 AS next FROM frame_logs WHERE run = ?1";
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query([SqlId(run)])?;
        rows.next()?.map_or(Ok(0), |row| count_at(row, "next"))
    }

    fn insert_frame_blocks(
        &self,
        run: Id,
        position: usize,
        times_ms: &[f64],
    ) -> Result<(), NotebookError> {
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO frame_blocks (run, position, first_row, row_count, deflated) \
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )?;
        for (block, rows) in times_ms.chunks(ROWS_PER_BLOCK).enumerate() {
            insert.execute((
                SqlId(run),
                count("recordings", position)?,
                count("frames", block * ROWS_PER_BLOCK)?,
                count("frames", rows.len())?,
                encode(rows)?,
            ))?;
        }
        Ok(())
    }

    /// The recordings of frame times of a run, in the order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn frame_infos(&self, run: Id) -> Result<Vec<FrameInfo>, NotebookError> {
        let sql = "SELECT * FROM frame_logs WHERE run = ?1 ORDER BY position";
        self.list(sql, [SqlId(run)], read_info)
    }

    /// The frame times of one recording of a run, ms, as they were kept.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] if the run has no such recording; [`NotebookError::Corrupt`] if
    /// its samples are no longer those that were kept.
    pub fn frames_ms(&self, run: Id, position: usize) -> Result<Vec<f64>, NotebookError> {
        self.snapshot(|book| {
            let info = book
                .frame_infos(run)?
                .into_iter()
                .find(|info| info.position == position)
                .ok_or_else(|| NotebookError::UnknownId {
                    kind: "recording of frame times",
                    id: format!("{run}, number {position}"),
                })?;
            let times_ms = book.frame_column(run, &info)?;
            if hash_of(&times_ms) == info.samples_hash {
                Ok(times_ms)
            } else {
                Err(NotebookError::corrupt(format!(
                    "the frame times of run {run} have changed"
                )))
            }
        })
    }

    fn frame_column(&self, run: Id, info: &FrameInfo) -> Result<Vec<f64>, NotebookError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT row_count, deflated FROM frame_blocks \
             WHERE run = ?1 AND position = ?2 ORDER BY first_row",
        )?;
        let mut blocks = statement.query((SqlId(run), count("recordings", info.position)?))?;
        let mut values = Vec::new();
        while let Some(block) = blocks.next()? {
            let block_rows = count_at(block, "row_count")?.min(ROWS_PER_BLOCK);
            let deflated = block
                .get_ref("deflated")?
                .as_blob()
                .map_err(rusqlite::Error::from)?;
            values.reserve_exact(
                info.frame_count
                    .saturating_sub(values.len())
                    .min(block_rows),
            );
            decode(deflated, block_rows, &mut values)?;
        }
        Ok(values)
    }

    /// The run that has a recording from this raw file, the first if there are several: to tell a
    /// user that a file is known.
    ///
    /// # Errors
    /// The database's own.
    pub fn run_of_frame_file(&self, hash: RawHash) -> Result<Option<Id>, NotebookError> {
        let sql = "SELECT runs.id FROM frame_logs JOIN runs ON runs.id = frame_logs.run \
                   WHERE raw_hash = ?1 ORDER BY runs.seq LIMIT 1";
        let found = self
            .connection
            .query_row(sql, [hash], |row| row.get::<_, SqlId>(0));
        Ok(found.optional()?.map(|id| id.0))
    }
}

fn read_info(row: &Row<'_>) -> Result<FrameInfo, NotebookError> {
    Ok(FrameInfo {
        position: count_at(row, "position")?,
        source_name: row.get("source_name")?,
        reading: row.get("reading")?,
        raw: row.get("raw_hash")?,
        frame_count: count_at(row, "frame_count")?,
        samples_hash: row.get("samples_hash")?,
    })
}

/// SHA-256 over the number of frames and the bits of each, whatever the packing.
fn hash_of(times_ms: &[f64]) -> RawHash {
    let mut hasher = Sha256::new();
    hasher.update((times_ms.len() as u64).to_le_bytes());
    for time_ms in times_ms {
        hasher.update(time_ms.to_bits().to_le_bytes());
    }
    RawHash::from_bytes(hasher.finalize().into())
}
