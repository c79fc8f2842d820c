-- Schema 3: recorders of sound, with their calibration and their microphone's response.

-- `offset_db` is what is added to levels relative to full scale; NULL if only the response is known.
-- `reference` says what it was taken from: a calibrator (of `reference_db` at `tone_hz`) or a meter's
-- reading.
CREATE TABLE recorders (
    seq          INTEGER PRIMARY KEY,
    id           BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    name         TEXT NOT NULL,
    offset_db    REAL,
    offset_sd_db REAL,
    reference    TEXT CHECK (reference IN ('calibrator', 'reading')),
    reference_db REAL,
    tone_hz      REAL,
    notes        TEXT NOT NULL,
    CHECK ((offset_db IS NULL) = (offset_sd_db IS NULL)),
    CHECK ((offset_db IS NULL) = (reference IS NULL)),
    CHECK ((offset_db IS NULL) = (reference_db IS NULL))
) STRICT;

-- What the microphone reads too much at a frequency, rising in frequency.
CREATE TABLE recorder_points (
    recorder    BLOB NOT NULL REFERENCES recorders (id) ON DELETE CASCADE,
    position    INTEGER NOT NULL,
    hz          REAL NOT NULL,
    response_db REAL NOT NULL,
    PRIMARY KEY (recorder, position)
) STRICT, WITHOUT ROWID;
