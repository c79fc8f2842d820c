use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use crate::rescue::{FileIdentity, identity};
use crate::schema::{self, MIGRATIONS, SCHEMA_VERSION};
use crate::{NotebookError, new_id};

/// How long a write waits for another program's before it gives up with
/// [`NotebookError::Locked`]: long enough for a recorder's commit, short enough to tell the user.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// Every SQLite file begins with these bytes (SQLite file format, section 1.3).
const SQLITE_MAGIC: &[u8] = b"SQLite format 3\0";

/// One SQLite file (`*.settle`) with everything about one or more machines.
///
/// All methods take `&self`; each is atomic by itself, and [`Notebook::transaction`] makes several
/// so. Whatever ends the program in between, the file is as it was before.
///
/// ```
/// use settlepoint_notebook::Notebook;
/// # let folder = tempfile::tempdir()?;
/// # let path = folder.path().join("bench.settle");
/// let notebook = Notebook::create(&path)?;
/// let machine = notebook.machine_named("tower")?;
/// assert_eq!(notebook.machine_named("tower")?.id, machine.id);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct Notebook {
    pub(crate) connection: Connection,
    pub(crate) path: PathBuf,
    pub(crate) identity: FileIdentity,
}

impl Notebook {
    /// Makes a new, empty notebook at `path`.
    ///
    /// It is built beside `path` and put there when complete, so that a failure leaves nothing.
    ///
    /// # Errors
    /// [`NotebookError::Exists`] if anything stands at `path`, which is left alone;
    /// [`NotebookError::DiskFull`] and [`NotebookError::Io`].
    pub fn create(path: impl AsRef<Path>) -> Result<Self, NotebookError> {
        let path = path.as_ref();
        if path.symlink_metadata().is_ok() {
            return Err(NotebookError::Exists {
                path: path.to_path_buf(),
            });
        }
        let draft = neighbour(path)?;
        let made = write_empty(&draft).and_then(|()| put_in_place(&draft, path));
        remove_draft(&draft);
        made?;
        Self::open(path)
    }

    /// Opens a notebook to read and write, upgrading an older schema.
    ///
    /// A file that may only be read opens too; writing then gives [`NotebookError::ReadOnly`].
    ///
    /// # Errors
    /// [`NotebookError::NotFound`], [`NotebookError::NotANotebook`],
    /// [`NotebookError::NewerSchema`], [`NotebookError::OlderSchemaReadOnly`],
    /// [`NotebookError::Locked`], [`NotebookError::Corrupt`], [`NotebookError::Io`].
    pub fn open(path: impl AsRef<Path>) -> Result<Self, NotebookError> {
        let path = path.as_ref();
        recognise(path)?;
        // SQLite itself falls back to reading where writing is not allowed.
        let connection = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
            .or_else(|error| connect_frozen(path, error))?;
        Self::with(connection, path)
    }

