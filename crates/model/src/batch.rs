//! Many runs side by side.

use std::num::NonZeroUsize;

use crate::{MachineModel, Scenario, Simulator, Summary};

/// Runs each pair of model and scenario and hands over its summary, in the order of the pairs.
///
/// `threads` is how many threads share the work (the caller knows the machine); each keeps one
/// [`Simulator`], so that runs of the same ladder after each other share their propagators. The
/// results do not depend on `threads`.
///
/// ```
/// # use std::num::NonZeroUsize;
/// # use settlepoint_model::{MachineModel, Scenario, simulate_batch};
/// # fn means(pairs: &[(&MachineModel, &Scenario)]) -> Vec<f64> {
/// simulate_batch(pairs, NonZeroUsize::MIN, |summary| summary.mean.power_w)
/// # }
/// # assert!(means(&[]).is_empty());
/// ```
pub fn simulate_batch<T: Send>(
    pairs: &[(&MachineModel, &Scenario)],
    threads: NonZeroUsize,
    pick: impl Fn(&Summary) -> T + Sync,
) -> Vec<T> {
    let run = &|pairs: &[(&MachineModel, &Scenario)]| {
        let mut simulator = Simulator::new();
        pairs
            .iter()
            .map(|(m, s)| pick(simulator.run(m, s, |_| ())))
            .collect::<Vec<T>>()
    };
    let share = pairs.len().div_ceil(threads.get()).max(1);
    if pairs.len() <= share {
        return run(pairs);
    }
    let mut results = Vec::with_capacity(pairs.len());
    std::thread::scope(|scope| {
        let workers: Vec<_> = pairs
            .chunks(share)
            .map(|chunk| scope.spawn(move || run(chunk)))
            .collect();
        for worker in workers {
            match worker.join() {
                Ok(part) => results.extend(part),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
    });
    results
}
