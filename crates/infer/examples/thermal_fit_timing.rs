//! Times the thermal fit of the accelerator log and, in the same run, a scipy peer of it.
//!
//! `cargo run --release -p settlepoint-infer --example thermal_fit_timing -- [PYTHON]` with a
//! Python that has numpy and scipy; without one only the own time is printed.

#![expect(clippy::print_stdout, reason = "an example prints its result")]

use std::error::Error;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use settlepoint_domain::Averaging;
use settlepoint_infer::network::{NetworkFit, NetworkInput, Options, fit};

const FIT_UNTIL_S: f64 = 300.0;
const REPEATS: usize = 25;

fn main() -> Result<(), Box<dyn Error>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let log = root.join("tests/data/accelerator-steps.csv");
    let input = read(&log)?;
    let chosen = Options {
        fit_until_s: FIT_UNTIL_S,
        ..Options::default()
    };
    let given = Options {
        nodes: Some(2),
        sensor_lag: false,
        ..chosen
    };
    let (chosen_ms, network) = median_ms(&input, &chosen)?;
    let (given_ms, _) = median_ms(&input, &given)?;
    println!(
        "nodes chosen ({}): {chosen_ms:.2} ms, rmse {:.4} K",
        network.nodes(),
        network.rmse_k
    );
    println!("two nodes given:  {given_ms:.2} ms");
    let Some(python) = std::env::args().nth(1) else {
        println!("no Python named: no peer timed");
        return Ok(());
    };
    let peer = Command::new(python)
        .arg(root.join("../../benches/peers/thermal_fit_scipy.py"))
        .arg(&log)
        .arg(FIT_UNTIL_S.to_string())
        .output()?;
    let line = String::from_utf8(peer.stdout)?;
    let peer_ms: f64 = line
        .split_whitespace()
        .next()
        .ok_or("the peer printed nothing")?
        .parse()?;
    println!("scipy peer (ms, rmse K, K/W): {}", line.trim());
    println!("ratio, chosen over peer: {:.2}", chosen_ms / peer_ms);
    println!("ratio, given over peer:  {:.2}", given_ms / peer_ms);
    Ok(())
}

fn read(path: &Path) -> Result<NetworkInput, Box<dyn Error>> {
    let text = std::fs::read_to_string(path)?;
    let mut rows = Vec::new();
    for line in text.lines().skip(1) {
        let cells: Result<Vec<f64>, _> = line.split(',').take(4).map(str::parse).collect();
        rows.push(cells?);
    }
    let start_s = rows.first().ok_or("no rows")?[0];
    Ok(NetworkInput {
        time_s: rows.iter().map(|r| r[0] - start_s).collect(),
        power_w: rows.iter().map(|r| r[3]).collect(),
        averaging: Averaging::Instant,
        temp_c: rows.iter().map(|r| r[1]).collect(),
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 1.0,
    })
}

fn median_ms(input: &NetworkInput, options: &Options) -> Result<(f64, NetworkFit), Box<dyn Error>> {
    let mut network = fit(input, options)?;
    let mut took_ms = Vec::with_capacity(REPEATS);
    for _ in 0..REPEATS {
        let began = Instant::now();
        network = fit(input, options)?;
        took_ms.push(1e3 * began.elapsed().as_secs_f64());
    }
    took_ms.sort_by(f64::total_cmp);
    Ok((took_ms[REPEATS / 2], network))
}