    /// Opens a notebook to read only: nothing done through it can change the file.
    ///
    /// # Errors
    /// As [`Notebook::open`].
    pub fn open_read_only(path: impl AsRef<Path>) -> Result<Self, NotebookError> {
        let path = path.as_ref();
        recognise(path)?;
        let connection = connect(path, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .or_else(|error| connect_frozen(path, error))?;
        Self::with(connection, path)
    }

    fn with(mut connection: Connection, path: &Path) -> Result<Self, NotebookError> {
        upgrade(&mut connection, path)?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        Ok(Self {
            connection,
            path: path.to_path_buf(),
            identity: identity(path),
        })
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether writing is impossible.
    ///
    /// # Errors
    /// The database's own.
    pub fn is_read_only(&self) -> Result<bool, NotebookError> {
        Ok(self.connection.is_readonly(rusqlite::MAIN_DB)?)
    }

    /// Two numbers that differ from those of an earlier call if anything was written in between,
    /// through this notebook or by another program. Cheap: nothing is read.
    ///
    /// # Errors
    /// The database's own.
    pub fn change_mark(&self) -> Result<(i64, i64), NotebookError> {
        let of = |sql: &str| self.connection.query_row(sql, [], |r| r.get(0));
        Ok((of("PRAGMA data_version")?, of("SELECT total_changes()")?))
    }

    /// Sets how long a write waits for another program's (5 s unless set).
    ///
    /// # Errors
    /// The database's own.
    pub fn set_busy_timeout(&self, timeout: Duration) -> Result<(), NotebookError> {
        Ok(self.connection.busy_timeout(timeout)?)
    }

    /// Limits the size of the file to about this many bytes, rounded down to whole pages; beyond
    /// it writes give [`NotebookError::DiskFull`]. It lasts until the notebook is closed.
    ///
    /// # Errors
    /// The database's own.
    pub fn set_size_limit(&self, limit_bytes: u64) -> Result<(), NotebookError> {
        let page: u32 = self
            .connection
            .query_row("PRAGMA page_size", [], |r| r.get(0))?;
        let pages = (limit_bytes / u64::from(page)).max(1);
        self.connection
            .query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(()))?;
        Ok(())
    }

    /// Looks through the whole file for damage.
    ///
    /// # Errors
    /// [`NotebookError::Corrupt`] with the first thing found.
    pub fn check(&self) -> Result<(), NotebookError> {
        let verdict: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |r| r.get(0))?;
        if verdict != "ok" {
            return Err(NotebookError::corrupt(verdict));
        }
        let mut dangling = self.connection.prepare("PRAGMA foreign_key_check")?;
        let mut rows = dangling.query([])?;
        match rows.next()? {
            None => Ok(()),
            Some(row) => {
                let table: String = row.get(0)?;
                Err(NotebookError::corrupt(format!(
                    "a row of {table} refers to nothing"
                )))
            }
        }
    }
}

/// A name beside `path` that nobody else uses.
pub(crate) fn neighbour(path: &Path) -> Result<PathBuf, NotebookError> {
    let name = path.file_name().ok_or_else(|| {
        NotebookError::invalid("path", format!("{} names no file", path.display()))
    })?;
    let mut draft = name.to_os_string();
    draft.push(format!(".{}.new", new_id()?));
    Ok(path.with_file_name(draft))
}

fn write_empty(draft: &Path) -> Result<(), NotebookError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
    let mut connection =
        Connection::open_with_flags(draft, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)
            .map_err(|error| cannot_open(draft, error))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    schema::migrate(&mut connection, MIGRATIONS)?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.close().map_err(|(_, error)| error)?;
    Ok(())
}

/// Gives the finished file its name without ever replacing another.
fn put_in_place(draft: &Path, path: &Path) -> Result<(), NotebookError> {
    let linked = match fs::hard_link(draft, path) {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            return Err(NotebookError::Exists {
                path: path.to_path_buf(),
            });
        }
        linked => linked,
    };
    // Some file systems (FAT on memory sticks) have no links.
    if linked.is_err() {
        if path.symlink_metadata().is_ok() {
            return Err(NotebookError::Exists {
                path: path.to_path_buf(),
            });
        }
        fs::rename(draft, path).map_err(|error| NotebookError::io(path, error))?;
    }
    Ok(())
}

/// Removes what is left of a draft; what cannot be removed was never there.
fn remove_draft(draft: &Path) {
    for suffix in ["", "-wal", "-shm", "-journal"] {
        let mut name = draft.as_os_str().to_os_string();
        name.push(suffix);
        drop(fs::remove_file(name));
    }
}

/// Tells a missing file, a folder and a file of another kind apart before SQLite sees it.
fn recognise(path: &Path) -> Result<(), NotebookError> {
    use std::io::Read;
    let not = |found: &str| NotebookError::NotANotebook {
        path: path.to_path_buf(),
        found: found.to_owned(),
    };
    let meta = fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => NotebookError::NotFound {
            path: path.to_path_buf(),
        },
        _ => NotebookError::io(path, error),
    })?;
    if meta.is_dir() {
        return Err(not("a folder"));
    }
    let mut head = Vec::new();
    let file = fs::File::open(path).map_err(|error| NotebookError::io(path, error))?;
    file.take(SQLITE_MAGIC.len() as u64)
        .read_to_end(&mut head)
        .map_err(|error| NotebookError::io(path, error))?;
    match head.as_slice() {
        [] => Err(not("an empty file")),
        head if head != SQLITE_MAGIC => Err(not("a file of another kind")),
        _ => Ok(()),
    }
}

