//! What a user types, and what comes back: each test starts the real program in a folder of its own.

#![expect(
    clippy::format_push_string,
    reason = "the logs that the tests make up are short"
)]

mod bad_input;
mod contract;
mod support;
mod tables;
mod trouble;
mod whole_job;
