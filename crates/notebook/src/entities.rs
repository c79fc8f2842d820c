use rusqlite::Row;
use settlepoint_domain::{Cooling, Direction, Id, Machine, ScoreKind, Tune, Workload};
use sha2::{Digest, Sha256};

use crate::codec::{SqlId, Word, finite, finite_or_none, id_at};
use crate::names::{Kind, unknown};
use crate::{Notebook, NotebookError};

/// The part that every machine has.
pub(crate) const PACKAGE: &str = "package";

/// What heats and is limited: the package, a graphics card, a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// Identity.
    pub id: Id,
    /// The machine it belongs to.
    pub machine: Id,
    /// Its name, unique within the machine.
    pub name: String,
}

/// A random id from the system's generator.
///
/// # Errors
/// [`NotebookError::Random`].
pub fn new_id() -> Result<Id, NotebookError> {
    let mut bits = [0; 16];
    getrandom::fill(&mut bits).map_err(|error| NotebookError::Random {
        detail: error.to_string(),
    })?;
    Ok(Id::from_u128(u128::from_be_bytes(bits)))
}

/// The id of a part follows from its machine's (random) id and its name, so that two notebooks
/// that meet the same part agree on it.
fn part_id(machine: Id, name: &str) -> Id {
    let hash = Sha256::new()
        .chain_update(b"part")
        .chain_update(machine.as_u128().to_be_bytes())
        .chain_update(name.as_bytes())
        .finalize();
    let bits = hash
        .iter()
        .take(16)
        .fold(0, |bits, byte| bits << 8 | u128::from(*byte));
    Id::from_u128(bits)
}

impl Notebook {
    /// Adds a machine, with its part "package".
    ///
    /// # Errors
    /// [`NotebookError::DuplicateId`]; the database's own.
    pub fn add_machine(&self, machine: &Machine) -> Result<(), NotebookError> {
        self.transaction(|book| {
            book.require_new(Kind::Machine, machine.id)?;
            book.connection.execute(
                "INSERT INTO machines (id, name, model, serial, notes) VALUES (?1, ?2, ?3, ?4, ?5)",
                (
                    SqlId(machine.id),
                    &machine.name,
                    &machine.model,
                    &machine.serial,
                    &machine.notes,
                ),
            )?;
            book.part_named(machine.id, PACKAGE).map(drop)
        })
    }

