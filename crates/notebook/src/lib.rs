//! The notebook: one SQLite file with everything about one or more machines.