fn connect(path: &Path, access: OpenFlags) -> Result<Connection, NotebookError> {
    let connection = Connection::open_with_flags(path, access | OpenFlags::SQLITE_OPEN_NO_MUTEX)
        .map_err(|error| cannot_open(path, error))?;
    probe(&connection, path)?;
    Ok(connection)
}

/// The first read tells whether the file can be used at all.
fn probe(connection: &Connection, path: &Path) -> Result<(), NotebookError> {
    connection.busy_timeout(BUSY_TIMEOUT)?;
    connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
        .map_err(|error| cannot_open(path, error))
}

/// A notebook on a medium that cannot be written at all: SQLite's shared-memory file cannot be
/// made there, so the file is read as one that nobody changes. Only sound without a pending
/// write-ahead log.
fn connect_frozen(path: &Path, why: NotebookError) -> Result<Connection, NotebookError> {
    let denied = matches!(why, NotebookError::Io { .. } | NotebookError::ReadOnly);
    let mut wal = path.as_os_str().to_os_string();
    wal.push("-wal");
    let pending = fs::metadata(wal).is_ok_and(|meta| meta.len() > 0);
    let Some(uri) = (denied && !pending).then(|| frozen_uri(path)).flatten() else {
        return Err(why);
    };
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
    let connection = Connection::open_with_flags(uri, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)
        .map_err(|error| cannot_open(path, error))?;
    probe(&connection, path)?;
    Ok(connection)
}

/// The `file:` URI of an absolute path (RFC 3986 percent-encoding), if it is Unicode.
fn frozen_uri(path: &Path) -> Option<String> {
    use std::fmt::Write;
    let absolute = fs::canonicalize(path).ok()?;
    let mut uri = String::from("file:");
    // Windows spells "\\?\C:\a" what a URI spells "/C:/a".
    let text = absolute
        .to_str()?
        .trim_start_matches(r"\\?\")
        .replace('\\', "/");
    if !text.starts_with('/') {
        uri.push('/');
    }
    for byte in text.bytes() {
        match byte {
            b'/' | b':' | b'.' | b'-' | b'_' | b'~' => uri.push(char::from(byte)),
            b if b.is_ascii_alphanumeric() => uri.push(char::from(b)),
            b => write!(uri, "%{b:02X}").ok()?,
        }
    }
    uri.push_str("?immutable=1");
    Some(uri)
}

fn cannot_open(path: &Path, error: rusqlite::Error) -> NotebookError {
    match error.sqlite_error_code() {
        Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::PermissionDenied) => {
            let kind = std::io::ErrorKind::PermissionDenied;
            NotebookError::io(path, std::io::Error::new(kind, error))
        }
        Some(rusqlite::ErrorCode::NotADatabase) => NotebookError::NotANotebook {
            path: path.to_path_buf(),
            found: "a damaged or encrypted database".to_owned(),
        },
        _ => error.into(),
    }
}

/// Checks whose file it is and which schema it has; brings an older one up to date.
fn upgrade(connection: &mut Connection, path: &Path) -> Result<(), NotebookError> {
    let kind: Option<String> = connection
        .query_row("SELECT value FROM format WHERE name = 'kind'", [], |row| {
            row.get(0)
        })
        .ok();
    if schema::application_id(connection)? != schema::APPLICATION_ID || kind.is_none() {
        return Err(NotebookError::NotANotebook {
            path: path.to_path_buf(),
            found: "an SQLite database of another application".to_owned(),
        });
    }
    let (found, known) = (schema::version(connection)?, SCHEMA_VERSION);
    if found > known {
        return Err(NotebookError::NewerSchema {
            path: path.to_path_buf(),
            found,
            known,
        });
    }
    if found == known {
        return Ok(());
    }
    if connection.is_readonly(rusqlite::MAIN_DB)? {
        return Err(NotebookError::OlderSchemaReadOnly {
            path: path.to_path_buf(),
            found,
            known,
        });
    }
    schema::migrate(connection, MIGRATIONS)
}
