//! Seconds for all that is made of a recording: `cargo run --release -p settlepoint-sound --example
//! throughput FILE`.

use std::fs::File;
use std::io::{BufReader, Write as _};
use std::time::Instant;

use settlepoint_sound::analysis::{Options, analyse};
use settlepoint_sound::measure::measure;
use settlepoint_sound::pcm::open;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("give a recording")?;
    let mut out = std::io::stdout();
    let mut source = open(BufReader::with_capacity(1 << 16, File::open(path)?))?;
    let start = Instant::now();
    let recording = measure(source.as_mut())?;
    let levels_s = start.elapsed().as_secs_f64();
    writeln!(
        out,
        "{:.1} s of sound; levels and bands in {levels_s:.2} s",
        recording.duration_s()
    )?;
    source.rewind()?;
    let start = Instant::now();
    let analysis = analyse(source.as_mut(), &Options::default())?;
    writeln!(
        out,
        "with events, spectrum and tones in {:.2} s: LAeq {:.2} dB, {} tones",
        start.elapsed().as_secs_f64(),
        analysis.levels.laeq_db,
        analysis.tones.len()
    )?;
    Ok(())
}
