//! What the server keeps: the open notebook, and what was worked out from it.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use settlepoint_domain::{Finding, Id, Run};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_notebook::{Notebook, new_id};
use settlepoint_views::averages::{Row, averages};
use settlepoint_views::gather::{self, Gathered, Pick};

use crate::error::{PageError, WebError};
use crate::pages::dropped::Pending;
use crate::server::Config;

/// Answers kept for one state of the notebook and one cooling.
const ANSWERS: usize = 64;

/// Everything that handlers share.
#[derive(Debug)]
pub(crate) struct State {
    pub(crate) config: Config,
    /// What the forms of this server, and no others, carry.
    pub(crate) token: String,
    /// What an address other than the loopback one must carry.
    pub(crate) key: Option<String>,
    /// Names under which the server answers: `host:port`.
    pub(crate) hosts: Vec<String>,
    book: Mutex<Option<Open>>,
    /// Logs that were dropped and wait to be kept.
    pub(crate) pending: Mutex<Pending>,
    /// Runs that this server added and may take back.
    added: Mutex<Vec<Id>>,
}

/// The notebook that is open.
#[derive(Debug)]
struct Open {
    book: Notebook,
    /// What SQLite says of changes, and the state of what fits depend on, when the studies were made.
    mark: Option<(i64, i64)>,
    signature: String,
    studies: Vec<(Pick, Arc<Study>)>,
    averages: HashMap<Id, Row>,
    findings: Option<Vec<Finding>>,
}

/// One cooling of one machine: its runs, the fit, and answers that were asked for before.
#[derive(Debug)]
pub(crate) struct Study {
    pub(crate) gathered: Gathered,
    /// Runs that are being recorded and so left out.
    pub(crate) recording: Vec<(Id, String)>,
    fit: OnceLock<Result<CoolingFit, PageError>>,
    answers: Mutex<HashMap<String, Arc<str>>>,
}

impl Study {
    /// The fit; the first that asks waits for it, the others get it.
    pub(crate) fn fit(&self) -> Result<&CoolingFit, PageError> {
        let made = self.fit.get_or_init(|| {
            let (fit, _) = self.gathered.fit(&[])?;
            Ok(fit)
        });
        made.as_ref().map_err(Clone::clone)
    }

    /// What was worked out under this name before, or now.
    pub(crate) fn answer(
        &self,
        name: &str,
        make: impl FnOnce() -> Result<String, PageError>,
    ) -> Result<Arc<str>, PageError> {
        if let Some(known) = lock(&self.answers).get(name) {
            return Ok(Arc::clone(known));
        }
        let made: Arc<str> = make()?.into();
        let mut answers = lock(&self.answers);
        if answers.len() >= ANSWERS {
            answers.clear();
        }
        answers.insert(name.to_owned(), Arc::clone(&made));
        Ok(made)
    }
}

