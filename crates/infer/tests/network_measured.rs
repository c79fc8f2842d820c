//! Logs that may not be shipped, read from beside the project where they are present.

#![expect(
    clippy::print_stdout,
    reason = "says how many files were found and what was measured"
)]

use std::path::{Path, PathBuf};

use settlepoint_domain::Averaging;
use settlepoint_infer::network::{NetworkError, NetworkInput, Options, fit};

fn measured(name: &str) -> Option<String> {
    let path: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../../shared/data/real")
        .join(name);
    let text = std::fs::read_to_string(path).ok();
    println!(
        "{name}: {}",
        if text.is_some() {
            "1 file found"
        } else {
            "0 files found"
        }
    );
    text
}

fn number(cell: &str) -> f64 {
    cell.trim().parse().unwrap_or(f64::NAN)
}

#[test]
fn a_heater_in_a_box_is_seen_through_a_lag() {
    let Some(text) = measured("heater-box-step-epoch-ns.csv") else {
        return;
    };
    let rows: Vec<Vec<&str>> = text
        .lines()
        .skip(1)
        .map(|l| l.trim().split(',').collect())
        .collect();
    let start_ns: i128 = rows[0][0].parse().unwrap();
    let input = NetworkInput {
        time_s: rows
            .iter()
            .map(|r| (r[0].parse::<i128>().unwrap() - start_ns) as f64 * 1e-9)
            .collect(),
        power_w: rows
            .iter()
            .map(|r| if r[8] == "True" { 18.7 } else { 0.0 })
            .collect(),
        averaging: Averaging::Mean,
        temp_c: rows.iter().map(|r| number(r[7])).collect(),
        room_c: Some(rows.iter().map(|r| number(r[5])).collect()),
        fan_speed_rpm: None,
        resolution_k: 0.0313,
    };
    let network = fit(&input, &Options::default()).unwrap();
    println!("{network:#?}");
    // Residual of a two-node least-squares fit to the same file, as its index states.
    assert!(network.rmse_k <= 0.32, "{}", network.rmse_k);
    assert!(network.sensor_lag_s.is_some());
}

#[test]
fn heat_from_a_rail_that_was_not_logged_is_refused() {
    let Some(text) = measured("board-tx1-kernel-power-temp.txt") else {
        return;
    };
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| l.split_whitespace().map(number).collect::<Vec<f64>>())
        .filter(|r| r.len() > 6)
        .collect();
    let input = NetworkInput {
        time_s: rows.iter().map(|r| (r[0] - rows[0][0]) * 1e-3).collect(),
        power_w: rows.iter().map(|r| r[6]).collect(),
        averaging: Averaging::Instant,
        temp_c: rows.iter().map(|r| r[4]).collect(),
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 1.0,
    };
    let result = fit(&input, &Options::default());
    println!("{result:#?}");
    assert!(matches!(result, Err(NetworkError::NotIdentified { .. })));
}
