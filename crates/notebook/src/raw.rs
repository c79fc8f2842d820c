use std::fmt;
use std::io::{self, Read, Write};
use std::str::FromStr;

use rusqlite::OptionalExtension;
use rusqlite::types::{FromSql, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use sha2::{Digest, Sha256};

use crate::blocks::{deflate, inflate};
use crate::codec::count;
use crate::{Notebook, NotebookError};

/// Bytes of a raw file in one chunk.
const CHUNK_BYTES: usize = 1 << 20;

/// The SHA-256 (FIPS 180-4) of a raw file: its name in the notebook. Shown as 64 hex digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RawHash([u8; 32]);

impl RawHash {
    /// The hash of these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// The hash with these bytes.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Its bytes.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for RawHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// Why a text is no hash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ParseHashError;

impl fmt::Display for ParseHashError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a SHA-256 has 64 hex digits")
    }
}

impl std::error::Error for ParseHashError {}

impl FromStr for RawHash {
    type Err = ParseHashError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text.len() != 64 || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(ParseHashError);
        }
        let mut bytes = [0; 32];
        for (byte, at) in bytes.iter_mut().zip((0..64).step_by(2)) {
            *byte = u8::from_str_radix(&text[at..at + 2], 16).map_err(|_| ParseHashError)?;
        }
        Ok(Self(bytes))
    }
}

impl ToSql for RawHash {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(ValueRef::Blob(&self.0)))
    }
}

impl FromSql for RawHash {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        <[u8; 32]>::column_result(value).map(Self)
    }
}

/// A raw file in the notebook.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawFile {
    /// Its SHA-256.
    pub hash: RawHash,
    /// Its length as it came, bytes.
    pub size_bytes: u64,
}

impl Notebook {
    /// Keeps a file as it came, and gives its hash. The same bytes are kept once, however often
    /// they come. Memory needed is a few MiB whatever the length.
    ///
    /// # Errors
    /// [`NotebookError::Io`] if the source fails; [`NotebookError::DiskFull`]; nothing is kept
    /// then.
    pub fn keep_raw_file(&self, source: impl Read) -> Result<RawHash, NotebookError> {
        self.transaction(|book| {
            let file: i64 = book.connection.query_row(
                "SELECT coalesce(max(seq), 0) + 1 FROM raw_files",
                [],
                |row| row.get(0),
            )?;
            let (hash, size_bytes) = book.write_chunks(file, source)?;
            if book.raw_info(hash)?.is_some() {
                let sql = "DELETE FROM raw_chunks WHERE file = ?1";
                book.connection.execute(sql, [file])?;
            } else {
                let sql = "INSERT INTO raw_files (seq, hash, size_bytes) VALUES (?1, ?2, ?3)";
                book.connection.execute(sql, (file, hash, size_bytes))?;
            }
            Ok(hash)
        })
    }

    /// As [`Notebook::keep_raw_file`] for bytes at hand: known ones are not packed again.
    ///
    /// # Errors
    /// [`NotebookError::DiskFull`]; the database's own.
    pub fn keep_raw_bytes(&self, bytes: &[u8]) -> Result<RawHash, NotebookError> {
        let hash = RawHash::of(bytes);
        match self.raw_info(hash)? {
            Some(_) => Ok(hash),
            None => self.keep_raw_file(bytes),
        }
    }

    fn write_chunks(
        &self,
        file: i64,
        mut source: impl Read,
    ) -> Result<(RawHash, i64), NotebookError> {
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO raw_chunks (file, position, deflated) VALUES (?1, ?2, ?3)",
        )?;
        let (mut hasher, mut size, mut position) = (Sha256::new(), 0_usize, 0_i64);
        let mut chunk = Vec::with_capacity(CHUNK_BYTES);
        loop {
            chunk.clear();
            let mut part = (&mut source).take(CHUNK_BYTES as u64);
            let read = part.read_to_end(&mut chunk);
            read.map_err(|source| NotebookError::Io { path: None, source })?;
            if chunk.is_empty() {
                break;
            }
            hasher.update(&chunk);
            size += chunk.len();
            insert.execute((file, position, deflate(&chunk)?))?;
            position += 1;
        }
        Ok((RawHash(hasher.finalize().into()), count("raw file", size)?))
    }

    /// The raw files, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn raw_files(&self) -> Result<Vec<RawFile>, NotebookError> {
        self.list(
            "SELECT hash, size_bytes FROM raw_files ORDER BY seq",
            [],
            |row| {
                Ok(RawFile {
                    hash: row.get(0)?,
                    size_bytes: row.get::<_, i64>(1)?.cast_unsigned(),
                })
            },
        )
    }

    /// Length of a raw file in bytes, if the notebook holds it.
    ///
    /// # Errors
    /// The database's own.
    pub fn raw_info(&self, hash: RawHash) -> Result<Option<u64>, NotebookError> {
        let sql = "SELECT size_bytes FROM raw_files WHERE hash = ?1";
        let size = self
            .connection
            .query_row(sql, [hash], |row| row.get::<_, i64>(0));
        Ok(size.optional()?.map(i64::cast_unsigned))
    }

    /// A raw file as it came.
    ///
    /// # Errors
    /// As [`Notebook::write_raw_file`].
    pub fn raw_file(&self, hash: RawHash) -> Result<Vec<u8>, NotebookError> {
        let mut bytes = Vec::new();
        self.write_raw_file(hash, &mut bytes)?;
        Ok(bytes)
    }

    /// Writes a raw file as it came to `sink`, a chunk at a time, and gives its length in bytes.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`]; [`NotebookError::Corrupt`] if the bytes no longer have this
    /// hash (`sink` has got them by then); [`NotebookError::Io`] if `sink` fails.
    pub fn write_raw_file(
        &self,
        hash: RawHash,
        sink: &mut impl Write,
    ) -> Result<u64, NotebookError> {
        let size = self
            .raw_info(hash)?
            .ok_or_else(|| NotebookError::UnknownId {
                kind: "raw file",
                id: hash.to_string(),
            })?;
        let mut hasher = Sha256::new();
        self.each_chunk(hash, |chunk| {
            hasher.update(chunk);
            sink.write_all(chunk)
        })?;
        if RawHash(hasher.finalize().into()) != hash {
            return Err(NotebookError::corrupt(format!(
                "raw file {hash} has changed"
            )));
        }
        Ok(size)
    }

    fn each_chunk(
        &self,
        hash: RawHash,
        mut visit: impl FnMut(&[u8]) -> io::Result<()>,
    ) -> Result<(), NotebookError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT deflated FROM raw_chunks JOIN raw_files ON raw_files.seq = file \
             WHERE hash = ?1 ORDER BY position",
        )?;
        let mut rows = statement.query([hash])?;
        while let Some(row) = rows.next()? {
            let deflated = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
            visit(&inflate(deflated, CHUNK_BYTES)?)
                .map_err(|source| NotebookError::Io { path: None, source })?;
        }
        Ok(())
    }

    /// Removes the raw files that no log and no recording names.
    pub(crate) fn drop_unused_raw_files(&self) -> Result<(), NotebookError> {
        self.connection.execute(
            "DELETE FROM raw_files WHERE hash NOT IN \
             (SELECT raw_hash FROM logs WHERE raw_hash IS NOT NULL \
             UNION SELECT raw_hash FROM frame_logs WHERE raw_hash IS NOT NULL)",
            [],
        )?;
        Ok(())
    }
}
