//! Levels and bands of one noise against numpy and scipy: `benches/peers/sound_reference_scipy.py` made the
//! table, and says how.

#![expect(clippy::unwrap_used, reason = "the table is the test's own")]

mod support;

use settlepoint_sound::measure::measure;
use support::{Coding, open, wav};

/// Ten seconds of the script's noise.
fn sound() -> Vec<f64> {
    let (mut state, mut y) = (1_u64, 0.0);
    (0..480_000)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let x = 0.1 * (2.0 * (state >> 11) as f64 / 2.0_f64.powi(53) - 1.0);
            y = 0.9 * y + x;
            y
        })
        .collect()
}

/// (what, order, dB) of every row.
fn table() -> Vec<(String, String, f64)> {
    include_str!("data/scipy-levels.csv")
        .lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
        .map(|l| {
            let mut cells = l.split(',').map(str::to_owned);
            let mut cell = || cells.next().unwrap();
            (cell(), cell(), cell().parse().unwrap())
        })
        .collect()
}

#[test]
fn levels_and_bands_are_those_of_scipy() {
    let recording = measure(&mut open(wav(48_000, &[sound()], Coding::F64))).unwrap();
    let levels = recording.track.levels(&[]);
    let bands = recording.track.band_levels(&[]);
    for (what, order, expected_db) in table() {
        let got = match what.as_str() {
            "A" => levels.laeq_db,
            "C" => levels.lceq_db,
            index => {
                let index: i32 = index.parse().unwrap();
                // Near half the rate, from 10 kHz on here, the filters are of order 4 (see there).
                if (order == "4") != (index >= 10) {
                    continue;
                }
                let bands_of = &recording.track.bands;
                let band = bands_of.iter().position(|b| b.index == index).unwrap();
                bands[band]
            }
        };
        // The bound for signals of known level. Filters at a halved rate have slightly other flanks,
        // which shows by some thousandths in this noise.
        assert!(
            (got - expected_db).abs() < 0.05,
            "{what} {order}: {got} {expected_db}"
        );
    }
}
