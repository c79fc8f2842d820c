//! The generator against its authors' implementation, the draws against their distributions.

use settlepoint_stats::DMatrix;
use settlepoint_stats::linear::{LinearSystem, Whitening};
use settlepoint_stats::random::{CovarianceError, MultivariateNormal, Random};

/// First outputs of the authors' C code, <https://prng.di.unimi.it/xoshiro256plusplus.c> (public
/// domain), for the state 1, 2, 3, 4.
#[test]
fn reference_outputs() {
    let mut random = Random::from_state([1, 2, 3, 4]);
    let expected = [
        41_943_041,
        58_720_359,
        3_588_806_011_781_223,
        3_591_011_842_654_386,
        9_228_616_714_210_784_205,
        9_973_669_472_204_895_162,
        14_011_001_112_246_962_877,
        12_406_186_145_184_390_807,
        15_849_039_046_786_891_736,
        10_450_023_813_501_588_000,
    ];
    for want in expected {
        assert_eq!(random.next_u64(), want);
    }
}

/// The state for a seed must be the outputs of the authors' C code of `SplitMix64`,
/// <https://prng.di.unimi.it/splitmix64.c> (public domain), here for seed 1234567.
#[test]
fn reference_seeding() {
    let state = [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
    ];
    assert_eq!(Random::from_seed(1_234_567), Random::from_state(state));
}

#[test]
fn split_streams_differ_and_repeat() {
    let mut parent = Random::from_seed(3);
    let (mut first, mut second) = (parent.split(), parent.split());
    assert_ne!(first.next_u64(), second.next_u64());
    assert_eq!(Random::from_seed(3).split(), Random::from_seed(3));
}

/// The state 2^128 draws after 1, 2, 3, 4, by 128 squarings of the 256 x 256 matrix of one draw
/// over the field of two elements (computed apart from this crate, in Python).
#[test]
fn split_skips_two_to_the_128_draws() {
    let mut random = Random::from_state([1, 2, 3, 4]);
    let _ = random.split();
    let skipped = [
        10_122_426_448_480_695_249,
        8_079_205_330_032_121_950,
        7_289_065_458_748_526_725,
        9_477_464_255_293_849_680,
    ];
    assert_eq!(random, Random::from_state(skipped));
}

/// Mean and variance of n draws lie within five standard errors (one failure in 2 million seeds).
#[test]
fn moments_of_normal_and_uniform_draws() {
    let mut random = Random::from_seed(11);
    let n = 200_000;
    let mut sums = [0.0; 6];
    for _ in 0..n {
        let (z, u) = (random.normal(), random.uniform());
        assert!((0.0..1.0).contains(&u));
        for (sum, value) in sums
            .iter_mut()
            .zip([z, z * z, z.powi(3), z.powi(4), u, u * u])
        {
            *sum += value / f64::from(n);
        }
    }
    // (mean, variance) of z, z^2, z^3, z^4, u, u^2.
    let theory = [
        (0.0, 1.0),
        (1.0, 2.0),
        (0.0, 15.0),
        (3.0, 96.0),
        (0.5, 1.0 / 12.0),
        (1.0 / 3.0, 4.0 / 45.0),
    ];
    for (mean, (expected, variance)) in sums.iter().zip(theory) {
        let standard_error: f64 = (variance / f64::from(n)).sqrt();
        assert!(
            (mean - expected).abs() < 5.0 * standard_error,
            "{mean} {expected}"
        );
    }
}

#[test]
fn integers_and_orders_are_even() {
    let mut random = Random::from_seed(5);
    let mut counts = [0_u32; 6];
    for _ in 0..60_000 {
        let mut order = [0, 1, 2];
        random.shuffle(&mut order);
        counts[order[0] * 2 + usize::from(order[1] > order[2])] += 1;
    }
    // Five standard deviations of a binomial count with p = 1/6.
    assert!(
        counts.iter().all(|c| c.abs_diff(10_000) < 457),
        "{counts:?}"
    );
    assert_eq!(random.below(0), 0);
    assert_eq!(random.index_below(1), 0);
}

