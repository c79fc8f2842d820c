//! Simulated frame times.

use settlepoint_compare::frames::FrameLog;
use settlepoint_stats::random::Random;

/// Frame times: 8 ms times the exponential of a first-order process (correlation `phi` from frame
/// to frame), with a long frame now and then.
pub(crate) fn frame_log(frames: usize, phi: f64, factor: f64, random: &mut Random) -> FrameLog {
    let mut state = random.normal();
    let times_ms = (0..frames)
        .map(|_| {
            state = phi * state + (1.0 - phi * phi).sqrt() * random.normal();
            let hitch = if random.uniform() < 0.002 { 2.5 } else { 1.0 };
            factor * 8.0 * (0.15 * state).exp() * hitch
        })
        .collect();
    FrameLog::new(times_ms).expect("positive times")
}
