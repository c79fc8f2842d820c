//! Reads a log and prints how fast that went; writes a clean one first if it is not there.
//!
//! ```text
//! cargo run --release -p settlepoint-import --example throughput -- FILE [MEGABYTES]
//! ```
//!
//! `benches/peers/import_polars.py` runs this beside a general-purpose reader of tables.

#![expect(
    clippy::print_stdout,
    reason = "an example that reports to the terminal"
)]

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Instant;

use settlepoint_import::{ImportOptions, import_reader};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments
        .next()
        .ok_or("usage: throughput FILE [MEGABYTES]")?;
    let megabytes: u64 = arguments.next().map_or(Ok(1000), |text| text.parse())?;
    if !Path::new(&path).exists() {
        write_clean_log(&path, megabytes * 1_000_000)?;
    }
    let bytes = std::fs::metadata(&path)?.len();
    let begin = Instant::now();
    let mut calls = 0_u32;
    let imported = import_reader(
        File::open(&path)?,
        &ImportOptions::default(),
        &mut |_, _| calls += 1,
    )?;
    let seconds = begin.elapsed().as_secs_f64();
    println!(
        "{} rows, {} channels, {bytes} bytes in {seconds:.3} s: {:.1} MB/s, progress told {calls} \
         times",
        imported.rows.kept,
        imported.log.channels().len(),
        bytes as f64 / seconds / 1e6,
    );
    Ok(())
}

/// Twelve columns as a logger writes them: elapsed time, power, temperatures, clocks, fan, load.
fn write_clean_log(path: &str, bytes: u64) -> std::io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let header = "time_s,package_power_w,package_temp_c,board_temp_c,room_temp_c,fan_rpm,pump_rpm,\
                  core_clock_mhz,memory_clock_mhz,package_load_pct,power_limit_w,voltage_v\n";
    out.write_all(header.as_bytes())?;
    let mut written = header.len() as u64;
    // A linear congruential generator (Knuth, MMIX) gives digits that do not compress away.
    let mut state = 0x1234_5678_9abc_def0_u64;
    let mut line = String::new();
    let mut row = 0_u64;
    while written < bytes {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        line.clear();
        let part = |shift: u32, modulus: u64| ((state >> shift) & 0xf_ffff) % modulus;
        // Writing to a string cannot fail.
        let _ = writeln!(
            line,
            "{}.{:03},{}.{:03},{}.{:03},{}.{:02},{}.{:02},{},{},{}.{:02},{}.{:02},{}.{:02},{}.{},{}.{:04}",
            row / 10,
            row % 10 * 100,
            60 + part(3, 80),
            part(11, 1000),
            50 + part(7, 40),
            part(17, 1000),
            35 + part(5, 10),
            part(19, 100),
            22 + part(9, 2),
            part(23, 100),
            900 + part(13, 900),
            2400 + part(15, 300),
            3000 + part(21, 2000),
            part(25, 100),
            2400 + part(27, 10),
            part(29, 100),
            part(31, 100),
            part(33, 100),
            125,
            0,
            1,
            part(35, 10_000),
        );
        out.write_all(line.as_bytes())?;
        written += line.len() as u64;
        row += 1;
    }
    out.flush()
}
