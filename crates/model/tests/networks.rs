//! Foster and Cauer networks against exact conversions and 40-digit solutions.

#[path = "support/table.rs"]
mod table;

use settlepoint_model::{Cauer, Foster, FosterStart, NetworkError, foster_response};

/// Foster elements and the exact Cauer elements: continued-fraction expansion of the impedance in
/// exact rational arithmetic (Python's fractions), rounded to double.
struct Network {
    foster_r: &'static [f64],
    foster_tau: &'static [f64],
    cauer_r: &'static [f64],
    cauer_c: &'static [f64],
}

const N3: Network = Network {
    foster_r: &[0.08, 0.12, 0.15],
    foster_tau: &[0.05, 4.0, 120.0],
    cauer_r: &[
        0.083_136_005_514_330_79,
        0.127_013_128_929_662_63,
        0.139_850_865_556_006_6,
    ],
    cauer_c: &[
        0.613_026_819_923_371_6,
        32.170_031_834_367_74,
        824.095_131_315_591,
    ],
};
const N4: Network = Network {
    foster_r: &[0.05, 0.1, 0.06, 0.18],
    foster_tau: &[0.05, 0.8, 25.0, 300.0],
    cauer_r: &[
        0.063_125_720_988_742_6,
        0.091_957_605_841_618_69,
        0.087_788_136_425_723_14,
        0.147_128_536_743_915_57,
    ],
    cauer_c: &[
        0.886_524_822_695_035_4,
        7.978_739_025_185_68,
        343.691_281_355_975_15,
        1_645.890_074_750_102_7,
    ],
};
const N5: Network = Network {
    foster_r: &[0.04, 0.07, 0.05, 0.09, 0.2],
    foster_tau: &[0.05, 0.5, 6.0, 60.0, 600.0],
    cauer_r: &[
        0.055_450_753_220_799_204,
        0.065_621_883_536_354_22,
        0.064_030_860_903_026_88,
        0.110_629_359_478_804_81,
        0.154_267_142_861_014_9,
    ],
    cauer_c: &[
        1.052_446_939_133_485_4,
        7.062_757_342_998_717,
        106.987_808_128_074_1,
        544.409_464_925_630_8,
        3_136.678_385_217_037,
    ],
};

impl Network {
    fn foster(&self) -> Foster {
        Foster::new(self.foster_r, self.foster_tau).expect("a network")
    }

    fn cauer(&self) -> Cauer {
        Cauer::new(self.cauer_r, self.cauer_c).expect("a ladder")
    }
}

fn assert_relative(got: &[f64], expected: &[f64], tolerance: f64) {
    assert_eq!(got.len(), expected.len());
    for (g, e) in got.iter().zip(expected) {
        assert!(
            (g - e).abs() <= tolerance * e.abs(),
            "{g} is not {e} to {tolerance:e}"
        );
    }
}

/// Rates over four decades lose four of sixteen digits in the slowest element.
const CONVERSION: f64 = 1e-11;
/// The tables have 16 digits; steps over hours of a stiff ladder lose a few.
const RISE_K: f64 = 1e-9;

#[test]
fn foster_to_cauer_is_the_continued_fraction() {
    for network in [N3, N4, N5] {
        let cauer = network
            .foster()
            .to_cauer()
            .expect("distinct time constants");
        assert_relative(cauer.resistances_k_per_w(), network.cauer_r, CONVERSION);
        assert_relative(cauer.capacities_j_per_k(), network.cauer_c, CONVERSION);
    }
}

#[test]
fn cauer_to_foster_gives_the_terms_back() {
    for network in [N3, N4, N5] {
        let foster = network.cauer().to_foster();
        assert_relative(foster.time_constants_s(), network.foster_tau, CONVERSION);
        assert_relative(foster.resistances_k_per_w(), network.foster_r, CONVERSION);
    }
}

#[test]
fn settled_rises_add_up_from_the_air() {
    // Exact arithmetic, 100 W.
    let n4 = [
        39.0,
        32.687_427_901_125_74,
        23.491_667_316_963_87,
        14.712_853_674_391_557,
    ];
    assert_relative(&N4.cauer().settled_rises_k(100.0), &n4, 1e-12);
}

fn check_step(network: &Network, text: &str) {
    let foster = network.foster();
    for row in table::rows(text) {
        let (time_s, rise_k, nodes_k) = (row[0], row[1], &row[2..]);
        assert!((100.0 * foster.zth_k_per_w(time_s) - rise_k).abs() < RISE_K);
        let mut rises = vec![0.0; nodes_k.len()];
        network
            .cauer()
            .advance(&mut rises, 100.0, time_s)
            .expect("one rise a node");
        for (got, expected) in rises.iter().zip(nodes_k) {
            assert!(
                (got - expected).abs() < RISE_K,
                "{got} is not {expected} at {time_s} s"
            );
        }
    }
}