    /// All machines, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn machines(&self) -> Result<Vec<Machine>, NotebookError> {
        self.list("SELECT * FROM machines ORDER BY seq", [], read_machine)
    }

    /// The machine with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn machine(&self, id: Id) -> Result<Machine, NotebookError> {
        self.one(Kind::Machine, id, read_machine)
    }

    /// The machine with this name (or id), made with nothing else noted if there is none.
    ///
    /// # Errors
    /// [`NotebookError::AmbiguousName`]; the database's own.
    pub fn machine_named(&self, name: &str) -> Result<Machine, NotebookError> {
        self.transaction(|book| {
            if let Some(id) = book.find(Kind::Machine, name)? {
                return book.machine(id);
            }
            let machine = Machine {
                id: new_id()?,
                name: name.to_owned(),
                model: String::new(),
                serial: String::new(),
                notes: String::new(),
            };
            book.add_machine(&machine)?;
            Ok(machine)
        })
    }

    /// Replaces what is noted of the machine with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn update_machine(&self, machine: &Machine) -> Result<(), NotebookError> {
        let changed = self.connection.execute(
            "UPDATE machines SET name = ?2, model = ?3, serial = ?4, notes = ?5 WHERE id = ?1",
            (
                SqlId(machine.id),
                &machine.name,
                &machine.model,
                &machine.serial,
                &machine.notes,
            ),
        )?;
        changed_one(Kind::Machine, machine.id, changed)
    }

    /// All parts of a machine, "package" first.
    ///
    /// # Errors
    /// The database's own.
    pub fn parts(&self, machine: Id) -> Result<Vec<Part>, NotebookError> {
        let sql = "SELECT * FROM parts WHERE machine = ?1 ORDER BY seq";
        self.list(sql, [SqlId(machine)], read_part)
    }

    /// The part of a machine with this name, made if there is none.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the machine; the database's own.
    pub fn part_named(&self, machine: Id, name: &str) -> Result<Part, NotebookError> {
        self.require(Kind::Machine, machine)?;
        let part = Part {
            id: part_id(machine, name),
            machine,
            name: name.to_owned(),
        };
        self.connection.execute(
            "INSERT INTO parts (id, machine, name) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
            (SqlId(part.id), SqlId(machine), name),
        )?;
        Ok(part)
    }

    /// Adds a cooling of a machine.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the machine; [`NotebookError::DuplicateId`];
    /// [`NotebookError::Invalid`].
    pub fn add_cooling(&self, cooling: &Cooling) -> Result<(), NotebookError> {
        let fan_max_rpm = finite_or_none("fan_max_rpm", cooling.fan_max_rpm)?;
        self.transaction(|book| {
            book.require(Kind::Machine, cooling.machine)?;
            book.require_new(Kind::Cooling, cooling.id)?;
            book.connection.execute(
                "INSERT INTO coolings (id, machine, name, fan_max_rpm, notes) \
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                (
                    SqlId(cooling.id),
                    SqlId(cooling.machine),
                    &cooling.name,
                    fan_max_rpm,
                    &cooling.notes,
                ),
            )?;
            Ok(())
        })
    }

    /// All coolings of all machines, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn coolings(&self) -> Result<Vec<Cooling>, NotebookError> {
        self.list("SELECT * FROM coolings ORDER BY seq", [], read_cooling)
    }

    /// The cooling with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn cooling(&self, id: Id) -> Result<Cooling, NotebookError> {
        self.one(Kind::Cooling, id, read_cooling)
    }

    /// The machine's cooling with this name, made with nothing else noted if there is none.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the machine; [`NotebookError::AmbiguousName`].
    pub fn cooling_named(&self, machine: Id, name: &str) -> Result<Cooling, NotebookError> {
        self.transaction(|book| {
            let sql = "SELECT * FROM coolings WHERE machine = ?1 AND name = ?2 ORDER BY seq";
            let found = book.list(sql, (SqlId(machine), name), read_cooling)?;
            if let Some(cooling) = only(Kind::Cooling, name, found, |cooling| cooling.id)? {
                return Ok(cooling);
            }
            let (id, name, notes) = (new_id()?, name.to_owned(), String::new());
            let cooling = Cooling {
                id,
                machine,
                name,
                fan_max_rpm: None,
                notes,
            };
            book.add_cooling(&cooling)?;
            Ok(cooling)
        })
    }

    /// Replaces what is noted of the cooling with this id; its machine stays.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for a cooling of this machine; [`NotebookError::Invalid`].
    pub fn update_cooling(&self, cooling: &Cooling) -> Result<(), NotebookError> {
        let fan_max_rpm = finite_or_none("fan_max_rpm", cooling.fan_max_rpm)?;
        let changed = self.connection.execute(
            "UPDATE coolings SET name = ?3, fan_max_rpm = ?4, notes = ?5 \
             WHERE id = ?1 AND machine = ?2",
            (
                SqlId(cooling.id),
                SqlId(cooling.machine),
                &cooling.name,
                fan_max_rpm,
                &cooling.notes,
            ),
        )?;
        changed_one(Kind::Cooling, cooling.id, changed)
    }

    /// Adds a tune of a machine.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the machine; [`NotebookError::DuplicateId`].
    pub fn add_tune(&self, tune: &Tune) -> Result<(), NotebookError> {
        self.transaction(|book| {
            book.require(Kind::Machine, tune.machine)?;
            book.require_new(Kind::Tune, tune.id)?;
            book.connection.execute(
                "INSERT INTO tunes (id, machine, name, notes) VALUES (?1, ?2, ?3, ?4)",
                (SqlId(tune.id), SqlId(tune.machine), &tune.name, &tune.notes),
            )?;
            Ok(())
        })
    }

    /// All tunes of all machines, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn tunes(&self) -> Result<Vec<Tune>, NotebookError> {
        self.list("SELECT * FROM tunes ORDER BY seq", [], read_tune)
    }

    /// The machine's tune with this name, made with nothing else noted if there is none.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for the machine; [`NotebookError::AmbiguousName`].
    pub fn tune_named(&self, machine: Id, name: &str) -> Result<Tune, NotebookError> {
        self.transaction(|book| {
            let sql = "SELECT * FROM tunes WHERE machine = ?1 AND name = ?2 ORDER BY seq";
            let found = book.list(sql, (SqlId(machine), name), read_tune)?;
            if let Some(tune) = only(Kind::Tune, name, found, |tune| tune.id)? {
                return Ok(tune);
            }
            let (id, name, notes) = (new_id()?, name.to_owned(), String::new());
            let tune = Tune {
                id,
                machine,
                name,
                notes,
            };
            book.add_tune(&tune)?;
            Ok(tune)
        })
    }

    /// Replaces what is noted of the tune with this id; its machine stays.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`] for a tune of this machine.
    pub fn update_tune(&self, tune: &Tune) -> Result<(), NotebookError> {
        let changed = self.connection.execute(
            "UPDATE tunes SET name = ?3, notes = ?4 WHERE id = ?1 AND machine = ?2",
            (SqlId(tune.id), SqlId(tune.machine), &tune.name, &tune.notes),
        )?;
        changed_one(Kind::Tune, tune.id, changed)
    }

    /// Adds a workload.
    ///
    /// # Errors
    /// [`NotebookError::DuplicateId`]; [`NotebookError::Invalid`] for a number that is not finite.
    pub fn add_workload(&self, workload: &Workload) -> Result<(), NotebookError> {
        let duration_s = finite("duration_s", workload.duration_s)?;
        let hours_per_week = finite_or_none("hours_per_week", workload.hours_per_week)?;
        let weight = finite_or_none("weight", workload.weight)?;
        let loss_max_pct = finite_or_none("loss_max_pct", workload.loss_max_pct)?;
        self.transaction(|book| {
            book.require_new(Kind::Workload, workload.id)?;
            book.connection.execute(
                "INSERT INTO workloads (id, name, unit, direction, kind, duration_s, \
                 hours_per_week, weight, loss_max_pct, idle) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                (
                    SqlId(workload.id),
                    &workload.name,
                    &workload.unit,
                    workload.direction.word()?,
                    workload.kind.word()?,
                    duration_s,
                    hours_per_week,
                    weight,
                    loss_max_pct,
                    workload.idle,
                ),
            )?;
            Ok(())
        })
    }

    /// Replaces what is noted of the workload with this id: its hours and weight, for example.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`]; [`NotebookError::Invalid`] for a number that is not finite.
    pub fn update_workload(&self, workload: &Workload) -> Result<(), NotebookError> {
        let changed = self.connection.execute(
            "UPDATE workloads SET name = ?2, unit = ?3, direction = ?4, kind = ?5, \
             duration_s = ?6, hours_per_week = ?7, weight = ?8, loss_max_pct = ?9, idle = ?10 \
             WHERE id = ?1",
            (
                SqlId(workload.id),
                &workload.name,
                &workload.unit,
                workload.direction.word()?,
                workload.kind.word()?,
                finite("duration_s", workload.duration_s)?,
                finite_or_none("hours_per_week", workload.hours_per_week)?,
                finite_or_none("weight", workload.weight)?,
                finite_or_none("loss_max_pct", workload.loss_max_pct)?,
                workload.idle,
            ),
        )?;
        changed_one(Kind::Workload, workload.id, changed)
    }

    /// All workloads, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn workloads(&self) -> Result<Vec<Workload>, NotebookError> {
        self.list("SELECT * FROM workloads ORDER BY seq", [], read_workload)
    }

    /// The workload with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn workload(&self, id: Id) -> Result<Workload, NotebookError> {
        self.one(Kind::Workload, id, read_workload)
    }

    /// The workload with the name of `template` if there is one, else `template` itself, added.
    ///
    /// # Errors
    /// As [`Notebook::add_workload`]; [`NotebookError::AmbiguousName`].
    pub fn workload_named(&self, template: &Workload) -> Result<Workload, NotebookError> {
        self.transaction(|book| {
            if let Some(id) = book.find(Kind::Workload, &template.name)? {
                return book.workload(id);
            }
            book.add_workload(template)?;
            Ok(template.clone())
        })
    }

    /// Reads every row of a query.
    pub(crate) fn list<T, P: rusqlite::Params>(
        &self,
        sql: &str,
        params: P,
        read: impl Fn(&Row<'_>) -> Result<T, NotebookError>,
    ) -> Result<Vec<T>, NotebookError> {
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query(params)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            all.push(read(row)?);
        }
        Ok(all)
    }

    /// Reads the row of one thing.
    pub(crate) fn one<T>(
        &self,
        kind: Kind,
        id: Id,
        read: impl Fn(&Row<'_>) -> Result<T, NotebookError>,
    ) -> Result<T, NotebookError> {
        let sql = format!("SELECT * FROM {} WHERE id = ?1", kind.table());
        self.list(&sql, [SqlId(id)], read)?
            .pop()
            .ok_or_else(|| unknown(kind, id))
    }
}

