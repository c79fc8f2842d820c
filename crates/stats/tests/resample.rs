//! Bootstrap intervals against the exact resampling distribution and scipy, block lengths against
//! their formula for a known process, block replicates against draws written out.

use settlepoint_stats::random::Random;
use settlepoint_stats::resample::{
    BlockBootstrap, bca, bca_two, block_length, percentile_interval,
};
use settlepoint_stats::series::{SeriesError, moments};
use settlepoint_stats::two_sample::SampleError;

fn numbers(value: &toml::Value) -> Vec<f64> {
    let values = value.as_array().expect("an array");
    values
        .iter()
        .map(|v| v.as_float().expect("a float"))
        .collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn ar1(n: usize, phi: f64, random: &mut Random) -> Vec<f64> {
    let mut x = random.normal();
    (0..n)
        .map(|_| {
            x = phi * x + (1.0 - phi * phi).sqrt() * random.normal();
            x
        })
        .collect()
}

/// Exact values by counting all 10^10 resamples; at 20 000 draws within four of scipy's standard
/// deviations from run to run (the file's own tolerance).
#[test]
fn bca_as_the_exact_distribution() {
    let all: toml::Table = include_str!("data/two-sample/bootstrap-bca.toml")
        .parse()
        .expect("TOML");
    let data = numbers(&all["data"]);
    for (key, level) in [("confidence_90", 0.9), ("confidence_95", 0.95)] {
        let got = bca(&data, mean, level, 20_000, &mut Random::from_seed(5)).expect("a sample");
        let (exact, sd) = (
            numbers(&all[key]["exact_bca"]),
            numbers(&all[key]["scipy_sd_of_12_runs"]),
        );
        assert!(
            (got.interval.0 - exact[0]).abs() < 4.0 * sd[0],
            "{key}: {got:?}"
        );
        assert!(
            (got.interval.1 - exact[1]).abs() < 4.0 * sd[1],
            "{key}: {got:?}"
        );
        assert!((got.bias - all["bias_z0"].as_float().expect("z0")).abs() < 0.03);
        let acceleration = all["acceleration"].as_float().expect("a");
        assert!((got.acceleration - acceleration).abs() < 1e-10);
    }
}

/// The difference of two means against Student's: the two agree to a tenth of the width with 40
/// nearly normal values a side.
#[test]
fn bca_of_two_samples_is_centred() {
    let mut random = Random::from_seed(8);
    let a: Vec<f64> = (0..40).map(|_| 3.0 + random.normal()).collect();
    let b: Vec<f64> = (0..40).map(|_| random.normal()).collect();
    let boot = bca_two(&a, &b, mean, 0.95, 4000, &mut random).expect("samples");
    let student = settlepoint_stats::two_sample::welch(&a, &b)
        .expect("samples")
        .interval(0.95);
    let width = student.1 - student.0;
    assert!((boot.interval.0 - student.0).abs() < 0.1 * width);
    assert!((boot.interval.1 - student.1).abs() < 0.1 * width);
}

#[test]
fn a_statistic_that_does_not_move_has_no_interval() {
    let same = [2.0; 8];
    let got = bca(&same, mean, 0.9, 100, &mut Random::from_seed(1));
    assert_eq!(got, Err(SampleError::NoScatter));
    assert_eq!(block_length(&same), Err(SeriesError::Constant));
}

/// For a first-order process the best circular length is known in closed form:
/// (2 G^2 / D)^(1/3) n^(1/3) with G = 2 phi / ((1 - phi)^2) R0 ... both over the spectrum at 0, so
/// (3/2 (2 phi / (1 - phi^2))^2 n)^(1/3): Politis and White (2004), section 3. Estimates scatter by
/// some 15 %; their mean over 40 series must lie within 10 %.
#[test]
fn block_lengths_of_a_known_process() {
    let (n, phi) = (5000, 0.7_f64);
    let want = (1.5 * (2.0 * phi / (1.0 - phi * phi)).powi(2) * n as f64).cbrt();
    let mut random = Random::from_seed(11);
    let lengths: Vec<f64> = (0..40)
        .map(|_| {
            block_length(&ar1(n, phi, &mut random))
                .expect("varies")
                .circular
        })
        .collect();
    let got = mean(&lengths);
    assert!((got / want - 1.0).abs() < 0.1, "{got} instead of {want}");
    // Its memory is 2 phi / (1 - phi^2), 2.75; one long series knows it to a tenth or so.
    let memory = block_length(&ar1(200_000, phi, &mut random))
        .expect("varies")
        .memory;
    assert!((memory / 2.745 - 1.0).abs() < 0.15, "{memory}");
}

#[test]
fn independent_values_need_short_blocks() {
    let mut random = Random::from_seed(12);
    let values: Vec<f64> = (0..20_000).map(|_| random.normal()).collect();
    let got = block_length(&values).expect("varies");
    assert!(got.circular < 8.0 && got.lags <= 2, "{got:?}");
}

/// The replicates are those of draws written out with the same random numbers.
#[test]
fn replicates_are_those_of_written_out_draws() {
    let mut random = Random::from_seed(21);
    let values = ar1(997, 0.6, &mut random);
    let shares = [0.05, 0.01, 0.3];
    let block = 17;
    let boot = BlockBootstrap::new(&values, block, &shares).expect("a series");
    let got = boot.replicates(50, &mut Random::from_seed(4));
    let mut random = Random::from_seed(4);
    for draw in 0..50 {
        let mut written = Vec::new();
        while written.len() < values.len() {
            let start = random.index_below(values.len());
            let length = block.min(values.len() - written.len());
            written.extend((0..length).map(|i| values[(start + i) % values.len()]));
        }
        // Sums in another order.
        assert!((mean(&written) - got.means[draw]).abs() < 1e-12);
        written.sort_by(|a, b| b.total_cmp(a));
        for (list, share) in got.quantiles.iter().zip(shares) {
            let above = (share * values.len() as f64).floor();
            let place = (0..values.len())
                .find(|&i| i as f64 >= above)
                .expect("inside");
            assert!((list[draw] - written[place]).abs() < 1e-15, "share {share}");
        }
    }
    let mut falling = values.clone();
    falling.sort_by(|a, b| b.total_cmp(a));
    assert!((boot.quantiles()[1] - falling[9]).abs() < 1e-15);
    assert!((boot.mean() - moments(&values).expect("values").mean).abs() < 1e-15);
}

/// A whole circle in one block: every draw is the series itself.
#[test]
fn one_block_is_the_series() {
    let values = [3.0, 1.0, 2.0, 5.0];
    let boot = BlockBootstrap::new(&values, 4, &[0.5]).expect("a series");
    let got = boot.replicates(8, &mut Random::from_seed(2));
    assert!(got.means.iter().all(|m| (m - 2.75).abs() < 1e-15));
    assert!(got.quantiles[0].iter().all(|q| (q - 2.0).abs() < 1e-15));
    let joined = got.clone().joined(got);
    assert_eq!((joined.means.len(), joined.quantiles[0].len()), (16, 16));
}

/// The spread of the means over draws is the standard error of a correlated mean: for a first-order
/// process sd sqrt((1 + phi) / (1 - phi) / n). Blocks of finite length fall short by about
/// 2 phi / (1 - phi^2) / b, 4 % here, and one series scatters by some 5 %.
#[test]
fn blocks_keep_the_correlation() {
    let (n, phi) = (20_000, 0.6);
    let values = ar1(n, phi, &mut Random::from_seed(31));
    let length = block_length(&values).expect("varies").circular;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a block length"
    )]
    let boot = BlockBootstrap::new(&values, length.ceil() as usize, &[]).expect("a series");
    let means = boot.replicates(2000, &mut Random::from_seed(32)).means;
    let got = moments(&means).expect("means").standard_deviation();
    let want = ((1.0 + phi) / (1.0 - phi) / n as f64).sqrt();
    assert!((got / want - 1.0).abs() < 0.15, "{got} instead of {want}");
    let (low, high) = percentile_interval(&means, 0.9).expect("means");
    assert!(low < boot.mean() && boot.mean() < high);
}
