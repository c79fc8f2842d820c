//! The linear case that is timed against general-purpose peers (see `benches/peers`): a ladder of
//! four nodes under a power that switches between seven levels, half an hour at 1 s output.
//!
//! Prints the time of one run in nanoseconds, then the rise of the die at 900 s and 1800 s.

#![expect(clippy::print_stdout, reason = "its output is what it is for")]

use std::hint::black_box;
use std::time::Instant;

use settlepoint_model::{Cooling, LadderNode, OpenLoop, PowerTrace};

/// (from s, W): the waveform of `tests/data/power-waveform.csv`, its levels held twice as long.
const LEVELS: [(f64, f64); 7] = [
    (0.0, 30.0),
    (20.0, 200.0),
    (76.0, 125.0),
    (200.0, 253.0),
    (202.0, 65.0),
    (600.0, 180.0),
    (960.0, 0.0),
];
/// Enough runs that the clock's resolution does not matter.
const RUNS: u32 = 2000;

/// Network N4 of tests/networks.rs in Cauer form.
fn ladder() -> Cooling {
    let node = |capacity_j_per_k, resistance_k_per_w| LadderNode {
        capacity_j_per_k,
        resistance_k_per_w,
    };
    Cooling {
        nodes: vec![
            node(0.886_524_822_695_035_4, 0.063_125_720_988_742_6),
            node(7.978_739_025_185_68, 0.091_957_605_841_618_69),
            node(343.691_281_355_975_15, 0.087_788_136_425_723_14),
            node(1_645.890_074_750_102_7, 0.0),
        ],
        g_nat_w_per_k: 0.0,
        g_fan_w_per_k: 1.0 / 0.147_128_536_743_915_57,
        fan_exponent: 1.0,
        reference_density_kg_m3: 1.2,
        case_offset_k: 0.0,
    }
}

fn main() -> Result<(), settlepoint_model::ModelError> {
    let cooling = ladder();
    let run = OpenLoop {
        cooling: &cooling,
        hot_spot: 1.0,
        room_c: 0.0,
        air_density_kg_m3: 1.2,
        fan_share: 1.0,
        start_power_w: 0.0,
    };
    let times: Vec<f64> = (0..=1800).map(f64::from).collect();
    let level = |t: &f64| {
        LEVELS
            .iter()
            .rev()
            .find(|l| l.0 < *t)
            .map_or(f64::NAN, |l| l.1)
    };
    let power: Vec<f64> = times.iter().map(level).collect();
    let trace = PowerTrace {
        times_s: &times,
        power_w: &power,
        fan_share: None,
    };
    let mut rises = vec![0.0; times.len()];
    let mut best_s = f64::INFINITY;
    for _ in 0..RUNS {
        let start = Instant::now();
        run.respond(black_box(&trace), |i, nodes_c| rises[i] = nodes_c[0])?;
        best_s = best_s.min(start.elapsed().as_secs_f64());
        black_box(&mut rises);
    }
    println!("{:.0} {:.9} {:.9}", best_s * 1e9, rises[900], rises[1800]);
    Ok(())
}
