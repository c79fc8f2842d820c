//! A notebook whose file is moved or deleted while it is open.

use std::fs;
use std::path::Path;

use rusqlite::Connection;

use crate::{Notebook, NotebookError};

/// What tells a file from another one at the same place: device and number, where the system has
/// them.
pub(crate) type FileIdentity = Option<(u64, u64)>;

#[cfg(unix)]
pub(crate) fn identity(path: &Path) -> FileIdentity {
    use std::os::unix::fs::MetadataExt as _;
    fs::metadata(path).ok().map(|meta| (meta.dev(), meta.ino()))
}

#[cfg(not(unix))]
pub(crate) fn identity(_: &Path) -> FileIdentity {
    // An open file can be neither moved nor deleted there.
    None
}

impl Notebook {
    /// Whether the open file is still the one at [`Notebook::path`]. What is written to one that was
    /// moved or deleted is lost or torn from its file, without any error.
    pub fn is_in_place(&self) -> bool {
        self.identity.is_none() || identity(self.path()) == self.identity
    }

    /// Writes everything that the open notebook holds to a new file and opens that. Works also once the
    /// notebook's own file was deleted.
    ///
    /// # Errors
    /// [`NotebookError::Exists`] if anything stands at `path`; [`NotebookError::DiskFull`], and what
    /// [`Notebook::open`] gives.
    pub fn rescue_to(&self, path: impl AsRef<Path>) -> Result<Self, NotebookError> {
        let path = path.as_ref();
        if path.symlink_metadata().is_ok() {
            return Err(NotebookError::Exists {
                path: path.to_path_buf(),
            });
        }
        let name = path.to_str().ok_or_else(|| {
            NotebookError::invalid("path", format!("{} is not Unicode", path.display()))
        })?;
        self.connection.execute("VACUUM INTO ?1", [name])?;
        let copy = Connection::open(path)?;
        copy.pragma_update(None, "journal_mode", "WAL")?;
        copy.close().map_err(|(_, error)| error)?;
        Self::open(path)
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_deleted_notebook_goes_on_in_another_file() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("bench.settle");
        let book = Notebook::create(&path).expect("made");
        let id = book.machine_named("tower").expect("added").id;
        assert!(book.is_in_place());
        fs::remove_file(&path).expect("deleted");
        assert!(!book.is_in_place());
        book.machine_named("second")
            .expect("the system says nothing");
        let place = folder.path().join("rescued.settle");
        let rescued = book.rescue_to(&place).expect("rescued");
        assert!(rescued.is_in_place());
        rescued.check().expect("whole");
        assert_eq!(rescued.machine_named("tower").expect("there").id, id);
        assert_eq!(rescued.machines().expect("both").len(), 2);
        assert!(matches!(
            book.rescue_to(&place),
            Err(NotebookError::Exists { .. })
        ));
        // Another file at the old place is not the old one.
        fs::write(&path, "").expect("a file");
        assert!(!book.is_in_place());
    }
}
