//! Moments, autocorrelation, robust statistics and irregular correlation against certified values
//! and general-purpose libraries.

use proptest::prelude::*;
use settlepoint_stats::random::Random;
use settlepoint_stats::series::{
    SeriesError, Truncation, autocorrelation, batch_means_standard_error, correlated_mean,
    irregular_correlation, mad_scale, median, moments, newey_west_standard_error, quantile,
    theil_sen,
};

fn table(text: &str) -> toml::Table {
    text.parse().expect("valid TOML")
}

fn numbers(value: &toml::Value) -> Vec<f64> {
    let values = value.as_array().expect("an array");
    values
        .iter()
        .map(|v| v.as_float().expect("a float"))
        .collect()
}

fn number(value: &toml::Value) -> f64 {
    value.as_float().expect("a float")
}

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    let error = ((got - want) / want).abs();
    assert!(
        error <= tolerance,
        "{what}: {got:e} instead of {want:e}, error {error:e}"
    );
}

/// NIST StRD univariate summary statistics (public domain).
const UNIVARIATE: [&str; 9] = [
    include_str!("data/nist-univariate/Lew.toml"),
    include_str!("data/nist-univariate/Lottery.toml"),
    include_str!("data/nist-univariate/Mavro.toml"),
    include_str!("data/nist-univariate/Michelso.toml"),
    include_str!("data/nist-univariate/NumAcc1.toml"),
    include_str!("data/nist-univariate/NumAcc2.toml"),
    include_str!("data/nist-univariate/NumAcc3.toml"),
    include_str!("data/nist-univariate/NumAcc4.toml"),
    include_str!("data/nist-univariate/PiDigits.toml"),
];

fn univariate_data(set: &toml::Table) -> Vec<f64> {
    if let Some(y) = set.get("y") {
        return numbers(y);
    }
    if let Some(digits) = set.get("digits") {
        let digits = digits.as_str().expect("a string");
        return digits
            .chars()
            .filter_map(|c| c.to_digit(10))
            .map(f64::from)
            .collect();
    }
    let mut y = vec![number(&set["first"])];
    for _ in 0..set["repeat_count"].as_integer().expect("a count") {
        y.extend(numbers(&set["then_repeat"]));
    }
    y
}

/// Certified to 15 digits. The decimals of `NumAcc3` and `NumAcc4` are no doubles: they are off by
/// up to half of 1.2e-10 and 1.9e-9, which is 6e-10 and 9e-9 of their standard deviation of 0.1;
/// of `Mavro` (2.001 to 2.003, sd 4.3e-4) by 2.2e-16, which is 5e-13 of it; of `Michelso` (near
/// 299.9, sd 0.08) by 2.8e-14, over the root of its 100 values 4e-14 of it.
#[test]
fn certified_moments() {
    for text in UNIVARIATE {
        let set = table(text);
        let name = set["name"].as_str().expect("a name");
        let y = univariate_data(&set);
        assert_eq!(
            y.len(),
            usize::try_from(set["observations"].as_integer().expect("n")).expect("n")
        );
        let got = moments(&y).expect("moments");
        let spread = match name {
            "NumAcc4" => 1e-8,
            "NumAcc3" => 1e-9,
            "Mavro" => 1e-12,
            "Michelso" => 1e-13,
            _ => 2e-15,
        };
        close(got.mean, number(&set["mean"]), 1e-15, name);
        close(
            got.standard_deviation(),
            number(&set["standard_deviation"]),
            spread,
            name,
        );
        let first = autocorrelation(&y, 1).expect("lag 1")[1];
        close(
            first,
            number(&set["lag1_autocorrelation"]),
            spread.max(5e-15),
            name,
        );
    }
}

/// What is left above is the rounding of the data, not of the arithmetic: subtracting 1e7 is exact
/// and must change nothing.
#[test]
fn no_digits_are_lost_to_a_large_mean() {
    let set = table(UNIVARIATE[7]);
    let y = univariate_data(&set);
    let shifted: Vec<f64> = y.iter().map(|v| v - 1e7).collect();
    let (got, want) = (
        moments(&y).expect("moments"),
        moments(&shifted).expect("moments"),
    );
    close(
        got.standard_deviation(),
        want.standard_deviation(),
        1e-15,
        "NumAcc4",
    );
}

