//! Writes the small notebook that the tests keep of each released schema:
//!
//! ```text
//! cargo run -p settlepoint-notebook --example schema_sample -- schema-N.settle
//! ```
//!
//! It holds one of everything, under fixed ids, in pages of 512 bytes to be small.
#![expect(
    clippy::unwrap_used,
    reason = "a helper of the tests fails by panicking"
)]

#[path = "../tests/common/mod.rs"]
mod common;

use rusqlite::Connection;
use settlepoint_notebook::Notebook;

fn main() {
    let path = std::env::args_os().nth(1).unwrap();
    let notebook = Notebook::create(&path).unwrap();
    common::fill(&notebook);
    common::fill_schema_2(&notebook);
    common::fill_schema_3(&notebook);
    drop(notebook);
    // The size of pages can change only outside the write-ahead mode.
    let shrink = "PRAGMA journal_mode = DELETE; PRAGMA page_size = 512; VACUUM; \
                  PRAGMA journal_mode = WAL";
    Connection::open(&path)
        .unwrap()
        .execute_batch(shrink)
        .unwrap();
}
