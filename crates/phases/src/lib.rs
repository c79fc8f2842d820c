//! Sensor logs to phases, plateaus and findings.
