//! How the solver behaves at the edges: domains, ties, priors, bad input.

use proptest::prelude::*;
use settlepoint_stats::DMatrix;
use settlepoint_stats::least_squares::{
    Derivatives, FitError, Jacobian, NotIdentified, Options, Problem, Separable, Stop, minimise,
    minimise_separable,
};

/// Residuals from a closure.
struct Of<F> {
    params: usize,
    residuals: usize,
    function: F,
}

impl<F: Fn(&[f64], &mut [f64])> Problem for Of<F> {
    fn len_params(&self) -> usize {
        self.params
    }
    fn len_residuals(&self) -> usize {
        self.residuals
    }
    fn residuals(&self, params: &[f64], out: &mut [f64]) {
        (self.function)(params, out);
    }
}

/// H. H. Rosenbrock, Computer Journal 3 (1960) 175: minimum 0 at (1, 1) from (-1.2, 1).
#[test]
fn rosenbrock_valley() {
    let problem = Of {
        params: 2,
        residuals: 2,
        function: |p: &[f64], out: &mut [f64]| {
            out[0] = 10.0 * (p[1] - p[0] * p[0]);
            out[1] = 1.0 - p[0];
        },
    };
    let fit = minimise(&problem, &[-1.2, 1.0], &Options::default()).expect("a fit");
    assert!(fit.stopped.converged());
    // The minimum is zero and the problem well conditioned, so only rounding is left.
    assert!(fit.params.iter().all(|p| (p - 1.0).abs() < 1e-14));
}

#[test]
fn trial_points_outside_the_domain_are_rejected() {
    // ln(p) = 2 from p = 1000: the first Gauss-Newton step leads to p < 0.
    let problem = Of {
        params: 1,
        residuals: 1,
        function: |p: &[f64], out: &mut [f64]| out[0] = p[0].ln() - 2.0,
    };
    let options = Options {
        first_radius: 100.0,
        ..Options::default()
    };
    let fit = minimise(&problem, &[1000.0], &options).expect("a fit");
    assert!(fit.stopped.converged());
    assert!((fit.params[0] - 2_f64.exp()).abs() < 1e-13 * 2_f64.exp());
}

#[test]
fn a_minimum_beyond_the_edge_of_the_domain_is_not_called_converged() {
    let problem = Of {
        params: 1,
        residuals: 1,
        function: |p: &[f64], out: &mut [f64]| {
            out[0] = if p[0] >= 1.0 { p[0] } else { f64::NAN };
        },
    };
    let fit = minimise(&problem, &[3.0], &Options::default()).expect("a fit");
    assert_eq!(fit.stopped, Stop::Stuck);
    assert!((fit.params[0] - 1.0).abs() < 1e-3);
}

/// The sum of two resistances in series is all that a plateau shows.
#[test]
fn tied_parameters_are_named() {
    let problem = Of {
        params: 3,
        residuals: 6,
        function: |p: &[f64], out: &mut [f64]| {
            for (k, out) in out.iter_mut().enumerate() {
                let power_w = 20.0 * k as f64;
                *out =
                    p[0] + (p[1] + p[2]) * power_w - 25.0 - 0.4 * power_w + 0.01 * (k as f64).sin();
            }
        },
    };
    let fit = minimise(&problem, &[20.0, 0.1, 0.2], &Options::default()).expect("a fit");
    assert!(fit.stopped.converged());
    let Err(NotIdentified::Direction { params, direction }) = fit.covariance(None) else {
        panic!("a tie must not get a covariance");
    };
    assert_eq!(params.len(), 2);
    assert!(!params.contains(&0));
    assert!((direction[1] + direction[2]).abs() < 1e-6);
    assert!(fit.condition() > 1e9);
    assert_eq!(fit.tied_directions(1e-9).len(), 1);
}

#[test]
fn a_prior_unties_them() {
    let problem = Of {
        params: 2,
        residuals: 2,
        function: |p: &[f64], out: &mut [f64]| {
            out[0] = (p[0] + p[1] - 0.4) / 0.01;
            out[1] = (p[0] - 0.1) / 0.05;
        },
    };
    let fit = minimise(&problem, &[1.0, 1.0], &Options::default()).expect("a fit");
    let covariance = fit.covariance(Some(1.0)).expect("identified");
    // By hand: p1 = 0.4 - p0 with independent errors 0.01 and 0.05.
    let expected = [2.5e-3, -2.5e-3, -2.5e-3, 2.6e-3];
    for (got, want) in covariance.iter().zip(expected) {
        assert!((got - want).abs() < 1e-12, "{got} {want}");
    }
    assert_eq!(fit.covariance(None), Err(NotIdentified::NoFreedom));
}

