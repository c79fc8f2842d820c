//! Half an hour of closed loop, alone and in batches.

#[path = "../tests/support/mod.rs"]
mod support;

use std::num::NonZeroUsize;

use divan::black_box;
use settlepoint_model::{simulate, simulate_batch, steady_state};

fn main() {
    divan::main();
}

/// One run with a fresh workspace.
#[divan::bench]
fn half_hour_alone(bencher: divan::Bencher<'_, '_>) {
    let (model, scenario) = (support::desktop(), support::half_hour());
    bencher.bench_local(|| {
        simulate(black_box(&model), black_box(&scenario), |s| {
            black_box(s.die_c);
        })
    });
}

/// A thousand runs, each of a machine of its own, on this many threads.
#[divan::bench(sample_count = 20, args = [1, 2])]
fn half_hour_thousand(bencher: divan::Bencher<'_, '_>, threads: usize) {
    let scenario = support::half_hour();
    let models: Vec<_> = (0..1000)
        .map(|i| {
            let mut model = support::desktop();
            model.cooling.g_fan_w_per_k *= 1.0 + 1e-4 * f64::from(i);
            model
        })
        .collect();
    let pairs: Vec<_> = models.iter().map(|m| (m, &scenario)).collect();
    let threads = NonZeroUsize::new(threads).unwrap_or(NonZeroUsize::MIN);
    bencher.bench_local(|| simulate_batch(black_box(&pairs), threads, |s| s.mean.die_c));
}

#[divan::bench]
fn settled(bencher: divan::Bencher<'_, '_>) {
    let (model, scenario) = (support::desktop(), support::half_hour());
    bencher.bench_local(|| steady_state(black_box(&model), black_box(&scenario)));
}