/// statsmodels 0.15.0 and scipy 1.17.1; the definitions are in the file. 12 digits are printed.
#[test]
fn standard_errors_of_a_correlated_series() {
    let set = table(include_str!("data/autocorrelation.toml"));
    let y = numbers(&set["y"]);
    let want = |key: &str| number(&set[key]);
    let acf = autocorrelation(&y, 20).expect("autocorrelation");
    for (got, want) in acf.iter().zip(numbers(&set["acf"])) {
        close(*got, want, 1e-9, "acf");
    }
    let first = correlated_mean(&y, Truncation::FirstOrder).expect("a mean");
    close(first.moments.mean, want("mean"), 1e-9, "mean");
    close(first.moments.standard_deviation(), want("sd"), 1e-9, "sd");
    close(
        first.moments.naive_standard_error(),
        want("naive_standard_error"),
        1e-9,
        "naive",
    );
    close(
        first.effective_count,
        want("effective_n_ar1"),
        1e-9,
        "first order n",
    );
    close(
        first.standard_error,
        want("standard_error_ar1"),
        1e-9,
        "first order",
    );
    // Pair sums fall all along here, so that both rules give the same.
    for (truncation, name) in [
        (Truncation::InitialPositive, "effective_n_initial_positive"),
        (Truncation::InitialMonotone, "effective_n_initial_monotone"),
    ] {
        let got = correlated_mean(&y, truncation).expect("a mean");
        close(got.effective_count, want(name), 1e-9, name);
        let error = want("standard_error_initial_positive");
        close(got.standard_error, error, 1e-9, name);
    }
    for lag in [4, 8, 15, 30] {
        let got = newey_west_standard_error(&y, lag).expect("an error");
        let want = number(&set["newey_west_standard_error"][&format!("lag_{lag}")]);
        close(got, want, 1e-9, "newey west");
    }
    for len in [10, 20, 30, 40] {
        let got = batch_means_standard_error(&y, len).expect("an error");
        let want = number(&set["batch_means_standard_error"][&format!("batch_{len}")]);
        close(got, want, 1e-9, "batch means");
    }
    // Evenly spaced times are a special case: the likelihood must find the process that made the
    // series (phi 0.8, file) within its sampling error sqrt((1 - phi^2) / n) = 0.039, twice.
    let times: Vec<f64> = (0..y.len()).map(|k| k as f64).collect();
    let process = irregular_correlation(&times, &y).expect("a process");
    assert!(
        (process.correlation(1.0) - 0.8).abs() < 0.078,
        "{process:?}"
    );
    assert!(
        (process.standard_error / 0.3227 - 1.0).abs() < 0.5,
        "{process:?}"
    );
}

/// scipy 1.17.1; 12 digits are printed.
#[test]
fn robust_slopes() {
    let set = table(include_str!("data/theil-sen.toml"));
    for case in set["case"].as_array().expect("cases") {
        let got = theil_sen(&numbers(&case["x"]), &numbers(&case["y"]), 0.95).expect("a slope");
        close(got.slope, number(&case["slope"]), 1e-10, "slope");
        close(
            got.intercept,
            number(&case["intercept_separate"]),
            1e-10,
            "intercept",
        );
        let ends = numbers(&case["ci95"]);
        close(got.low, ends[0], 1e-10, "low");
        close(got.high, ends[1], 1e-10, "high");
    }
}

/// Hyndman and Fan (1996), definition 7, by hand.
#[test]
fn quantiles_by_hand() {
    let values = [3.0, 1.0, 2.0, 10.0];
    for (fraction, want) in [
        (0.0, 1.0),
        (0.25, 1.75),
        (0.5, 2.5),
        (0.9, 7.9),
        (1.0, 10.0),
    ] {
        assert!((quantile(&values, fraction).expect("a quantile") - want).abs() < 1e-14);
    }
    assert!((median(&[5.0]).expect("a median") - 5.0).abs() < 1e-300);
    // Deviations from 2.5: 0.5, 1.5, 0.5, 7.5; median 1.
    assert!((mad_scale(&values).expect("a scale") - 1.482_602_218_505_602).abs() < 1e-14);
}