#[test]
fn bad_input_is_refused_with_its_place() {
    let problem = Of {
        params: 2,
        residuals: 3,
        function: |p: &[f64], out: &mut [f64]| {
            out[0] = p[0];
            out[1] = p[1].sqrt();
            out[2] = 1.0;
        },
    };
    let options = Options::default();
    let start_length = minimise(&problem, &[1.0], &options).unwrap_err();
    assert_eq!(
        start_length,
        FitError::StartLength {
            given: 1,
            params: 2
        }
    );
    let not_finite = minimise(&problem, &[1.0, f64::NAN], &options).unwrap_err();
    assert_eq!(not_finite, FitError::StartNotFinite { param: 1 });
    let outside = minimise(&problem, &[1.0, -1.0], &options).unwrap_err();
    assert_eq!(outside, FitError::ResidualNotFinite { residual: 1 });
    let few = Of {
        residuals: 1,
        ..problem
    };
    let few = minimise(&few, &[1.0, 1.0], &options).unwrap_err();
    assert_eq!(
        few,
        FitError::TooFewResiduals {
            residuals: 1,
            params: 2
        }
    );
}

#[test]
fn no_parameters_is_a_fit_too() {
    let problem = Of {
        params: 0,
        residuals: 2,
        function: |_: &[f64], out: &mut [f64]| out.fill(2.0),
    };
    let fit = minimise(&problem, &[], &Options::default()).expect("a fit");
    assert!((fit.residual_ss - 8.0).abs() < 1e-15);
    assert!(fit.stopped.converged());
}

/// The same decay with and without its derivatives.
struct Decay {
    analytic: bool,
}

impl Problem for Decay {
    fn len_params(&self) -> usize {
        2
    }
    fn len_residuals(&self) -> usize {
        20
    }
    fn residuals(&self, params: &[f64], out: &mut [f64]) {
        for (k, out) in out.iter_mut().enumerate() {
            let time_s = k as f64;
            *out = params[0] * (-time_s / params[1]).exp()
                - 30.0 * (-time_s / 7.0).exp()
                - 0.1 * (3.0 * time_s).sin();
        }
    }
    fn jacobian(&self, params: &[f64], out: &mut Jacobian) -> Derivatives {
        if !self.analytic {
            return Derivatives::Differences;
        }
        for k in 0..self.len_residuals() {
            let time_s = k as f64;
            let decay = (-time_s / params[1]).exp();
            out[(k, 0)] = decay;
            out[(k, 1)] = params[0] * decay * time_s / (params[1] * params[1]);
        }
        Derivatives::Analytic
    }
}

#[test]
fn differences_equal_analytic_derivatives() {
    let options = Options::default();
    let analytic = minimise(&Decay { analytic: true }, &[10.0, 2.0], &options).expect("a fit");
    let differences = minimise(&Decay { analytic: false }, &[10.0, 2.0], &options).expect("a fit");
    assert!(analytic.evaluations < differences.evaluations);
    for (a, d) in analytic.params.iter().zip(&differences.params) {
        assert!((a - d).abs() < 1e-12 * a.abs(), "{a} {d}");
    }
    // Fourth-order differences: about 1e-12 of the largest entry.
    let error = (&analytic.jacobian - &differences.jacobian).amax();
    assert!(error < 1e-11 * analytic.jacobian.amax(), "{error}");
}

/// NIST StRD Lanczos3 (public domain) without any start for its three amplitudes.
struct Lanczos3 {
    x: Vec<f64>,
    y: Vec<f64>,
}

impl Separable for Lanczos3 {
    fn len_nonlinear(&self) -> usize {
        3
    }
    fn len_linear(&self) -> usize {
        3
    }
    fn observed(&self) -> &[f64] {
        &self.y
    }
    fn basis(&self, rates: &[f64], out: &mut DMatrix<f64>) {
        for (k, rate) in rates.iter().enumerate() {
            for (i, x) in self.x.iter().enumerate() {
                out[(i, k)] = (-rate * x).exp();
            }
        }
    }
}

