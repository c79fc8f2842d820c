//! Seconds for measuring a recording: `cargo run --release --example throughput FILE`.

use std::fs::File;
use std::io::Write as _;
use std::time::Instant;

use settlepoint_sound::measure::measure;
use settlepoint_sound::pcm::Wav;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("give a WAV file")?;
    let start = Instant::now();
    let mut wav = Wav::open(File::open(path)?)?;
    let recording = measure(&mut wav)?;
    let took_s = start.elapsed().as_secs_f64();
    let levels = recording.track.levels(&[]);
    writeln!(
        std::io::stdout(),
        "{:.1} s of sound in {took_s:.2} s: {levels:.2?}",
        recording.duration_s()
    )?;
    Ok(())
}