#[test]
fn bad_input_is_refused() {
    let short = moments(&[]).unwrap_err();
    assert_eq!(
        short,
        SeriesError::TooShort {
            values: 0,
            needed: 1
        }
    );
    assert_eq!(
        moments(&[1.0, f64::NAN]).unwrap_err(),
        SeriesError::NotFinite { index: 1 }
    );
    assert_eq!(
        autocorrelation(&[2.0; 9], 1).unwrap_err(),
        SeriesError::Constant
    );
    assert_eq!(
        theil_sen(&[1.0, 1.0], &[1.0, 2.0], 0.9).unwrap_err(),
        SeriesError::Constant
    );
    assert_eq!(
        theil_sen(&[1.0], &[1.0, 2.0], 0.9).unwrap_err(),
        SeriesError::UnequalLengths
    );
    assert_eq!(quantile(&[1.0], 1.5).unwrap_err(), SeriesError::Level);
    let repeated = irregular_correlation(&[0.0, 1.0, 1.0, 2.0], &[1.0, 2.0, 1.0, 3.0]);
    assert_eq!(
        repeated.unwrap_err(),
        SeriesError::TimesNotRising { index: 2 }
    );
}

/// A stuck sensor has no scatter: no error, and no claim about its correlation either.
#[test]
fn equal_values_have_a_mean() {
    let got = correlated_mean(&[71.0; 50], Truncation::InitialPositive).expect("a mean");
    assert!((got.moments.mean - 71.0).abs() < 1e-300 && got.standard_error.abs() < 1e-300);
    assert!((got.effective_count - 50.0).abs() < 1e-300);
}

/// First-order process with tau 8 s at irregular times, mean 70, standard deviation 2.
fn process(seed: u64, count: usize) -> (Vec<f64>, Vec<f64>) {
    let mut random = Random::from_seed(seed);
    let (mut time, mut value) = (0.0, 2.0 * random.normal());
    let (mut times, mut values) = (Vec::new(), Vec::new());
    for k in 0..count {
        times.push(time);
        values.push(70.0 + value);
        // Mostly a second or so, and now and then a gap.
        let step = if k % 50 == 49 {
            60.0
        } else {
            0.2 + 1.6 * random.uniform()
        };
        let rho: f64 = (-step / 8.0_f64).exp();
        value = rho * value + 2.0 * (1.0 - rho * rho).sqrt() * random.normal();
        time += step;
    }
    (times, values)
}

/// Over 200 seeded processes the estimates scatter about the truth and the 90 % interval of the
/// mean holds it in about 90 %: 180 +- 4.2, so 166 to 194 is three standard deviations and a bit.
#[test]
fn irregular_correlation_covers_the_truth() {
    let (mut covered, mut log_tau) = (0, 0.0);
    for seed in 0..200 {
        let (times, values) = process(seed, 400);
        let got = irregular_correlation(&times, &values).expect("a process");
        covered += u32::from((got.mean - 70.0).abs() < 1.645 * got.standard_error);
        log_tau += (got.time_constant / 8.0).ln() / 200.0;
    }
    assert!((166..=194).contains(&covered), "{covered}");
    // One estimate scatters by about sqrt(2 tau / record) = 0.17; small-sample bias is within it.
    assert!(log_tau.abs() < 0.06, "{log_tau}");
}

proptest! {
    /// One wild reading in ten must not move the slope beyond the slopes of the others.
    #[test]
    fn a_wild_reading_hardly_moves_the_slope(wild in -1e6..1e6_f64, at in 0_usize..20) {
        let x: Vec<f64> = (0..20).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 25.0 + 0.3 * x + 0.01 * (7.0 * x).sin()).collect();
        y[at] = wild;
        let got = theil_sen(&x, &y, 0.9).expect("a slope");
        // The others' slopes differ from 0.3 by at most 0.02 for neighbours.
        prop_assert!((got.slope - 0.3).abs() < 0.02);
    }

    #[test]
    fn effective_counts_are_within_one_and_n(values in prop::collection::vec(-1.0..1.0_f64, 4..60)) {
        for truncation in [Truncation::FirstOrder, Truncation::InitialPositive, Truncation::InitialMonotone] {
            let got = correlated_mean(&values, truncation).expect("a mean");
            prop_assert!(got.effective_count >= 1.0);
            prop_assert!(got.effective_count <= values.len() as f64);
            prop_assert!(got.standard_error >= 0.999 * got.moments.naive_standard_error());
        }
    }
}
