use rusqlite::{Transaction, TransactionBehavior};

use crate::{Notebook, NotebookError};

/// The name of nested transactions; SQLite matches the innermost of equal names.
const SAVEPOINT: &str = "step";

impl Notebook {
    /// Does `work` as one step: all of it is kept or, on an error, a panic or the program's end,
    /// nothing. Steps may be nested; an inner one that fails undoes only itself.
    ///
    /// ```
    /// # use settlepoint_notebook::{Notebook, NotebookError};
    /// # let folder = tempfile::tempdir()?;
    /// # let notebook = Notebook::create(folder.path().join("a.settle"))?;
    /// let failed: Result<(), NotebookError> = notebook.transaction(|notebook| {
    ///     notebook.machine_named("tower")?;
    ///     Err(NotebookError::Locked)
    /// });
    /// assert!(failed.is_err() && notebook.machines()?.is_empty());
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// What `work` gives, or why the step could not be begun or committed.
    pub fn transaction<T, E, F>(&self, work: F) -> Result<T, E>
    where
        E: From<NotebookError>,
        F: FnOnce(&Self) -> Result<T, E>,
    {
        if self.connection.is_autocommit() {
            self.outer(work)
        } else {
            self.inner(work)
        }
    }

    /// Does `work` with every read seeing one and the same state of the file, whatever other
    /// programs write meanwhile.
    pub(crate) fn snapshot<T>(
        &self,
        work: impl FnOnce(&Self) -> Result<T, NotebookError>,
    ) -> Result<T, NotebookError> {
        if !self.connection.is_autocommit() {
            return work(self);
        }
        // Dropped, not committed: nothing is written.
        let _tx = Transaction::new_unchecked(&self.connection, TransactionBehavior::Deferred)?;
        work(self)
    }

    fn outer<T, E, F>(&self, work: F) -> Result<T, E>
    where
        E: From<NotebookError>,
        F: FnOnce(&Self) -> Result<T, E>,
    {
        // Immediate: a step that will write must not learn halfway that another program does too.
        let tx = Transaction::new_unchecked(&self.connection, TransactionBehavior::Immediate)
            .map_err(lift)?;
        let value = work(self)?;
        tx.commit().map_err(lift)?;
        Ok(value)
    }

    fn inner<T, E, F>(&self, work: F) -> Result<T, E>
    where
        E: From<NotebookError>,
        F: FnOnce(&Self) -> Result<T, E>,
    {
        self.connection
            .execute_batch(&format!("SAVEPOINT {SAVEPOINT}"))
            .map_err(lift)?;
        let result = work(self);
        // A full disk may have rolled the whole transaction back, savepoint included.
        if self.connection.is_autocommit() {
            return result.and(Err(NotebookError::DiskFull.into()));
        }
        let undo = if result.is_err() {
            "ROLLBACK TO step; "
        } else {
            ""
        };
        let end = self
            .connection
            .execute_batch(&format!("{undo}RELEASE {SAVEPOINT}"));
        // The first failure is the one that explains.
        let value = result?;
        end.map_err(lift)?;
        Ok(value)
    }
}

fn lift<E: From<NotebookError>>(error: rusqlite::Error) -> E {
    NotebookError::from(error).into()
}