#[test]
fn multivariate_draws_have_the_covariance_asked_for() {
    // Units that differ by 1e6 and a correlation of 0.9.
    let covariance = DMatrix::from_row_slice(2, 2, &[1e-6, 0.9, 0.9, 1e6]);
    let normal = MultivariateNormal::new(&[1.0, -1e4], &covariance).expect("a covariance");
    let mut random = Random::from_seed(2);
    let n = 100_000;
    let mut sums = [0.0; 3];
    for _ in 0..n {
        let draw = normal.draw(&mut random);
        let (a, b) = ((draw[0] - 1.0) / 1e-3, (draw[1] + 1e4) / 1e3);
        for (sum, value) in sums.iter_mut().zip([a * a, b * b, a * b]) {
            *sum += value / f64::from(n);
        }
    }
    // Five standard errors: sqrt(2 / n) for variances, sqrt((1 + 0.81) / n) for the product.
    assert!((sums[0] - 1.0).abs() < 0.023);
    assert!((sums[1] - 1.0).abs() < 0.023);
    assert!((sums[2] - 0.9).abs() < 0.022);
}

#[test]
fn singular_covariances_keep_their_ties() {
    let covariance =
        DMatrix::from_row_slice(3, 3, &[4.0, -4.0, 0.0, -4.0, 4.0, 0.0, 0.0, 0.0, 0.0]);
    let normal = MultivariateNormal::new(&[1.0, 2.0, 3.0], &covariance).expect("a covariance");
    let mut random = Random::from_seed(2);
    for _ in 0..100 {
        let draw = normal.draw(&mut random);
        // The root of rounding, as the eigenvalue 0 is known to 1e-16 only.
        assert!((draw[0] + draw[1] - 3.0).abs() < 1e-6);
        assert!((draw[2] - 3.0).abs() < f64::EPSILON);
    }
}

#[test]
fn what_is_no_covariance_is_refused() {
    let wrong = DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 2.0, 1.0]);
    let error = MultivariateNormal::new(&[0.0, 0.0], &wrong).unwrap_err();
    assert_eq!(error, CovarianceError::NotPositive);
    let error = MultivariateNormal::new(&[0.0], &wrong).unwrap_err();
    assert_eq!(error, CovarianceError::Shape);
    let nan = DMatrix::from_element(1, 1, f64::NAN);
    let error = MultivariateNormal::new(&[0.0], &nan).unwrap_err();
    assert_eq!(error, CovarianceError::NotFinite);
}

#[test]
fn whitening_turns_a_covariance_into_the_identity() {
    let covariance =
        DMatrix::from_row_slice(3, 3, &[4.0, 1.0, 0.5, 1.0, 9.0, -2.0, 0.5, -2.0, 1.0]);
    let whitening = Whitening::new(&covariance).expect("positive definite");
    let half = whitening.matrix(&covariance);
    let identity = whitening.matrix(&half.transpose());
    assert!((identity - DMatrix::identity(3, 3)).amax() < 1e-14);
}

/// A joint prior is an observation of all parameters: the posterior covariance is
/// `(A^T A + C^-1)^-1`, here by hand for one parameter pair.
#[test]
fn joint_priors_and_observations_add_their_information() {
    let mut system = LinearSystem::new(2);
    let covariance = DMatrix::from_row_slice(2, 2, &[1.0, 0.5, 0.5, 1.0]);
    system
        .joint_prior(&[1.0, 2.0], &covariance)
        .expect("a prior");
    system.observe(&[1.0, -1.0], 0.0, 1.0);
    let fit = system.solve().expect("identified");
    // C^-1 = [4/3, -2/3], A^T A = [1, -1]; sum [7/3, -5/3], inverse [7/8, 5/8].
    let expected = [0.875, 0.625, 0.625, 0.875];
    for (got, want) in fit.covariance.iter().zip(expected) {
        assert!((got - want).abs() < 1e-14);
    }
    // The difference -1 +- 1 against 0 +- 1 meets half way; the sum stays.
    assert!((fit.params[0] - 1.25).abs() < 1e-14);
    assert!((fit.params[1] - 1.75).abs() < 1e-14);
    assert!((fit.residual_ss - 0.5).abs() < 1e-14);
    assert_eq!(fit.degrees_of_freedom, 1);
}

#[test]
fn an_undetermined_line_is_an_error() {
    let mut system = LinearSystem::new(2);
    system.observe(&[1.0, 60.0], 43.0, 0.5);
    assert!(system.solve().is_err());
    system.observe(&[1.0, 60.0], 43.5, 0.5);
    assert!(system.solve().is_err());
    system.observe(&[1.0, 90.0], 52.0, 0.5);
    assert!(system.solve().is_ok());
}
