//! Draws every chart with invented numbers, in both themes and two sizes, into a folder:
//! `cargo run -p settlepoint-draw --example gallery -- FOLDER`.

#[path = "../tests/support/samples.rs"]
mod samples;

use std::error::Error;
use std::path::PathBuf;

use settlepoint_draw::{DARK, LIGHT, Look, png};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name a folder")?);
    std::fs::create_dir_all(&folder)?;
    for chart in samples::all() {
        for (name, theme) in [("light", &LIGHT), ("dark", &DARK)] {
            for (width, height) in [(1920, 1080), (390, 480)] {
                let picture = chart.draw(&Look::for_pixels(width, height, theme));
                let file = format!("{}-{name}-{width}", chart.name());
                std::fs::write(folder.join(format!("{file}.svg")), &picture.svg)?;
                let pixels = png(&picture, width, height)?;
                std::fs::write(folder.join(format!("{file}.png")), pixels)?;
            }
        }
    }
    Ok(())
}