#[test]
fn step_responses_of_three_networks() {
    check_step(&N3, include_str!("data/step-n3.csv"));
    check_step(&N4, include_str!("data/step-n4.csv"));
    check_step(&N5, include_str!("data/step-n5.csv"));
}

#[test]
fn a_switching_power_node_by_node_and_as_a_filter_bank() {
    let rows = table::rows(include_str!("data/power-waveform.csv"));
    let cauer = N4.cauer();
    let mut rises = vec![0.0; 4];
    for pair in rows.windows(2) {
        cauer
            .advance(&mut rises, pair[0][1], pair[1][0] - pair[0][0])
            .expect("four rises");
        for (got, expected) in rises.iter().zip(&pair[1][3..7]) {
            assert!((got - expected).abs() < RISE_K, "{got} is not {expected}");
        }
        // A general-purpose circuit simulator; its own error is up to 6.4e-4 K.
        assert!((rises[0] - pair[1][7]).abs() < 1e-3);
    }
    let times: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    // The table gives the power from a time on, the bank takes the mean up to it.
    let power: Vec<f64> = std::iter::once(f64::NAN)
        .chain(rows.iter().map(|r| r[1]))
        .take(rows.len())
        .collect();
    let start = FosterStart::SettledAt { power_w: 0.0 };
    let response = foster_response(N4.foster_r, N4.foster_tau, &times, &power, start)
        .expect("one power for each time");
    for (got, row) in response.iter().zip(&rows) {
        assert!((got - row[2]).abs() < RISE_K, "{got} is not {}", row[2]);
    }
}

#[test]
fn a_last_resistance_that_changes_in_steps() {
    let rows = table::rows(include_str!("data/resistance-steps.csv"));
    let mut rises = vec![0.0; 4];
    for pair in rows.windows(2) {
        let ladder = N4
            .cauer()
            .with_last_resistance(pair[0][1])
            .expect("above 0");
        ladder
            .advance(&mut rises, 150.0, pair[1][0] - pair[0][0])
            .expect("four rises");
        for (got, expected) in rises.iter().zip(&pair[1][2..6]) {
            assert!(
                (got - expected).abs() < RISE_K,
                "{got} is not {expected} at {}",
                pair[1][0]
            );
        }
    }
}

#[test]
fn a_last_resistance_that_falls_linearly() {
    let rows = table::rows(include_str!("data/resistance-ramp.csv"));
    let mut rises = vec![0.0; 4];
    let step_s = 0.02;
    for pair in rows.windows(2) {
        let (t0, t1) = (pair[0][0], pair[1][0]);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "100 to 10000"
        )]
        let steps = ((t1 - t0) / step_s).round() as usize;
        for i in 0..steps {
            let share = (i as f64 + 0.5) / steps as f64;
            let resistance = pair[0][1] + share * (pair[1][1] - pair[0][1]);
            let ladder = N4
                .cauer()
                .with_last_resistance(resistance)
                .expect("above 0");
            ladder
                .advance(&mut rises, 150.0, step_s)
                .expect("four rises");
        }
        for (got, expected) in rises.iter().zip(&pair[1][2..6]) {
            // The source's two solvers differ by 1.3e-7 K; holding the resistance for 0.02 s errs by
            // 2e-8 K.
            assert!(
                (got - expected).abs() < 1e-7,
                "{got} is not {expected} at {t1}"
            );
        }
    }
}

#[test]
fn what_cannot_be_a_network_says_so() {
    assert!(matches!(
        Foster::new(&[], &[]),
        Err(NetworkError::Elements { .. })
    ));
    assert!(matches!(
        Foster::new(&[1.0], &[1.0, 2.0]),
        Err(NetworkError::Elements { .. })
    ));
    assert!(matches!(
        Cauer::new(&[1.0, -1.0], &[1.0, 2.0]),
        Err(NetworkError::NotPositive { index: 1, .. })
    ));
    let twins = Foster::new(&[0.1, 0.2, 0.1], &[5.0, 80.0, 5.0]).expect("positive");
    assert_eq!(
        twins.to_cauer(),
        Err(NetworkError::EqualTimeConstants { tau_s: 5.0 })
    );
    let start = FosterStart::SettledAt { power_w: 0.0 };
    let falling = foster_response(&[0.1], &[5.0], &[0.0, 2.0, 1.0], &[1.0; 3], start);
    assert_eq!(falling, Err(NetworkError::Samples { index: 2 }));
}
