//! Pure tones in a free field: ISO 226:2023.

/// Frequency Hz, exponent, level offset dB, threshold dB: ISO 226:2023 table 1.
const TONES: [(f64, f64, f64, f64); 29] = [
    (20.0, 0.635, -31.5, 78.1),
    (25.0, 0.602, -27.2, 68.7),
    (31.5, 0.569, -23.1, 59.5),
    (40.0, 0.537, -19.3, 51.1),
    (50.0, 0.509, -16.1, 44.0),
    (63.0, 0.482, -13.1, 37.5),
    (80.0, 0.456, -10.4, 31.5),
    (100.0, 0.433, -8.2, 26.5),
    (125.0, 0.412, -6.3, 22.1),
    (160.0, 0.391, -4.6, 17.9),
    (200.0, 0.373, -3.2, 14.4),
    (250.0, 0.357, -2.1, 11.4),
    (315.0, 0.343, -1.2, 8.6),
    (400.0, 0.33, -0.5, 6.2),
    (500.0, 0.32, 0.0, 4.4),
    (630.0, 0.311, 0.4, 3.0),
    (800.0, 0.303, 0.5, 2.2),
    (1000.0, 0.3, 0.0, 2.4),
    (1250.0, 0.295, -2.7, 3.5),
    (1600.0, 0.292, -4.2, 1.7),
    (2000.0, 0.29, -1.2, -1.3),
    (2500.0, 0.29, 1.4, -4.2),
    (3150.0, 0.289, 2.3, -6.0),
    (4000.0, 0.289, 1.0, -5.4),
    (5000.0, 0.289, -2.3, -1.5),
    (6300.0, 0.293, -7.2, 6.0),
    (8000.0, 0.303, -11.2, 12.6),
    (10_000.0, 0.323, -10.9, 13.9),
    (12_500.0, 0.354, -3.5, 12.3),
];

/// Loudness level in phon of a pure tone: ISO 226:2023 formula (2), at the nearest tabulated
/// frequency's parameters, straight over the logarithm of frequency between them.
pub fn phon_of_tone(hz: f64, level_db: f64) -> f64 {
    let (alpha, offset_db, threshold_db) = parameters(hz);
    let power = |db: f64| 10.0_f64.powf(alpha * db / 10.0);
    let reference = 4e-10_f64.powf(0.3 - alpha);
    let b = (power(level_db + offset_db) - power(threshold_db + offset_db)) / reference
        + 10.0_f64.powf(0.072);
    // Below the threshold there is nothing to hear.
    if b <= 0.0 {
        0.0
    } else {
        (100.0 / 3.0 * b.log10()).max(0.0)
    }
}

/// Threshold of hearing of a pure tone, dB re 20 µPa: ISO 226:2023 table 1 (that of ISO 389-7).
pub fn tone_threshold_db(hz: f64) -> f64 {
    parameters(hz).2
}

fn parameters(hz: f64) -> (f64, f64, f64) {
    let after = TONES.partition_point(|t| t.0 <= hz);
    let (a, b) = (
        TONES[after.saturating_sub(1)],
        TONES[after.min(TONES.len() - 1)],
    );
    let share = if b.0 > a.0 {
        ((hz / a.0).ln() / (b.0 / a.0).ln()).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let mix = |x: f64, y: f64| x + share * (y - x);
    (mix(a.1, b.1), mix(a.2, b.2), mix(a.3, b.3))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::tests::rows;

    #[test]
    fn contours_are_inverted() {
        for row in rows(include_str!("../tests/data/equal-loudness.csv")) {
            for (k, phon) in (20..=90).step_by(10).enumerate() {
                let level_db = row[4 + k];
                // The formula is exact to the 1e-9 dB of the table.
                if !level_db.is_nan() {
                    let got = phon_of_tone(row[0], level_db);
                    assert!((got - f64::from(phon)).abs() < 1e-6, "{row:?} {got}");
                }
            }
        }
        for row in rows(include_str!("../tests/data/equal-loudness-inverse.csv")) {
            assert!(
                (phon_of_tone(row[0], row[1]) - row[2]).abs() < 1e-6,
                "{row:?}"
            );
        }
    }
}
