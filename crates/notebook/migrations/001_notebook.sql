-- Schema 1. Released migrations are never edited; a change is a new file.
--
-- `seq` keeps the order of entry and means nothing else; `id` is the identity. Temperatures are
-- in °C, times in s, powers in W, fan speeds in rpm, as the column names say. NULL is "not noted".
-- A limit is a number, or one of the words unknown, automatic, unlimited: never NULL.

CREATE TABLE format (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

INSERT INTO format VALUES ('kind', 'settlepoint notebook');

CREATE TABLE machines (
    seq    INTEGER PRIMARY KEY,
    id     BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    name   TEXT NOT NULL,
    model  TEXT NOT NULL,
    serial TEXT NOT NULL,
    notes  TEXT NOT NULL
) STRICT;

-- What heats and is limited. Its id is derived from the machine's id and its name, so that two
-- notebooks that meet the same part agree on it.
CREATE TABLE parts (
    seq     INTEGER PRIMARY KEY,
    id      BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    machine BLOB NOT NULL REFERENCES machines (id),
    name    TEXT NOT NULL,
    UNIQUE (machine, name)
) STRICT;

CREATE TABLE coolings (
    seq         INTEGER PRIMARY KEY,
    id          BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    machine     BLOB NOT NULL REFERENCES machines (id),
    name        TEXT NOT NULL,
    fan_max_rpm REAL,
    notes       TEXT NOT NULL,
    UNIQUE (id, machine)
) STRICT;

CREATE TABLE tunes (
    seq     INTEGER PRIMARY KEY,
    id      BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    machine BLOB NOT NULL REFERENCES machines (id),
    name    TEXT NOT NULL,
    notes   TEXT NOT NULL,
    UNIQUE (id, machine)
) STRICT;

-- A setting belongs to no machine: the same numbers may be tried on several.
CREATE TABLE settings (
    seq      INTEGER PRIMARY KEY,
    id       BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    name     TEXT NOT NULL,
    fan_kind TEXT NOT NULL CHECK (fan_kind IN ('as_fitted', 'ceiling', 'fixed', 'curve')),
    fan_rpm  REAL,
    CHECK ((fan_kind IN ('ceiling', 'fixed')) = (fan_rpm IS NOT NULL))
) STRICT;

CREATE TABLE setting_limits (
    setting      BLOB NOT NULL REFERENCES settings (id) ON DELETE CASCADE,
    part_name    TEXT NOT NULL,
    pl1_w        ANY NOT NULL
        CHECK (typeof(pl1_w) = 'real' OR pl1_w IN ('unknown', 'automatic', 'unlimited')),
    pl2_w        ANY NOT NULL
        CHECK (typeof(pl2_w) = 'real' OR pl2_w IN ('unknown', 'automatic', 'unlimited')),
    tau_s        ANY NOT NULL
        CHECK (typeof(tau_s) = 'real' OR tau_s IN ('unknown', 'automatic', 'unlimited')),
    temp_limit_c ANY NOT NULL
        CHECK (typeof(temp_limit_c) = 'real'
            OR temp_limit_c IN ('unknown', 'automatic', 'unlimited')),
    PRIMARY KEY (setting, part_name)
) STRICT, WITHOUT ROWID;

CREATE TABLE setting_tiers (
    setting   BLOB NOT NULL,
    part_name TEXT NOT NULL,
    position  INTEGER NOT NULL,
    limit_w   REAL NOT NULL,
    window_s  REAL NOT NULL,
    PRIMARY KEY (setting, part_name, position),
    FOREIGN KEY (setting, part_name) REFERENCES setting_limits (setting, part_name)
        ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

CREATE TABLE setting_fan_points (
    setting       BLOB NOT NULL REFERENCES settings (id) ON DELETE CASCADE,
    position      INTEGER NOT NULL,
    temp_c        REAL NOT NULL,
    fan_speed_rpm REAL NOT NULL,
    PRIMARY KEY (setting, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE workloads (
    seq            INTEGER PRIMARY KEY,
    id             BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    name           TEXT NOT NULL,
    unit           TEXT NOT NULL,
    direction      TEXT NOT NULL CHECK (direction IN ('higher', 'lower')),
    kind           TEXT NOT NULL CHECK (kind IN ('mean_rate', 'last_pass', 'time_for_work')),
    duration_s     REAL NOT NULL,
    hours_per_week REAL,
    weight         REAL,
    loss_max_pct   REAL,
    idle           INTEGER NOT NULL CHECK (idle IN (0, 1))
) STRICT;

CREATE TABLE runs (
    seq        INTEGER PRIMARY KEY,
    id         BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    name       TEXT NOT NULL,
    machine    BLOB NOT NULL REFERENCES machines (id),
    cooling    BLOB NOT NULL,
    tune       BLOB,
    setting    BLOB NOT NULL REFERENCES settings (id),
    workload   BLOB NOT NULL REFERENCES workloads (id),
    room_c     REAL,
    altitude_m REAL,
    data_kind  TEXT NOT NULL CHECK (data_kind IN ('readings', 'log', 'scores_only')),
    excluded   TEXT,
    FOREIGN KEY (cooling, machine) REFERENCES coolings (id, machine),
    FOREIGN KEY (tune, machine) REFERENCES tunes (id, machine)
) STRICT;

CREATE TABLE readings (
    run            BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position       INTEGER NOT NULL,
    phase          TEXT NOT NULL CHECK (phase IN
        ('idle', 'boost', 'sustained', 'temp_limited', 'cool_down', 'transition', 'unknown')),
    duration_s     REAL,
    power_w        REAL,
    package_c      REAL,
    fan_speed_rpm  REAL,
    level_dba      REAL,
    level_of       TEXT NOT NULL,
    distance_m     REAL,
    background_dba REAL,
    clock_mhz_1    REAL,
    clock_mhz_2    REAL,
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE scores (
    run         BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position    INTEGER NOT NULL,
    value       REAL NOT NULL,
    repetition  INTEGER NOT NULL,
    order_index INTEGER,
    block       TEXT,
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

-- A file as it came, once per SHA-256, deflated in chunks of 1 MiB.
CREATE TABLE raw_files (
    seq        INTEGER PRIMARY KEY,
    hash       BLOB NOT NULL UNIQUE CHECK (length(hash) = 32),
    size_bytes INTEGER NOT NULL
) STRICT;

-- Chunks are written while the hash is still being taken, hence before their file's row.
CREATE TABLE raw_chunks (
    file     INTEGER NOT NULL REFERENCES raw_files (seq) ON DELETE CASCADE
        DEFERRABLE INITIALLY DEFERRED,
    position INTEGER NOT NULL,
    deflated BLOB NOT NULL,
    PRIMARY KEY (file, position)
) STRICT;

-- `start_unix_ns` is a decimal number: 128 bits do not fit an INTEGER. `start_zone` NULL with a
-- start means "local time, zone unknown". `row_count` NULL means that recording has not finished.
CREATE TABLE logs (
    run           BLOB PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    source_name   TEXT NOT NULL,
    recipe        TEXT NOT NULL,
    raw_hash      BLOB REFERENCES raw_files (hash),
    start_unix_ns TEXT,
    start_zone    TEXT,
    time_known    INTEGER NOT NULL CHECK (time_known IN (0, 1)),
    row_count     INTEGER,
    samples_hash  BLOB CHECK (length(samples_hash) = 32)
) STRICT, WITHOUT ROWID;

CREATE TABLE channels (
    run           BLOB NOT NULL REFERENCES logs (run) ON DELETE CASCADE,
    position      INTEGER NOT NULL,
    part          BLOB NOT NULL REFERENCES parts (id),
    role          TEXT NOT NULL,
    column_name   TEXT NOT NULL,
    column_number INTEGER NOT NULL,
    unit          TEXT NOT NULL,
    reason        TEXT NOT NULL,
    resolution    REAL,
    averaging     TEXT NOT NULL CHECK (averaging IN ('instant', 'mean', 'counter')),
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

-- Columnar samples: `position` -1 is time, else the channel. Layout: see blocks.rs.
CREATE TABLE sample_blocks (
    run       BLOB NOT NULL REFERENCES logs (run) ON DELETE CASCADE,
    position  INTEGER NOT NULL,
    first_row INTEGER NOT NULL,
    row_count INTEGER NOT NULL,
    deflated  BLOB NOT NULL,
    PRIMARY KEY (run, position, first_row)
) STRICT;

-- Samples as rows while recording: one little-endian binary64 a channel, NaN for "missing".
CREATE TABLE recording_rows (
    run       BLOB NOT NULL REFERENCES logs (run) ON DELETE CASCADE,
    row_index INTEGER NOT NULL,
    time_s    REAL NOT NULL,
    readings  BLOB NOT NULL,
    PRIMARY KEY (run, row_index)
) STRICT, WITHOUT ROWID;

-- Derived; replaced whenever a run is reviewed again.
CREATE TABLE findings (
    run      BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    rule     TEXT NOT NULL,
    severity TEXT NOT NULL CHECK (severity IN ('note', 'warning', 'error')),
    evidence TEXT NOT NULL,
    remedy   TEXT NOT NULL,
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

-- Derived; may be deleted at any time.
CREATE TABLE fits (
    inputs_hash  BLOB NOT NULL CHECK (length(inputs_hash) = 32),
    code_version TEXT NOT NULL,
    json         TEXT NOT NULL,
    PRIMARY KEY (inputs_hash, code_version)
) STRICT, WITHOUT ROWID;