/// A mutex whose holder panicked holds nothing half-done here: every write is a transaction.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl State {
    pub(crate) fn new(config: Config, hosts: Vec<String>) -> Result<Self, WebError> {
        let random = || {
            new_id()
                .map(|id| id.to_string())
                .map_err(|e| WebError::System(e.to_string()))
        };
        let book = match &config.notebook {
            Some(path) => Some(Open::new(path).map_err(WebError::Notebook)?),
            None => None,
        };
        Ok(Self {
            token: random()?,
            key: if config.with_key || !config.address.is_loopback() {
                Some(random()?)
            } else {
                None
            },
            hosts,
            book: Mutex::new(book),
            pending: Mutex::default(),
            added: Mutex::default(),
            config,
        })
    }

    /// Opens a notebook in place of the one that was open.
    pub(crate) fn open(&self, path: &Path) -> Result<(), PageError> {
        let open = Open::new(path)?;
        *lock(&self.book) = Some(open);
        Ok(())
    }

    /// Remembers that a run was added here.
    pub(crate) fn note_added(&self, run: Id) {
        lock(&self.added).push(run);
    }

    /// Whether a run was added here.
    pub(crate) fn was_added(&self, run: Id) -> bool {
        lock(&self.added).contains(&run)
    }

    /// Name of the open notebook's file.
    pub(crate) fn name(&self) -> Option<String> {
        let held = lock(&self.book);
        let path = held.as_ref()?.book.path();
        path.file_stem()
            .map(|stem| stem.to_string_lossy().into_owned())
    }

    /// Works with the open notebook.
    pub(crate) fn with<T>(
        &self,
        work: impl FnOnce(&Notebook) -> Result<T, PageError>,
    ) -> Result<T, PageError> {
        let held = lock(&self.book);
        let open = held.as_ref().ok_or_else(none_open)?;
        work(&open.book)
    }

    /// Works with the open notebook through a connection of its own, so that long work keeps nobody
    /// waiting.
    pub(crate) fn apart<T>(
        &self,
        work: impl FnOnce(&Notebook) -> Result<T, PageError>,
    ) -> Result<T, PageError> {
        let path = self.with(|book| Ok(book.path().to_owned()))?;
        work(&gather::open(&path)?)
    }

    /// One cooling with its runs: as it was if nothing changed, else read anew.
    pub(crate) fn study(&self, pick: &Pick) -> Result<Arc<Study>, PageError> {
        let mut held = lock(&self.book);
        let open = held.as_mut().ok_or_else(none_open)?;
        open.look_for_changes()?;
        if let Some((_, known)) = open.studies.iter().find(|(p, _)| p == pick) {
            return Ok(Arc::clone(known));
        }
        let study = Arc::new(study(&open.book, pick)?);
        if open.studies.len() >= 8 {
            open.studies.remove(0);
        }
        open.studies.push((pick.clone(), Arc::clone(&study)));
        Ok(study)
    }

    /// The averages of a run, worked out once.
    pub(crate) fn averages(&self, run: &Run) -> Result<Row, PageError> {
        let mut held = lock(&self.book);
        let open = held.as_mut().ok_or_else(none_open)?;
        open.look_for_changes()?;
        if let Some(known) = open.averages.get(&run.id) {
            return Ok(*known);
        }
        let row = averages(&open.book, run)?;
        open.averages.insert(run.id, row);
        Ok(row)
    }

    /// Findings, worked out once by `make`.
    pub(crate) fn kept_findings(
        &self,
        make: impl FnOnce(&Notebook) -> Result<Vec<Finding>, PageError>,
    ) -> Result<Vec<Finding>, PageError> {
        let mut held = lock(&self.book);
        let open = held.as_mut().ok_or_else(none_open)?;
        open.look_for_changes()?;
        if let Some(known) = &open.findings {
            return Ok(known.clone());
        }
        let found = make(&open.book)?;
        open.findings = Some(found.clone());
        Ok(found)
    }

    /// Notebooks in the folder of the server, by name.
    pub(crate) fn notebooks(&self) -> Vec<PathBuf> {
        let Ok(entries) = std::fs::read_dir(&self.config.folder) else {
            return Vec::new();
        };
        let mut found: Vec<PathBuf> = entries
            .flatten()
            .map(|entry| entry.path())
            .filter(|path| path.extension().is_some_and(|e| e == "settle") && path.is_file())
            .collect();
        found.sort();
        found
    }
}

fn none_open() -> PageError {
    PageError::new(
        axum::http::StatusCode::CONFLICT,
        "No notebook is open. Open one, or make a new one, on the first page.",
    )
}

impl Open {
    fn new(path: &Path) -> Result<Self, settlepoint_views::ViewError> {
        Ok(Self {
            book: gather::open(path)?,
            mark: None,
            signature: String::new(),
            studies: Vec::new(),
            averages: HashMap::new(),
            findings: None,
        })
    }

    fn look_for_changes(&mut self) -> Result<(), PageError> {
        let mark = Some(self.book.change_mark()?);
        if mark == self.mark {
            return Ok(());
        }
        let signature = signature(&self.book)?;
        if signature != self.signature {
            self.studies.clear();
            self.averages.clear();
            self.findings = None;
            self.signature = signature;
        }
        self.mark = mark;
        Ok(())
    }
}

/// Changes whenever something does that a fit depends on. Rows that a recording adds are no such
/// thing: it counts when it has ended.
fn signature(book: &Notebook) -> Result<String, PageError> {
    let all = (
        book.runs()?,
        book.settings()?,
        book.workloads()?,
        book.coolings()?,
        book.machines()?,
        book.unfinished_recordings()?,
    );
    Ok(format!("{all:?}"))
}

fn study(book: &Notebook, pick: &Pick) -> Result<Study, PageError> {
    let under_way = book.unfinished_recordings()?;
    let mut gathered = gather::gather(book, pick)?;
    let mut recording = Vec::new();
    gathered.runs.retain(|(run, _)| {
        let counts = !under_way.contains(&run.id);
        if !counts {
            recording.push((run.id, run.name.clone()));
        }
        counts
    });
    Ok(Study {
        gathered,
        recording,
        fit: OnceLock::new(),
        answers: Mutex::default(),
    })
}
