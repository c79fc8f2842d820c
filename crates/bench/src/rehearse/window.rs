//! Time windows as the running-average-power-limit interface can hold them.

/// Microseconds a time unit: 10^6 / 2^10 in integers (`intel_rapl_common.c`).
const UNIT_US: f64 = 976.0;

/// The window that firmware keeps for one that is asked: rounded down to 2^Y (1 + F/4) units, Y
/// from 0 to 31 and F from 0 to 3.
pub(crate) fn held_us(asked_us: f64) -> u64 {
    let mut held = UNIT_US;
    for y in 0..32 {
        for f in 0..4_u32 {
            let window = 2_f64.powi(y) * (1.0 + f64::from(f) / 4.0) * UNIT_US;
            if window <= asked_us {
                held = held.max(window.floor());
            }
        }
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "below 2^42"
    )]
    let held = held as u64;
    held
}

#[cfg(test)]
mod tests {
    use super::held_us;

    /// Computed from drivers/powercap/intel_rapl_common.c for a time exponent of 10.
    #[test]
    fn windows_read_back_as_the_driver_keeps_them() {
        let cases = [
            (28_000_000.0, 27_983_872),
            (56_000_000.0, 55_967_744),
            (8_000_000.0, 7_995_392),
            (1_000_000.0, 999_424),
            (2_440.0, 1_952),
            (128_000_000.0, 127_926_272),
        ];
        for (asked, held) in cases {
            assert_eq!(held_us(asked), held);
        }
    }
}
