use rusqlite::OptionalExtension;
use settlepoint_domain::{Finding, Id, Severity};

use crate::codec::{SqlId, Word, count};
use crate::names::Kind;
use crate::{Notebook, NotebookError};

/// A finding as it was kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptFinding {
    /// The run it concerns.
    pub run: Id,
    /// Name of the rule.
    pub rule: String,
    /// How bad.
    pub severity: Severity,
    /// Numbers, lines, time ranges.
    pub evidence: String,
    /// What to do.
    pub remedy: String,
}

impl Notebook {
    /// Replaces the findings of a run.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn set_findings(&self, run: Id, findings: &[Finding]) -> Result<(), NotebookError> {
        self.transaction(|book| {
            book.require(Kind::Run, run)?;
            let sql = "DELETE FROM findings WHERE run = ?1";
            book.connection.execute(sql, [SqlId(run)])?;
            let mut insert = book.connection.prepare_cached(
                "INSERT INTO findings (run, position, rule, severity, evidence, remedy) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?;
            for (position, finding) in findings.iter().enumerate() {
                insert.execute((
                    SqlId(run),
                    count("findings", position)?,
                    finding.rule,
                    finding.severity.word()?,
                    &finding.evidence,
                    &finding.remedy,
                ))?;
            }
            Ok(())
        })
    }

    /// The findings of a run, as they were last set.
    ///
    /// # Errors
    /// The database's own.
    pub fn findings(&self, run: Id) -> Result<Vec<KeptFinding>, NotebookError> {
        let sql = "SELECT * FROM findings WHERE run = ?1 ORDER BY position";
        self.list(sql, [SqlId(run)], |row| {
            Ok(KeptFinding {
                run,
                rule: row.get("rule")?,
                severity: Severity::at(row, "severity")?,
                evidence: row.get("evidence")?,
                remedy: row.get("remedy")?,
            })
        })
    }

    /// Keeps the result of a fit (JSON, as its maker writes it) under the hash of its inputs and
    /// the version of the code, in place of one kept there before.
    ///
    /// # Errors
    /// The database's own.
    pub fn put_fit(
        &self,
        inputs_hash: &[u8; 32],
        code_version: &str,
        json: &str,
    ) -> Result<(), NotebookError> {
        self.connection.execute(
            "INSERT INTO fits (inputs_hash, code_version, json) VALUES (?1, ?2, ?3) \
             ON CONFLICT DO UPDATE SET json = excluded.json",
            (inputs_hash, code_version, json),
        )?;
        Ok(())
    }

    /// The fit kept for these inputs by this version, if any.
    ///
    /// # Errors
    /// The database's own.
    pub fn fit(
        &self,
        inputs_hash: &[u8; 32],
        code_version: &str,
    ) -> Result<Option<String>, NotebookError> {
        let sql = "SELECT json FROM fits WHERE inputs_hash = ?1 AND code_version = ?2";
        let found = self
            .connection
            .query_row(sql, (inputs_hash, code_version), |row| row.get(0));
        Ok(found.optional()?)
    }

    /// Forgets the fits of other versions of the code, and says how many there were.
    ///
    /// # Errors
    /// The database's own.
    pub fn drop_stale_fits(&self, code_version: &str) -> Result<usize, NotebookError> {
        let sql = "DELETE FROM fits WHERE code_version <> ?1";
        Ok(self.connection.execute(sql, [code_version])?)
    }
}
