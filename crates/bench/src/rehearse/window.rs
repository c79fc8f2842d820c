//! Time windows as the running-average-power-limit interface can hold them.

/// Microseconds a time unit: 10^6 / 2^10 in integers (`intel_rapl_common.c`).
const UNIT_US: u64 = 976;

/// The window that firmware keeps for one that is asked, in whole units: rounded down to
/// 2^Y (1 + F/4) of them, Y from 0 to 31 and F from 0 to 3.
pub(crate) fn held_us(asked_us: f64) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what a window can be"
    )]
    let units = (asked_us.round().clamp(0.0, 1e15) as u64 / UNIT_US).max(1);
    let y = units.ilog2().min(31);
    let f = ((4 * (units - (1 << y))) >> y).min(3);
    ((4 + f) << y) / 4 * UNIT_US
}

#[cfg(test)]
mod tests {
    use super::held_us;

    /// Computed from `drivers/powercap/intel_rapl_common.c` for a time exponent of 10.
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
            // What is held stays held, also after a detour over seconds.
            assert_eq!(held_us(1e6 * (held as f64 * 1e-6)), held);
        }
    }
}