/// The only one of those found under a name, or none.
pub(crate) fn only<T>(
    kind: Kind,
    name: &str,
    mut found: Vec<T>,
    id: impl Fn(&T) -> Id,
) -> Result<Option<T>, NotebookError> {
    if found.len() > 1 {
        let ids = found.iter().map(id).collect();
        return Err(NotebookError::AmbiguousName {
            kind: kind.token(),
            name: name.to_owned(),
            ids,
        });
    }
    Ok(found.pop())
}

/// Whether an update found its row.
pub(crate) fn changed_one(kind: Kind, id: Id, changed: usize) -> Result<(), NotebookError> {
    if changed == 0 {
        Err(unknown(kind, id))
    } else {
        Ok(())
    }
}

fn read_machine(row: &Row<'_>) -> Result<Machine, NotebookError> {
    Ok(Machine {
        id: id_at(row, "id")?,
        name: row.get("name")?,
        model: row.get("model")?,
        serial: row.get("serial")?,
        notes: row.get("notes")?,
    })
}

fn read_part(row: &Row<'_>) -> Result<Part, NotebookError> {
    Ok(Part {
        id: id_at(row, "id")?,
        machine: id_at(row, "machine")?,
        name: row.get("name")?,
    })
}

fn read_cooling(row: &Row<'_>) -> Result<Cooling, NotebookError> {
    Ok(Cooling {
        id: id_at(row, "id")?,
        machine: id_at(row, "machine")?,
        name: row.get("name")?,
        fan_max_rpm: row.get("fan_max_rpm")?,
        notes: row.get("notes")?,
    })
}

fn read_tune(row: &Row<'_>) -> Result<Tune, NotebookError> {
    Ok(Tune {
        id: id_at(row, "id")?,
        machine: id_at(row, "machine")?,
        name: row.get("name")?,
        notes: row.get("notes")?,
    })
}

fn read_workload(row: &Row<'_>) -> Result<Workload, NotebookError> {
    Ok(Workload {
        id: id_at(row, "id")?,
        name: row.get("name")?,
        unit: row.get("unit")?,
        direction: Direction::at(row, "direction")?,
        kind: ScoreKind::at(row, "kind")?,
        duration_s: row.get("duration_s")?,
        hours_per_week: row.get("hours_per_week")?,
        weight: row.get("weight")?,
        loss_max_pct: row.get("loss_max_pct")?,
        idle: row.get("idle")?,
    })
}
