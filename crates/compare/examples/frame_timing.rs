//! Times the comparison of two logs of 1,000,000 frames with 2,000 bootstrap draws and, if a Python
//! with numpy is named, the same bootstrap in numpy on the same frames:
//! `cargo run --release -p settlepoint-compare --example frame_timing [-- PYTHON]`.

#![expect(clippy::print_stdout, reason = "an example prints its result")]

#[path = "../tests/support/frame_log.rs"]
mod simulated;

use std::error::Error;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use settlepoint_compare::frames::{FrameLog, FrameOptions, SHARES, compare_frames};
use settlepoint_stats::random::Random;
use settlepoint_stats::resample::BlockBootstrap;

const FRAMES: usize = 1_000_000;

fn main() -> Result<(), Box<dyn Error>> {
    let mut random = Random::from_seed(7);
    let base = [simulated::frame_log(FRAMES, 0.9, 1.0, &mut random)];
    let other = [simulated::frame_log(FRAMES, 0.9, 1.02, &mut random)];
    let options = FrameOptions::default();
    let begun = Instant::now();
    let found = compare_frames(&base, &other, &options)?;
    let both_s = begun.elapsed().as_secs_f64();
    println!(
        "two logs of {FRAMES} frames, {} draws each, {} threads: {both_s:.2} s; {}",
        options.draws, options.threads, found.method
    );
    let block = found.block_frames.map_or(1, |b| b.0);
    let begun = Instant::now();
    let boot = BlockBootstrap::new(base[0].times_ms(), block, &SHARES)?;
    let drawn = boot.replicates(options.draws, &mut Random::from_seed(1));
    let one_s = begun.elapsed().as_secs_f64();
    println!(
        "one log, one thread, block given: {one_s:.2} s for {} draws",
        drawn.means.len()
    );
    match std::env::args().nth(1) {
        Some(python) => peer(&python, &base[0], block, options.draws, one_s),
        None => Ok(()),
    }
}

fn peer(
    python: &str,
    log: &FrameLog,
    block: usize,
    draws: usize,
    one_s: f64,
) -> Result<(), Box<dyn Error>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let file = std::env::temp_dir().join(format!("frames-{}.f64", std::process::id()));
    let mut out = std::io::BufWriter::new(std::fs::File::create(&file)?);
    for time in log.times_ms() {
        out.write_all(&time.to_le_bytes())?;
    }
    out.flush()?;
    drop(out);
    let done = Command::new(python)
        .arg(root.join("benches/peers/block_bootstrap_numpy.py"))
        .arg(&file)
        .args([block.to_string(), draws.to_string()])
        .output();
    std::fs::remove_file(&file)?;
    let text = String::from_utf8(done?.stdout)?;
    let peer_s: f64 = text
        .split_whitespace()
        .next()
        .and_then(|s| s.parse().ok())
        .ok_or("the peer printed no time; does that Python have numpy?")?;
    println!("numpy: {text}ratio {:.1}", peer_s / one_s);
    Ok(())
}
