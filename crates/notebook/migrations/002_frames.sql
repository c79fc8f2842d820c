-- Schema 2: when scores were measured, and recordings of frame times.

-- Seconds, and what they are counted from: 1970-01-01T00:00 (on the clock that was read), midnight,
-- or a start that the scores share.
ALTER TABLE scores ADD COLUMN time_s REAL;
ALTER TABLE scores ADD COLUMN time_origin TEXT
    CHECK (time_origin IN ('epoch', 'midnight', 'start')
        AND (time_origin IS NULL) = (time_s IS NULL));

-- One recording of frame times of a run. `reading` says how the file was read, for people.
CREATE TABLE frame_logs (
    run          BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position     INTEGER NOT NULL,
    source_name  TEXT NOT NULL,
    reading      TEXT NOT NULL,
    raw_hash     BLOB REFERENCES raw_files (hash),
    frame_count  INTEGER NOT NULL,
    samples_hash BLOB NOT NULL CHECK (length(samples_hash) = 32),
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

-- The time of each frame, ms. Layout: see blocks.rs.
CREATE TABLE frame_blocks (
    run       BLOB NOT NULL,
    position  INTEGER NOT NULL,
    first_row INTEGER NOT NULL,
    row_count INTEGER NOT NULL,
    deflated  BLOB NOT NULL,
    PRIMARY KEY (run, position, first_row),
    FOREIGN KEY (run, position) REFERENCES frame_logs (run, position) ON DELETE CASCADE
) STRICT;