#[test]
fn separable_fit_reaches_the_certified_values_from_rates_alone() {
    let table: toml::Table = include_str!("data/nist/Lanczos3.toml")
        .parse()
        .expect("TOML");
    let numbers = |key: &str| -> Vec<f64> {
        let values = table[key].as_array().expect("an array");
        values
            .iter()
            .map(|v| v.as_float().expect("a float"))
            .collect()
    };
    let model = Lanczos3 {
        x: numbers("x"),
        y: numbers("y"),
    };
    // Certified order: amplitude, rate, amplitude, rate, ...
    let certified = numbers("certified");
    let order = [1, 3, 5, 0, 2, 4];
    for start in ["start1", "start2"] {
        let rates: Vec<f64> = [1, 3, 5].iter().map(|&k| numbers(start)[k]).collect();
        let fit = minimise_separable(&model, &rates, &Options::default()).expect("a fit");
        assert!(fit.stopped.converged());
        for (got, k) in fit.params.iter().zip(order) {
            // As in nist_nonlinear.rs: condition 1e4 times 1e-12 and room for other libraries.
            assert!(
                (got / certified[k] - 1.0).abs() < 3e-9,
                "{start} {got} {}",
                certified[k]
            );
        }
    }
}

/// Two equal time constants make two equal columns; the fit must survive them.
#[test]
fn separable_fit_leaves_a_rank_deficient_start() {
    let x: Vec<f64> = (0..40).map(f64::from).collect();
    let y = x
        .iter()
        .map(|x| 3.0 * (-0.5 * x).exp() + (-0.05 * x).exp())
        .collect();
    struct Two(Vec<f64>, Vec<f64>);
    impl Separable for Two {
        fn len_nonlinear(&self) -> usize {
            2
        }
        fn len_linear(&self) -> usize {
            2
        }
        fn observed(&self) -> &[f64] {
            &self.1
        }
        fn basis(&self, rates: &[f64], out: &mut DMatrix<f64>) {
            for (k, rate) in rates.iter().enumerate() {
                for (i, x) in self.0.iter().enumerate() {
                    out[(i, k)] = (-rate * x).exp();
                }
            }
        }
    }
    let fit = minimise_separable(&Two(x, y), &[0.2, 0.2 + 1e-9], &Options::default());
    let mut params = fit.expect("a fit").params;
    params.sort_by(f64::total_cmp);
    for (got, want) in params.iter().zip([0.05, 0.5, 1.0, 3.0]) {
        assert!((got - want).abs() < 1e-9, "{params:?}");
    }
}

proptest! {
    /// A line has a closed solution; every start must find it in a few steps.
    #[test]
    fn lines_are_fitted_exactly(
        offset in -50.0..50.0_f64,
        slope in -5.0..5.0_f64,
        wobble in prop::collection::vec(-1.0..1.0_f64, 8),
        start in (-100.0..100.0_f64, -100.0..100.0_f64),
    ) {
        let y: Vec<f64> = wobble.iter().enumerate().map(|(k, w)| offset + slope * k as f64 + w).collect();
        let problem = Of {
            params: 2,
            residuals: 8,
            function: |p: &[f64], out: &mut [f64]| {
                for (k, out) in out.iter_mut().enumerate() {
                    *out = p[0] + p[1] * k as f64 - y[k];
                }
            },
        };
        let fit = minimise(&problem, &[start.0, start.1], &Options::default()).expect("a fit");
        // Sums over x = 0..7: n 8, x 28, xx 140.
        let (sy, sxy) = y.iter().enumerate().fold((0.0, 0.0), |(a, b), (k, y)| (a + y, b + k as f64 * y));
        let best_slope = (8.0 * sxy - 28.0 * sy) / (8.0 * 140.0 - 28.0 * 28.0);
        let best_offset = (sy - best_slope * 28.0) / 8.0;
        prop_assert!(fit.stopped.converged());
        // Differences with steps of 2e-4 keep epsilon / 2e-4 = 1e-12 of the values (up to 86).
        prop_assert!((fit.params[0] - best_offset).abs() < 2e-10);
        prop_assert!((fit.params[1] - best_slope).abs() < 2e-10);
    }
}
