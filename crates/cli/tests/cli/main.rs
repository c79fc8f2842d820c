//! What a user types, and what comes back: each test starts the real program in a folder of its own.

mod bad_input;
mod charts;
mod comparisons;
mod contract;
mod pages;
mod plans;
#[cfg(target_os = "linux")]
mod recordings;
mod sounds;
mod support;
mod tables;
mod trade_facts;
mod trouble;
mod whole_job;
