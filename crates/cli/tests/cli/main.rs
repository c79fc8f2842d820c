//! What a user types, and what comes back: each test starts the real program in a folder of its own.

mod bad_input;
#[cfg(target_os = "linux")]
mod campaigns;
mod charts;
mod comparisons;
mod contract;
#[cfg(target_os = "linux")]
mod crashes;
mod noise_bounds;
mod pages;
mod plans;
mod priors;
#[cfg(target_os = "linux")]
mod recordings;
#[cfg(target_os = "linux")]
mod rehearsals;
mod reports;
mod several_fans;
mod sounds;
mod support;
mod tables;
mod trade_facts;
mod trouble;
mod verdicts;
mod whole_job;
